//! Heights made comparable with those of the ordered flaw, from the beam's own field.
//!
//! # Points of the volume
//! The height that a point flaw would read on the axis of a beam, from all its echoes.
//! A beam reads a flaw aside of its axis lower, and within the near field along the bar (where the
//! elements are long) even higher than on it. How much follows from the beam's own field at the place of
//! the flaw: each echo is corrected by that, and the mean of all, weighted by how sure each correction is,
//! stands for the flaw. Its place along the bar is set so that the corrected echoes agree best.
//!
//! # Cracks
//! The ordered crack has a length; a longer one reads higher as far as the beam is wide along the bar.
//!
//! Source of the method: distance-gain-size with the field of the beam at hand in place of a general
//! diagram (Krautkrämer & Krautkrämer, *Ultrasonic Testing of Materials*, 4th ed. 1990, ch. 5).

use barwright_job::{
    Technique,
    screened::{Echo, EchoMark},
    technique::Beam,
};
use barwright_plan::{
    conditions::Conditions,
    echo::{PointEcho, axial_width_m, crack},
    response::Aperture,
};
use barwright_wave::Point;

use crate::reading::db;

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

/// A flaw as all its echoes tell it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct OnAxis {
    /// Height on the axis of a beam, as a fraction of full screen height.
    pub height_fsh: f64,
    /// Standard uncertainty of that in dB, from the scatter of the corrected echoes.
    pub scatter_db: f64,
    /// Echoes it rests on.
    pub echoes: usize,
}

/// One echo with what the beam's field says of the flaw.
struct Heard {
    height_db: f64,
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
        // Beyond three beams a longer line adds nothing.
        let length_m = length_m.clamp(0.5 * self.shortest_m, 3.0 * beam.axial_width_m);
        let db = level(self.shortest_m).zip(level(length_m)).map_or(0.0, |(a, b)| a - b);
        10f64.powf(db / 20.0)
    }

    /// The height on the axis of a flaw at a place of the bar's frame and along the bar; `None` where no
    /// field is known for its beams or every echo was clipped.
    pub fn on_axis<'e>(
        &self,
        echoes: impl Iterator<Item = &'e Echo>,
        place: Point,
        middle_m: f64,
    ) -> Option<OnAxis> {
        let sound: Vec<&Echo> = echoes.filter(|e| e.mark == EchoMark::Sound).collect();
        let heard: Vec<Heard> =
            highest(&sound).into_iter().filter_map(|e| self.hear(e, place, middle_m)).collect();
        if heard.is_empty() {
            return None;
        }
        let (mut best, mut least) = (None, f64::INFINITY);
        for step in 0..=2 * REACH {
            let aside = f64::from(step - REACH) * STEP_M;
            let (mean, spread, weight) = together(&heard, step as usize);
            let cost = spread + (aside / MIDDLE_M).powi(2);
            if cost < least {
                (best, least) = (Some((mean, spread, weight)), cost);
            }
        }
        let (mean, spread, weight) = best?;
        let n = heard.len() as f64;
        // Readings that scatter more than they should are less sure than their weights say.
        let excess = if n > 1.0 { (spread / (n - 1.0)).max(1.0) } else { 1.0 };
        Some(OnAxis {
            height_fsh: 10f64.powf(mean / 20.0),
            scatter_db: (excess / weight).sqrt(),
            echoes: heard.len(),
        })
    }

    /// What the field of an echo's beam says of the flaw.
    fn hear(&self, e: &Echo, place: Point, middle_m: f64) -> Option<Heard> {
        let beam = self.technique.beams.get(e.beam as usize)?;
        let aperture = self.aperture(beam);
        let here =
            PointEcho::new(&self.conditions, &aperture, place.rotated(f64::from(e.turn_rad)))?;
        let axis_db = PointEcho::new(&self.conditions, &aperture, beam.axis.at(e.after_surface_s))?
            .level_db(0.0);
        let level_db = (0..=2 * REACH)
            .map(|step| middle_m + f64::from(step - REACH) * STEP_M)
            .map(|z| here.level_db(e.z_m - z) - axis_db)
            .collect();
        Some(Heard { height_db: db(f64::from(e.height_fsh).max(1e-9)), level_db })
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

/// Mean of the corrected echoes in dB, their weighted squares about it, and the sum of weights, for a flaw
/// at a step along the bar.
fn together(heard: &[Heard], step: usize) -> (f64, f64, f64) {
    let of = |h: &Heard| {
        let level = h.level_db[step];
        let (before, after) = (step.saturating_sub(1), (step + 1).min(h.level_db.len() - 1));
        let way_mm = (after - before) as f64 * STEP_M * 1e3;
        let slope = (h.level_db[after] - h.level_db[before]) / way_mm;
        let sigma = ON_AXIS_DB.hypot(OF_CORRECTION * level).hypot(OF_SLOPE_MM * slope);
        (h.height_db - level, sigma.powi(-2))
    };
    let weight: f64 = heard.iter().map(|h| of(h).1).sum();
    let mean = heard.iter().map(|h| of(h)).map(|(x, w)| x * w).sum::<f64>() / weight;
    let spread = heard.iter().map(|h| of(h)).map(|(x, w)| w * (x - mean).powi(2)).sum();
    (mean, spread, weight)
}
