//! A band joined with an array: the angular orders that each element sends onto the bar.

use num_complex::Complex64;
use rayon::prelude::*;

use crate::error::{Result, WaveError};
use crate::geometry::Point;
use crate::harmonics::hankel_1;

use super::aperture::turned_orders;
use super::array::{Drive, LineArray};
use super::band::CylinderBand;
use super::limits::check_growth;
use super::linear::add_scaled;
use super::orders::{SOURCE, source_orders, symmetric_orders};
use super::spectra::Spectra;

/// An array outside a bar, ready to answer what the bar receives and returns.
#[derive(Debug)]
pub struct Illumination<'a> {
    band: &'a CylinderBand,
    array: &'a LineArray,
    /// For a concentric array: orders 0.. of one element at angle zero, per frequency.
    shared: Option<Vec<Vec<Complex64>>>,
}

impl<'a> Illumination<'a> {
    pub(super) fn new(band: &'a CylinderBand, array: &'a LineArray) -> Result<Self> {
        let nearest = array.nearest_m();
        if nearest <= band.radius_m() {
            return Err(WaveError::OutOfRange {
                what: "the distance of a line source from the bar's axis",
                value: nearest,
                unit: "m",
                expected: "above the bar's radius",
            });
        }
        let shared = match array.turned() {
            None => None,
            Some(turned) => Some(
                band.solutions()
                    .par_iter()
                    .map(|solution| symmetric_orders(solution, &turned.pattern))
                    .collect::<Result<Vec<_>>>()?,
            ),
        };
        Ok(Self { band, array, shared })
    }

    /// The band.
    #[must_use]
    pub fn band(&self) -> &CylinderBand {
        self.band
    }

    /// Spectrum of the pressure that each drive makes at a point of the water with no bar there;
    /// one row per drive. The reference of field gains.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for an element number the array has not, or a point on a source.
    pub fn incident_at(&self, drives: &[Drive], point: Point) -> Result<Spectra> {
        self.check(drives)?;
        self.band.sweep(drives.len(), |f, solution| {
            let mut column = Vec::with_capacity(drives.len());
            for drive in drives {
                let mut sum = Complex64::ZERO;
                for (&element, factor) in
                    drive.elements().iter().zip(drive.factors(self.band.angular(f)))
                {
                    for source in &self.array.elements()[element] {
                        let x = solution.wave_number_water() * source.at.distance(point);
                        sum += factor * source.weight * SOURCE * hankel_1(x, 0)?.value(0);
                    }
                }
                column.push(sum);
            }
            Ok(column)
        })
    }

    /// Orders 0.. of one element at angle zero, if the array is concentric.
    pub(super) fn shared_orders(&self, frequency: usize) -> Option<(&[f64], &[Complex64])> {
        let turned = self.array.turned()?;
        Some((&turned.angles, &self.shared.as_ref()?[frequency]))
    }

    /// Scaled orders -highest..=highest of one element.
    pub(super) fn element_orders(
        &self,
        frequency: usize,
        element: usize,
        highest: usize,
    ) -> Result<Vec<Complex64>> {
        if let Some((angles, shared)) = self.shared_orders(frequency) {
            let element = [(angles[element], Complex64::ONE)];
            return Ok(turned_orders(shared, element.into_iter(), highest));
        }
        source_orders(&self.band.solutions()[frequency], &self.array.elements()[element], highest)
    }

    /// Scaled orders -highest..=highest of a drive: the `A_n` of its incident field.
    pub(super) fn drive_orders(
        &self,
        frequency: usize,
        drive: &Drive,
        highest: usize,
    ) -> Result<Vec<Complex64>> {
        let elements = drive.elements().iter().zip(drive.factors(self.band.angular(frequency)));
        if let Some((angles, shared)) = self.shared_orders(frequency) {
            let elements = elements.map(|(&element, factor)| (angles[element], factor));
            return Ok(turned_orders(shared, elements, highest));
        }
        let mut sum = vec![Complex64::ZERO; 2 * highest + 1];
        for (&element, factor) in elements {
            add_scaled(&mut sum, &self.element_orders(frequency, element, highest)?, factor);
        }
        Ok(sum)
    }

    pub(super) fn nearest_m(&self) -> f64 {
        self.array.nearest_m()
    }

    /// Numbers of the elements that take part, rising.
    pub(super) fn elements_used<'d>(drives: impl IntoIterator<Item = &'d Drive>) -> Vec<usize> {
        let mut used: Vec<usize> =
            drives.into_iter().flat_map(|d| d.elements().iter().copied()).collect();
        used.sort_unstable();
        used.dedup();
        used
    }

    pub(super) fn check<'d>(&self, drives: impl IntoIterator<Item = &'d Drive>) -> Result<()> {
        let have = self.array.elements().len();
        for drive in drives {
            if let Some(&element) = drive.elements().iter().find(|&&element| element >= have) {
                return Err(WaveError::OutOfRange {
                    what: "the number of a driven element (counted from 0)",
                    value: element as f64,
                    unit: "",
                    expected: "below the number of elements of the array",
                });
            }
            for &delay in drive.delays_s() {
                check_growth(self.band.damping_1_s(), delay)?;
            }
        }
        Ok(())
    }
}
