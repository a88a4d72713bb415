//! The peaks of a bar as a picture: beams against places, in 16 bits.

use barwright_job::{
    Technique,
    screened::{Echo, EchoMark},
    technique::GateKind,
};
use dicom_dictionary_std::tags;

use super::{Sheet, mm, private};
use crate::text;

/// Stands for a place without a reading.
const NOTHING: u16 = u16::MAX;
/// Least length of a column along the bar, in metres.
const LEAST_CELL_M: f64 = 0.001;
/// Shots of one beam in a column at nominal speed: somewhat more than one, so that a sound pass leaves no
/// column empty.
const SHOTS: f64 = 1.5;
/// Most columns, and most places of the map.
const MOST_COLUMNS: f64 = 65_535.0;
const MOST_CELLS: f64 = 16e6;
/// Finest step of height: a hundredth of a percent of full screen height.
const STEP_FSH: f64 = 1e-4;
/// A peak of the envelope may lie over the largest sample.
const OVER: f64 = 1.5;

/// The highest peak of each beam's gates for flaws over each stretch of the bar, and how sound it is.
#[derive(Debug, Clone, PartialEq)]
pub struct PeakMap {
    /// Beam and gate (its place in the beam's list) of each row.
    rows: Vec<(u32, u8)>,
    /// Row of each beam's gates, by beam.
    of_beam: Vec<Vec<Option<usize>>>,
    columns: usize,
    cell_m: f64,
    length_m: f64,
    step_fsh: f64,
    heights: Vec<u16>,
    states: Vec<u16>,
    read: u64,
    outside: u64,
}

impl PeakMap {
    /// A map without peaks yet, for the gates of a technique that look for flaws; columns are at least so
    /// long that every beam shoots into each. None where there is no such gate, more of them than a picture
    /// has rows (65535), or no length.
    #[must_use]
    pub fn new(technique: &Technique, length_m: f64) -> Option<Self> {
        let (mut rows, mut of_beam) = (Vec::new(), Vec::new());
        for beam in &technique.beams {
            let own = beam.gates.iter().zip(0_u8..).map(|(gate, number)| {
                matches!(gate.kind, GateKind::Volume | GateKind::Crack).then(|| {
                    rows.push((beam.id, number));
                    rows.len() - 1
                })
            });
            of_beam.push(own.collect());
        }
        let sound = length_m.is_finite() && length_m > 0.0;
        if rows.is_empty() || rows.len() > usize::from(u16::MAX) || !sound {
            return None;
        }
        let wanted = (technique.pulse_spacing_m * SHOTS).max(LEAST_CELL_M);
        let most = MOST_COLUMNS.min(MOST_CELLS / rows.len() as f64).max(1.0);
        // Whole millimetres, so that columns are told in round figures.
        let cell_m = (wanted.max(length_m / most) * 1e3).ceil() / 1e3;
        let columns = ((length_m / cell_m).ceil() as usize).max(1);
        let step_fsh =
            (OVER * technique.record.full_scale_fsh / f64::from(NOTHING - 1)).max(STEP_FSH);
        let cells = rows.len() * columns;
        Some(Self {
            of_beam,
            columns,
            cell_m,
            length_m,
            step_fsh,
            heights: vec![NOTHING; cells],
            states: vec![0; cells],
            read: 0,
            outside: 0,
            rows,
        })
    }

    /// Takes in peaks, in any order.
    pub fn take(&mut self, echoes: &[Echo]) {
        for echo in echoes {
            let gates = self.of_beam.get(echo.beam as usize);
            let Some(row) = gates.and_then(|g| *g.get(usize::from(echo.gate))?) else { continue };
            if !(0.0..=self.length_m).contains(&echo.z_m) {
                self.outside += 1;
                continue;
            }
            self.read += 1;
            let column = ((echo.z_m / self.cell_m) as usize).min(self.columns - 1);
            let k = row * self.columns + column;
            let state = match echo.mark {
                EchoMark::Sound => 1,
                EchoMark::Clipped => 2,
                EchoMark::CouplingLost => 3,
            };
            self.states[k] = self.states[k].max(state);
            if echo.mark != EchoMark::CouplingLost {
                let steps = (f64::from(echo.height_fsh) / self.step_fsh).round();
                let height = steps.clamp(0.0, f64::from(NOTHING - 1)) as u16;
                let old = self.heights[k];
                self.heights[k] = if old == NOTHING { height } else { old.max(height) };
            }
        }
    }

    /// Rows and columns.
    #[must_use]
    pub fn size(&self) -> (usize, usize) {
        (self.rows.len(), self.columns)
    }

    /// Length of a column along the bar, in metres.
    #[must_use]
    pub fn cell_m(&self) -> f64 {
        self.cell_m
    }

    /// Height of a step of the first frame, as a fraction of full screen height.
    #[must_use]
    pub fn step_fsh(&self) -> f64 {
        self.step_fsh
    }

    /// Peaks taken in.
    #[must_use]
    pub fn peaks(&self) -> u64 {
        self.read
    }

    fn words(&self) -> String {
        format!(
            "Rows are gates for flaws, beam by beam; columns are stretches of {} mm from the head end. Frame 1: the \
             highest peak of {} read, in steps of {} % of full screen height; {NOTHING} where none was read, {} where \
             it is at least that. Frame 2: 0 no shot, 1 sound, 2 a peak at full scale (a lower bound), 3 coupling \
             lost in a shot: not inspected there. {} peaks lay outside the length of the bar and are not drawn.",
            mm(self.cell_m),
            self.read,
            text::number(self.step_fsh * 100.0, 4),
            NOTHING - 1,
            self.outside,
        )
    }
}

/// Puts the map in as two frames, with the modules of a secondary capture.
pub(super) fn fill(sheet: &mut Sheet<'_>, map: &PeakMap) {
    let narrow = |n: usize| u16::try_from(n).unwrap_or(u16::MAX);
    sheet.terms(tags::CONVERSION_TYPE, &["SYN"]);
    sheet.terms(tags::IMAGE_TYPE, &["DERIVED", "SECONDARY"]);
    sheet.empty(tags::PATIENT_ORIENTATION, "rows are beams and columns places along the bar");
    sheet.shorts(tags::SAMPLES_PER_PIXEL, &[1]);
    sheet.terms(tags::PHOTOMETRIC_INTERPRETATION, &["MONOCHROME2"]);
    sheet.shorts(tags::ROWS, &[narrow(map.rows.len())]);
    sheet.shorts(tags::COLUMNS, &[narrow(map.columns)]);
    sheet.shorts(tags::BITS_ALLOCATED, &[16]);
    sheet.shorts(tags::BITS_STORED, &[16]);
    sheet.shorts(tags::HIGH_BIT, &[15]);
    sheet.shorts(tags::PIXEL_REPRESENTATION, &[0]);
    sheet.shorts(tags::PIXEL_PADDING_VALUE, &[NOTHING]);
    sheet.whole(tags::NUMBER_OF_FRAMES, 2);
    sheet.tag(tags::FRAME_INCREMENT_POINTER, tags::PAGE_NUMBER_VECTOR);
    sheet.terms(tags::PAGE_NUMBER_VECTOR, &["1", "2"]);
    sheet.terms(tags::FRAME_LABEL_VECTOR, &["HEIGHT", "STATE"]);
    sheet.terms(tags::BURNED_IN_ANNOTATION, &["NO"]);
    sheet.terms(tags::PRESENTATION_LUT_SHAPE, &["IDENTITY"]);
    // Fixed by the class: what a step means stands in the private block.
    sheet.decimals(tags::RESCALE_INTERCEPT, &[0.0]);
    sheet.decimals(tags::RESCALE_SLOPE, &[1.0]);
    sheet.terms(tags::RESCALE_TYPE, &["US"]);
    let full = (1.0 / map.step_fsh).round();
    sheet.decimals(tags::WINDOW_CENTER, &[full / 2.0]);
    sheet.decimals(tags::WINDOW_WIDTH, &[full]);
    let beams: Vec<u32> = map.rows.iter().map(|r| r.0).collect();
    let gates: Vec<u16> = map.rows.iter().map(|r| u16::from(r.1)).collect();
    sheet.longs(private::ROW_BEAMS, &beams);
    sheet.shorts(private::ROW_GATES, &gates);
    sheet.floats(private::CELL, &[map.cell_m]);
    sheet.floats(private::STEP, &[map.step_fsh]);
    sheet.text(private::MAP_WORDS, &map.words());
    sheet.samples(tags::PIXEL_DATA, [map.heights.as_slice(), &map.states].concat());
}

/// The modules of raw data instead, where there are no peaks.
pub(super) fn absent(sheet: &mut Sheet<'_>, why: &str) {
    sheet.uid(tags::CREATOR_VERSION_UID, &super::uid("creator", &[env!("CARGO_PKG_VERSION")]));
    sheet.empty(tags::ACQUISITION_CONTEXT_SEQUENCE, "the record holds no coded context");
    sheet.open(tags::PIXEL_DATA, why);
}

#[cfg(test)]
mod tests {
    use super::*;

    // Closed form: a step is at least a hundredth of a percent, and half as much again as full scale finds
    // room below the value that stands for nothing.
    #[test]
    fn steps_hold_what_can_be_read() {
        for full in [1.0, 4.0, 100.0] {
            let step = (OVER * full / f64::from(NOTHING - 1)).max(STEP_FSH);
            assert!(full * OVER / step <= f64::from(NOTHING - 1) + 1e-6);
            assert!(step >= STEP_FSH);
        }
    }
}
