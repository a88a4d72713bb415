//! Peak envelope of a beam over the whole section.

use num_complex::{Complex32, Complex64};
use rayon::prelude::*;
use rustfft::FftPlanner;

use crate::error::Result;
use crate::media::Mode;

use super::array::Drive;
use super::envelopes::{Envelopes, LINE};
use super::illumination::Illumination;
use super::map_task::MapTask;
use super::radial::Radial;
use super::slab::Slab;
use super::wide::LANES;

/// Polar grid of a map and the time resolution of its envelopes.
#[derive(Debug, Clone, PartialEq)]
pub struct MapGrid {
    /// Radii of the rings in metres.
    pub radii_m: Vec<f64>,
    /// Number of angles of a full turn; angle `m` is `2π m / angles`.
    pub angles: usize,
    /// First angle wanted and how many from there on (counted round past the full turn).
    pub sector: (usize, usize),
    /// Times at which the envelope is sampled over one period of the band (one over the frequency
    /// step). Three for two frequencies give peaks of a single arrival to 0.01 dB, of interfering
    /// ones to 0.1 dB; three for one give all to 0.02 dB and take half as long again.
    pub times: usize,
    /// Start of that period; matters with damping only.
    pub start_s: f64,
}

impl MapGrid {
    /// The full circle, with the next power of two above 1.5 times per frequency.
    #[must_use]
    pub fn full(radii_m: Vec<f64>, angles: usize, frequencies: usize) -> Self {
        let times = (frequencies + frequencies / 2).next_power_of_two();
        Self { radii_m, angles, sector: (0, angles), times, start_s: 0.0 }
    }
}

/// Peak of the envelope of one mode on a polar grid.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldMap {
    /// Radii of the rings in metres.
    pub radii_m: Vec<f64>,
    /// Angles in rad.
    pub angles_rad: Vec<f64>,
    /// Peak of |∫ S P e^{-2πi f t} df| at `[ring * angles + angle]`.
    pub peak: Vec<f64>,
}

impl FieldMap {
    /// Values of one ring.
    #[must_use]
    pub fn ring(&self, index: usize) -> &[f64] {
        let count = self.angles_rad.len();
        &self.peak[index * count..(index + 1) * count]
    }
}

impl Illumination<'_> {
    /// Peak envelope of `P_L` or `P_S` for one drive on a polar grid; `spectrum` is the pulse's
    /// at each frequency of the band.
    ///
    /// Rings and times are summed in single precision, the coefficients and radial functions come
    /// from double: within 40 dB of the largest peak the values are those of [`Self::map_plain`]
    /// to 0.001 dB.
    ///
    /// # Errors
    /// [`WaveError::Count`] for a spectrum that does not fit the band, a grid without rings or
    /// angles or with fewer times than frequencies; [`WaveError::OutOfRange`] for a ring outside
    /// the bar, a grid beyond the limits of [`MapGrid`], uneven frequencies, values that are not
    /// finite, or an element number the array has not.
    ///
    /// [`WaveError::Count`]: crate::WaveError::Count
    /// [`WaveError::OutOfRange`]: crate::WaveError::OutOfRange
    pub fn map(
        &self,
        drive: &Drive,
        mode: Mode,
        grid: &MapGrid,
        spectrum: &[Complex64],
    ) -> Result<FieldMap> {
        let task = MapTask::new(self, drive, grid, spectrum)?;
        let slabs = (0..task.frequencies)
            .into_par_iter()
            .step_by(LANES)
            .map(|first| Slab::new(self, drive, mode, first, &task.strengths))
            .collect::<Result<Vec<_>>>()?;
        let unit = slabs.iter().map(Slab::size).fold(f64::MIN_POSITIVE, f64::max);
        let growth = if task.damped() {
            task.growth.iter().map(|&g| g as f32).collect()
        } else {
            Vec::new()
        };
        let round = FftPlanner::<f32>::new().plan_fft_inverse(grid.angles);
        let envelopes = Envelopes::new(task.frequencies, grid.times, growth);
        // A line of cache more than the angles: rows must not all fall on the same cache sets.
        let stride = grid.angles + LINE;
        let mut peak = vec![0.0; grid.radii_m.len() * task.wanted];
        let room = || {
            let rows = vec![Complex32::ZERO; task.frequencies * stride];
            let scratch = vec![Complex32::ZERO; round.get_inplace_scratch_len()];
            (rows, scratch, Radial::default(), envelopes.room())
        };
        peak.par_chunks_exact_mut(task.wanted).zip(&grid.radii_m).for_each_init(
            room,
            |(rows, scratch, radial, columns), (peaks, &radius)| {
                for slab in &slabs {
                    let rows = &mut rows[slab.first * stride..][..slab.count * stride];
                    slab.ring(radius, unit, radial, rows, stride, grid.angles);
                    for row in rows.chunks_exact_mut(stride) {
                        round.process_with_scratch(&mut row[..grid.angles], scratch);
                    }
                }
                let (before, after) = peaks.split_at_mut(task.until_turn());
                envelopes.peaks(rows, stride, task.first, columns, before, unit);
                envelopes.peaks(rows, stride, 0, columns, after, unit);
            },
        );
        Ok(task.finish(grid, peak))
    }
}
