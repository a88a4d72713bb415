//! Arrival times of pulse-echo rays of one element: normal incidence and the skips of a shear wave.

use crate::error::{Result, WaveError, positive};
use crate::geometry::{Point, Surface};
use crate::interface::refracted;
use crate::path::depth_m;

/// Times of the echoes of a beam at normal incidence, there and back.
#[derive(Debug, Clone, PartialEq)]
pub struct NormalTimes {
    /// Water path in m.
    pub water_m: f64,
    /// Surface echo, in s.
    pub front_s: f64,
    /// A reflector half-way through the section, in s.
    pub centre_s: f64,
    /// First, second, ... echo of the far wall, in s.
    pub backwall_s: Vec<f64>,
}

/// A shear ray and the places where it meets the surface from inside.
#[derive(Debug, Clone, PartialEq)]
pub struct ShearSkip {
    /// Incidence angle in the water in rad, with the sign of the refraction angle.
    pub incidence_rad: f64,
    /// Where the ray enters.
    pub entry: Point,
    /// Water path in m.
    pub water_m: f64,
    /// Way from one hit to the next, in m.
    pub leg_m: f64,
    /// First (half skip), second (full skip), ... hit of the surface from inside.
    pub hits: Vec<Point>,
    /// Echo time of each hit in s, there and back on the same path.
    pub times_s: Vec<f64>,
}

/// Echo times of an element whose beam meets the surface at normal incidence: through the centre of
/// a round bar, or square to a flat face of a section `side_m` thick (not used for a round bar).
///
/// # Errors
/// [`WaveError::OutOfRange`] for an element that does not stand in the water or a number that means
/// nothing.
pub fn normal_incidence_times(
    surface: &Surface,
    side_m: f64,
    element: Point,
    c_water_m_s: f64,
    c_longitudinal_m_s: f64,
    echoes: usize,
) -> Result<NormalTimes> {
    positive("the sound velocity of the water", c_water_m_s, "m/s")?;
    positive("the longitudinal velocity", c_longitudinal_m_s, "m/s")?;
    let through_m = match *surface {
        Surface::Round { radius_m, .. } => positive("the bar radius", radius_m, "m")? * 2.0,
        Surface::Flat { .. } => positive("the side of the section", side_m, "m")?,
    };
    let water_m = positive("the water path", -depth_m(surface, element), "m")?;
    let front_s = 2.0 * water_m / c_water_m_s;
    let round_trip = 2.0 * through_m / c_longitudinal_m_s;
    Ok(NormalTimes {
        water_m,
        front_s,
        centre_s: front_s + round_trip / 2.0,
        backwall_s: (1..=echoes).map(|n| front_s + n as f64 * round_trip).collect(),
    })
}

/// The shear ray of an element that refracts at `beta_rad` from the inward normal, and its hits.
///
/// The entry lies counter-clockwise of the element's foot for a positive angle on a round bar, and
/// towards `b` of a flat face. Flat faces count as unbounded, their opposite `side_m` away. In a
/// round bar every leg is a chord of length 2 a cos β.
///
/// # Errors
/// [`WaveError::OutOfRange`] for an angle outside ±π/2, one the element cannot reach on this bar, or
/// an element that does not stand in the water.
pub fn shear_skip(
    surface: &Surface,
    side_m: f64,
    element: Point,
    beta_rad: f64,
    c_water_m_s: f64,
    c_shear_m_s: f64,
    hits: usize,
) -> Result<ShearSkip> {
    positive("the sound velocity of the water", c_water_m_s, "m/s")?;
    positive("the shear velocity", c_shear_m_s, "m/s")?;
    let unreachable = || WaveError::OutOfRange {
        what: "the refraction angle",
        value: beta_rad,
        unit: "rad",
        expected: "within ±π/2 and within reach of Snell's law from this element",
    };
    if beta_rad.is_nan() || beta_rad.abs() >= std::f64::consts::FRAC_PI_2 {
        return Err(unreachable());
    }
    let alpha = refracted(c_shear_m_s, c_water_m_s, beta_rad).ok_or_else(unreachable)?;
    let height = positive("the water path", -depth_m(surface, element), "m")?;
    let (entry, water_m, leg_m, points) = match *surface {
        Surface::Round { centre, radius_m } => {
            let from = element - centre;
            // Triangle centre - entry - element: the ray passes the centre at a sin α.
            let sine = radius_m * alpha.sin() / (radius_m + height);
            let advance = alpha - sine.asin();
            let entry = from * (radius_m / from.radius());
            let entry = entry.rotated(advance);
            let turn = (std::f64::consts::PI - 2.0 * beta_rad.abs()).copysign(beta_rad);
            let points =
                (1..=hits).map(|n| centre + entry.rotated(n as f64 * turn)).collect::<Vec<_>>();
            (centre + entry, (from - entry).radius(), 2.0 * radius_m * beta_rad.cos(), points)
        }
        Surface::Flat { a, b } => {
            let side = positive("the side of the section", side_m, "m")?;
            let along = (b - a) * (1.0 / a.distance(b));
            let inward = Point::new(-along.y, along.x);
            let entry = element + inward * height + along * (height * alpha.tan());
            let points = (1..=hits)
                .map(|n| {
                    let depth = if n % 2 == 1 { side } else { 0.0 };
                    entry + along * (n as f64 * side * beta_rad.tan()) + inward * depth
                })
                .collect();
            (entry, height / alpha.cos(), side / beta_rad.cos(), points)
        }
    };
    let times_s = (1..=hits)
        .map(|n| 2.0 * (water_m / c_water_m_s + n as f64 * leg_m / c_shear_m_s))
        .collect();
    Ok(ShearSkip { incidence_rad: alpha, entry, water_m, leg_m, hits: points, times_s })
}
