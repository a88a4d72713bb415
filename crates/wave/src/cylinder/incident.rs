//! The angular orders that a drive sends onto a bar: computed once, then turned and displaced.

use num_complex::Complex64;
use rayon::prelude::*;
use rustfft::FftPlanner;
use std::f64::consts::TAU;

use crate::error::{Result, WaveError};
use crate::geometry::Point;
use crate::harmonics::radix;

use super::array::Drive;
use super::band::CylinderBand;
use super::illumination::Illumination;
use super::modal::ModalSolution;

/// Frequencies whose turns follow from each other: rounding grows to a few of the last digits.
const IN_A_ROW: usize = 16;

/// Orders that stand so far above those that reach the bar are left out where a field is displaced: so far
/// beyond the surface they have died away long before it, and their rounding would drown the rest.
const BEYOND: f64 = 1e9;

/// Incident field of one drive over a band, as orders `A_n` about the bar's axis.
///
/// Turning the drive about the axis and displacing the bar are cheap: an array that stands at many
/// angles around a ring, or looks at a bar off centre, is summed over its elements once.
#[derive(Debug, Clone)]
pub struct Incident {
    /// Scaled orders -highest..=highest of each frequency.
    orders: Vec<Vec<Complex64>>,
}

impl Illumination<'_> {
    /// Incident field of a drive.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for an element number the array has not.
    pub fn incident(&self, drive: &Drive) -> Result<Incident> {
        self.check([drive])?;
        let solutions = self.band().solutions();
        let orders = (0..solutions.len())
            .into_par_iter()
            .map(|f| self.drive_orders(f, drive, solutions[f].highest_order()))
            .collect::<Result<Vec<_>>>()?;
        Ok(Incident { orders })
    }
}

impl Incident {
    /// The field of the same drive turned about the bar's axis by an angle in rad,
    /// counter-clockwise.
    #[must_use]
    pub fn turned(&self, angle_rad: f64) -> Self {
        let orders = self
            .orders
            .iter()
            .map(|orders| {
                let highest = (orders.len() / 2) as f64;
                let each = |(i, a): (usize, &Complex64)| {
                    let n = i as f64 - highest;
                    a * Complex64::from_polar(1.0, -(n * angle_rad).rem_euclid(TAU))
                };
                orders.iter().enumerate().map(each).collect()
            })
            .collect();
        Self { orders }
    }

    /// The field of the same drive about a bar whose axis stands `by` (m) from where it stood.
    ///
    /// Exact by Graf's addition theorem, taken as a product in the plane-wave spectrum of the field:
    /// `f(α) = Σ A_n i^{-n} e^{inα}` becomes `f(α) exp(ik·by)`.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a displacement that moves more orders than the band carries
    /// beyond the surface (some millimetres at 5 MHz), or one that is not finite;
    /// [`WaveError::Count`] for the field of another band.
    pub fn displaced(&self, band: &CylinderBand, by: Point) -> Result<Self> {
        let solutions = band.solutions();
        if solutions.len() != self.orders.len() {
            return Err(WaveError::Count {
                what: "frequencies of the band",
                got: solutions.len(),
                need: self.orders.len(),
            });
        }
        // One size for all frequencies: directions and plans are made once.
        let moved_at = |k: Complex64| k.norm() * by.radius();
        let most = solutions.iter().map(|s| moved_at(s.wave_number_water())).fold(0.0, f64::max);
        let orders_most = self.orders.iter().map(Vec::len).max().unwrap_or(1);
        let wide = orders_most + (most + 15.0 * most.cbrt() + 30.0).min(1e6) as usize;
        let size = [3, 4, 5, 6]
            .map(|small| wide.div_ceil(small).next_power_of_two() * small)
            .into_iter()
            .min()
            .unwrap_or(wide);
        let along: Vec<f64> = (0..size)
            .map(|j| {
                let (sin, cos) = (TAU * j as f64 / size as f64).sin_cos();
                by.x * cos + by.y * sin
            })
            .collect();
        // Evenly spaced wave numbers turn by one factor from each to the next; a few in a row, so that
        // rounding does not add up.
        let wave_numbers: Vec<Complex64> =
            solutions.iter().map(ModalSolution::wave_number_water).collect();
        let step = wave_numbers.get(1).map_or(Complex64::ZERO, |k| k - wave_numbers[0]);
        let even = |pair: &[Complex64]| (pair[1] - pair[0] - step).norm() <= 1e-9 * step.norm();
        let row = if wave_numbers.windows(2).all(even) { IN_A_ROW } else { 1 };
        let turns_at = |k: Complex64| -> Vec<Complex64> {
            along.iter().map(|a| (Complex64::i() * k * a).exp()).collect()
        };
        let onward = turns_at(step);
        let mut planner = FftPlanner::new();
        let (to_plane, from_plane) =
            (planner.plan_fft_inverse(size), planner.plan_fft_forward(size));
        let moved = |orders: &[Complex64], solution: &ModalSolution, turned: &[Complex64]| {
            let highest = orders.len() / 2;
            let moved = moved_at(solution.wave_number_water());
            // What lies beyond the turning point of the surface and a few of its widths.
            let ka = solution.wave_number_water().norm() * solution.radius_m();
            let spare = highest as f64 - ka - 4.0 * ka.cbrt();
            let needed = moved + 3.0 * moved.cbrt();
            if needed.is_nan() || needed > spare {
                return Err(WaveError::OutOfRange {
                    what: "the displacement of the bar",
                    value: by.radius(),
                    unit: "m",
                    expected: "small beside the ring: some millimetres at 5 MHz",
                });
            }
            let exponents = solution.surface_exponents();
            let turns = [
                Complex64::ONE,
                Complex64::new(0.0, -1.0),
                -Complex64::ONE,
                Complex64::new(0.0, 1.0),
            ];
            let bin = |n: i64| n.rem_euclid(size as i64) as usize;
            let mut plane = vec![Complex64::ZERO; size];
            let reach = (ka as usize).min(highest);
            let travelling = &orders[highest - reach..=highest + reach];
            let most = BEYOND * travelling.iter().map(|a| a.norm()).fold(0.0, f64::max);
            for (i, a) in orders.iter().enumerate() {
                let n = i as i64 - highest as i64;
                let plain = a * radix(-exponents[n.unsigned_abs() as usize]);
                if plain.norm() <= most {
                    plane[bin(n)] = plain * turns[n.rem_euclid(4) as usize];
                }
            }
            to_plane.process(&mut plane);
            for (value, turn) in plane.iter_mut().zip(turned) {
                *value *= turn;
            }
            from_plane.process(&mut plane);
            Ok((0..orders.len())
                .map(|i| {
                    let n = i as i64 - highest as i64;
                    plane[bin(n)]
                        * turns[n.rem_euclid(4) as usize].conj()
                        * radix(exponents[n.unsigned_abs() as usize])
                        / size as f64
                })
                .collect())
        };
        let orders = self
            .orders
            .par_chunks(row)
            .zip(solutions.par_chunks(row))
            .map(|(orders, solutions)| {
                let mut turned = turns_at(solutions[0].wave_number_water());
                let mut out = Vec::with_capacity(orders.len());
                for (i, (orders, solution)) in orders.iter().zip(solutions).enumerate() {
                    if i > 0 {
                        turned.iter_mut().zip(&onward).for_each(|(turn, by)| *turn *= by);
                    }
                    out.push(moved(orders, solution, &turned)?);
                }
                Ok(out)
            })
            .collect::<Result<Vec<Vec<_>>>>()?;
        Ok(Self { orders: orders.into_iter().flatten().collect() })
    }

    /// Refuses the field of another band.
    pub(super) fn check_fits(&self, band: &CylinderBand) -> Result<()> {
        let solutions = band.solutions();
        let counts = |what, got, need| {
            if got == need { Ok(()) } else { Err(WaveError::Count { what, got, need }) }
        };
        counts("frequencies of the band", self.orders.len(), solutions.len())?;
        for (orders, solution) in self.orders.iter().zip(solutions) {
            let need = 2 * solution.highest_order() + 1;
            counts("orders of an incident field", orders.len(), need)?;
        }
        Ok(())
    }

    /// Scaled orders at one frequency.
    pub(super) fn orders(&self, frequency: usize) -> &[Complex64] {
        &self.orders[frequency]
    }

    /// Number of frequencies.
    #[must_use]
    pub fn frequencies(&self) -> usize {
        self.orders.len()
    }
}
