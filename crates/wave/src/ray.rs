//! The ray engine: the field of an aperture through a round or flat face, from least-time paths.
//!
//! Every element is a line source of pressure (i/4) H₀(k|x-x₀|) spread over its width. Its ray
//! carries the plane-wave transmission coefficient, the spreading of its tube, the element's
//! directivity and attenuation. Source: Schmerr, *Fundamentals of Ultrasonic Phased Arrays* (2015),
//! ch. 4 and 5.
//!
//! Right within 0.1 dB or so for L deeper than two wavelengths, and within some tenths of a decibel
//! for S, but 1 to 4 dB off along rays refracted near the longitudinal critical incidence and
//! useless close under the surface at steep shear angles, where a leaky surface wave carries the
//! sound. [`RayFlags`] names these places; the answer there is still given, never smoothed.

mod contact;
mod drive;
mod envelope;
mod two_way;

pub use contact::{contact_field, contact_peak, contact_two_way};
pub use drive::{Aperture, Attenuation, RayMedium};
pub use envelope::{RayPeak, map, peak_envelope};
pub use two_way::{TwoWay, two_way};

use num_complex::Complex64;
use serde::{Deserialize, Serialize};
use std::f64::consts::{FRAC_PI_4, PI};

use crate::array::Element;
use crate::error::{Result, WaveError, positive};
use crate::geometry::{Point, Surface};
use crate::interface::{CriticalAngles, critical_angles, plane_wave};
use crate::media::Mode;
use crate::path::{Path, depth_m, least_time};

/// Rays this close to a critical incidence are left out: their transmission changes within a
/// fraction of an element. Against the exact field of round bars this errs by 0.48 dB (root mean
/// square at places with such rays), keeping them by 0.58 dB.
const DROPPED_RAD: f64 = 0.3 * PI / 180.0;
/// Rays this close to a critical incidence are named by [`RayFlags::near_critical`].
const FLAGGED_RAD: f64 = PI / 180.0;

/// Where the ray answer is not to be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct RayFlags {
    /// The point lies within one wavelength of the surface (of an element, for an array in contact).
    pub near_surface: bool,
    /// A ray meets the surface within one degree of a critical incidence; those within 0.3 degree
    /// are left out of the sum unless there are no others.
    pub near_critical: bool,
    /// Some elements have no ray to the point.
    pub shadow: bool,
}

/// What one element contributes at a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arrival {
    /// Number of the element in its aperture.
    pub element: usize,
    /// Arrival time in s, its delay included.
    pub time_s: f64,
    /// `P_L` or `P_S` at the frequency of the computation for a narrow element, with attenuation and
    /// weight, without the phase of the arrival time.
    pub amplitude: Complex64,
    /// What the element's width makes of it at that frequency: a factor of -0.22 to 1.
    pub directivity: f64,
    /// Incidence angle in rad, signed as in [`Path`]; from the element's facing for an array in
    /// contact.
    pub incidence_rad: f64,
    /// Difference in arrival time between the edges of the element, in s.
    pub across_s: f64,
    /// Where the ray enters the steel; the element itself for an array in contact.
    pub entry: Point,
    /// Way in the water, in m; 0 for an array in contact.
    pub water_m: f64,
    /// Way in the steel, in m.
    pub steel_m: f64,
}

/// The field at a point, at one frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct RayField {
    /// `P_L` or `P_S`; the sign of `P_S` refers to z out of the section plane.
    pub amplitude: Complex64,
    /// The contributions, in order of the elements that have one.
    pub arrivals: Vec<Arrival>,
    /// Where the answer is not to be trusted.
    pub flags: RayFlags,
}

/// Field of an aperture at a point of the steel, at one frequency, for one kind of wave on its
/// direct way (no reflections inside).
///
/// # Errors
/// [`WaveError::Count`] for an aperture whose lists do not match; [`WaveError::OutOfRange`] for a
/// point outside the steel or an element inside it; [`WaveError::NoPath`] when no element has a ray
/// (all off the face, or the point lies behind the elements).
pub fn field(
    surface: &Surface,
    medium: &RayMedium,
    aperture: &Aperture,
    mode: Mode,
    frequency_hz: f64,
    point: Point,
) -> Result<RayField> {
    let (arrivals, flags) = arrivals(surface, medium, aperture, mode, frequency_hz, point)?;
    Ok(RayField { amplitude: sum(&arrivals, frequency_hz), arrivals, flags })
}

fn sum(arrivals: &[Arrival], frequency_hz: f64) -> Complex64 {
    let omega = 2.0 * PI * frequency_hz;
    arrivals
        .iter()
        .map(|a| a.amplitude * a.directivity * Complex64::from_polar(1.0, omega * a.time_s))
        .sum()
}

/// The arrivals of [`field`] with their flags; at least one.
fn arrivals(
    surface: &Surface,
    medium: &RayMedium,
    aperture: &Aperture,
    mode: Mode,
    frequency_hz: f64,
    point: Point,
) -> Result<(Vec<Arrival>, RayFlags)> {
    aperture.check()?;
    positive("the frequency", frequency_hz, "Hz")?;
    let (c_water, c_steel) = (medium.fluid.velocity_m_s, medium.solid.velocity_m_s(mode));
    let critical = critical_angles(&medium.fluid, &medium.solid);
    let mut flags = RayFlags {
        near_surface: depth_m(surface, point) < c_steel / frequency_hz,
        ..RayFlags::default()
    };
    let alpha = medium.attenuation.np_m(mode, frequency_hz);
    let mut arrivals = Vec::with_capacity(aperture.elements.len());
    for (i, element) in aperture.elements.iter().enumerate() {
        let path = match least_time(surface, element.centre, point, c_water, c_steel) {
            Ok(path) => path,
            Err(WaveError::NoPath { .. }) => {
                flags.shadow = true;
                continue;
            }
            Err(other) => return Err(other),
        };
        let Some(sine) = off_facing(element, path.entry) else {
            flags.shadow = true;
            continue;
        };
        let distance = from_critical(&critical, mode, path.angle_in_rad);
        flags.near_critical |= distance < FLAGGED_RAD;
        let across_s = element.width_m * sine / c_water;
        let scale = aperture.weight(i) * (-alpha * path.steel_m).exp();
        arrivals.push(Arrival {
            element: i,
            time_s: path.time_s + aperture.delays_s[i],
            amplitude: tube(surface, medium, mode, frequency_hz, &path)? * scale,
            directivity: sinc(PI * frequency_hz * across_s),
            incidence_rad: path.angle_in_rad,
            across_s,
            entry: path.entry,
            water_m: path.water_m,
            steel_m: path.steel_m,
        });
    }
    let usable = |a: &Arrival| from_critical(&critical, mode, a.incidence_rad) >= DROPPED_RAD;
    if arrivals.iter().any(usable) {
        arrivals.retain(usable);
    }
    if arrivals.is_empty() {
        let from = aperture.elements[0].centre;
        return Err(WaveError::NoPath {
            from_x_m: from.x,
            from_y_m: from.y,
            to_x_m: point.x,
            to_y_m: point.y,
        });
    }
    Ok((arrivals, flags))
}

/// Amplitude of one line source's ray without its travel phase: source, transmission, spreading.
fn tube(
    surface: &Surface,
    medium: &RayMedium,
    mode: Mode,
    frequency_hz: f64,
    path: &Path,
) -> Result<Complex64> {
    let (c1, c2) = (medium.fluid.velocity_m_s, medium.solid.velocity_m_s(mode));
    let wave = plane_wave(&medium.fluid, &medium.solid, path.angle_in_rad.abs())?;
    let (curvature, counter_clockwise) = match *surface {
        Surface::Round { radius_m, .. } => (1.0 / radius_m, path.angle_in_rad > 0.0),
        // Seen around the bar, towards `a` is clockwise.
        Surface::Flat { .. } => (0.0, path.angle_in_rad < 0.0),
    };
    let transmitted = match mode {
        Mode::L => wave.transmitted_l,
        // The interface's own z axis points out of the section for counter-clockwise travel.
        Mode::S if counter_clockwise => wave.transmitted_s,
        Mode::S => -wave.transmitted_s,
    };
    let (cos1, cos2) = (path.angle_in_rad.cos(), path.angle_out_rad.cos());
    let widening =
        ((c2 * cos1) / (c1 * cos2) * (cos1 / path.water_m + curvature) - curvature) / cos2;
    // Positive for steel faster than water on a convex or flat face: no caustic.
    let spread = 1.0 + path.steel_m * widening;
    let k = 2.0 * PI * frequency_hz / c1;
    Ok(line_source(k, path.water_m) * transmitted / spread.abs().sqrt())
}

/// Far field of (i/4) H₀(kr), without exp(ikr).
fn line_source(k: f64, r: f64) -> Complex64 {
    Complex64::from_polar(0.25 * (2.0 / (PI * k * r)).sqrt(), FRAC_PI_4)
}

/// Sine of the angle between the element's normal and the direction to a place in front of it;
/// `None` for a place behind.
fn off_facing(element: &Element, place: Point) -> Option<f64> {
    let ray = place - element.centre;
    let facing = Point::polar(1.0, element.facing_rad);
    let ahead = facing.x * ray.x + facing.y * ray.y;
    (ahead > 0.0).then(|| (facing.x * ray.y - facing.y * ray.x) / ray.radius())
}

fn from_critical(critical: &CriticalAngles, mode: Mode, incidence_rad: f64) -> f64 {
    let shear = if mode == Mode::S { critical.shear_rad } else { None };
    [critical.longitudinal_rad, shear]
        .into_iter()
        .flatten()
        .map(|angle| (incidence_rad.abs() - angle).abs())
        .fold(f64::INFINITY, f64::min)
}

fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-6 { 1.0 - x * x / 6.0 } else { x.sin() / x }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::array::{arc, flat};
    use crate::delay::focus;
    use crate::echo::shear_skip;
    use crate::media::{Fluid, Solid};
    use std::f64::consts::FRAC_PI_2;

    fn medium() -> RayMedium {
        RayMedium {
            fluid: Fluid::new(1480.0, 1000.0).expect("water"),
            solid: Solid::new(5900.0, 3230.0, 7800.0).expect("steel"),
            attenuation: Attenuation::default(),
        }
    }

    fn bar(radius_m: f64) -> Surface {
        Surface::Round { centre: Point::default(), radius_m }
    }

    // Truth: property. Rotating bar and probe together changes nothing; a mirror keeps P_L and turns
    // the sign of P_S (its z axis is mirrored).
    #[test]
    fn rotation_and_mirror() {
        let elements = arc(0.055, FRAC_PI_2, 16, 6e-4, 5e-4, 1e-2);
        let delays: Vec<f64> = (0..16).map(|i| f64::from(i) * 2e-8).collect();
        let point = Point::new(-0.012, 0.014);
        let at = |elements: &[Element], delays: &[f64], mode, point| {
            let aperture = Aperture { elements, delays_s: delays, weights: None };
            field(&bar(0.03), &medium(), &aperture, mode, 5e6, point).expect("a field").amplitude
        };
        let turned = arc(0.055, FRAC_PI_2 + 1.1, 16, 6e-4, 5e-4, 1e-2);
        let mirrored: Vec<f64> = delays.iter().rev().copied().collect();
        for (mode, sign) in [(Mode::L, 1.0), (Mode::S, -1.0)] {
            let value = at(&elements, &delays, mode, point);
            let rotated = at(&turned, &delays, mode, point.rotated(1.1));
            // Rounding of travel times against the phase: 1e-20 s · 3e7/s, summed.
            assert!((rotated - value).norm() < 1e-9 * value.norm());
            let mirror = at(&elements, &mirrored, mode, Point::new(-point.x, point.y));
            assert!((mirror * sign - value).norm() < 1e-9 * value.norm(), "{mode:?}");
        }
    }

    // Truth: property. A very large bar is a flat face. 1e-4: curvature 1/1000 m over 50 mm.
    #[test]
    fn a_huge_bar_is_a_flat_face() {
        let radius = 1000.0;
        let huge = Surface::Round { centre: Point::new(0.0, -radius), radius_m: radius };
        let face = Surface::Flat { a: Point::new(0.2, 0.0), b: Point::new(-0.2, 0.0) };
        let elements = flat(Point::new(0.0, 0.02), -FRAC_PI_2, 1, 6e-4, 5e-4, 1e-2);
        let aperture = Aperture { elements: &elements, delays_s: &[0.0], weights: None };
        for (mode, x) in [(Mode::L, 0.01), (Mode::S, 0.03), (Mode::S, -0.03)] {
            let at = |surface| {
                let point = Point::new(x, -0.025);
                let one = field(surface, &medium(), &aperture, mode, 5e6, point).expect("a field");
                one.arrivals[0].amplitude
            };
            let (round, flat) = (at(&huge), at(&face));
            assert!((round - flat).norm() < 1e-3 * flat.norm(), "{mode:?} {round} {flat}");
        }
    }

    // Truth: closed form. Along the axis of a flat face: impedances and cylindrical spreading over
    // the equivalent way; attenuation multiplies.
    #[test]
    fn straight_down_a_flat_face() {
        let face = Surface::Flat { a: Point::new(0.2, 0.0), b: Point::new(-0.2, 0.0) };
        let elements = flat(Point::new(0.0, 0.02), -FRAC_PI_2, 1, 6e-4, 5e-4, 1e-2);
        let aperture = Aperture { elements: &elements, delays_s: &[0.0], weights: Some(&[0.5]) };
        let mut lossy = medium();
        lossy.attenuation.longitudinal_np_m = 3.0;
        let got =
            field(&face, &lossy, &aperture, Mode::L, 5e6, Point::new(0.0, -0.04)).expect("a field");
        let (z1, z2) = (1.48e6, 7800.0 * 5900.0);
        let path = 0.02 + 0.04 * 5900.0 / 1480.0;
        let k = 2.0 * PI * 5e6 / 1480.0;
        let exact =
            0.5 * 0.25 * (2.0 / (PI * k * path)).sqrt() * 2.0 * z2 / (z1 + z2) * (-0.12f64).exp();
        assert!((got.amplitude.norm() / exact - 1.0).abs() < 1e-12);
    }

    // Truth: property of a focus: all arrivals coincide, so the peak is the sum of the moduli.
    #[test]
    fn a_focus_adds_all_elements() {
        let elements = arc(0.055, FRAC_PI_2, 32, 6e-4, 5e-4, 1e-2);
        let target = Point::new(0.0, 0.01);
        let law = focus(&bar(0.03), &elements, target, 1480.0, 5900.0, None).expect("a law");
        let aperture = Aperture { elements: &elements, delays_s: &law.delays_s, weights: None };
        let pulse = crate::pulse::Pulse::new(5e6, 0.1).expect("a pulse");
        let one = field(&bar(0.03), &medium(), &aperture, Mode::L, 5e6, target).expect("a field");
        let sum: f64 = one.arrivals.iter().map(|a| a.amplitude.norm() * a.directivity).sum();
        // A narrow band, so that neither 1/√f nor directivity changes over it: 2e-3.
        let peak = peak_envelope(&bar(0.03), &medium(), &aperture, Mode::L, &pulse, target)
            .expect("a peak");
        assert!((one.amplitude.norm() / sum - 1.0).abs() < 1e-9);
        assert!((peak.amplitude / sum - 1.0).abs() < 2e-3, "{} {sum}", peak.amplitude);
        assert!((peak.time_s - one.arrivals[0].time_s).abs() < 1e-9);
        assert_eq!(peak.flags, RayFlags::default());
    }

    #[test]
    fn places_not_to_be_trusted_are_flagged() {
        let elements = arc(0.055, FRAC_PI_2, 16, 6e-4, 5e-4, 1e-2);
        let delays = [0.0; 16];
        let aperture = Aperture { elements: &elements, delays_s: &delays, weights: None };
        let at = |mode, point| field(&bar(0.03), &medium(), &aperture, mode, 5e6, point);
        assert!(at(Mode::L, Point::new(0.0, 0.0299)).expect("a field").flags.near_surface);
        assert!(!at(Mode::L, Point::new(0.0, 0.01)).expect("a field").flags.near_critical);
        // A shear ray refracted at 33 degrees left its entry at the longitudinal critical incidence.
        let critical = (3230.0_f64 / 5900.0).asin();
        let ray = shear_skip(&bar(0.03), 0.0, elements[8].centre, critical, 1480.0, 3230.0, 1);
        let ray = ray.expect("a skip");
        let along = |part: f64| ray.entry + (ray.hits[0] - ray.entry) * part;
        let skew = at(Mode::S, along(0.1)).expect("a field");
        assert!(skew.flags.near_critical);
        assert!(skew.arrivals.len() < 16, "rays at the critical incidence are left out");
        let all = at(Mode::S, along(0.5)).expect("a field");
        assert!(all.flags.near_critical && all.arrivals.len() == 16, "unless there are no others");
        assert!(matches!(at(Mode::L, Point::new(0.0, 0.031)), Err(WaveError::OutOfRange { .. })));
        let short = Aperture { delays_s: &delays[..3], ..aperture };
        let refused = field(&bar(0.03), &medium(), &short, Mode::L, 5e6, Point::default());
        assert!(matches!(refused, Err(WaveError::Count { got: 3, need: 16, .. })));
        // A face that only some rays cross leaves the others in the shadow.
        let face = Surface::Flat { a: Point::new(0.0, 0.03), b: Point::new(-0.03, 0.03) };
        let part = field(&face, &medium(), &aperture, Mode::L, 5e6, Point::new(0.0, 0.01))
            .expect("a field");
        assert!(part.flags.shadow && part.arrivals.len() < 16);
    }
}
