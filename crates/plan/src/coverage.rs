//! Margins of a technique's beams over the alarm height, place by place, nominal and worst case.

use std::f64::consts::PI;

use barwright_job::technique::{Beam, GateKind, Probe, Section, Sensitivity};
use barwright_wave::{Mode, Point, Surface};
use rayon::prelude::*;

use crate::beams;
use crate::conditions::Conditions;
use crate::echo::{self, Echo, db, turn};
use crate::response::Aperture;
use crate::ring;

/// In each deviating case only the beams that were best under nominal conditions are tried; leaving
/// one out can only lower the margin.
pub const BEST_BEAMS: usize = 6;

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

/// Margin at one place.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Margin {
    /// Nominal margin in dB re alarm height; absent where no gate sees the place.
    pub nominal_db: Option<f32>,
    /// Worst margin over the cases.
    pub worst_db: Option<f32>,
    /// The case that is worst, its place in the list; absent if nominal is.
    pub worst_case: Option<usize>,
    /// Best beam under nominal conditions.
    pub beam: Option<u32>,
}

/// A place that may be asked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Place {
    /// A disc at a point of the nominal section.
    Disc(Point),
    /// A crack at an angle of the rim.
    Crack(f64),
}

/// Surface shift of each beam under each case, in s: what following the surface echo adds.
#[must_use]
pub fn shifts(scope: &Scope<'_>, nominal: &Conditions, case: &Conditions) -> Vec<f64> {
    let of = |c: &Conditions, p: Point| -> f64 {
        match (c.surface, c.media.water) {
            (Surface::Round { centre, radius_m }, Some(water)) => {
                2.0 * (p.distance(centre) - radius_m) / water.velocity_m_s
            }
            _ => 0.0,
        }
    };
    scope
        .beams
        .iter()
        .map(|b| {
            let followed = b.surface_beam.and_then(|i| scope.beams.iter().find(|f| f.id == i));
            followed.map_or(0.0, |f| {
                let p = ring::middle(Aperture::of_beam(scope.probes, f).elements);
                of(case, p) - of(nominal, p)
            })
        })
        .collect()
}

/// Margins at places, in their order. `tick` is called once for each place done.
#[must_use]
pub fn margins(
    scope: &Scope<'_>,
    nominal: &Conditions,
    cases: &[Conditions],
    places: &[Place],
    tick: &(dyn Fn() + Sync),
) -> Vec<Margin> {
    let reaches: Vec<Reach> =
        scope.beams.iter().map(|b| Reach::of(scope, b, nominal.pulse.centre_hz)).collect();
    let still = vec![0.0; scope.beams.len()];
    let moved: Vec<Vec<f64>> = cases.iter().map(|c| shifts(scope, nominal, c)).collect();
    places
        .par_iter()
        .map(|place| {
            let mut seen: Vec<(f64, usize)> = (0..scope.beams.len())
                .filter(|i| reaches[*i].holds(place))
                .filter_map(|i| Some((margin_db(scope, nominal, &still, i, place)?, i)))
                .collect();
            seen.sort_by(|a, b| b.0.total_cmp(&a.0));
            seen.truncate(BEST_BEAMS);
            tick();
            let Some(&(best, beam)) = seen.first() else {
                return Margin::default();
            };
            let mut margin = Margin {
                nominal_db: Some(best as f32),
                worst_db: Some(best as f32),
                worst_case: None,
                beam: Some(scope.beams[beam].id),
            };
            for (k, case) in cases.iter().enumerate() {
                let here = best_here(
                    seen.iter().map(|(_, i)| margin_db(scope, case, &moved[k], *i, place)),
                    margin.worst_db,
                );
                let worse = match (here, margin.worst_db) {
                    (_, None) => false,
                    (None, Some(_)) => true,
                    (Some(h), Some(w)) => h < w,
                };
                if worse {
                    margin.worst_db = here;
                    margin.worst_case = Some(k);
                }
            }
            margin
        })
        .collect()
}

/// The best of some margins, or the first that is no worse than `worst`: the case that it belongs to
/// cannot be the worst then, and the rest need not be computed.
fn best_here(margins: impl Iterator<Item = Option<f64>>, worst: Option<f32>) -> Option<f32> {
    let mut best: Option<f32> = None;
    for m in margins.flatten() {
        let m = m as f32;
        best = Some(best.map_or(m, |b| b.max(m)));
        if worst.is_some_and(|w| m >= w) {
            break;
        }
    }
    best
}

/// Margin in dB re alarm height of one beam at a place; `None` where no ray arrives or the echo
/// lies outside the beam's flaw gate.
fn margin_db(
    scope: &Scope<'_>,
    conditions: &Conditions,
    shifts: &[f64],
    index: usize,
    place: &Place,
) -> Option<f64> {
    let beam = scope.beams.get(index)?;
    let aperture = Aperture::of_beam(scope.probes, beam);
    let met;
    let conditions = if conditions.oval.is_some() {
        met = conditions.met_at(ring::middle(aperture.elements).angle());
        &met
    } else {
        conditions
    };
    let (kind, echo) = match *place {
        Place::Disc(p) => (
            GateKind::Volume,
            echo::disc(
                conditions,
                &aperture,
                conditions.place(p),
                scope.sensitivity.disc_diameter_m,
            )?,
        ),
        Place::Crack(angle) => (
            GateKind::Crack,
            echo::crack(
                conditions,
                &aperture,
                angle,
                scope.sensitivity.crack_depth_m?,
                scope.crack_length_m,
            )?,
        ),
    };
    let shift = shifts.get(index).copied().unwrap_or(0.0);
    height_in_gate_db(beam, kind, &echo, shift).map(|h| h - db(scope.sensitivity.alarm_fsh))
}

/// Height in dB re full screen of an echo in a gate of a beam; `None` outside the gate.
#[must_use]
pub fn height_in_gate_db(beam: &Beam, kind: GateKind, echo: &Echo, shift_s: f64) -> Option<f64> {
    let after = echo.arrival_s - beam.surface_time_s - shift_s;
    let gate = beam.gate(kind)?;
    (gate.start_s..=gate.end_s)
        .contains(&after)
        .then(|| beam.gain_db + beam.curve_db(after) + echo.transfer_db)
}

/// Where a beam is worth computing; places outside count as unseen by it.
struct Reach {
    mode: Mode,
    entry: Point,
    along: Point,
    reach_m: f64,
    /// Half the footprint at the surface, in m.
    half_m: f64,
    /// Spread of the beam, rad.
    spread_rad: f64,
    end: Point,
    rim_rad: f64,
}

impl Reach {
    fn of(scope: &Scope<'_>, beam: &Beam, centre_hz: f64) -> Self {
        let own = Aperture::of_beam(scope.probes, beam).elements;
        let span = match (own.first(), own.last()) {
            (Some(a), Some(b)) => a.centre.distance(b.centre) + a.width_m,
            _ => 0.0,
        };
        let from = ring::middle(own);
        let radius = beam.axis.entry.radius();
        // The beam narrows towards the bar's centre on its way to a round surface.
        let round = beam.surface_beam.is_some() && from.radius() > radius;
        let footprint = if round { span * radius / from.radius() } else { span };
        let footprint = footprint.max(1e-6);
        // The -6 dB pulse-echo half-angle is 0.44 λ/D (Krautkraemer, 4th ed., ch. 4); a third more
        // keeps all that can be best.
        let wavelength = beam.axis.velocity_m_s / centre_hz;
        let spread_rad = (0.6 * wavelength / footprint).min(0.7);
        let obliquity = (beam.axis.reach_m / (2.0 * radius).max(1e-6)).clamp(0.3, 1.0);
        let rim = footprint / 2.0 + beam.axis.reach_m * spread_rad;
        Self {
            mode: beam.mode,
            entry: beam.axis.entry,
            along: Point::polar(1.0, beam.axis.direction_rad),
            reach_m: beam.axis.reach_m,
            half_m: footprint / 2.0,
            spread_rad,
            end: beams::end(beam),
            rim_rad: (rim / obliquity / radius.max(1e-6)).min(0.5),
        }
    }

    fn holds(&self, place: &Place) -> bool {
        match (*place, self.mode) {
            (Place::Disc(p), Mode::L) => {
                let from = p - self.entry;
                let s = from.x * self.along.x + from.y * self.along.y;
                let across = (from.x * self.along.y - from.y * self.along.x).abs();
                (0.0..=self.reach_m).contains(&s) && across <= self.half_m + s * self.spread_rad
            }
            (Place::Crack(angle), Mode::S) => turn(angle - self.end.angle()).abs() <= self.rim_rad,
            _ => false,
        }
    }
}

/// A square grid over the section.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    /// Lower left corner.
    pub origin: Point,
    /// Step in m.
    pub step_m: f64,
    /// Columns.
    pub nx: usize,
    /// Rows.
    pub ny: usize,
}

impl Grid {
    /// A grid with so many steps from the middle to the rim (round), or over the thickness and the
    /// width under the array (flat).
    #[must_use]
    pub fn over(section: &Section, probes: &[Probe], steps: usize) -> Self {
        let half = section.half_extent_m();
        let step_m = half / steps as f64;
        match section {
            Section::Flat { thickness_m } => {
                let span = probes
                    .iter()
                    .flat_map(|p| &p.elements)
                    .fold(0.0_f64, |m, e| m.max(e.centre.x.abs() + e.width_m / 2.0));
                let side = (span / step_m).ceil();
                Self {
                    origin: Point::new(-side * step_m, -thickness_m),
                    step_m,
                    nx: 2 * side as usize + 1,
                    ny: 2 * steps + 1,
                }
            }
            _ => Self {
                origin: Point::new(-half, -half),
                step_m,
                nx: 2 * steps + 1,
                ny: 2 * steps + 1,
            },
        }
    }

    /// Point of an index `iy * nx + ix`.
    #[must_use]
    pub fn at(&self, index: usize) -> Point {
        let (ix, iy) = (index % self.nx, index / self.nx);
        self.origin + Point::new(ix as f64 * self.step_m, iy as f64 * self.step_m)
    }

    /// Number of points.
    #[must_use]
    pub fn len(&self) -> usize {
        self.nx * self.ny
    }

    /// Whether there is no point.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// Angles of `n` places around the rim, in rad.
#[must_use]
pub fn rim(n: usize) -> Vec<Place> {
    (0..n).map(|i| Place::Crack(2.0 * PI * i as f64 / n as f64)).collect()
}

/// Covered share of places by nominal and by worst margin; zero for no places.
#[must_use]
pub fn shares(margins: impl IntoIterator<Item = Margin>) -> (f64, f64) {
    let (mut all, mut nominal, mut worst) = (0.0_f64, 0.0, 0.0);
    for m in margins {
        all += 1.0;
        nominal += f64::from(u8::from(m.nominal_db.is_some_and(|x| x >= 0.0)));
        worst += f64::from(u8::from(m.worst_db.is_some_and(|x| x >= 0.0)));
    }
    if all == 0.0 {
        return (0.0, 0.0);
    }
    (nominal / all, worst / all)
}
