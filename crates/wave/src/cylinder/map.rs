//! Peak envelope of a beam over the whole section.

use num_complex::Complex64;
use rayon::prelude::*;
use rustfft::FftPlanner;
use std::f64::consts::TAU;

use crate::error::{Result, WaveError};
use crate::geometry::Point;
use crate::media::Mode;

use super::array::Drive;
use super::illumination::Illumination;
use super::point::{orders_that_count, two_sided};
use super::synthesis::{even_step_hz, peak_envelope};

/// Angles brought into time together.
const BLOCK: usize = 8;

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
    /// # Errors
    /// [`WaveError::Count`] for a spectrum that does not fit the band or a grid without angles or
    /// with fewer times than frequencies; [`WaveError::OutOfRange`] for a ring outside the bar,
    /// uneven frequencies, or an element number the array has not.
    pub fn map(
        &self,
        drive: &Drive,
        mode: Mode,
        grid: &MapGrid,
        spectrum: &[Complex64],
    ) -> Result<FieldMap> {
        self.check([drive])?;
        let band = self.band();
        let frequencies = band.frequencies_hz().len();
        let step_hz = even_step_hz(band.frequencies_hz())?;
        let needed = [
            ("values of the pulse's spectrum", spectrum.len(), frequencies, frequencies),
            ("angles of the map", grid.angles, 1, usize::MAX),
            ("angles of the map's sector", grid.sector.1, 1, grid.angles),
            ("times of the map", grid.times, frequencies, usize::MAX),
        ];
        for (what, got, need, most) in needed {
            if got < need || got > most {
                return Err(WaveError::Count { what, got, need: need.min(most) });
            }
        }
        let sent = (0..frequencies)
            .into_par_iter()
            .map(|f| self.drive_orders(f, drive, band.solutions()[f].highest_order()))
            .collect::<Result<Vec<_>>>()?;
        let bounds: Vec<Vec<Complex64>> = sent.iter().map(|orders| larger_side(orders)).collect();
        let mut planner = FftPlanner::new();
        let round = planner.plan_fft_inverse(grid.angles);
        let in_time = planner.plan_fft_forward(grid.times);
        let (first, wanted) = grid.sector;
        let starts: Vec<Complex64> = band
            .frequencies_hz()
            .iter()
            .zip(spectrum)
            .map(|(f, s)| {
                s * step_hz * Complex64::from_polar(1.0, -TAU * (f * grid.start_s).fract())
            })
            .collect();
        let growth: Vec<f64> = (0..grid.times)
            .map(|j| {
                let t = grid.start_s + j as f64 / (grid.times as f64 * step_hz);
                (band.damping_1_s() * t).exp()
            })
            .collect();
        let rings = grid
            .radii_m
            .par_iter()
            .map(|&radius| {
                let mut series = vec![Complex64::ZERO; frequencies * wanted];
                let mut circle = vec![Complex64::ZERO; grid.angles];
                let mut scratch =
                    vec![
                        Complex64::ZERO;
                        round.get_inplace_scratch_len().max(in_time.get_inplace_scratch_len())
                    ];
                for (f, solution) in band.solutions().iter().enumerate() {
                    let mut inside = solution.interior(mode, radius)?;
                    inside.truncate(orders_that_count(&inside, &bounds[f]));
                    let both = two_sided(&inside, 0.0, mode);
                    let reach = inside.len() - 1;
                    let orders = &sent[f];
                    let offset = orders.len() / 2 - reach;
                    circle.fill(Complex64::ZERO);
                    // Order n = index - reach goes into bin n mod angles.
                    let mut bin = (grid.angles - reach % grid.angles) % grid.angles;
                    for (g, a) in both.iter().zip(&orders[offset..]) {
                        circle[bin] += g * a;
                        bin += 1;
                        if bin == grid.angles {
                            bin = 0;
                        }
                    }
                    round.process_with_scratch(&mut circle, &mut scratch);
                    for (m, value) in series[f * wanted..(f + 1) * wanted].iter_mut().enumerate() {
                        *value = circle[(first + m) % grid.angles] * starts[f];
                    }
                }
                // Neighbouring angles together: a column by itself would use one value of each
                // line of cache.
                let mut peaks = Vec::with_capacity(wanted);
                let mut signals = vec![Complex64::ZERO; BLOCK * grid.times];
                for from in (0..wanted).step_by(BLOCK) {
                    let count = BLOCK.min(wanted - from);
                    signals.fill(Complex64::ZERO);
                    for (f, row) in series.chunks_exact(wanted).enumerate() {
                        for (m, value) in row[from..from + count].iter().enumerate() {
                            signals[m * grid.times + f] = *value;
                        }
                    }
                    for signal in signals.chunks_exact_mut(grid.times).take(count) {
                        in_time.process_with_scratch(signal, &mut scratch);
                        if band.damping_1_s() > 0.0 {
                            for (z, g) in signal.iter_mut().zip(&growth) {
                                *z *= g;
                            }
                        }
                        peaks.push(peak_envelope(signal).0);
                    }
                }
                Ok(peaks)
            })
            .collect::<Result<Vec<_>>>()?;
        Ok(FieldMap {
            radii_m: grid.radii_m.clone(),
            angles_rad: (0..wanted)
                .map(|m| Point::polar(1.0, TAU * (first + m) as f64 / grid.angles as f64).angle())
                .collect(),
            peak: rings.concat(),
        })
    }
}

/// The larger of orders n and -n, n = 0..: a steered beam sends more on one side.
fn larger_side(orders: &[Complex64]) -> Vec<Complex64> {
    let middle = orders.len() / 2;
    let larger =
        |(a, b): (&Complex64, &Complex64)| if a.norm_sqr() >= b.norm_sqr() { *a } else { *b };
    orders[middle..].iter().zip(orders[..=middle].iter().rev()).map(larger).collect()
}
