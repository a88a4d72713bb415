//! Lots of bars with mixed flaws and the truth beside them: what a judgement is tried on.
//!
//! Sizes are drawn evenly in their logarithm, from well below the ordered flaw to well above, so that most
//! lie near the height at which a flaw just counts. Places are drawn evenly over what the station inspects:
//! by area in the section, by angle around it, by length along the bar.

use barwright_job::{Order, Technique};
use rand::RngExt;
use rand_xoshiro::Xoshiro256PlusPlus;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

use crate::noise::generator;
use crate::scene::{
    CentrePipe, CouplingLoss, Crack, Disc, FORMAT, Flaw, MissedCycles, Scene, SceneBar,
    StationFaults,
};

/// Smallest and largest disc and pipe, as shares of the ordered disc's diameter.
pub const DISC_SHARES: [f64; 2] = [0.5, 3.0];
/// Shallowest and deepest crack, as shares of the ordered depth.
pub const CRACK_SHARES: [f64; 2] = [0.5, 4.0];
/// Shortest and longest crack in mm.
pub const CRACK_LENGTH_MM: [f64; 2] = [5.0, 60.0];
/// Shortest and longest centre pipe in mm.
pub const PIPE_LENGTH_MM: [f64; 2] = [30.0, 400.0];
/// Steel between the two flaws of a pair that follow each other along the bar, least and most, in mm.
pub const PAIR_ALONG_MM: [f64; 2] = [5.0, 40.0];
/// Distance of the two flaws of a pair that lie beside each other in the section, least and most, in mm.
pub const PAIR_ACROSS_MM: [f64; 2] = [3.0, 12.0];
/// Steel between flaws along the bar that are no pair, least, in mm: wider than any beam.
pub const APART_MM: f64 = 60.0;

/// Share of the bars without a flaw.
const SOUND_SHARE: f64 = 0.5;
/// Shares of the bars with a stretch that does not couple, and with cycles that were missed.
const LOSS_SHARE: f64 = 0.05;
const MISSED_SHARE: f64 = 0.04;
/// Most flaws, or pairs, in one bar.
const MOST_FLAWS: usize = 4;
/// Places tried for a flaw before it is left out.
const TRIES: usize = 40;

/// Which flaws a lot has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LotKind {
    /// All kinds, pairs among them; half of the bars are sound.
    Mixed,
    /// Discs only.
    Discs,
    /// Cracks only.
    Cracks,
    /// Centre pipes only.
    Pipes,
    /// Pairs of flaws only.
    Pairs,
    /// No flaw at all, losses of coupling and missed cycles only.
    Sound,
}

/// A lot of `count` bars for a round order that is inspected with a technique.
///
/// Flaws keep to the stretch that the station inspects, with half the width of the widest beam and two
/// shots to spare. Discs lie below the skin, facing the surface or turned by up to the order's tilt; pipes lie
/// on the axis; cracks stand anywhere around, where cracks are ordered. A bar too short for a flaw goes
/// without. Names sort like the bars. The station's spreads and noise are those of the demo.
///
/// The same seed gives the same lot; a longer lot begins with the shorter one up to 9999 bars.
#[must_use]
pub fn lot_scene(
    seed: u64,
    order: &Order,
    technique: &Technique,
    count: usize,
    kind: LotKind,
) -> Scene {
    let digits = count.to_string().len().max(4);
    let spare_m = end_m(technique);
    let zone_mm = [spare_m * 1e3, order.bars.length_mm - spare_m * 1e3];
    let bars = (1..=count)
        .map(|number| {
            let mut bar = Draws {
                random: generator(seed, &format!("lot/{kind:?}/bar {number}")),
                order,
                zone_mm,
                probes: technique.probes.len() as u32,
                taken: Vec::new(),
            };
            bar.bar(format!("{number:0digits$}"), kind)
        })
        .collect();
    Scene { format: FORMAT, seed, station: StationFaults::ordinary(), bars }
}

/// How far from a bar's ends its flaws keep, in m: where bars are guided, half the width of the widest beam and two shots further in.
#[must_use]
pub fn end_m(technique: &Technique) -> f64 {
    let widest_m = technique.beams.iter().map(|b| b.axial_width_m).fold(0.0, f64::max);
    technique.unguided_end_m + widest_m / 2.0 + 2.0 * technique.pulse_spacing_m
}

/// Draws one bar.
struct Draws<'a> {
    random: Xoshiro256PlusPlus,
    order: &'a Order,
    /// First and last place of a flaw along the bar.
    zone_mm: [f64; 2],
    probes: u32,
    /// Stretches that hold a flaw or a pair.
    taken: Vec<[f64; 2]>,
}

impl Draws<'_> {
    fn bar(&mut self, name: String, kind: LotKind) -> SceneBar {
        let sound = kind == LotKind::Sound || self.chance(SOUND_SHARE);
        let mut flaws = Vec::new();
        if !sound {
            for _ in 0..self.random.random_range(1..=MOST_FLAWS) {
                flaws.extend(self.item(kind));
            }
        }
        let mut coupling_losses = Vec::new();
        if self.chance(LOSS_SHARE) {
            let long_mm = self.range([20.0, 150.0]);
            if let Some(from_mm) = self.within(long_mm) {
                let one = self.chance(0.7) && self.probes > 0;
                let probe = one.then(|| self.random.random_range(0..self.probes));
                coupling_losses =
                    vec![CouplingLoss { from_mm, to_mm: tenth(from_mm + long_mm), probe }];
            }
        }
        let mut missed_cycles = Vec::new();
        if self.chance(MISSED_SHARE)
            && let Some(at_mm) = self.within(0.0)
        {
            missed_cycles = vec![MissedCycles { at_mm, cycles: self.random.random_range(2..=8) }];
        }
        SceneBar { name, flaws, coupling_losses, missed_cycles }
    }

    /// A flaw or a pair of a lot's kind; nothing where the order or the bar has no room for it.
    fn item(&mut self, kind: LotKind) -> Vec<Flaw> {
        let cracks = self.order.flaws.crack.is_some();
        match kind {
            LotKind::Sound => Vec::new(),
            LotKind::Discs => self.single(Self::disc),
            LotKind::Cracks => self.single(Self::crack),
            LotKind::Pipes => self.single(Self::pipe),
            LotKind::Pairs => self.pair(cracks),
            LotKind::Mixed => match self.random.random_range(0.0..1.0) {
                x if x < 0.15 => self.pair(cracks),
                x if x < 0.25 => self.single(Self::pipe),
                x if x < 0.60 && cracks => self.single(Self::crack),
                _ => self.single(Self::disc),
            },
        }
    }

    fn single(&mut self, draw: fn(&mut Self) -> Option<Flaw>) -> Vec<Flaw> {
        let Some(flaw) = draw(self) else { return Vec::new() };
        let [from, to] = flaw.stretch_mm();
        match self.room(to - from) {
            Some(start_mm) => vec![moved(flaw, start_mm - from)],
            None => Vec::new(),
        }
    }

    /// Two flaws of one kind: one after the other at much the same place of the section, or beside each
    /// other in the section.
    fn pair(&mut self, cracks: bool) -> Vec<Flaw> {
        let crack = cracks && self.chance(0.4);
        let draw = if crack { Self::crack } else { Self::disc };
        let (Some(first), Some(second)) = (draw(self), draw(self)) else { return Vec::new() };
        let ([a, b], [c, d]) = (first.stretch_mm(), second.stretch_mm());
        let (by_mm, across_mm) = if self.chance(0.5) {
            (b + self.range(PAIR_ALONG_MM) - c, 0.0)
        } else {
            (0.5 * (a + b - c - d), self.range(PAIR_ACROSS_MM))
        };
        let Some(second) = self.beside(first, moved(second, by_mm), across_mm) else {
            return Vec::new();
        };
        let both = [first, second].map(|f| f.stretch_mm());
        let from = both[0][0].min(both[1][0]);
        let to = both[0][1].max(both[1][1]);
        match self.room(to - from) {
            Some(start_mm) => [first, second].map(|f| moved(f, start_mm - from)).to_vec(),
            None => Vec::new(),
        }
    }

    /// The second flaw put at a distance in the section from the first; `None` where no direction leads
    /// to steel.
    fn beside(&mut self, first: Flaw, second: Flaw, across_mm: f64) -> Option<Flaw> {
        let (radius_mm, deepest_mm) = (self.radius_mm(), self.deepest_radius_mm());
        match (first, second) {
            (Flaw::Crack(a), Flaw::Crack(b)) => {
                let way = if self.chance(0.5) { 1.0 } else { -1.0 };
                // A chord of the circle.
                let turn = 2.0 * (across_mm / (2.0 * radius_mm)).min(1.0).asin();
                let angle_deg = turned(a.angle_deg + way * turn.to_degrees());
                Some(Flaw::Crack(Crack { angle_deg, ..b }))
            }
            (Flaw::Disc(a), Flaw::Disc(b)) => {
                let (sin, cos) = a.angle_deg.to_radians().sin_cos();
                let from = [a.radius_mm * cos, a.radius_mm * sin];
                (0..TRIES).find_map(|_| {
                    let (sin, cos) = self.random.random_range(0.0..TAU).sin_cos();
                    let (x, y) = (from[0] + across_mm * cos, from[1] + across_mm * sin);
                    (x.hypot(y) <= deepest_mm + 1e-9).then(|| {
                        Flaw::Disc(Disc {
                            radius_mm: tenth(x.hypot(y)).min(deepest_mm),
                            angle_deg: turned(y.atan2(x).to_degrees()),
                            ..b
                        })
                    })
                })
            }
            _ => None,
        }
    }

    fn disc(&mut self) -> Option<Flaw> {
        let deepest_mm = self.deepest_radius_mm();
        if deepest_mm <= 0.0 {
            return None;
        }
        let ordered = self.order.flaws.disc;
        // Even over the area.
        let radius_mm = (deepest_mm * self.random.random_range(0.0f64..1.0).sqrt()).min(deepest_mm);
        let tilted = ordered.tilt_deg > 0.0 && self.chance(0.5);
        let tilt_deg =
            if tilted { tenth(self.range([-ordered.tilt_deg, ordered.tilt_deg])) } else { 0.0 };
        Some(Flaw::Disc(Disc {
            diameter_mm: self.size(ordered.diameter_mm, DISC_SHARES),
            radius_mm: (radius_mm * 10.0).floor() / 10.0,
            angle_deg: turned(self.range([0.0, 360.0])),
            z_mm: 0.0,
            tilt_deg,
        }))
    }

    fn crack(&mut self) -> Option<Flaw> {
        let ordered = self.order.flaws.crack?;
        Some(Flaw::Crack(Crack {
            depth_mm: self.size(ordered.depth_mm, CRACK_SHARES),
            length_mm: tenth(self.range(CRACK_LENGTH_MM)),
            angle_deg: turned(self.range([0.0, 360.0])),
            z_mm: 0.0,
        }))
    }

    fn pipe(&mut self) -> Option<Flaw> {
        let diameter_mm = self.size(self.order.flaws.disc.diameter_mm, DISC_SHARES);
        let to_mm = tenth(self.range(PIPE_LENGTH_MM));
        Some(Flaw::CentrePipe(CentrePipe { diameter_mm, from_mm: 0.0, to_mm }))
    }

    /// A size even in its logarithm, in mm to the hundredth, within what a scene accepts.
    fn size(&mut self, ordered_mm: f64, [low, high]: [f64; 2]) -> f64 {
        let share = (low.ln() + (high / low).ln() * self.random.random_range(0.0..1.0)).exp();
        let most_mm = (self.radius_mm() / 2.0).min(20.0);
        ((ordered_mm * share * 100.0).round() / 100.0).clamp(0.05, most_mm)
    }

    fn radius_mm(&self) -> f64 {
        self.order.section().half_extent_m() * 1e3
    }

    /// Largest distance of a disc from the axis.
    fn deepest_radius_mm(&self) -> f64 {
        self.radius_mm() - self.order.flaws.disc.skin_mm
    }

    /// Start of a free stretch of a length, which is then taken.
    fn room(&mut self, long_mm: f64) -> Option<f64> {
        (0..TRIES).find_map(|_| {
            let from = self.within(long_mm)?;
            let to = from + long_mm;
            let free = self.taken.iter().all(|t| to + APART_MM < t[0] || from - APART_MM > t[1]);
            free.then(|| {
                self.taken.push([from, to]);
                from
            })
        })
    }

    /// Start of a stretch of a length anywhere in the inspected zone, to the tenth of a mm inside.
    fn within(&mut self, long_mm: f64) -> Option<f64> {
        let [from, to] = self.zone_mm.map(|z| z * 10.0);
        let (from, to) = (from.ceil() / 10.0, (to - long_mm * 10.0).floor() / 10.0);
        (from < to).then(|| tenth(self.range([from, to])))
    }

    fn chance(&mut self, share: f64) -> bool {
        self.random.random_range(0.0..1.0) < share
    }

    fn range(&mut self, [low, high]: [f64; 2]) -> f64 {
        self.random.random_range(low..=high)
    }
}

fn moved(flaw: Flaw, by_mm: f64) -> Flaw {
    let at = |z_mm: f64| hundredth(z_mm + by_mm);
    match flaw {
        Flaw::Disc(d) => Flaw::Disc(Disc { z_mm: at(d.z_mm), ..d }),
        Flaw::Crack(c) => Flaw::Crack(Crack { z_mm: at(c.z_mm), ..c }),
        Flaw::CentrePipe(p) => {
            Flaw::CentrePipe(CentrePipe { from_mm: at(p.from_mm), to_mm: at(p.to_mm), ..p })
        }
    }
}

/// An angle from 0 to 360 degrees, to the tenth.
fn turned(angle_deg: f64) -> f64 {
    tenth(angle_deg.rem_euclid(360.0)).rem_euclid(360.0)
}

fn tenth(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}

fn hundredth(x: f64) -> f64 {
    (x * 100.0).round() / 100.0
}
