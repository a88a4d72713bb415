//! What both ways of computing a map need: the checked request and its factors.

use num_complex::Complex64;
use std::f64::consts::TAU;

use crate::error::{Result, WaveError};
use crate::geometry::Point;

use super::band::CylinderBand;
use super::limits;
use super::map::{FieldMap, MapGrid};
use super::synthesis::even_step_hz;

/// A map that can be computed.
pub(super) struct MapTask {
    pub frequencies: usize,
    /// First angle and number of angles wanted.
    pub first: usize,
    pub wanted: usize,
    /// Spectrum of the pulse times frequency step, turned to the start of the record.
    pub strengths: Vec<Complex64>,
    /// Neper by which a damped signal grows at its first sample and from one to the next.
    pub growth_np: Option<(f64, f64)>,
    angles: usize,
}

impl MapTask {
    pub fn new(band: &CylinderBand, grid: &MapGrid, spectrum: &[Complex64]) -> Result<Self> {
        let frequencies = band.frequencies_hz().len();
        let step_hz = even_step_hz(band.frequencies_hz())?;
        let needed = [
            ("values of the pulse's spectrum", spectrum.len(), frequencies, frequencies),
            ("rings of the map", grid.radii_m.len(), 1, usize::MAX),
            ("angles of the map", grid.angles, 1, usize::MAX),
            ("angles of the map's sector", grid.sector.1, 1, grid.angles),
            ("times of the map", grid.times, frequencies, usize::MAX),
        ];
        for (what, got, need, most) in needed {
            if got < need || got > most {
                return Err(WaveError::Count {
                    what,
                    got,
                    need: if got > most { most } else { need },
                });
            }
        }
        limits::check_map(grid, frequencies)?;
        for &radius in &grid.radii_m {
            limits::check_inside(radius, band.radius_m())?;
        }
        for value in spectrum {
            limits::check_size("a value of the pulse's spectrum", value.norm(), "")?;
        }
        limits::check_time("the start of the record", grid.start_s)?;
        let record_s = grid.start_s.abs() + 1.0 / step_hz;
        limits::check_growth(band.damping_1_s(), record_s)?;
        let strengths = band.frequencies_hz().iter().zip(spectrum).map(|(f, s)| {
            s * step_hz * Complex64::from_polar(1.0, -TAU * (f * grid.start_s).fract())
        });
        let damping = band.damping_1_s();
        let growth_np = (damping * grid.start_s, damping / (grid.times as f64 * step_hz));
        Ok(Self {
            frequencies,
            first: grid.sector.0 % grid.angles,
            wanted: grid.sector.1,
            strengths: strengths.collect(),
            growth_np: (damping > 0.0).then_some(growth_np),
            angles: grid.angles,
        })
    }

    /// Angles wanted before the full turn is reached; the others count from angle 0 again.
    pub fn until_turn(&self) -> usize {
        self.wanted.min(self.angles - self.first)
    }

    /// The map with its coordinates.
    pub fn finish(self, grid: &MapGrid, peak: Vec<f64>) -> FieldMap {
        let turn = |m: usize| TAU * (self.first + m) as f64 / self.angles as f64;
        FieldMap {
            radii_m: grid.radii_m.clone(),
            angles_rad: (0..self.wanted).map(|m| Point::polar(1.0, turn(m)).angle()).collect(),
            peak,
        }
    }
}
