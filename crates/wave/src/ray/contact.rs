//! Arrays in contact with the steel: no water, no refraction.

use super::arrivals::Arrivals;
use super::{Aperture, Attenuation, RayField, RayPeak, TwoWay};
use crate::error::Result;
use crate::geometry::Point;
use crate::media::{Mode, Solid};
use crate::pulse::Pulse;

/// Field at a point of the steel of an array that touches it, at one frequency.
///
/// Every element is a line source (i/4) H₀(kr) in the steel with the directivity of its width. The
/// radiation pattern of a source on a free surface (weaker L at steep angles, shear waves mostly
/// aside) is not contained: amplitudes compare elements and places near the array's normal, times
/// hold everywhere.
///
/// # Errors
/// [`crate::WaveError::Count`] for lists that do not match or no driven element;
/// [`crate::WaveError::OutOfRange`] for a number that cannot be; [`crate::WaveError::NoPath`] when the
/// point lies behind all elements.
pub fn contact_field(
    solid: &Solid,
    attenuation: &Attenuation,
    aperture: &Aperture,
    mode: Mode,
    frequency_hz: f64,
    point: Point,
) -> Result<RayField> {
    let arrivals = Arrivals::contact(solid, attenuation, aperture, mode, frequency_hz, point)?;
    Ok(RayField::of(arrivals, frequency_hz))
}

/// Peak of the envelope of [`contact_field`] for a pulse.
///
/// # Errors
/// Those of [`contact_field`].
pub fn contact_peak(
    solid: &Solid,
    attenuation: &Attenuation,
    aperture: &Aperture,
    mode: Mode,
    pulse: &Pulse,
    point: Point,
) -> Result<RayPeak> {
    let arrivals = Arrivals::contact(solid, attenuation, aperture, mode, pulse.centre_hz, point)?;
    RayPeak::of(&arrivals, pulse)
}

/// Transmit field times receive field of [`contact_field`] over the band of a pulse; the aperture's
/// delays are those of transmission.
///
/// # Errors
/// Those of [`contact_field`]; [`crate::WaveError::Count`] for receive delays that do not match.
pub fn contact_two_way(
    solid: &Solid,
    attenuation: &Attenuation,
    aperture: &Aperture,
    receive_s: &[f64],
    mode: Mode,
    pulse: &Pulse,
    point: Point,
) -> Result<TwoWay> {
    let arrivals = Arrivals::contact(solid, attenuation, aperture, mode, pulse.centre_hz, point)?;
    TwoWay::of(&arrivals, aperture, receive_s, pulse, point)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::array::flat;
    use crate::delay::contact_focus;
    use crate::error::WaveError;
    use num_complex::Complex64;
    use std::f64::consts::{FRAC_PI_2, PI};

    // Truth: closed form, H0 from library Bessel functions. 1/(8kr) is the first neglected term.
    #[test]
    fn a_narrow_element_is_a_line_source() {
        let solid = Solid::new(5900.0, 3230.0, 7800.0).expect("steel");
        let elements = flat(Point::default(), FRAC_PI_2, 1, 6e-4, 1e-9, 1e-2);
        let aperture = Aperture { elements: &elements, delays_s: &[0.0], weights: None };
        let point = Point::new(0.01, 0.04);
        let got = contact_field(&solid, &Attenuation::default(), &aperture, Mode::L, 5e6, point)
            .expect("a field");
        let x = 2.0 * PI * 5e6 / 5900.0 * point.radius();
        let exact = Complex64::new(libm::j0(x), libm::y0(x)) * Complex64::new(0.0, 0.25);
        assert!((got.amplitude / exact - 1.0).norm() < 1.0 / (7.0 * x));
    }

    // Truth: property of a focus, and the place behind the array is refused.
    #[test]
    fn a_contact_focus_adds_all_elements() {
        let solid = Solid::new(5900.0, 3230.0, 7800.0).expect("steel");
        let elements = flat(Point::default(), FRAC_PI_2, 32, 6e-4, 5e-4, 1e-2);
        let target = Point::new(0.005, 0.03);
        let law = contact_focus(&elements, target, 5900.0, None).expect("a law");
        let aperture = Aperture { elements: &elements, delays_s: &law.delays_s, weights: None };
        let none = Attenuation::default();
        let one = contact_field(&solid, &none, &aperture, Mode::L, 5e6, target).expect("a field");
        let moduli: f64 = one.arrivals.iter().map(|a| a.amplitude.norm() * a.directivity).sum();
        assert!((one.amplitude.norm() / moduli - 1.0).abs() < 1e-9);
        let pulse = Pulse::new(5e6, 0.6).expect("a pulse");
        let at = |p| contact_peak(&solid, &none, &aperture, Mode::L, &pulse, p);
        let (here, aside) =
            (at(target).expect("a peak"), at(Point::new(0.011, 0.03)).expect("a peak"));
        assert!(here.amplitude > 2.0 * aside.amplitude);
        assert!(matches!(at(Point::new(0.0, -0.01)), Err(WaveError::NoPath { .. })));
    }
}
