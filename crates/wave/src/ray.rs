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

mod arrivals;
mod bulk;
mod contact;
mod drive;
mod envelope;
mod map;
mod peak;
#[cfg(test)]
mod scene;
mod spectrum;
mod two_way;

pub use arrivals::Arrival;
pub use contact::{contact_field, contact_peak, contact_two_way};
pub use drive::{Aperture, Attenuation, RayMedium};
pub use map::{Counts, MAX_POINTS, RayMap, map};
pub use peak::{RayPeak, peak_envelope};
pub use two_way::{TwoWay, two_way};

use num_complex::Complex64;
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

use crate::error::Result;
use crate::geometry::Point;
use crate::media::Mode;
use crate::section::Faces;
use arrivals::Arrivals;

/// Where the ray answer is not to be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct RayFlags {
    /// The point lies within one wavelength of the surface (of an element, for an array in contact).
    pub near_surface: bool,
    /// A ray meets the surface within one degree of a critical incidence; those within 0.3 degree
    /// are left out of the sum unless there are no others.
    pub near_critical: bool,
    /// A shear wave arrives mostly by rays refracted above 52 degrees, less than four wavelengths below
    /// the surface: rays are 1 to 2 dB too low there in bars of all sizes, since a leaky surface wave
    /// carries part of the sound.
    pub steep: bool,
    /// Some elements have no ray to the point.
    pub shadow: bool,
    /// Spreading and attenuation bend the pulse's spectrum too far for the second-order expansion
    /// that peaks are taken from; errors above some percent are possible.
    pub bent_spectrum: bool,
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
/// direct way (no reflections inside). `section` is one surface or a whole section; elements of
/// weight 0 count as absent.
///
/// # Errors
/// [`crate::WaveError::Count`] for an aperture whose lists do not match or that drives no element;
/// [`crate::WaveError::OutOfRange`] for a point outside the steel, an element inside it or a number
/// that cannot be; [`crate::WaveError::NoPath`] when no element has a ray (all off the face, or the
/// point lies behind the elements).
pub fn field(
    section: &(impl Faces + ?Sized),
    medium: &RayMedium,
    aperture: &Aperture,
    mode: Mode,
    frequency_hz: f64,
    point: Point,
) -> Result<RayField> {
    let arrivals = Arrivals::through(section, medium, aperture, mode, frequency_hz, point)?;
    Ok(RayField::of(arrivals, frequency_hz))
}

impl RayField {
    fn of(arrivals: Arrivals, frequency_hz: f64) -> Self {
        let omega = 2.0 * PI * frequency_hz;
        let amplitude = arrivals
            .list
            .iter()
            .map(|a| a.amplitude * a.directivity * Complex64::from_polar(1.0, omega * a.time_s))
            .sum();
        Self { amplitude, flags: arrivals.flags, arrivals: arrivals.list }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::array::{Element, arc, flat};
    use crate::delay::focus;
    use crate::echo::shear_skip;
    use crate::error::WaveError;
    use crate::geometry::Surface;
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

    // No answer is better than a number that is none: every call, every bad number.
    #[test]
    fn bad_numbers_are_refused_by_every_call() {
        let elements = arc(0.055, FRAC_PI_2, 4, 6e-4, 5e-4, 1e-2);
        let good = Aperture { elements: &elements, delays_s: &[0.0; 4], weights: None };
        let pulse = crate::pulse::Pulse::new(5e6, 0.6).expect("a pulse");
        let refused = |medium: &RayMedium, aperture: &Aperture, frequency_hz: f64, place| {
            let pulse = crate::pulse::Pulse { centre_hz: frequency_hz, ..pulse };
            let receive = aperture.delays_s;
            let (solid, loss) = (&medium.solid, &medium.attenuation);
            let bar = bar(0.03);
            let answers = [
                field(&bar, medium, aperture, Mode::S, frequency_hz, place).err(),
                peak_envelope(&bar, medium, aperture, Mode::S, &pulse, place).err(),
                two_way(&bar, medium, aperture, receive, Mode::S, &pulse, place).err(),
                contact_field(solid, loss, aperture, Mode::S, frequency_hz, place).err(),
                contact_peak(solid, loss, aperture, Mode::S, &pulse, place).err(),
                contact_two_way(solid, loss, aperture, receive, Mode::S, &pulse, place).err(),
            ];
            answers.iter().filter(|e| matches!(e, Some(WaveError::OutOfRange { .. }))).count()
        };
        let place = Point::new(0.0, 0.01);
        assert_eq!(refused(&medium(), &good, 5e6, place), 0);
        for frequency in [0.0, -5e6, f64::NAN, f64::INFINITY] {
            assert_eq!(refused(&medium(), &good, frequency, place), 6, "{frequency}");
        }
        for place in [Point::new(f64::NAN, 0.0), Point::new(0.0, f64::NEG_INFINITY)] {
            assert_eq!(refused(&medium(), &good, 5e6, place), 6);
        }
        for c in [0.0, -3230.0, f64::NAN] {
            let mut bad = medium();
            bad.solid.shear_m_s = c;
            assert_eq!(refused(&bad, &good, 5e6, place), 6);
            let mut bad = medium();
            bad.attenuation.shear_np_m = if c == 0.0 { f64::INFINITY } else { c };
            assert_eq!(refused(&bad, &good, 5e6, place), 6);
        }
        let late = [0.0, f64::NAN, 0.0, 0.0];
        assert_eq!(refused(&medium(), &Aperture { delays_s: &late, ..good }, 5e6, place), 6);
        let weights = Some(late.as_slice());
        assert_eq!(refused(&medium(), &Aperture { weights, ..good }, 5e6, place), 6);
        let mut turned = elements.clone();
        turned[3].width_m = f64::NAN;
        assert_eq!(refused(&medium(), &Aperture { elements: &turned, ..good }, 5e6, place), 6);
    }
}
