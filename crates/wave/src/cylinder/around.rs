//! Spectra at many angles of one distance from the axis, drive by drive.

use num_complex::Complex64;

use crate::error::{Result, WaveError};
use crate::media::Mode;

use super::array::Drive;
use super::illumination::Illumination;
use super::linear::add_scaled;
use super::point::{orders_that_count, two_sided};
use super::spectra::Spectra;
use super::wide::{LANES, wide};

impl Illumination<'_> {
    /// Spectra of `P_L` or `P_S` at one distance from the bar's axis (m): of each drive at its own
    /// angles (rad). One row per angle, drive after drive in the order given.
    ///
    /// The same as [`Illumination::fields_at`] to rounding, for arrays of any form. It sums each
    /// drive's orders once and then costs a term per order and angle, where `fields_at` costs one per
    /// order, angle and element of an array that is not concentric: the way for a bar off centre that
    /// is turned.
    ///
    /// # Errors
    /// [`WaveError::Count`] if there is not one list of angles for each drive;
    /// [`WaveError::OutOfRange`] for a distance outside the bar or an element number the array has
    /// not.
    pub fn fields_around(
        &self,
        drives: &[Drive],
        angles_rad: &[Vec<f64>],
        radius_m: f64,
        mode: Mode,
    ) -> Result<Spectra> {
        if angles_rad.len() != drives.len() {
            return Err(WaveError::Count {
                what: "lists of angles for the drives",
                got: angles_rad.len(),
                need: drives.len(),
            });
        }
        self.check(drives)?;
        let used = Self::elements_used(drives);
        let place = |element: &usize| used.binary_search(element).unwrap_or_default();
        let turns: Vec<Vec<[f64; 2]>> = angles_rad
            .iter()
            .map(|list| list.iter().map(|a| [a.cos(), a.sin()]).collect())
            .collect();
        let rows = angles_rad.iter().map(Vec::len).sum();
        self.band().sweep(rows, |f, solution| {
            let mut inside = solution.interior(mode, radius_m)?;
            let outer = solution.outer(self.nearest_m(), solution.highest_order())?;
            inside.truncate(orders_that_count(&inside, &outer));
            let highest = inside.len() - 1;
            let inside = two_sided(&inside, 0.0, mode);
            let sent = used
                .iter()
                .map(|&element| self.element_orders(f, element, highest))
                .collect::<Result<Vec<_>>>()?;
            let angular = self.band().angular(f);
            let mut column = Vec::with_capacity(rows);
            for ((drive, turns), angles) in drives.iter().zip(&turns).zip(angles_rad) {
                let mut orders = vec![Complex64::ZERO; 2 * highest + 1];
                for (element, factor) in drive.elements().iter().zip(drive.factors(angular)) {
                    add_scaled(&mut orders, &sent[place(element)], factor);
                }
                for (order, g) in orders.iter_mut().zip(&inside) {
                    *order *= g;
                }
                let from = column.len();
                wide(
                    #[inline(always)]
                    || add_sums(&orders, turns, &mut column),
                );
                for (value, angle) in column[from..].iter_mut().zip(angles) {
                    *value *= Complex64::from_polar(1.0, -(highest as f64) * angle);
                }
            }
            Ok(column)
        })
    }
}

/// `Σ c_i u^i` at each `u = cos + i sin`, by Horner's rule, sixteen at a time.
#[inline(always)]
fn add_sums(coefficients: &[Complex64], turns: &[[f64; 2]], values: &mut Vec<Complex64>) {
    for chunk in turns.chunks(LANES) {
        let [mut cos, mut sin, mut re, mut im] = [[0.0; LANES]; 4];
        for (lane, turn) in chunk.iter().enumerate() {
            [cos[lane], sin[lane]] = *turn;
        }
        for c in coefficients.iter().rev() {
            for lane in 0..LANES {
                let next = re[lane] * cos[lane] - im[lane] * sin[lane] + c.re;
                im[lane] = re[lane] * sin[lane] + im[lane] * cos[lane] + c.im;
                re[lane] = next;
            }
        }
        values.extend((0..chunk.len()).map(|lane| Complex64::new(re[lane], im[lane])));
    }
}
