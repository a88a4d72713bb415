//! One beam by both engines at the same places.

use std::f64::consts::TAU;

use barwright_wave::cylinder::{CylinderBand, Drive, LineArray, MapGrid, Passage};
use barwright_wave::pulse::Pulse;
use barwright_wave::ray::{self, Aperture, RayMedium};
use barwright_wave::{Fluid, Point, Result, Solid};
use num_complex::Complex64;
use rayon::prelude::*;

use super::cases::Case;

/// Line sources across an element: its directivity at 20 degrees is then met to 0.01 dB over the
/// whole band (5 would be 0.15 dB too high).
const STRIPS: usize = 21;
/// The spectrum is cut where it has fallen to 1.5e-3 of its peak.
const REACH: f64 = 3.6;
/// Points weaker than this against the strongest deep one are left out.
pub const FLOOR_DB: f64 = -30.0;

/// The pulse of all cases.
pub fn pulse() -> Result<Pulse> {
    Pulse::new(5e6, 0.6)
}

/// A place of the polar grid with the answers of both engines.
#[derive(Debug, Clone)]
pub struct Place {
    /// Index in the grid, ring by ring.
    pub index: usize,
    /// Depth below the surface in wavelengths of the beam's kind of wave.
    pub depth_wavelengths: f64,
    /// Exact peak envelope in dB over the strongest point deeper than two wavelengths.
    pub exact_db: f64,
    /// That of the rays; `None` where the ray engine has no ray.
    pub ray: Option<RayAnswer>,
}

/// What the ray engine says at a place.
#[derive(Debug, Clone)]
pub struct RayAnswer {
    /// Peak envelope in dB, same reference.
    pub level_db: f64,
    /// Names of the flags that the place carries.
    pub flags: Vec<String>,
}

/// Both fields of a case.
#[derive(Debug, Clone)]
pub struct Fields {
    /// Radii of the rings in metres, evenly spaced.
    pub radii_m: Vec<f64>,
    /// Number of angles of the full turn, the first along +x.
    pub angles: usize,
    /// Places above [`FLOOR_DB`].
    pub places: Vec<Place>,
}

/// A bar's solutions over the pulse's frequencies, for all its cases.
pub fn band(radius_m: f64, fluid: &Fluid, solid: &Solid) -> Result<CylinderBand> {
    let pulse = pulse()?;
    // One over the spread of arrivals at one place; a thick bar spreads more.
    let step = if radius_m > 0.04 { 1.0 / 40.96e-6 } else { 1.0 / 20.48e-6 };
    let reach = REACH * pulse.sigma_hz();
    let first = ((pulse.centre_hz - reach) / step).ceil().max(1.0) as usize;
    let last = ((pulse.centre_hz + reach) / step).floor() as usize;
    let frequencies: Vec<f64> = (first..=last).map(|k| k as f64 * step).collect();
    CylinderBand::new(radius_m, solid, fluid, &frequencies, 0.0, Passage::First)
}

/// Computes the case by both engines.
pub fn both(case: &Case, band: &CylinderBand, fluid: &Fluid, solid: &Solid) -> Result<Fields> {
    let (pulse, mode, radius_m) = (pulse()?, case.mode(), case.radius_m());
    let elements = case.array();
    let law = case.law(fluid, solid)?;
    let (radii_m, angles) = grid(radius_m);

    let lines = LineArray::new(&elements, STRIPS, case.centre, case.face_radius_m())?;
    let all: Vec<usize> = (0..elements.len()).collect();
    let drive = Drive::new(&all, &law.delays_s)?;
    let spectrum: Vec<Complex64> =
        band.frequencies_hz().iter().map(|&f| Complex64::from(pulse.spectrum(f))).collect();
    let around = MapGrid::full(radii_m.clone(), angles, spectrum.len());
    let exact = band.illuminate(&lines)?.map(&drive, mode, &around, &spectrum)?;

    let wavelength = solid.velocity_m_s(mode) / pulse.centre_hz;
    let depth = |index: usize| (radius_m - radii_m[index / angles]) / wavelength;
    let strongest = (0..exact.peak.len())
        .filter(|&i| depth(i) >= super::figures::DEPTH_WAVELENGTHS)
        .map(|i| exact.peak[i])
        .fold(0.0, f64::max);
    let level = |peak: f64| 20.0 * (peak / strongest).log10();
    let lit: Vec<usize> =
        (0..exact.peak.len()).filter(|&i| level(exact.peak[i]) >= FLOOR_DB).collect();
    let points: Vec<Point> = lit
        .iter()
        .map(|&i| case.centre + Point::polar(radii_m[i / angles], exact.angles_rad[i % angles]))
        .collect();
    let medium = RayMedium { fluid: *fluid, solid: *solid, attenuation: Default::default() };
    let aperture = Aperture { elements: &elements, delays_s: &law.delays_s, weights: None };
    let surface = case.surface();
    let rays: Vec<_> = points
        .par_iter()
        .map(|p| ray::peak_envelope(&surface, &medium, &aperture, mode, &pulse, *p))
        .collect();

    // The exact map integrates the spectrum; a pulse of unit peak has this integral.
    let unit = pulse.sigma_hz() * TAU.sqrt();
    let places = lit
        .into_iter()
        .zip(rays)
        .map(|(index, answer)| Place {
            index,
            depth_wavelengths: depth(index),
            exact_db: level(exact.peak[index]),
            ray: answer.ok().map(|peak| RayAnswer {
                level_db: level(peak.amplitude * unit),
                flags: names(&peak.flags),
            }),
        })
        .collect();
    Ok(Fields { radii_m, angles, places })
}

/// Rings and angles about half a millimetre apart at most, finer in thin bars.
fn grid(radius_m: f64) -> (Vec<f64>, usize) {
    let (rings, angles) = match radius_m {
        r if r < 0.02 => (60, 256),
        r if r < 0.05 => (75, 512),
        _ => (120, 1024),
    };
    ((0..rings).map(|i| radius_m * (f64::from(i) + 0.5) / f64::from(rings)).collect(), angles)
}

/// Names of the flags that are up, whatever flags the engine has.
fn names(flags: &ray::RayFlags) -> Vec<String> {
    match serde_json::to_value(flags) {
        Ok(serde_json::Value::Object(fields)) => {
            fields.into_iter().filter(|(_, up)| up == true).map(|(name, _)| name).collect()
        }
        _ => Vec::new(),
    }
}
