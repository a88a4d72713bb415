//! Which apertures a technique has: their size, their step and where they stand in a probe.

use barwright_job::technique::Section;
use barwright_wave::Mode;

use crate::bench::Bench;
use crate::error::Result;
use crate::laws::{self, Focus, Sketch};
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
    /// Depths at which longitudinal beams through a face of a square focus, transmission and reception, as
    /// shares of the side, infinite for no focus; absent for other sections.
    pub depths: Option<(f64, f64)>,
    /// Where longitudinal beams are focused.
    pub focus: Focus,
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
                        Mode::L => laws::longitudinal(bench, probe, first, self.count, self.focus)?,
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

/// Shares of the electronics' elements that apertures are tried with, in eighths, and steps from one
/// aperture to the next, in eighths of the aperture.
const COUNTS: [usize; 5] = [3, 4, 5, 6, 8];
const STEPS: [usize; 6] = [1, 2, 3, 4, 6, 8];

/// Places of the focus: the centre; short of it; beyond it; sent short and heard beyond.
const FOCUS: [Focus; 4] = [
    Focus { transmit: 0.0, receive: 0.0 },
    Focus { transmit: -0.4, receive: -0.4 },
    Focus { transmit: 0.4, receive: 0.4 },
    Focus { transmit: -0.4, receive: 0.4 },
];

/// Refraction angles of shear beams in degrees: where the corner of crack and surface returns all.
const ANGLES: [f64; 5] = [45.0, 42.0, 48.0, 39.0, 51.0];

/// The layouts the search tries for a kind of wave.
#[must_use]
pub fn candidates(bench: &Bench<'_>, mode: Mode) -> Vec<Layout> {
    let most = bench.station.electronics.aperture_elements as usize;
    let mut all = Vec::new();
    let mut add = |count: usize, refraction_rad: f64, focus: Focus| {
        for step in STEPS {
            let layout =
                Layout { mode, count, step: count * step / 8, refraction_rad, focus, depths: None };
            if count > 0 && layout.step > 0 && !all.contains(&layout) {
                all.push(layout);
            }
        }
    };
    for eighths in COUNTS {
        let count = (most * eighths / 8).max(1);
        match mode {
            Mode::L => FOCUS.iter().for_each(|focus| add(count, 0.0, *focus)),
            Mode::S => {
                ANGLES.iter().for_each(|a| add(count, a.to_radians(), Focus::default()));
            }
        }
    }
    all
}

impl Layout {
    /// The layout in words.
    #[must_use]
    pub fn words(&self) -> String {
        let place = |share: f64| match share {
            s if s < 0.0 => format!("{:.0} % of the radius short of the centre", -s * 100.0),
            s if s > 0.0 => format!("{:.0} % of the radius beyond the centre", s * 100.0),
            _ => "at the centre".into(),
        };
        let deep = |share: f64| match share {
            s if s.is_finite() => format!("focused {:.0} % of the side deep", s * 100.0),
            _ => "without focus".into(),
        };
        let angle_deg = self.refraction_rad.to_degrees();
        let kind = match (self.mode, self.depths) {
            (Mode::S, _) if (angle_deg - angle_deg.round()).abs() > 1e-6 => {
                format!("shear at {angle_deg:.2}°")
            }
            (Mode::S, _) => format!("shear at {angle_deg:.0}°"),
            (Mode::L, Some((sent, heard))) if sent == heard => {
                format!("longitudinal, {}", deep(sent))
            }
            (Mode::L, Some((sent, heard))) => {
                format!("longitudinal, sent {}, heard {}", deep(sent), deep(heard))
            }
            (Mode::L, None) if self.focus.transmit == self.focus.receive => {
                format!("longitudinal, focus {}", place(self.focus.transmit))
            }
            (Mode::L, None) => format!(
                "longitudinal, sent with the focus {}, heard {}",
                place(self.focus.transmit),
                place(self.focus.receive)
            ),
        };
        format!("{kind}, {} elements, step {}", self.count, self.step)
    }
}
