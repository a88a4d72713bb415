//! Margins of a square technique's beams at its places, worst between two pulses and over the
//! deviations.

use barwright_job::technique::{Beam, GateKind, Probe, Sensitivity};
use barwright_wave::{Element, Mode, Point, path::depth_m};
use rayon::prelude::*;

use crate::beams;
use crate::conditions::Conditions;
use crate::coverage::{Margin, height_in_gate_db};
use crate::echo::db;
use crate::response::Aperture;
use crate::ring;
use crate::square::echo::{Flaw, Look};
use crate::square::outline::Mouth;

/// In each deviating case only so many beams are tried that were best under nominal conditions; leaving
/// one out can only lower the margin. More than for round bars: a turned bar bends beams aside.
pub const BEST_BEAMS: usize = 12;

/// Step along the bar in m in which the worst place between two pulses is looked for: a third of the
/// ripple that an element of 20 mm shows along the bar at 100 mm of water.
const ALONG_M: f64 = 1e-3;

/// The beams whose coverage is asked and what they must find.
#[derive(Debug, Clone, Copy)]
pub struct Scope<'a> {
    /// Probes.
    pub probes: &'a [Probe],
    /// Beams, `beams[i].id == i` for those that are followed.
    pub beams: &'a [Beam],
    /// What a height means.
    pub sensitivity: &'a Sensitivity,
    /// Length of the crack along the bar in m.
    pub crack_length_m: f64,
}

/// A place that may be asked and what lies there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Target {
    /// A flaw of the volume at a point of the nominal section.
    Volume(Flaw, Point),
    /// A crack at the outline.
    Crack(Mouth),
}

/// What is known of one place.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Seen {
    /// Margins at the worst place between two pulses, from answers that rays may be believed in.
    pub margin: Margin,
    /// Shots of all beams that see the flaw above the alarm height under nominal conditions, by answers
    /// that rays may be believed in: under a pulse or half-way between two, whichever are fewer.
    pub shots: usize,
    /// Whether only answers that rays are doubted in reach the alarm height under nominal conditions.
    pub doubted: bool,
}

/// How much later or earlier the surface echo of an aperture comes in a case than under nominal
/// conditions, in s: what following it adds to its gates.
#[must_use]
pub fn shift_s(nominal: &Conditions, case: &Conditions, elements: &[Element]) -> f64 {
    let of = |c: &Conditions| {
        let water = c.media.water.map_or(f64::INFINITY, |w| w.velocity_m_s);
        -2.0 * depth_m(&c.surface_before(elements), ring::middle(elements)) / water
    };
    of(case) - of(nominal)
}

/// A state with the surface shift of each beam in s.
struct State<'a> {
    case: &'a Conditions,
    shifts: Vec<f64>,
}

/// What one beam answers at a place in one state.
struct Answer {
    beam: usize,
    look: Look,
    /// Margin in dB re alarm height under a pulse.
    under_db: f64,
    /// Margins at whole steps of [`ALONG_M`] from the pulse, as far as they were asked.
    along: Vec<Option<f64>>,
}

impl Answer {
    /// Smallest margin between a pulse and half the way to the next; `None` where the echo leaves the
    /// gate.
    fn worst_db(
        &mut self,
        scope: &Scope<'_>,
        state: &State<'_>,
        target: &Target,
        spacing_m: f64,
    ) -> Option<f64> {
        let half_m = spacing_m / 2.0;
        let steps = (half_m / ALONG_M).floor() as usize;
        let mut worst = self.under_db.min(level(scope, state, self, target, half_m)?);
        for k in 1..=steps {
            if self.along.len() < k {
                let there = level(scope, state, self, target, k as f64 * ALONG_M);
                self.along.push(there);
            }
            worst = worst.min(self.along[k - 1]?);
        }
        Some(worst)
    }
}

/// Margins at targets, in their order, for each of some pulse spacings in m. `tick` is called once for
/// each target done.
#[must_use]
pub fn margins(
    scope: &Scope<'_>,
    nominal: &Conditions,
    cases: &[Conditions],
    targets: &[Target],
    spacings_m: &[f64],
    tick: &(dyn Fn() + Sync),
) -> Vec<Vec<Seen>> {
    let reaches: Vec<Reach> = scope.beams.iter().map(|b| Reach::of(scope, b, nominal)).collect();
    let states: Vec<State<'_>> =
        cases.iter().map(|case| State { case, shifts: shifts(scope, nominal, case) }).collect();
    let still = State { case: nominal, shifts: vec![0.0; scope.beams.len()] };
    targets
        .par_iter()
        .map(|target| {
            let found = one(scope, &still, &states, &reaches, target, spacings_m);
            tick();
            found
        })
        .collect()
}

/// Margins at targets, in their order, in one state of bar and water; `None` where no answer that rays may
/// be believed in lies in a gate. `tick` is called once for each target done.
#[must_use]
pub fn in_state(
    scope: &Scope<'_>,
    nominal: &Conditions,
    state: &Conditions,
    targets: &[Target],
    spacing_m: f64,
    tick: &(dyn Fn() + Sync),
) -> Vec<Option<f32>> {
    let reaches: Vec<Reach> = scope.beams.iter().map(|b| Reach::of(scope, b, nominal)).collect();
    let state = State { case: state, shifts: shifts(scope, nominal, state) };
    targets
        .par_iter()
        .map(|target| {
            let seen = one(scope, &state, &[], &reaches, target, &[spacing_m]);
            tick();
            seen.first().and_then(|s| s.margin.nominal_db)
        })
        .collect()
}

fn one(
    scope: &Scope<'_>,
    still: &State<'_>,
    states: &[State<'_>],
    reaches: &[Reach],
    target: &Target,
    spacings_m: &[f64],
) -> Vec<Seen> {
    let mut all: Vec<Answer> = (0..scope.beams.len())
        .filter(|i| reaches[*i].holds(target))
        .filter_map(|i| answer(scope, still, i, target))
        .collect();
    all.sort_by(|a, b| b.under_db.total_cmp(&a.under_db));
    let (mut sure, doubtful): (Vec<Answer>, Vec<Answer>) =
        all.into_iter().partition(|a| a.look.trusted());
    sure.truncate(BEST_BEAMS);
    let doubts = doubtful.iter().any(|a| a.under_db >= 0.0);
    // What the same beams answer in each state, computed when it is first asked.
    let mut kept: Vec<Vec<Option<Option<Answer>>>> = Vec::new();
    kept.resize_with(states.len(), || std::iter::repeat_with(|| None).take(sure.len()).collect());
    spacings_m
        .iter()
        .map(|spacing| {
            let mut seen = Seen { doubted: doubts, ..Seen::default() };
            let (mut under, mut half_way) = (0, 0);
            let mut best: Option<(f64, usize)> = None;
            for a in &mut sure {
                // Under a pulse the shots before and after it lie one spacing on.
                if a.under_db >= 0.0 {
                    under += 1;
                    let next = level(scope, still, a, target, *spacing);
                    under += if next.is_some_and(|l| l >= 0.0) { 2 } else { 0 };
                }
                if let Some(l) = a.worst_db(scope, still, target, *spacing) {
                    half_way += if l >= 0.0 { 2 } else { 0 };
                    if best.is_none_or(|b| l > b.0) {
                        best = Some((l, a.beam));
                    }
                }
            }
            seen.shots = under.min(half_way);
            let Some((best, beam)) = best else { return seen };
            seen.doubted = doubts && best < 0.0;
            seen.margin = Margin {
                nominal_db: Some(best as f32),
                worst_db: Some(best as f32),
                worst_case: None,
                beam: Some(scope.beams[beam].id),
            };
            for (k, state) in states.iter().enumerate() {
                let Some(so_far) = seen.margin.worst_db else { break };
                let mut here: Option<f32> = None;
                for (a, known) in sure.iter().zip(&mut kept[k]) {
                    let there = known
                        .get_or_insert_with(|| answer(scope, state, a.beam, target))
                        .as_mut()
                        .filter(|a| a.look.trusted());
                    if let Some(l) = there.and_then(|a| a.worst_db(scope, state, target, *spacing))
                    {
                        here = Some(here.map_or(l as f32, |h| h.max(l as f32)));
                        // This case cannot be the worst any more.
                        if l as f32 >= so_far {
                            break;
                        }
                    }
                }
                if here.is_none_or(|h| h < so_far) {
                    seen.margin.worst_db = here;
                    seen.margin.worst_case = Some(k);
                }
            }
            seen
        })
        .collect()
}

/// Surface shift of each beam in a case, in s, by the beam that it follows.
fn shifts(scope: &Scope<'_>, nominal: &Conditions, case: &Conditions) -> Vec<f64> {
    scope
        .beams
        .iter()
        .map(|b| {
            let followed = b.surface_beam.and_then(|i| scope.beams.iter().find(|f| f.id == i));
            followed.map_or(0.0, |f| {
                shift_s(nominal, case, Aperture::of_beam(scope.probes, f).elements)
            })
        })
        .collect()
}

/// What a beam answers at a target in a state; `None` where no ray arrives or the echo under a pulse
/// lies outside the beam's flaw gate.
fn answer(scope: &Scope<'_>, state: &State<'_>, index: usize, target: &Target) -> Option<Answer> {
    let aperture = Aperture::of_beam(scope.probes, scope.beams.get(index)?);
    let conditions = state.case;
    let place = match target {
        Target::Volume(_, p) => *p,
        Target::Crack(mouth) => mouth.point,
    };
    let look = Look::at(conditions, &aperture, conditions.place(place))?;
    let mut answer = Answer { beam: index, look, under_db: 0.0, along: Vec::new() };
    answer.under_db = level(scope, state, &answer, target, 0.0)?;
    Some(answer)
}

/// Margin in dB re alarm height of a flaw `z_m` along the bar from the middle of the beam; `None` where
/// its echo lies outside the beam's flaw gate.
fn level(
    scope: &Scope<'_>,
    state: &State<'_>,
    answer: &Answer,
    target: &Target,
    z_m: f64,
) -> Option<f64> {
    let case = state.case;
    let (kind, echo) = match target {
        Target::Volume(Flaw::Disc(diameter, tilt), _) => {
            let flaw = Flaw::Disc(*diameter, tilt + case.tilt_rad);
            (GateKind::Volume, answer.look.flaw(&flaw, z_m))
        }
        Target::Volume(flaw, _) => (GateKind::Volume, answer.look.flaw(flaw, z_m)),
        Target::Crack(mouth) => {
            let (depth, length) = (scope.sensitivity.crack_depth_m?, scope.crack_length_m);
            let echo = answer.look.crack(case, mouth, depth, length, z_m)?;
            (GateKind::Crack, echo)
        }
    };
    let shift = state.shifts.get(answer.beam).copied().unwrap_or(0.0);
    let height = height_in_gate_db(scope.beams.get(answer.beam)?, kind, &echo, shift)?;
    Some(height - db(scope.sensitivity.alarm_fsh))
}

/// Where a beam is worth computing; places outside count as unseen by it.
struct Reach {
    mode: Mode,
    entry: Point,
    along: Point,
    reach_m: f64,
    half_m: f64,
    spread_rad: f64,
    /// Where a shear beam ends on the outline, and how far along the face it is worth asking.
    mouth: Option<Mouth>,
    aside_m: f64,
}

impl Reach {
    fn of(scope: &Scope<'_>, beam: &Beam, nominal: &Conditions) -> Self {
        let own = Aperture::of_beam(scope.probes, beam).elements;
        let width = own.iter().map(|e| e.width_m).sum::<f64>().max(1e-6);
        // The -6 dB pulse-echo half-angle is 0.44 λ/D (Krautkraemer, 4th ed., ch. 4); half as much again
        // keeps all that can be best, a turned bar included.
        let wavelength = beam.axis.velocity_m_s / nominal.pulse.centre_hz;
        let spread_rad = (0.66 * wavelength / width).min(0.7);
        Self {
            mode: beam.mode,
            entry: beam.axis.entry,
            along: Point::polar(1.0, beam.axis.direction_rad),
            reach_m: beam.axis.reach_m,
            half_m: width * 0.6,
            spread_rad,
            mouth: Mouth::at(&nominal.section, beams::end(beam).angle()),
            aside_m: width + 3.0 * beam.axis.reach_m * spread_rad,
        }
    }

    fn holds(&self, target: &Target) -> bool {
        match (target, self.mode) {
            (Target::Volume(_, p), Mode::L) => {
                let from = *p - self.entry;
                let s = from.x * self.along.x + from.y * self.along.y;
                let across = (from.x * self.along.y - from.y * self.along.x).abs();
                (0.0..=self.reach_m).contains(&s) && across <= self.half_m + s * self.spread_rad
            }
            (Target::Crack(mouth), Mode::S) => self.mouth.is_some_and(|m| {
                m.face.is_some()
                    && m.face == mouth.face
                    && (m.along_m - mouth.along_m).abs() <= self.aside_m
            }),
            _ => false,
        }
    }
}
