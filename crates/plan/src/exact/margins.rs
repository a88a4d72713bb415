//! Margins of a technique's beams over the alarm height, by the exact field.

use barwright_job::technique::{Beam, GateKind, Probe, Sensitivity};
use barwright_wave::Mode;
use rayon::prelude::*;

use super::fields::{Fields, Prepared};
use super::weights::{Flaw, Nodes};
use crate::conditions::Conditions;
use crate::coverage::Margin;
use crate::echo::db;
use crate::error::Result;
use crate::ring;
use crate::response::Aperture;

/// A place of the section: radius as a share of the surface's, and angle about the bar's centre in rad.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Radius over the surface's radius; one for a crack.
    pub share: f64,
    /// Angle in rad.
    pub angle_rad: f64,
}

/// What is judged: beams with their gains and gates, and how close pulses lie.
#[derive(Debug, Clone, Copy)]
pub struct Judged<'a> {
    /// Probes.
    pub probes: &'a [Probe],
    /// Beams, in the order of the fields.
    pub beams: &'a [Beam],
    /// What a height means.
    pub sensitivity: &'a Sensitivity,
    /// Way of the bar between two shots of a beam in m.
    pub spacing_m: f64,
    /// How many shots must see a flaw.
    pub agreeing: usize,
}

/// Levels of one flaw relative to the reference, under a pulse, half-way between two and a whole way off.
struct Along {
    under: Vec<(Nodes, Vec<f64>)>,
    half: Vec<(Nodes, Vec<f64>)>,
    whole: Vec<(Nodes, Vec<f64>)>,
}

impl Along {
    fn new(fields: &Fields<'_>, flaw: Flaw, spacing_m: f64) -> Result<Self> {
        Ok(Self {
            under: fields.relative_db(flaw, 0.0)?,
            half: fields.relative_db(flaw, spacing_m / 2.0)?,
            whole: fields.relative_db(flaw, spacing_m)?,
        })
    }
}

/// A state of the bar, ready to be judged.
#[derive(Debug, Clone)]
pub struct State {
    /// Its fields.
    pub prepared: Prepared,
    /// By how much following the surface echo shifts each beam's gates, in s.
    pub shifts_s: Vec<f64>,
    /// Turn of discs out of facing the beam, in rad.
    pub tilt_rad: f64,
}

/// Prepares states: nominal first, then the deviations. `tick` after each.
///
/// # Errors
/// The wave crate's; [`crate::PlanError::Cancelled`] when `tick` says so.
pub(crate) fn states(
    fields: &mut Fields<'_>,
    judged: &Judged<'_>,
    nominal: &Conditions,
    conditions: &[Conditions],
    tick: &dyn Fn() -> Result<()>,
) -> Result<Vec<State>> {
    conditions
        .iter()
        .map(|c| {
            let prepared = fields.prepare(c)?;
            tick()?;
            Ok(State { prepared, shifts_s: shifts(judged, nominal, c), tilt_rad: c.tilt_rad })
        })
        .collect()
}

/// Surface shift of each beam in a state.
fn shifts(judged: &Judged<'_>, nominal: &Conditions, state: &Conditions) -> Vec<f64> {
    judged
        .beams
        .iter()
        .map(|beam| {
            let followed = beam
                .surface_beam
                .and_then(|id| judged.beams.iter().find(|f| f.id == id))
                .unwrap_or(beam);
            let p = ring::middle(Aperture::of_beam(judged.probes, followed).elements);
            state.surface_answer_s(p) - nominal.surface_answer_s(p)
        })
        .collect()
}

/// Margins of a flaw at places: nominal in the first state, worst over all; in the order of the places.
///
/// A margin is that of as many shots as must agree, at the worst place along the bar between two
/// pulses.
///
/// # Errors
/// The wave crate's.
pub(crate) fn margins(
    fields: &Fields<'_>,
    judged: &Judged<'_>,
    states: &[State],
    flaw: Flaw,
    places: &[Place],
) -> Result<Vec<Margin>> {
    let looks = Looks::new(fields, judged, states, flaw)?;
    Ok(places
        .par_iter()
        .map(|place| {
            let mut margin = Margin::default();
            for k in 0..states.len() {
                let here = looks.at(k, place);
                let value = here.map(|h| h.0 as f32);
                if k == 0 {
                    margin.nominal_db = value;
                    margin.worst_db = value;
                    margin.beam = here.map(|h| h.1);
                } else if is_worse(value, margin.worst_db) {
                    margin.worst_db = value;
                    margin.worst_case = Some(k - 1);
                }
            }
            margin
        })
        .collect())
}

/// Margins in each state by itself: `[state][place]`.
///
/// # Errors
/// The wave crate's.
pub(crate) fn by_state(
    fields: &Fields<'_>,
    judged: &Judged<'_>,
    states: &[State],
    flaw: Flaw,
    places: &[Place],
) -> Result<Vec<Vec<Option<f32>>>> {
    let looks = Looks::new(fields, judged, states, flaw)?;
    Ok((0..states.len())
        .map(|k| places.par_iter().map(|p| looks.at(k, p).map(|h| h.0 as f32)).collect())
        .collect())
}

fn is_worse(value: Option<f32>, than: Option<f32>) -> bool {
    match (value, than) {
        (_, None) => false,
        (None, Some(_)) => true,
        (Some(v), Some(t)) => v < t,
    }
}

/// All beams that can meet a flaw, in some states.
struct Looks<'a> {
    fields: &'a Fields<'a>,
    judged: &'a Judged<'a>,
    states: &'a [State],
    along: Vec<(f64, Along)>,
    beams: Vec<usize>,
    gate: GateKind,
    alarm_db: f64,
}

impl<'a> Looks<'a> {
    fn new(
        fields: &'a Fields<'a>,
        judged: &'a Judged<'a>,
        states: &'a [State],
        flaw: Flaw,
    ) -> Result<Self> {
        let (mode, gate) = match flaw {
            Flaw::Crack { .. } => (Mode::S, GateKind::Crack),
            _ => (Mode::L, GateKind::Volume),
        };
        let tilted = |tilt: f64| match flaw {
            Flaw::Disc { diameter_m, .. } => Flaw::Disc { diameter_m, tilt_rad: tilt },
            other => other,
        };
        let mut along: Vec<(f64, Along)> = Vec::new();
        for state in states {
            let tilt = if matches!(flaw, Flaw::Disc { .. }) { state.tilt_rad } else { 0.0 };
            if !along.iter().any(|(t, _)| *t == tilt) {
                along.push((tilt, Along::new(fields, tilted(tilt), judged.spacing_m)?));
            }
        }
        let beams = (0..judged.beams.len()).filter(|i| judged.beams[*i].mode == mode).collect();
        let alarm_db = db(judged.sensitivity.alarm_fsh);
        Ok(Self { fields, judged, states, along, beams, gate, alarm_db })
    }

    /// Margin in a state, and the best beam's number; `None` where no gate holds an echo.
    fn at(&self, state: usize, place: &Place) -> Option<(f64, u32)> {
        let s = &self.states[state];
        let tilt = if self.along.len() > 1 { s.tilt_rad } else { self.along.first()?.0 };
        let along = &self.along.iter().find(|(t, _)| *t == tilt)?.1;
        let need = self.judged.agreeing.max(1);
        let mut best: Option<(f64, u32)> = None;
        // Under a pulse a beam's own shot and, a whole way off, its neighbours; half-way, two alike.
        let mut under = Tops::new(need);
        let mut half = Tops::new(need);
        for &i in &self.beams {
            let Some(seen) = self.fields.seen(s.prepared, i, place.share, place.angle_rad) else {
                continue;
            };
            let beam = &self.judged.beams[i];
            let after = seen.time_s - beam.surface_time_s - s.shifts_s[i];
            let Some(gate) = beam.gate(self.gate) else {
                continue;
            };
            if !(gate.start_s..=gate.end_s).contains(&after) {
                continue;
            }
            let Some(member) = self.fields.member(i) else {
                continue;
            };
            let path = self.fields.path_m(i, place.share, place.angle_rad);
            let more = |list: &[(Nodes, Vec<f64>)]| {
                list.get(member.class).map_or(f64::NEG_INFINITY, |(nodes, v)| nodes.at(v, path))
            };
            let level = seen.level_db + beam.gain_db + beam.curve_db(after) - self.alarm_db;
            let (u, h, w) = (
                level + more(&along.under),
                level + more(&along.half),
                level + more(&along.whole),
            );
            under.add(u);
            under.add(w);
            under.add(w);
            half.add(h);
            half.add(h);
            if best.is_none_or(|(b, _)| h > b) {
                best = Some((h, beam.id));
            }
        }
        let value = under.last()?.min(half.last()?);
        Some((value, best?.1))
    }
}

/// The largest few of some values.
struct Tops {
    values: Vec<f64>,
    need: usize,
}

impl Tops {
    fn new(need: usize) -> Self {
        Self { values: Vec::with_capacity(need + 1), need }
    }

    fn add(&mut self, value: f64) {
        let at = self.values.partition_point(|v| *v >= value);
        if at < self.need {
            self.values.insert(at, value);
            self.values.truncate(self.need);
        }
    }

    /// The last that is needed; `None` if there are fewer.
    fn last(&self) -> Option<f64> {
        (self.values.len() == self.need).then(|| self.values[self.need - 1])
    }
}
