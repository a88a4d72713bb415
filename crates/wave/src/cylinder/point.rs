//! Spectra at single points inside the bar.

use num_complex::Complex64;

use crate::error::Result;
use crate::geometry::Point;
use crate::media::Mode;

use super::array::Drive;
use super::band::parity;
use super::illumination::Illumination;
use super::linear::dot;
use super::modal::ModalSolution;
use super::series::angular_series;
use super::spectra::Spectra;

impl Illumination<'_> {
    /// Spectra of `P_L` or `P_S` at points inside the bar (relative to its axis): for each point
    /// a table with one row per drive.
    ///
    /// Costs one series per element and point, whatever the number of drives. For a small
    /// reflector the echo between two drives is the product of their two fields at its place,
    /// times its scattering and `ρ_f/ρ_s` (reciprocity).
    ///
    /// # Errors
    /// [`crate::WaveError::OutOfRange`] for a point outside the bar or an element number the
    /// array has not.
    pub fn fields_at(
        &self,
        drives: &[Drive],
        points: &[Point],
        mode: Mode,
    ) -> Result<Vec<Spectra>> {
        self.check(drives)?;
        let used = Self::elements_used(drives);
        let place = |element: &usize| used.binary_search(element).unwrap_or_default();
        let places: Vec<Vec<usize>> =
            drives.iter().map(|drive| drive.elements().iter().map(place).collect()).collect();
        let rows = points.len() * drives.len();
        let spectra = self.band().sweep(rows, |f, solution| {
            let fields = self.element_fields(f, solution, &used, points, mode)?;
            let factors: Vec<Vec<Complex64>> = drives
                .iter()
                .map(|drive| drive.factors(self.band().angular(f)).collect())
                .collect();
            let mut column = Vec::with_capacity(rows);
            for field in &fields {
                for (places, factors) in places.iter().zip(&factors) {
                    column.push(
                        places.iter().zip(factors).map(|(&p, factor)| field[p] * factor).sum(),
                    );
                }
            }
            Ok(column)
        })?;
        Ok(spectra.split(drives.len()))
    }

    /// Field of each used element at each point, one frequency.
    fn element_fields(
        &self,
        frequency: usize,
        solution: &ModalSolution,
        used: &[usize],
        points: &[Point],
        mode: Mode,
    ) -> Result<Vec<Vec<Complex64>>> {
        let mut inside = Vec::with_capacity(points.len());
        let outer = match self.shared_orders(frequency) {
            Some((_, shared)) => shared.to_vec(),
            None => solution.outer(self.nearest_m(), solution.highest_order())?,
        };
        let mut highest = 0;
        for point in points {
            let mut orders = solution.interior(mode, point.radius())?;
            orders.truncate(orders_that_count(&orders, &outer));
            highest = highest.max(orders.len() - 1);
            inside.push(orders);
        }
        if let Some((angles, shared)) = self.shared_orders(frequency) {
            return Ok(inside
                .iter()
                .zip(points)
                .map(|(orders, point)| {
                    let product: Vec<_> = orders.iter().zip(shared).map(|(g, h)| g * h).collect();
                    let turns: Vec<f64> = used.iter().map(|&e| point.angle() - angles[e]).collect();
                    angular_series(&product, &turns, mode)
                })
                .collect());
        }
        let mut fields = vec![Vec::with_capacity(used.len()); points.len()];
        let both: Vec<Vec<Complex64>> = inside
            .iter()
            .zip(points)
            .map(|(orders, point)| two_sided(orders, point.angle(), mode))
            .collect();
        for &element in used {
            let sent = self.element_orders(frequency, element, highest)?;
            for (field, orders) in fields.iter_mut().zip(&both) {
                let start = highest - orders.len() / 2;
                field.push(dot(orders, &sent[start..start + orders.len()]));
            }
        }
        Ok(fields)
    }
}

/// Number of orders worth summing: the rest stay below 1e-17 of the largest term.
pub(super) fn orders_that_count(inside: &[Complex64], outer: &[Complex64]) -> usize {
    let size = |(g, h): (&Complex64, &Complex64)| g.norm_sqr() * h.norm_sqr();
    let largest = inside.iter().zip(outer).map(size).fold(0.0, f64::max);
    let last = inside.iter().zip(outer).rposition(|pair| size(pair) > largest * 1e-34);
    last.map_or(1, |n| n + 1)
}

/// `g_n e^{inθ}` for the orders -N..=N from those for n >= 0; `J_{-n} = (-1)^n J_n`.
pub(super) fn two_sided(orders: &[Complex64], angle: f64, mode: Mode) -> Vec<Complex64> {
    let highest = orders.len() - 1;
    let mut both = vec![Complex64::ZERO; 2 * highest + 1];
    let step = Complex64::from_polar(1.0, angle);
    let mut turn = Complex64::ONE;
    for (n, g) in orders.iter().enumerate() {
        let sign = if n % 2 == 0 { parity(mode) } else { -parity(mode) };
        if n > 0 {
            both[highest - n] = g * turn.conj() * sign;
        }
        both[highest + n] = g * turn;
        turn *= step;
    }
    both
}
