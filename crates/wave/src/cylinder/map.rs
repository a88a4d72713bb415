//! Peak envelope of a beam over the whole section.

use num_complex::{Complex32, Complex64};
use rayon::prelude::*;
use rustfft::FftPlanner;

use crate::error::Result;
use crate::media::Mode;

use super::array::Drive;
use super::band::CylinderBand;
use super::envelopes::{Envelopes, LINE};
use super::illumination::Illumination;
use super::incident::Incident;
use super::map_task::MapTask;
use super::radial::Radial;
use super::slab::Slab;
use super::wide::LANES;

/// Polar grid of a map and the time resolution of its envelopes.
///
/// Limits: rings × angles wanted and frequencies × angles at most 67 108 864 (half a gigabyte each),
/// rings × angles × times at most 1.1e11 (some minutes); radii within the bar, a start within a
/// second of zero.
#[derive(Debug, Clone, PartialEq)]
pub struct MapGrid {
    /// Radii of the rings in metres.
    pub radii_m: Vec<f64>,
    /// Number of angles of a full turn; angle `m` is `2π m / angles`.
    pub angles: usize,
    /// First angle wanted and how many from there on (counted round past the full turn).
    pub sector: (usize, usize),
    /// Times at which the envelope is sampled over one period of the band (one over the frequency
    /// step). [`Illumination::map`] follows peaks between the samples: three times for two
    /// frequencies give all peaks to 0.02 dB. [`Illumination::map_plain`] does not: with as many it
    /// gives peaks of a single arrival to 0.01 dB, of interfering ones to 0.7 dB; it takes ten times
    /// as many as frequencies to come within 0.02 dB.
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
    /// Coefficients and radial functions come from double precision, rings and times are summed in
    /// single; peaks are followed between the samples. Within 40 dB of the largest peak the values
    /// are within 0.02 dB of what [`Self::map_plain`] gives with very many times.
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
        let task = MapTask::new(self.band(), grid, spectrum)?;
        self.check([drive])?;
        let slabs = (0..task.frequencies)
            .into_par_iter()
            .step_by(LANES)
            .map(|first| Slab::new(self, drive, mode, first, &task.strengths))
            .collect::<Result<Vec<_>>>()?;
        Ok(task.draw(&slabs, grid))
    }
}

impl CylinderBand {
    /// The same map as [`Illumination::map`] of an incident field that was turned or displaced.
    ///
    /// # Errors
    /// As [`Illumination::map`], and [`WaveError::Count`] for the field of another band.
    ///
    /// [`WaveError::Count`]: crate::WaveError::Count
    pub fn map_of(
        &self,
        incident: &Incident,
        mode: Mode,
        grid: &MapGrid,
        spectrum: &[Complex64],
    ) -> Result<FieldMap> {
        let task = MapTask::new(self, grid, spectrum)?;
        incident.check_fits(self)?;
        let slabs = (0..task.frequencies)
            .into_par_iter()
            .step_by(LANES)
            .map(|first| {
                let orders = |f| Ok(std::borrow::Cow::Borrowed(incident.orders(f)));
                Slab::of(self.solutions(), mode, first, &task.strengths, orders)
            })
            .collect::<Result<Vec<_>>>()?;
        Ok(task.draw(&slabs, grid))
    }
}

impl MapTask {
    /// Rings and times from the coefficients of all frequencies.
    fn draw(self, slabs: &[Slab], grid: &MapGrid) -> FieldMap {
        let task = self;
        let unit = slabs.iter().map(Slab::size).fold(f64::MIN_POSITIVE, f64::max);
        let round = FftPlanner::<f32>::new().plan_fft_inverse(grid.angles);
        let envelopes = Envelopes::new(task.frequencies, grid.times, task.growth_np);
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
                for slab in slabs {
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
        task.finish(grid, peak)
    }
}
