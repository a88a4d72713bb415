//! Margins of a technique's beams over the alarm height, by the exact field.

use std::borrow::Cow;

use barwright_job::technique::{Beam, Gate, GateKind, Probe, Sensitivity};
use barwright_wave::{Mode, cylinder::batch::FieldEngine};
use rayon::prelude::*;

use super::fields::{Fields, Prepared};
use super::maps::BeamMap;
use super::weights::{Flaw, Nodes};
use crate::conditions::Conditions;
use crate::coverage::Margin;
use crate::echo::db;
use crate::error::Result;
use crate::response::Aperture;
use crate::ring;

/// A place of the section: radius as a share of the surface's, and angle about the bar's centre in rad.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Radius over the surface's radius; one for a crack.
    pub share: f64,
    /// Angle in rad.
    pub angle_rad: f64,
}

impl Place {
    /// So many places around a ring, the first at the angle zero.
    pub fn around(share: f64, count: usize) -> impl Iterator<Item = Self> {
        let turn = move |j: usize| std::f64::consts::TAU * j as f64 / count as f64;
        (0..count).map(move |j| Self { share, angle_rad: turn(j) })
    }
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

/// Where, as shares of the distance of two pulses, a flaw's levels are known; an element's field ripples
/// along the bar, so that half-way need not be the worst.
const SHARES: [f64; 5] = [0.0, 1.0, 0.25, 0.75, 0.5];
/// Places between two pulses at which a flaw is tried: the levels, by their place in [`SHARES`], in the
/// shots that meet it there. Under a pulse: that shot, and the one before and after.
const BETWEEN: [&[usize]; 3] = [&[0, 1, 1], &[2, 3], &[4, 4]];

/// Levels of one flaw relative to the reference by depth, at all shares, for each class of beams; empty
/// for a class without reference.
struct Along {
    by_class: Vec<(Nodes, Vec<[f64; SHARES.len()]>)>,
}

impl Along {
    fn new(fields: &Fields<'_>, flaw: Flaw, spacing_m: f64) -> Result<Self> {
        let mut by_class: Vec<(Nodes, Vec<[f64; SHARES.len()]>)> = Vec::new();
        for (k, share) in SHARES.into_iter().enumerate() {
            for (class, (nodes, levels)) in
                fields.relative_db(flaw, share * spacing_m)?.into_iter().enumerate()
            {
                if k == 0 {
                    by_class.push((nodes, vec![[0.0; SHARES.len()]; levels.len()]));
                }
                for (own, level) in by_class[class].1.iter_mut().zip(levels) {
                    own[k] = level;
                }
            }
        }
        Ok(Self { by_class })
    }

    /// Levels at a path, at all shares; `None` for a class that has none.
    fn at(&self, class: usize, path_m: f64) -> Option<[f64; SHARES.len()]> {
        let (nodes, levels) = self.by_class.get(class)?;
        let place = nodes.place(path_m);
        let lower = place as usize;
        let (a, b) = (levels.get(lower)?, levels.get((lower + 1).min(levels.len() - 1))?);
        let part = place - lower as f64;
        Some(std::array::from_fn(|k| a[k] + (b[k] - a[k]) * part))
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

/// The same by an engine that takes many states at once.
///
/// # Errors
/// The engine's.
pub(crate) fn states_of_many(
    fields: &mut Fields<'_>,
    judged: &Judged<'_>,
    nominal: &Conditions,
    conditions: &[Conditions],
    engine: &dyn FieldEngine,
) -> Result<Vec<State>> {
    let prepared = fields.prepare_many(conditions, engine)?;
    let state = |(prepared, c): (Prepared, &Conditions)| State {
        prepared,
        shifts_s: shifts(judged, nominal, c),
        tilt_rad: c.tilt_rad,
    };
    Ok(prepared.into_par_iter().zip(conditions).map(state).collect())
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

/// What one beam sees at a place: a flaw's level differs from the reference's by depth alone.
#[derive(Debug, Clone, Copy)]
struct Sight {
    /// Height of the reference flaw under a pulse, dB re alarm height.
    over_alarm_db: f32,
    /// Path in the steel in m.
    path_m: f32,
    class: u32,
    beam: u32,
}

/// A beam with its number and the gate that counts.
type Looker<'a> = (usize, &'a Beam, &'a Gate);

/// Places from which on mixing a whole map costs less than looking into four of them at each.
const MANY_PLACES: usize = 5000;

/// What all beams of one kind of wave see at places, in one state of the bar.
#[derive(Debug, Clone)]
pub(crate) struct Sights {
    by_place: Vec<Vec<Sight>>,
    tilt_rad: f64,
}

/// What beams see at places in some states: longitudinal beams, or shear beams where `crack` says so.
pub(crate) fn sights(
    fields: &Fields<'_>,
    judged: &Judged<'_>,
    states: &[State],
    crack: bool,
    places: &[Place],
) -> Vec<Sights> {
    let (mode, kind) = if crack { (Mode::S, GateKind::Crack) } else { (Mode::L, GateKind::Volume) };
    let beams: Vec<Looker<'_>> = judged
        .beams
        .iter()
        .enumerate()
        .filter(|(_, beam)| beam.mode == mode)
        .filter_map(|(i, beam)| Some((i, beam, beam.gate(kind)?)))
        .collect();
    let alarm_db = db(judged.sensitivity.alarm_fsh);
    // What does not depend on the state: direction in the beam's frame, and the path.
    let ways: Vec<(f64, f32)> = places
        .par_iter()
        .flat_map_iter(|place| {
            beams.iter().map(|&(i, ..)| {
                let own = fields.member(i).map_or(0.0, |m| m.direction(place.angle_rad));
                (own, fields.path_m(i, place.share, own) as f32)
            })
        })
        .collect();
    let count = beams.len().max(1);
    states
        .iter()
        .map(|state| {
            // A map is worth mixing for many places only.
            let many = places.len() >= MANY_PLACES;
            let facing =
                |b: &(usize, &Beam, &Gate)| many.then(|| fields.facing(state.prepared, b.0))?;
            let maps: Vec<_> = beams.par_iter().map(facing).collect();
            let at = |(place, ways): (&Place, &[(f64, f32)])| {
                let radius_m = fields.radius_m(state.prepared, place.share);
                let see =
                    |looker: &Looker<'_>, map: &Option<Cow<'_, BeamMap>>, way: &(f64, f32)| {
                        let (&(i, beam, gate), &(own, path_m)) = (looker, way);
                        let seen = match map {
                            Some(map) => map.at(radius_m, own)?,
                            None => fields.seen_from(state.prepared, i, place.share, own)?,
                        };
                        let after = seen.time_s - beam.surface_time_s - state.shifts_s[i];
                        if !(gate.start_s..=gate.end_s).contains(&after) {
                            return None;
                        }
                        let level = seen.level_db + beam.gain_db + beam.curve_db(after) - alarm_db;
                        Some(Sight {
                            over_alarm_db: level as f32,
                            path_m,
                            class: fields.member(i)?.class as u32,
                            beam: beam.id,
                        })
                    };
                let all = beams.iter().zip(&maps).zip(ways);
                all.filter_map(|((looker, map), way)| see(looker, map, way)).collect()
            };
            Sights {
                by_place: places.par_iter().zip(ways.par_chunks(count)).map(at).collect(),
                tilt_rad: state.tilt_rad,
            }
        })
        .collect()
}

/// Margins of a flaw at the places of the sights: nominal in the first state, worst over all.
///
/// A margin is that of as many shots as must agree, at the worst place along the bar between two
/// pulses.
///
/// # Errors
/// The wave crate's.
pub(crate) fn margins(
    fields: &Fields<'_>,
    judged: &Judged<'_>,
    sights: &[Sights],
    flaw: Flaw,
) -> Result<Vec<Margin>> {
    let along = AllAlong::new(fields, judged, sights, flaw)?;
    let places = sights.first().map_or(0, |s| s.by_place.len());
    Ok((0..places)
        .into_par_iter()
        .map_init(
            || along.tops(),
            |tops, p| {
                let mut margin = Margin::default();
                for (k, state) in sights.iter().enumerate() {
                    let here = along.at(state, p, tops);
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
            },
        )
        .collect())
}

/// Margins in each state by itself: `[state][place]`.
///
/// # Errors
/// The wave crate's.
pub(crate) fn by_state(
    fields: &Fields<'_>,
    judged: &Judged<'_>,
    sights: &[Sights],
    flaw: Flaw,
) -> Result<Vec<Vec<Option<f32>>>> {
    let along = AllAlong::new(fields, judged, sights, flaw)?;
    let of = |state: &Sights| {
        (0..state.by_place.len())
            .into_par_iter()
            .map_init(|| along.tops(), |tops, p| along.at(state, p, tops).map(|h| h.0 as f32))
            .collect()
    };
    Ok(sights.iter().map(of).collect())
}

fn is_worse(value: Option<f32>, than: Option<f32>) -> bool {
    match (value, than) {
        (_, None) => false,
        (None, Some(_)) => true,
        (Some(v), Some(t)) => v < t,
    }
}

/// Levels of one flaw, for each tilt that the states have.
struct AllAlong {
    by_tilt: Vec<(f64, Along)>,
    need: usize,
}

impl AllAlong {
    fn new(
        fields: &Fields<'_>,
        judged: &Judged<'_>,
        sights: &[Sights],
        flaw: Flaw,
    ) -> Result<Self> {
        let mut by_tilt: Vec<(f64, Along)> = Vec::new();
        for state in sights {
            let (tilt, flaw) = match flaw {
                Flaw::Disc { diameter_m, .. } => {
                    (state.tilt_rad, Flaw::Disc { diameter_m, tilt_rad: state.tilt_rad })
                }
                other => (0.0, other),
            };
            if !by_tilt.iter().any(|(t, _)| *t == tilt) {
                by_tilt.push((tilt, Along::new(fields, flaw, judged.spacing_m)?));
            }
        }
        Ok(Self { by_tilt, need: judged.agreeing.max(1) })
    }

    /// Room for the largest levels at each place between two pulses.
    fn tops(&self) -> [Tops; BETWEEN.len()] {
        std::array::from_fn(|_| Tops::new(self.need))
    }

    /// Margin at a place in a state, and the best beam's number; `None` where too few gates hold an
    /// echo.
    fn at(
        &self,
        state: &Sights,
        place: usize,
        tops: &mut [Tops; BETWEEN.len()],
    ) -> Option<(f64, u32)> {
        let own = self.by_tilt.iter().find(|(t, _)| *t == state.tilt_rad);
        let along = &own.or_else(|| self.by_tilt.first())?.1;
        let mut best: Option<(f64, u32)> = None;
        tops.iter_mut().for_each(Tops::clear);
        for sight in &state.by_place[place] {
            let more = along.at(sight.class as usize, f64::from(sight.path_m));
            let level = f64::from(sight.over_alarm_db);
            let levels = more.map_or([f64::NEG_INFINITY; SHARES.len()], |m| m.map(|m| level + m));
            let mut least = f64::INFINITY;
            for (shots, tops) in BETWEEN.iter().zip(tops.iter_mut()) {
                let mut highest = f64::NEG_INFINITY;
                for k in *shots {
                    tops.add(levels[*k]);
                    highest = highest.max(levels[*k]);
                }
                least = least.min(highest);
            }
            if best.is_none_or(|(b, _)| least > b) {
                best = Some((least, sight.beam));
            }
        }
        let mut value = f64::INFINITY;
        for tops in tops.iter() {
            value = value.min(tops.last()?);
        }
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

    fn clear(&mut self) {
        self.values.clear();
    }

    fn add(&mut self, value: f64) {
        if self.values.len() == self.need && self.values.last().is_none_or(|least| value <= *least)
        {
            return;
        }
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
