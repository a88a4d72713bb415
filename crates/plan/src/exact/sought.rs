//! Where a class of beams is computed in a state of the bar, and the map of what was found there.

use std::f64::consts::{PI, TAU};

use barwright_wave::{
    Mode, Point,
    cylinder::{EchoPeak, EchoPlace, batch::RingShares},
};

use super::class::Class;
use super::maps::{BeamMap, Fineness, NOTHING_DB};
use super::weights::{Band, Nodes, Strengths, corner};
use crate::conditions::Conditions;
use crate::echo::{db, turn};

/// Lead in s of the search before the geometric arrival, in periods.
const LEAD: f64 = 8.0;

/// Rings of a kind of wave as shares of the surface's radius.
pub(crate) fn ring_shares(mode: Mode, fineness: &Fineness) -> RingShares {
    match mode {
        Mode::S => RingShares { shares: vec![1.0], angles: fineness.rim },
        Mode::L => RingShares {
            shares: (0..fineness.rings).map(|i| (i as f64 + 0.5) / fineness.rings as f64).collect(),
            angles: fineness.angles,
        },
    }
}

/// Where a class of beams is computed in a state, for any displacement of the circle it meets.
pub(crate) struct Sought<'a> {
    conditions: &'a Conditions,
    class: &'a Class,
    nodes: Nodes,
    radius_m: f64,
    pub radii_m: Vec<f64>,
    pub angles: usize,
    arcs: Vec<Arc>,
}

impl<'a> Sought<'a> {
    /// `more_m`: largest displacement, by which the computed part widens.
    pub fn new(
        conditions: &'a Conditions,
        class: &'a Class,
        radius_m: f64,
        more_m: f64,
        fineness: &Fineness,
    ) -> Self {
        let reach = Reach::of(class, conditions.pulse.centre_hz, 4.0 * more_m);
        let RingShares { shares, angles } = ring_shares(class.mode, fineness);
        let radii_m: Vec<f64> = shares.iter().map(|share| share * radius_m).collect();
        let arcs = radii_m.iter().map(|r| arc(class, &reach, *r, angles)).collect();
        Self { conditions, class, nodes: Nodes::of(class), radius_m, radii_m, angles, arcs }
    }

    /// Places of each ring.
    pub fn places(&self, by: Point) -> Vec<Vec<EchoPlace>> {
        let Self { conditions, class, nodes, .. } = self;
        let period_s = 1.0 / conditions.pulse.centre_hz;
        // Entry and end of the axis as the circle's own frame sees them; good to a displacement's
        // square, which the search's lead forgives.
        let scale = self.radius_m / class.axis.entry.radius();
        let entry = class.axis.entry * scale;
        let extra_s = surface_shift_s(conditions, class, self.radius_m, by);
        self.arcs
            .iter()
            .zip(&self.radii_m)
            .map(|(arc, &radius)| {
                arc.numbers(self.angles)
                    .map(|j| {
                        let angle = TAU * j as f64 / self.angles as f64;
                        let path = entry.distance(Point::polar(radius, angle));
                        EchoPlace {
                            angle: j.rem_euclid(self.angles as i64) as usize,
                            row: nodes.place(path) as f32,
                            earliest_s: class.surface_time_s
                                + extra_s
                                + 2.0 * path / class.axis.velocity_m_s
                                - LEAD * period_s,
                        }
                    })
                    .collect()
            })
            .collect()
    }

    /// The map of what was found at the places.
    pub fn map(&self, found: &[Vec<EchoPeak>]) -> BeamMap {
        let crack = self.class.mode == Mode::S;
        let strengths = Strengths {
            class: self.class,
            conditions: self.conditions,
            band: Band { frequencies_hz: &[], damping_1_s: 0.0 },
        };
        let per_corner = |sine: f64| corner(self.conditions, sine);
        let on_axis = per_corner(strengths.reference_sine());
        let seen = |p: &EchoPeak| {
            let corner = if crack && on_axis > 0.0 { per_corner(p.sine) / on_axis } else { 1.0 };
            let level = db(p.amplitude * corner).max(NOTHING_DB);
            [level as f32, p.time_s as f32]
        };
        let rings = self
            .arcs
            .iter()
            .zip(found)
            .map(|(arc, peaks)| arc.keep(peaks.iter().map(seen).collect(), self.angles));
        let halves_rad = self.arcs.iter().map(|arc| arc.half_rad(self.angles));
        BeamMap::new(self.radii_m.clone(), self.angles, rings.collect(), halves_rad.collect())
    }
}

/// Which part of a section a beam is worth computing for; the rest counts as unseen by it.
#[derive(Debug, Clone, Copy)]
struct Reach {
    half_m: f64,
    spread_rad: f64,
    more_m: f64,
}

impl Reach {
    fn of(class: &Class, centre_hz: f64, more_m: f64) -> Self {
        let half_m = class.half_footprint_m();
        // The -6 dB pulse-echo half-angle is 0.44 λ/D (Krautkraemer, 4th ed., ch. 4); a half more keeps
        // all that can be best.
        let wavelength = class.axis.velocity_m_s / centre_hz;
        let spread_rad = (0.7 * wavelength / (2.0 * half_m)).min(0.7);
        Self { half_m, spread_rad, more_m }
    }

    /// Half the width of the beam after a way in steel.
    fn half_at(&self, path_m: f64) -> f64 {
        self.half_m + self.more_m + path_m * self.spread_rad
    }
}

/// By how much later than nominally the surface answers along a beam, when the circle it meets has
/// another radius or place.
pub(crate) fn surface_shift_s(
    conditions: &Conditions,
    class: &Class,
    radius_m: f64,
    by: Point,
) -> f64 {
    let Some(water) = conditions.media.water else {
        return 0.0;
    };
    let from = crate::ring::middle(&class.elements);
    let way = from.distance(by) - radius_m;
    2.0 * (way - (from.radius() - class.axis.entry.radius())) / water.velocity_m_s
}

/// Angles of a ring that are computed.
#[derive(Debug, Clone, Copy)]
enum Arc {
    /// All of them.
    Full,
    /// One stretch: first angle and how many.
    One(i64, usize),
    /// Around the angle zero and around its opposite; half as many of the others between.
    Two(i64),
}

impl Arc {
    /// How far from the frame's axis the stretch goes, with an angle to spare.
    fn half_rad(&self, angles: usize) -> f64 {
        match *self {
            Self::Full | Self::One(..) => PI,
            Self::Two(half) => (half + 1) as f64 * TAU / angles as f64,
        }
    }

    fn numbers(&self, angles: usize) -> Box<dyn Iterator<Item = i64>> {
        match *self {
            Self::Full => Box::new(0..angles as i64),
            Self::One(first, count) => Box::new(first..first + count as i64),
            Self::Two(half) => {
                let far = angles as i64 / 2;
                Box::new((-half..=half).chain(far - half..=far + half))
            }
        }
    }

    /// Values as a map keeps them. Two stretches become a full ring with nothing between.
    fn keep(&self, values: Vec<[f32; 2]>, angles: usize) -> (i64, Vec<[f32; 2]>) {
        match *self {
            Self::Full => (0, values),
            Self::One(first, _) => (first, values),
            Self::Two(_) => {
                let mut full = vec![[NOTHING_DB as f32, 0.0]; angles];
                for (j, value) in self.numbers(angles).zip(values) {
                    full[j.rem_euclid(angles as i64) as usize] = value;
                }
                (0, full)
            }
        }
    }
}

/// The stretch of a ring that a beam is computed for.
fn arc(class: &Class, reach: &Reach, radius_m: f64, angles: usize) -> Arc {
    let surface = class.axis.entry.radius();
    let step = TAU / angles as f64;
    if class.mode == Mode::S {
        let end = class.end().angle();
        let obliquity = (class.axis.reach_m / (2.0 * surface)).clamp(0.3, 1.0);
        let half = (reach.half_at(class.axis.reach_m) / obliquity / surface).min(0.6);
        let count = (half / step).ceil() as i64;
        return Arc::One((turn(end) / step).round() as i64 - count, 2 * count as usize + 1);
    }
    let half = reach.half_at(surface + radius_m);
    if half >= radius_m * 0.9 {
        return Arc::Full;
    }
    let count = ((half / radius_m).asin() / step).ceil() as i64;
    if 4 * count + 2 >= angles as i64 { Arc::Full } else { Arc::Two(count) }
}
