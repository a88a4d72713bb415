//! Spectra at many angles of a few distances from the axis, drive by drive.

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
    /// Spectra of `P_L` or `P_S` at some distances from the bar's axis (m): of each drive at its own
    /// angles (rad). A table for each distance; one row per angle, drive after drive in the order
    /// given.
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
        radii_m: &[f64],
        mode: Mode,
    ) -> Result<Vec<Spectra>> {
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
        let spectra = self.band().sweep(radii_m.len() * rows, |f, solution| {
            let outer = solution.outer(self.nearest_m(), solution.highest_order())?;
            let inside = radii_m
                .iter()
                .map(|&radius| {
                    let mut orders = solution.interior(mode, radius)?;
                    orders.truncate(orders_that_count(&orders, &outer));
                    Ok(two_sided(&orders, 0.0, mode))
                })
                .collect::<Result<Vec<_>>>()?;
            let highest = inside.iter().map(Vec::len).max().unwrap_or(1) / 2;
            let sent = used
                .iter()
                .map(|&element| self.element_orders(f, element, highest))
                .collect::<Result<Vec<_>>>()?;
            let angular = self.band().angular(f);
            let mut columns = vec![Vec::with_capacity(rows); radii_m.len()];
            for ((drive, turns), angles) in drives.iter().zip(&turns).zip(angles_rad) {
                let mut orders = vec![Complex64::ZERO; 2 * highest + 1];
                for (element, factor) in drive.elements().iter().zip(drive.factors(angular)) {
                    add_scaled(&mut orders, &sent[place(element)], factor);
                }
                for (inside, column) in inside.iter().zip(&mut columns) {
                    let last = inside.len() / 2;
                    let own = &orders[highest - last..=highest + last];
                    let terms: Vec<Complex64> =
                        inside.iter().zip(own).map(|(g, a)| g * a).collect();
                    let from = column.len();
                    wide(
                        #[inline(always)]
                        || add_sums(&terms, turns, column),
                    );
                    for (value, angle) in column[from..].iter_mut().zip(angles) {
                        *value *= Complex64::from_polar(1.0, -(last as f64) * angle);
                    }
                }
            }
            Ok(columns.concat())
        })?;
        Ok(spectra.split(rows))
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
