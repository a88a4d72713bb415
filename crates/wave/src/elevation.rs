//! Along the bar: what the finite length and the curvature of an element do to the field of the
//! section plane.
//!
//! The field of a strip (an element seen along the bar) relative to the same strip without end is
//! given three ways:
//! 1. [`Strip::factor`]: one frequency, closed form by Fresnel integrals, paraxial. Fast: for plans
//!    and virtual stations.
//! 2. [`AxialPaths`]: one frequency, the strip summed over true three-dimensional least-time paths
//!    through the round or flat surface. Plain: it tells where the first is good enough.
//! 3. [`two_way_peak`] and [`axial_width_m`]: the whole spectrum of a pulse, there and back.
//!
//! Source: Schmerr, *Fundamentals of Ultrasonic Phased Arrays* (2015), ch. 2 (Fresnel form of the
//! line source; chapter from memory).

mod paths;
mod profile;
mod strip;

pub use paths::AxialPaths;
pub use profile::{axial_width_m, two_way_peak};
pub use strip::{Spread, Strip};

/// Way in water that spreads a beam along the bar as much as a way in water followed by one in
/// steel, in m. Exact for axially paraxial rays at any incidence in the section.
#[must_use]
pub fn equivalent_path_m(water_m: f64, steel_m: f64, c_water_m_s: f64, c_steel_m_s: f64) -> f64 {
    water_m + steel_m * c_steel_m_s / c_water_m_s
}
