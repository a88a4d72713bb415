//! Whether the shots of the motion list are there, and whether it was this motion list.

use barwright_job::reference::ReferenceBar;

use crate::error::{EvaluateError, Result};

/// Distance of the bar along the ring from the motion's place that still counts as there, in
/// metres. A beam is several times as wide along the bar; 1.5 mm costs less than 1 dB.
const PLACE_TOLERANCE_M: f64 = 1.5e-3;
/// Turn between two shots of a beam up to which nothing is missing, in steps of the motion.
const WHOLE_STEPS: f64 = 1.5;
/// Shots of a beam that may be missing in a row: one of them leaves the peak of any echo between two
/// others; two could hide it.
const MOST_MISSING: u64 = 1;

/// What one beam was shown of one motion in one capture.
#[derive(Debug, Clone, Copy, Default)]
struct Shown {
    shots: u64,
    run: u16,
    start_rad: f64,
    last_rad: f64,
    /// Longest stretch of turn without a shot, and the turn where it began.
    gap: (f64, f64),
    /// Turn from the start of the longest run to its end.
    span_rad: f64,
    /// Place farthest from the motion's own so far, as the least and the largest.
    z_m: Option<(f64, f64)>,
    /// Turn from shot to shot, summed where it rose.
    way_rad: f64,
    steps: u64,
}

/// Attendance of every beam at every motion.
#[derive(Debug, Clone)]
pub(super) struct Attendance {
    motions: usize,
    /// `[capture][beam * motions + motion]`.
    shown: Vec<Vec<Shown>>,
    /// Shots whose motion is not on the list.
    unlisted: Option<u16>,
}

impl Attendance {
    pub fn new(beams: usize, motions: usize) -> Self {
        Self { motions, shown: vec![vec![Shown::default(); beams * motions]], unlisted: None }
    }

    pub fn next_capture(&mut self) {
        let size = self.shown[0].len();
        self.shown.push(vec![Shown::default(); size]);
    }

    /// Notes a shot and returns the run of even turning to which it belongs.
    pub fn note(&mut self, beam: usize, motion: u16, turn_rad: f64, z_m: f64) -> u16 {
        if usize::from(motion) >= self.motions {
            self.unlisted.get_or_insert(motion);
            return 0;
        }
        let Some(shown) = self
            .shown
            .last_mut()
            .and_then(|all| all.get_mut(beam * self.motions + usize::from(motion)))
        else {
            return 0;
        };
        let first = shown.shots == 0;
        shown.shots += 1;
        let (low, high) = shown.z_m.unwrap_or((z_m, z_m));
        shown.z_m = Some((low.min(z_m), high.max(z_m)));
        if first || turn_rad < shown.last_rad - 1e-6 {
            shown.run += u16::from(!first);
            shown.start_rad = turn_rad;
        } else {
            let step = turn_rad - shown.last_rad;
            shown.way_rad += step;
            shown.steps += 1;
            if step > shown.gap.0 {
                shown.gap = (step, shown.last_rad);
            }
        }
        shown.last_rad = turn_rad;
        shown.span_rad = shown.span_rad.max(turn_rad - shown.start_rad);
        shown.run
    }

    /// Demands that every beam was shown every motion in which it expects an echo, at its place,
    /// in its steps and without a gap that could hide a peak; in each capture.
    pub fn demand(&self, bar: &ReferenceBar, by_beam: &[Vec<usize>]) -> Result<()> {
        if let Some(motion) = self.unlisted {
            return Err(EvaluateError::OtherMotion {
                motion: u32::from(motion),
                message: format!("the reference bar lists {} motions", self.motions),
            });
        }
        for shown in &self.shown {
            for (beam, expected) in by_beam.iter().enumerate() {
                for e in expected.iter().filter_map(|&i| bar.expected.get(i)) {
                    let number = e.motion as usize;
                    if let (Some(shown), Some(motion)) =
                        (shown.get(beam * self.motions + number), bar.motion.get(number))
                        && motion.turn_rad > 0.0
                    {
                        shown.demand(beam as u32, e.motion, motion)?;
                    }
                }
            }
        }
        Ok(())
    }

    /// Single shots that were missing, over all beams.
    pub fn missed(&self, bar: &ReferenceBar) -> u64 {
        let step =
            |i: usize| bar.motion.get(i % self.motions.max(1)).map_or(0.0, |m| m.turn_step_rad);
        self.shown
            .iter()
            .flat_map(|all| all.iter().enumerate())
            .filter(|(_, s)| s.steps > 0)
            .map(|(i, s)| {
                let step = step(i);
                if step > 0.0 {
                    ((s.way_rad / step).round() as u64).saturating_sub(s.steps)
                } else {
                    0
                }
            })
            .sum()
    }
}

impl Shown {
    fn demand(
        &self,
        beam: u32,
        number: u32,
        motion: &barwright_job::reference::Motion,
    ) -> Result<()> {
        let step = motion.turn_step_rad;
        let wanted = (motion.turn_rad / step.max(1e-9)).round() as u64 + 1;
        let other = |message: String| Err(EvaluateError::OtherMotion { motion: number, message });
        let Some((low, high)) = self.z_m else {
            return Err(EvaluateError::Gap {
                beam,
                motion: number,
                missing: wanted,
                wanted,
                from_deg: 0.0,
            });
        };
        let off = [low, high].into_iter().find(|z| (z - motion.z_m).abs() > PLACE_TOLERANCE_M);
        if let Some(z) = off {
            return other(format!(
                "the bar stood at {:.1} mm, the list asks for {:.1} mm within {:.1} mm",
                z * 1e3,
                motion.z_m * 1e3,
                PLACE_TOLERANCE_M * 1e3
            ));
        }
        let mean_step = self.way_rad / (self.steps.max(1)) as f64;
        if self.steps > 0 && mean_step > 2.0 * step {
            return other(format!(
                "the bar turned by {:.2}° from shot to shot, the list asks for {:.2}°",
                mean_step.to_degrees(),
                step.to_degrees()
            ));
        }
        if self.span_rad < motion.turn_rad - WHOLE_STEPS * step {
            let missing = ((motion.turn_rad - self.span_rad) / step).round() as u64;
            let from_deg = (self.start_rad + self.span_rad).to_degrees();
            return Err(EvaluateError::Gap { beam, motion: number, missing, wanted, from_deg });
        }
        let (gap, from) = self.gap;
        let missing = ((gap / step).round() as u64).saturating_sub(1);
        if missing > MOST_MISSING {
            let from_deg = from.to_degrees();
            return Err(EvaluateError::Gap { beam, motion: number, missing, wanted, from_deg });
        }
        Ok(())
    }
}
