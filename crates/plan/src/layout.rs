//! Which apertures a technique has: their size, their step and where they stand in a probe.

use barwright_job::technique::Section;
use barwright_wave::Mode;

use crate::bench::Bench;
use crate::error::Result;
use crate::laws::{self, Sketch};
use crate::square;

/// Aperture, step and angle of one kind of beam.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Layout {
    /// Kind of wave.
    pub mode: Mode,
    /// Elements of an aperture.
    pub count: usize,
    /// Elements from one aperture to the next.
    pub step: usize,
    /// Refraction angle in rad, without sign; zero for longitudinal beams.
    pub refraction_rad: f64,
    /// Depth in m at which longitudinal beams through a flat face focus; absent: no focus there.
    pub focus_m: Option<f64>,
}

impl Layout {
    /// First elements of the apertures of one probe, as far apart as `step` says, the remainder
    /// shared between both ends.
    #[must_use]
    pub fn firsts(&self, elements: usize) -> Vec<usize> {
        if self.count == 0 || self.step == 0 || elements < self.count {
            return Vec::new();
        }
        let room = elements - self.count;
        let apertures = room / self.step + 1;
        let start = (room - (apertures - 1) * self.step) / 2;
        (0..apertures).map(|i| start + i * self.step).collect()
    }

    /// Number of beams on probes of so many elements, in all.
    #[must_use]
    pub fn beams(&self, probes: usize, elements: usize) -> usize {
        let senses = if self.mode == Mode::S { 2 } else { 1 };
        self.firsts(elements).len() * probes * senses
    }

    /// The beams, probe by probe; shear beams first counter-clockwise, then clockwise.
    ///
    /// # Errors
    /// Those of the laws.
    pub fn sketches(&self, bench: &Bench<'_>) -> Result<Vec<Sketch>> {
        if matches!(bench.nominal.section, Section::Square { .. }) {
            return square::layout::sketches(bench, self);
        }
        let senses: &[f64] = match self.mode {
            Mode::L => &[0.0],
            Mode::S => &[1.0, -1.0],
        };
        let mut sketches = Vec::new();
        for sense in senses {
            for (probe, p) in bench.probes.iter().enumerate() {
                for first in self.firsts(p.elements.len()) {
                    sketches.push(match self.mode {
                        Mode::L => laws::longitudinal(bench, probe, first, self.count)?,
                        Mode::S => laws::shear(
                            bench,
                            probe,
                            first,
                            self.count,
                            sense * self.refraction_rad,
                        )?,
                    });
                }
            }
        }
        Ok(sketches)
    }
}

/// The layouts the search tries for a kind of wave: apertures of a quarter to all of the
/// electronics' elements, steps of half to a whole aperture and the coarse ones between.
#[must_use]
pub fn candidates(bench: &Bench<'_>, mode: Mode) -> Vec<Layout> {
    let most = bench.station.electronics.aperture_elements as usize;
    let angles: &[f64] = match mode {
        Mode::L => &[0.0],
        Mode::S => &[45.0, 42.0, 48.0],
    };
    let mut all = Vec::new();
    for angle in angles {
        for quarter in [2, 3, 4] {
            let count = most * quarter / 4;
            for step in [count / 4, 3 * count / 8, count / 2, 3 * count / 4, count] {
                let refraction_rad = f64::to_radians(*angle);
                let layout = Layout { mode, count, step, refraction_rad, focus_m: None };
                if count > 0 && step > 0 && !all.contains(&layout) {
                    all.push(layout);
                }
            }
        }
    }
    all
}
