//! One side of a beam from the exact field of a round bar.

use num_complex::Complex64;

use super::one_way::OneWay;
use crate::cylinder::{Drive, Illumination};
use crate::error::Result;
use crate::geometry::Point;
use crate::media::{Fluid, Mode, Solid};

/// A drive of an array outside a round bar; places are relative to the bar's axis.
///
/// With [`crate::cylinder::Passage::First`] the reflector is met by what comes straight through the
/// surface; with the full field also by what the bar has reflected before (then directions of
/// arrival are means over all of it, and a crack would meet the mirrored wave twice).
#[derive(Debug)]
pub struct ExactBeam<'a> {
    illumination: &'a Illumination<'a>,
    drive: Drive,
    solid: Solid,
    ratio: f64,
}

impl<'a> ExactBeam<'a> {
    /// One side of a beam; the media are those that the band was computed for.
    #[must_use]
    pub fn new(
        illumination: &'a Illumination<'a>,
        drive: Drive,
        fluid: &Fluid,
        solid: &Solid,
    ) -> Self {
        let ratio = fluid.density_kg_m3 / solid.density_kg_m3;
        Self { illumination, drive, solid: *solid, ratio }
    }
}

impl OneWay for ExactBeam<'_> {
    fn frequencies_hz(&self) -> &[f64] {
        self.illumination.band().frequencies_hz()
    }

    fn spectra(&self, places: &[Point], mode: Mode) -> Result<Vec<Vec<Complex64>>> {
        let drives = std::slice::from_ref(&self.drive);
        let tables = self.illumination.fields_at(drives, places, mode)?;
        Ok(tables.iter().map(|table| table.row(0).to_vec()).collect())
    }

    fn solid(&self) -> &Solid {
        &self.solid
    }

    fn source_ratio(&self) -> f64 {
        self.ratio
    }

    fn damping_1_s(&self) -> f64 {
        self.illumination.band().damping_1_s()
    }
}
