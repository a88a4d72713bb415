//! One side of a beam from rays, through water and in contact.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::one_way::OneWay;
use crate::error::{Result, positive};
use crate::geometry::{Point, Surface};
use crate::media::{Mode, Solid};
use crate::ray::{
    Aperture, Attenuation, RayField, RayFlags, RayMedium, contact_field, field as ray_field,
};

/// An aperture in water before a round or flat face.
///
/// Paths and coefficients are those at one reference frequency; line-source spreading, directivity,
/// attenuation and phase follow every frequency.
#[derive(Debug, Clone)]
pub struct RayBeam<'a> {
    surface: Surface,
    medium: RayMedium,
    aperture: Aperture<'a>,
    band: Band,
}

/// An aperture in contact with the steel.
#[derive(Debug, Clone)]
pub struct ContactBeam<'a> {
    solid: Solid,
    attenuation: Attenuation,
    aperture: Aperture<'a>,
    band: Band,
}

#[derive(Debug, Clone)]
struct Band {
    frequencies_hz: Vec<f64>,
    reference_hz: f64,
}

impl Band {
    fn new(frequencies_hz: &[f64], reference_hz: f64) -> Result<Self> {
        positive("the reference frequency", reference_hz, "Hz")?;
        for &f in frequencies_hz {
            positive("a frequency of the beam", f, "Hz")?;
        }
        Ok(Self { frequencies_hz: frequencies_hz.to_vec(), reference_hz })
    }

    fn spectrum(&self, rays: &RayField, attenuation: &Attenuation, mode: Mode) -> Vec<Complex64> {
        let base = attenuation.np_m(mode, self.reference_hz);
        let each = |&f: &f64| -> Complex64 {
            let spread = (self.reference_hz / f).sqrt();
            let more = attenuation.np_m(mode, f) - base;
            let part = |a: &crate::ray::Arrival| {
                let x = PI * f * a.across_s;
                let width = if x.abs() < 1e-6 { 1.0 - x * x / 6.0 } else { x.sin() / x };
                let turn = Complex64::from_polar(1.0, TAU * (f * a.time_s).fract());
                a.amplitude * turn * (width * (-more * a.steel_m).exp())
            };
            rays.arrivals.iter().map(part).sum::<Complex64>() * spread
        };
        self.frequencies_hz.iter().map(each).collect()
    }
}

impl<'a> RayBeam<'a> {
    /// One side of a beam: the aperture with the delays of transmission or of reception.
    ///
    /// # Errors
    /// [`crate::WaveError::OutOfRange`] for a frequency that is not positive.
    pub fn new(
        surface: Surface,
        medium: RayMedium,
        aperture: Aperture<'a>,
        frequencies_hz: &[f64],
        reference_hz: f64,
    ) -> Result<Self> {
        Ok(Self { surface, medium, aperture, band: Band::new(frequencies_hz, reference_hz)? })
    }

    fn rays(&self, place: Point, mode: Mode) -> Result<RayField> {
        let f = self.band.reference_hz;
        ray_field(&self.surface, &self.medium, &self.aperture, mode, f, place)
    }
}

impl<'a> ContactBeam<'a> {
    /// As [`RayBeam::new`].
    ///
    /// # Errors
    /// As [`RayBeam::new`].
    pub fn new(
        solid: Solid,
        attenuation: Attenuation,
        aperture: Aperture<'a>,
        frequencies_hz: &[f64],
        reference_hz: f64,
    ) -> Result<Self> {
        Ok(Self { solid, attenuation, aperture, band: Band::new(frequencies_hz, reference_hz)? })
    }

    fn rays(&self, place: Point, mode: Mode) -> Result<RayField> {
        let f = self.band.reference_hz;
        contact_field(&self.solid, &self.attenuation, &self.aperture, mode, f, place)
    }
}

/// Mean direction of the arrivals, weighed with their amplitudes.
fn heading_rad(rays: &RayField, place: Point) -> f64 {
    let mean = rays.arrivals.iter().fold(Point::default(), |sum, a| {
        let leg = place - a.entry;
        let length = leg.radius();
        let weight = a.amplitude.norm() * a.directivity.abs();
        if length > 0.0 { sum + leg * (weight / length) } else { sum }
    });
    mean.angle()
}

impl OneWay for RayBeam<'_> {
    fn frequencies_hz(&self) -> &[f64] {
        &self.band.frequencies_hz
    }

    fn spectra(&self, places: &[Point], mode: Mode) -> Result<Vec<Vec<Complex64>>> {
        let at = |&place: &Point| {
            Ok(self.band.spectrum(&self.rays(place, mode)?, &self.medium.attenuation, mode))
        };
        places.iter().map(at).collect()
    }

    fn solid(&self) -> &Solid {
        &self.medium.solid
    }

    fn source_ratio(&self) -> f64 {
        self.medium.fluid.density_kg_m3 / self.medium.solid.density_kg_m3
    }

    fn heading_rad(&self, place: Point, mode: Mode) -> Result<f64> {
        Ok(heading_rad(&self.rays(place, mode)?, place))
    }

    fn flags(&self, place: Point, mode: Mode) -> Result<RayFlags> {
        Ok(self.rays(place, mode)?.flags)
    }
}

impl OneWay for ContactBeam<'_> {
    fn frequencies_hz(&self) -> &[f64] {
        &self.band.frequencies_hz
    }

    fn spectra(&self, places: &[Point], mode: Mode) -> Result<Vec<Vec<Complex64>>> {
        let at = |&place: &Point| {
            Ok(self.band.spectrum(&self.rays(place, mode)?, &self.attenuation, mode))
        };
        places.iter().map(at).collect()
    }

    fn solid(&self) -> &Solid {
        &self.solid
    }

    fn source_ratio(&self) -> f64 {
        1.0
    }

    fn heading_rad(&self, place: Point, mode: Mode) -> Result<f64> {
        Ok(heading_rad(&self.rays(place, mode)?, place))
    }

    fn flags(&self, place: Point, mode: Mode) -> Result<RayFlags> {
        Ok(self.rays(place, mode)?.flags)
    }
}
