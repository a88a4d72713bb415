//! Heights made comparable with those of the ordered flaw, from the beam's own field.
//!
//! # Points of the volume
//! The height that a point flaw would read on the axis of a beam, from all its echoes.
//! A beam reads a flaw aside of its axis lower, and within the near field along the bar (where the
//! elements are long) even higher than on it. How much follows from the beam's own field at the place of
//! the flaw: each echo is corrected by that, and the mean of all, weighted by how sure each correction is,
//! stands for the flaw. Its place along the bar is set so that the corrected echoes agree best. A disc
//! turns its face to the nearest surface, as flat flaws of rolled bars do (common practice, no source), so
//! that a large one reads lower in beams that meet it askew.
//!
//! # Cracks
//! The ordered crack has a length; a longer one reads higher as far as the beam is wide along the bar.
//!
//! Source of the method: distance-gain-size with the field of the beam at hand in place of a general
//! diagram (Krautkrämer & Krautkrämer, *Ultrasonic Testing of Materials*, 4th ed. 1990, ch. 5).

use std::f64::consts::FRAC_PI_2;

use barwright_job::{
    Technique,
    proof::FlawClass,
    screened::{Echo, EchoMark},
    technique::{Beam, Section},
};
use barwright_plan::{
    conditions::Conditions,
    echo::{PointEcho, axial_width_m, crack},
    response::Aperture,
};
use barwright_wave::Point;

use crate::{reading::db, size::equivalent_m};

/// Echoes this far below the highest are left out, as a ratio of heights (12 dB): noise and edges of
/// the beam weigh too much in them.
const LEAST: f64 = 0.25;
/// Most echoes used of one beam, and in all.
const MOST: (usize, usize) = (3, 16);
/// How far the flaw may lie from the middle of its 6 dB drop along the bar, in steps of [`STEP_M`], and the
/// standard deviation with which it does, in m.
const REACH: i32 = 8;
const STEP_M: f64 = 2.5e-4;
const MIDDLE_M: f64 = 6e-4;
/// Standard deviation of a reading on the axis in dB, and its growth with the correction and with the
/// correction's slope along the bar (dB in a millimetre).
const ON_AXIS_DB: f64 = 0.7;
const OF_CORRECTION: f64 = 0.25;
const OF_SLOPE_MM: f64 = 0.3;
/// Squares about the mean, against those expected, up to which echoes agree with a point.
const MOST_MISFIT: f64 = 4.0;
/// Rounds in which a disc's size and the turn of its face are brought together: the turn is a few dB at
/// most and changes with the size by less than the size itself.
const TURNS: usize = 4;

/// A flaw as all its echoes tell it, were it a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct AsPoint {
    /// Height on the axis of a beam, as a fraction of full screen height.
    pub height_fsh: f64,
    /// Standard uncertainty of that in dB, from the scatter of the corrected echoes.
    pub scatter_db: f64,
    /// Echoes it rests on.
    pub echoes: usize,
    /// Where it lies along the bar, in m.
    pub middle_m: f64,
    /// Whether its echoes agree with a point: a longer flaw reads high where a point would not.
    pub agrees: bool,
}

/// One echo with what the beam's field says of the flaw.
struct Heard {
    height_db: f64,
    here: PointEcho,
    /// Normal of the surface at the flaw, as the bar is turned.
    normal_rad: f64,
    /// Level at the flaw against that on the axis, for a flaw at each step along the bar.
    level_db: Vec<f64>,
}

/// What sizes rest on: the technique with its nominal fields.
pub(crate) struct Sizing<'a> {
    technique: &'a Technique,
    conditions: Conditions,
    /// Length of the crack that the sensitivity is set for, in m.
    shortest_m: f64,
}

impl<'a> Sizing<'a> {
    /// For a technique whose order asks for flaws of a length in m; `None` where media and pulse mean
    /// nothing, so that no field is known.
    pub fn new(technique: &'a Technique, shortest_m: f64) -> Option<Self> {
        let conditions = Conditions::nominal(technique).ok()?;
        Some(Self { technique, conditions, shortest_m })
    }

    fn aperture<'b>(&'b self, beam: &'b Beam) -> Aperture<'b> {
        Aperture::of_beam(&self.technique.probes, beam)
    }

    /// Pulse-echo -6 dB width along the bar in m of a beam at a place of the bar's frame, for the turn of
    /// an echo; `None` where no field is known, or where the near field has no such width.
    pub fn width_m(&self, beam: &Beam, e: &Echo, place: Point) -> Option<f64> {
        let there = place.rotated(f64::from(e.turn_rad));
        axial_width_m(&self.conditions, &self.aperture(beam), there).filter(|w| *w > 0.0)
    }

    /// Factor on the height of a crack of a length in m that makes it that of a crack of the ordered
    /// length; one where no field is known. Lengths below half the ordered one are not told that well:
    /// they count as that.
    pub fn of_length(&self, beam: &Beam, e: &Echo, place: Point, length_m: f64) -> f64 {
        let angle_rad = place.rotated(f64::from(e.turn_rad)).angle();
        let depth_m = self.technique.sensitivity.crack_depth_m.unwrap_or(self.shortest_m / 10.0);
        let level = |length_m: f64| {
            crack(&self.conditions, &self.aperture(beam), angle_rad, depth_m, length_m)
                .map(|c| c.transfer_db)
        };
        // Beyond three beams a longer line adds nothing; the ordered length may itself be longer.
        let length_m = length_m.min(3.0 * beam.axial_width_m).max(0.5 * self.shortest_m);
        let db = level(self.shortest_m).zip(level(length_m)).map_or(0.0, |(a, b)| a - b);
        10f64.powf(db / 20.0)
    }

    /// A point flaw near a place of the bar's frame and along the bar, as all its echoes tell it; `None`
    /// where no field is known for its beams or every echo was clipped.
    pub fn as_point<'e>(
        &self,
        echoes: impl Iterator<Item = &'e Echo>,
        place: Point,
        middle_m: f64,
    ) -> Option<AsPoint> {
        let sound: Vec<&Echo> = echoes.filter(|e| e.mark == EchoMark::Sound).collect();
        let heard: Vec<Heard> =
            highest(&sound).into_iter().filter_map(|e| self.hear(e, place, middle_m)).collect();
        if heard.is_empty() {
            return None;
        }
        // The place along the bar, and how a disc of that size turns its face to the beams, in turn.
        let mut at = along(&heard, 0.0);
        let mut found = together(&heard, at, 0.0);
        for _ in 0..TURNS {
            let height = 10f64.powf(found.mean_db / 20.0);
            let diameter_m = equivalent_m(FlawClass::Disc, &self.technique.sensitivity, height);
            at = along(&heard, diameter_m);
            found = together(&heard, at, diameter_m);
        }
        let Together { mean_db, spread, weight, .. } = found;
        let n = heard.len() as f64;
        let misfit = if n > 1.0 { spread / (n - 1.0) } else { 1.0 };
        Some(AsPoint {
            height_fsh: 10f64.powf(mean_db / 20.0),
            // Readings that scatter more than they should are less sure than their weights say.
            scatter_db: (misfit.max(1.0) / weight).sqrt(),
            echoes: heard.len(),
            middle_m: middle_m + (at as f64 - f64::from(REACH)) * STEP_M,
            agrees: misfit <= MOST_MISFIT,
        })
    }

    /// What the field of an echo's beam says of the flaw.
    fn hear(&self, e: &Echo, place: Point, middle_m: f64) -> Option<Heard> {
        let beam = self.technique.beams.get(e.beam as usize)?;
        let aperture = self.aperture(beam);
        let there = place.rotated(f64::from(e.turn_rad));
        let here = PointEcho::new(&self.conditions, &aperture, there)?;
        let axis_db = PointEcho::new(&self.conditions, &aperture, beam.axis.at(e.after_surface_s))?
            .level_db(0.0);
        let level_db = (0..=2 * REACH)
            .map(|step| middle_m + f64::from(step - REACH) * STEP_M)
            .map(|z| here.level_db(e.z_m - z) - axis_db)
            .collect();
        Some(Heard {
            height_db: db(f64::from(e.height_fsh).max(1e-9)),
            normal_rad: normal_rad(&self.technique.section, there),
            here,
            level_db,
        })
    }
}

/// The highest echoes, a few of each beam.
fn highest<'a>(sound: &[&'a Echo]) -> Vec<&'a Echo> {
    let mut order: Vec<&Echo> = sound.to_vec();
    order.sort_by(|a, b| {
        b.height_fsh
            .total_cmp(&a.height_fsh)
            .then(a.beam.cmp(&b.beam))
            .then(a.z_m.total_cmp(&b.z_m))
    });
    let least = order.first().map_or(0.0, |e| f64::from(e.height_fsh) * LEAST);
    let mut kept: Vec<&Echo> = Vec::new();
    for e in order {
        let of_beam = kept.iter().filter(|k| k.beam == e.beam).count();
        if kept.len() < MOST.1 && of_beam < MOST.0 && f64::from(e.height_fsh) >= least {
            kept.push(e);
        }
    }
    kept
}

/// The step along the bar at which the corrected echoes of a disc of a diameter in m agree best.
fn along(heard: &[Heard], diameter_m: f64) -> usize {
    let (mut at, mut least) = (REACH as usize, f64::INFINITY);
    for step in 0..=2 * REACH {
        let aside = f64::from(step - REACH) * STEP_M;
        let t = together(heard, step as usize, diameter_m);
        let cost = t.spread + t.doubt + (aside / MIDDLE_M).powi(2);
        if cost < least {
            (at, least) = (step as usize, cost);
        }
    }
    at
}

/// Corrected echoes taken together.
struct Together {
    /// Their weighted mean in dB.
    mean_db: f64,
    /// Their weighted squares about it.
    spread: f64,
    /// What the weights themselves cost: twice the sum of the logarithms of the standard deviations.
    doubt: f64,
    /// Sum of weights.
    weight: f64,
}

/// The echoes corrected for a flaw at a step along the bar, as a disc of a diameter in m that faces the
/// surface; 0: a point.
fn together(heard: &[Heard], step: usize, diameter_m: f64) -> Together {
    let each: Vec<(f64, f64)> = heard
        .iter()
        .map(|h| {
            let turned =
                if diameter_m > 0.0 { h.here.turned_db(diameter_m, h.normal_rad) } else { 0.0 };
            let level = h.level_db[step];
            let (before, after) = (step.saturating_sub(1), (step + 1).min(h.level_db.len() - 1));
            let way_mm = (after - before) as f64 * STEP_M * 1e3;
            let slope = (h.level_db[after] - h.level_db[before]) / way_mm;
            let sigma = ON_AXIS_DB
                .hypot(OF_CORRECTION * level)
                .hypot(OF_CORRECTION * turned)
                .hypot(OF_SLOPE_MM * slope);
            (h.height_db - level - turned, sigma)
        })
        .collect();
    let weight: f64 = each.iter().map(|(_, s)| s.powi(-2)).sum();
    let mean_db = each.iter().map(|(x, s)| x * s.powi(-2)).sum::<f64>() / weight;
    let spread = each.iter().map(|(x, s)| ((x - mean_db) / s).powi(2)).sum();
    let doubt = 2.0 * each.iter().map(|(_, s)| s.ln()).sum::<f64>();
    Together { mean_db, spread, doubt, weight }
}

/// Direction of the normal of the surface nearest to a place, in rad.
fn normal_rad(section: &Section, place: Point) -> f64 {
    match section {
        Section::Round { .. } => place.angle(),
        Section::Square { .. } if place.x.abs() > place.y.abs() => 0.0,
        Section::Square { .. } | Section::Flat { .. } => FRAC_PI_2,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use barwright_job::{Order, Rules, Station, technique::GateKind};
    use barwright_wave::Mode;

    fn technique() -> Technique {
        let example = |name: &str| {
            let path = format!("{}/../../examples/{name}", env!("CARGO_MANIFEST_DIR"));
            std::fs::read_to_string(path).expect("the examples are part of the project")
        };
        let order = Order::from_toml("o", &example("order-round-42.toml")).expect("an order");
        let station = Station::from_toml("s", &example("station-line-2.toml")).expect("a station");
        let rules = Rules::from_toml("r", &example("rules-th-k2.toml")).expect("rules");
        barwright_plan::technique(&order, &station, &rules).expect("a technique").body
    }

    /// What the longitudinal beams read of a disc that faces the surface, shot after shot, by their own
    /// fields; heights over 0.15 of full screen.
    fn echoes(t: &Technique, place: Point, z_m: f64, diameter_m: f64, offset_m: f64) -> Vec<Echo> {
        let conditions = Conditions::nominal(t).expect("conditions");
        let s = &t.sensitivity;
        let size_db = 40.0 * (diameter_m / s.disc_diameter_m).log10();
        let mut out = Vec::new();
        for beam in t.beams.iter().filter(|b| b.mode == Mode::L) {
            let gate = beam.gates.iter().position(|g| g.kind == GateKind::Volume);
            let aperture = Aperture::of_beam(&t.probes, beam);
            let way = place.distance(beam.axis.entry);
            let time = 2.0 * way / beam.axis.velocity_m_s;
            let axis = PointEcho::new(&conditions, &aperture, beam.axis.at(time));
            let (Some(gate), Some(here), Some(axis)) =
                (gate, PointEcho::new(&conditions, &aperture, place), axis)
            else {
                continue;
            };
            for k in -6..=6 {
                let at = z_m + offset_m + f64::from(k) * t.pulse_spacing_m;
                let db = size_db + here.level_db(at - z_m) - axis.level_db(0.0)
                    + here.turned_db(diameter_m, normal_rad(&t.section, place));
                let height = s.target_fsh * 10f64.powf(db / 20.0);
                if height > 0.15 {
                    out.push(Echo {
                        beam: beam.id,
                        gate: gate as u8,
                        z_m: at,
                        turn_rad: 0.0,
                        height_fsh: height as f32,
                        after_surface_s: time,
                        mark: EchoMark::Sound,
                    });
                }
            }
        }
        out
    }

    // Truth: round trip through the fields themselves. Size and place come back wherever the disc lies
    // between beams and shots, also where the mean place is half a millimetre off.
    #[test]
    fn a_disc_comes_back_from_its_echoes() {
        let t = technique();
        let sizing = Sizing::new(&t, 0.01).expect("fields");
        for (k, depth_mm) in [5.0, 9.0, 14.0, 20.0].into_iter().enumerate() {
            for (diameter_mm, offset_mm) in [(0.9, 0.0), (1.2, 1.2), (2.0, 2.4), (3.0, -1.0)] {
                let angle = 0.31 + 0.9 * k as f64 + 0.02 * offset_mm;
                let place = Point::polar(0.021 - depth_mm * 1e-3, angle);
                let list = echoes(&t, place, 1.0, diameter_mm * 1e-3, offset_mm * 1e-3);
                let told = sizing.as_point(list.iter(), place, 1.0004).expect("a point");
                let d = equivalent_m(FlawClass::Disc, &t.sensitivity, told.height_fsh);
                let off_db = 40.0 * (d * 1e3 / diameter_mm).log10();
                // 1 dB, 0.4 mm: the place begins 0.4 mm off along the bar and comes back in steps of a
                // quarter, near the surface over slopes of 3 dB in a millimetre.
                assert!(told.agrees, "{depth_mm} {diameter_mm}");
                assert!(off_db.abs() < 1.0, "{depth_mm} mm deep, {diameter_mm} mm: {off_db} dB");
                let off_mm = (told.middle_m - 1.0) * 1e3;
                assert!(off_mm.abs() < 0.4, "{depth_mm} mm deep, {diameter_mm} mm: {off_mm} mm");
            }
        }
    }

    // Truth: property. Echoes of equal height over five shots are no point's.
    #[test]
    fn a_long_flaw_is_no_point() {
        let t = technique();
        let sizing = Sizing::new(&t, 0.01).expect("fields");
        let place = Point::polar(0.008, 0.3);
        let mut list = echoes(&t, place, 1.0, 1.6e-3, 0.0);
        for e in &mut list {
            let near = (e.z_m - 1.0).abs() < 2.2 * t.pulse_spacing_m;
            e.height_fsh = if near { 0.9 } else { 0.05 };
        }
        list.retain(|e| e.height_fsh > 0.5);
        assert!(!sizing.as_point(list.iter(), place, 1.0).expect("an answer").agrees);
    }

    // Truth: property. A crack as long as ordered keeps its height, a longer one is read down, a shorter
    // one up.
    #[test]
    fn cracks_are_read_against_the_ordered_length() {
        let t = technique();
        let sizing = Sizing::new(&t, 0.01).expect("fields");
        let beam = t.beams.iter().find(|b| b.mode == Mode::S).expect("a shear beam");
        let place = beam.axis.entry + Point::polar(beam.axis.reach_m, beam.axis.direction_rad);
        let e = Echo {
            beam: beam.id,
            gate: 0,
            z_m: 1.0,
            turn_rad: 0.0,
            height_fsh: 0.8,
            after_surface_s: 2.0 * beam.axis.reach_m / beam.axis.velocity_m_s,
            mark: EchoMark::Sound,
        };
        let factor = |mm: f64| sizing.of_length(beam, &e, place, mm * 1e-3);
        assert!((factor(10.0) - 1.0).abs() < 1e-9);
        assert!(factor(6.0) > 1.1 && factor(20.0) < 0.95, "{} {}", factor(6.0), factor(20.0));
        // What is not told any better counts as half the ordered length.
        assert_eq!(factor(0.0), factor(5.0));
        // An ordered length of many beams has an answer, too.
        let long = Sizing::new(&t, 0.5).expect("fields").of_length(beam, &e, place, 0.02);
        assert!(long.is_finite() && long > 0.0, "{long}");
    }
}
