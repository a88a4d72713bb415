//! The map of peaks in double precision throughout, ring by ring as the formulas say: slower, and
//! what the fast way is measured against.

use num_complex::Complex64;
use rayon::prelude::*;
use rustfft::FftPlanner;

use crate::error::Result;
use crate::media::Mode;

use super::array::Drive;
use super::illumination::Illumination;
use super::map::{FieldMap, MapGrid};
use super::map_task::MapTask;
use super::point::{orders_that_count, two_sided};
use super::synthesis::peak_envelope;

/// Angles brought into time together.
const BLOCK: usize = 8;

impl Illumination<'_> {
    /// The same map as [`Self::map`], in double precision throughout: four times slower.
    ///
    /// # Errors
    /// As [`Self::map`].
    pub fn map_plain(
        &self,
        drive: &Drive,
        mode: Mode,
        grid: &MapGrid,
        spectrum: &[Complex64],
    ) -> Result<FieldMap> {
        let band = self.band();
        let task = MapTask::new(band, grid, spectrum)?;
        self.check([drive])?;
        let sent = (0..task.frequencies)
            .into_par_iter()
            .map(|f| self.drive_orders(f, drive, band.solutions()[f].highest_order()))
            .collect::<Result<Vec<_>>>()?;
        let bounds: Vec<Vec<Complex64>> = sent.iter().map(|orders| larger_side(orders)).collect();
        let mut planner = FftPlanner::new();
        let round = planner.plan_fft_inverse(grid.angles);
        let in_time = planner.plan_fft_forward(grid.times);
        let (first, wanted) = (task.first, task.wanted);
        let scratch_len = round.get_inplace_scratch_len().max(in_time.get_inplace_scratch_len());
        let room = || {
            (
                vec![Complex64::ZERO; task.frequencies * wanted],
                vec![Complex64::ZERO; grid.angles],
                vec![Complex64::ZERO; BLOCK * grid.times],
                vec![Complex64::ZERO; scratch_len],
            )
        };
        let rings = grid
            .radii_m
            .par_iter()
            .map_init(room, |(series, circle, signals, scratch), &radius| {
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
                    round.process_with_scratch(circle, scratch);
                    for (m, value) in series[f * wanted..(f + 1) * wanted].iter_mut().enumerate() {
                        *value = circle[(first + m) % grid.angles] * task.strengths[f];
                    }
                }
                // Neighbouring angles together: a column by itself would use one value of each
                // line of cache.
                let mut peaks = Vec::with_capacity(wanted);
                for from in (0..wanted).step_by(BLOCK) {
                    let count = BLOCK.min(wanted - from);
                    signals.fill(Complex64::ZERO);
                    for (f, row) in series.chunks_exact(wanted).enumerate() {
                        for (m, value) in row[from..from + count].iter().enumerate() {
                            signals[m * grid.times + f] = *value;
                        }
                    }
                    for signal in signals.chunks_exact_mut(grid.times).take(count) {
                        in_time.process_with_scratch(signal, scratch);
                        if let Some((start, step)) = task.growth_np {
                            for (j, z) in signal.iter_mut().enumerate() {
                                *z *= (start + step * j as f64).exp();
                            }
                        }
                        let (peak, at) = peak_envelope(signal);
                        let end = at < 0.5 || at > grid.times as f64 - 1.5;
                        peaks.push(match task.growth_np {
                            // The record's ends do not meet once the damping is taken out.
                            Some(_) if end => signal[0].norm().max(signal[grid.times - 1].norm()),
                            _ => peak,
                        });
                    }
                }
                Ok(peaks)
            })
            .collect::<Result<Vec<_>>>()?;
        Ok(task.finish(grid, rings.concat()))
    }
}

/// The larger of orders n and -n, n = 0..: a steered beam sends more on one side.
fn larger_side(orders: &[Complex64]) -> Vec<Complex64> {
    let middle = orders.len() / 2;
    let larger =
        |(a, b): (&Complex64, &Complex64)| if a.norm_sqr() >= b.norm_sqr() { *a } else { *b };
    orders[middle..].iter().zip(orders[..=middle].iter().rev()).map(larger).collect()
}
