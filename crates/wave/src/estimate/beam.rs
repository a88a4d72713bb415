//! The beam of a single, unfocused aperture, and of a focused one near its focus.

use std::f64::consts::PI;

use crate::error::{Result, WaveError, positive};

/// Form of an aperture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Aperture {
    /// A disc; its size is the diameter.
    Circular,
    /// A rectangle, looked at in the plane of one side; its size is that side.
    Rectangular,
}

/// Whether a drop is that of the sound field or of an echo.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// The field: transmission only.
    OneWay,
    /// The echo of a small reflector: transmission and reception by the same aperture.
    PulseEcho,
}

/// Wavelength in m.
///
/// # Errors
/// [`WaveError::OutOfRange`] for a number that is not finite and positive, as in all of this file.
pub fn wavelength_m(velocity_m_s: f64, frequency_hz: f64) -> Result<f64> {
    Ok(positive("the velocity", velocity_m_s, "m/s")?
        / positive("the frequency", frequency_hz, "Hz")?)
}

/// Near-field length in m: size²/(4λ) for a disc, and for a rectangle that of its longer side times
/// a factor that depends on the ratio of sides.
///
/// `aspect` is short over long side, from 0.1 to 1 (not used for a disc). Valid for sizes of several
/// wavelengths; the last maximum of a short pulse is flatter than the formula suggests. Source:
/// Krautkraemer (4th ed. 1990), ch. 4; the factors are positions of the last axial maximum of the
/// Rayleigh integral, interpolated between tenths.
///
/// # Errors
/// [`WaveError::OutOfRange`] for numbers out of these ranges.
pub fn near_field_m(shape: Aperture, size_m: f64, aspect: f64, wavelength_m: f64) -> Result<f64> {
    let size = positive("the size of the aperture", size_m, "m")?;
    let simple = size * size / (4.0 * positive("the wavelength", wavelength_m, "m")?);
    match shape {
        Aperture::Circular => Ok(simple),
        Aperture::Rectangular => Ok(simple * rectangle_factor(aspect)?),
    }
}

fn rectangle_factor(aspect: f64) -> Result<f64> {
    const TENTHS: [f64; 10] =
        [0.9875, 0.9882, 0.9909, 0.9982, 1.0136, 1.0413, 1.0860, 1.1527, 1.2456, 1.3674];
    if !(0.1..=1.0).contains(&aspect) {
        return Err(WaveError::OutOfRange {
            what: "the ratio of short to long side",
            value: aspect,
            unit: "",
            expected: "between 0.1 and 1",
        });
    }
    let place = (aspect * 10.0 - 1.0).clamp(0.0, 9.0);
    let below = (place as usize).min(8);
    let part = place - below as f64;
    Ok(TENTHS[below] * (1.0 - part) + TENTHS[below + 1] * part)
}

/// Depth in the steel in m at which the last maximum lies behind a water path: what the water leaves
/// of the near field, shortened by the ratio of velocities. Negative when it lies in the water.
///
/// Flat surface, normal incidence.
///
/// # Errors
/// [`WaveError::OutOfRange`] for numbers that are not finite and positive.
pub fn near_field_through_water_m(
    near_field_water_m: f64,
    water_path_m: f64,
    c_water_m_s: f64,
    c_steel_m_s: f64,
) -> Result<f64> {
    positive("the near field in water", near_field_water_m, "m")?;
    positive("the water path", water_path_m, "m")?;
    let ratio = positive("the velocity of the water", c_water_m_s, "m/s")?
        / positive("the velocity of the steel", c_steel_m_s, "m/s")?;
    Ok((near_field_water_m - water_path_m) * ratio)
}

/// The constant k of sin θ = k λ/size at which the far field has dropped by `drop_db` (positive).
///
/// From the directivities themselves, 2 J₁(x)/x for a disc and sin(x)/x for a rectangle with
/// x = π k, squared for an echo. About 0.514 and 0.442 for an echo at -6 dB.
///
/// # Errors
/// [`WaveError::OutOfRange`] for a drop that is not positive, or beyond 120 dB one way.
pub fn beam_constant(shape: Aperture, way: Way, drop_db: f64) -> Result<f64> {
    positive("the drop", drop_db, "dB")?;
    let one_way_db = if way == Way::PulseEcho { drop_db / 2.0 } else { drop_db };
    if one_way_db > 120.0 {
        return Err(WaveError::OutOfRange {
            what: "the drop",
            value: drop_db,
            unit: "dB",
            expected: "at most 120 dB each way",
        });
    }
    let level = 10f64.powf(-one_way_db / 20.0);
    let (directivity, null): (fn(f64) -> f64, f64) = match shape {
        Aperture::Circular => (|x| 2.0 * libm::j1(x) / x, 3.831_705_970_207_512),
        Aperture::Rectangular => (|x| x.sin() / x, PI),
    };
    let (mut inside, mut outside) = (1e-9, null);
    // The main lobe falls steadily: 60 halvings reach the last digit.
    for _ in 0..60 {
        let middle = 0.5 * (inside + outside);
        if directivity(middle) > level {
            inside = middle;
        } else {
            outside = middle;
        }
    }
    Ok(inside / PI)
}

/// Half angle of the beam in rad, from its axis to a drop of `drop_db`, in the far field.
///
/// Source: Krautkraemer (4th ed. 1990), ch. 4, with the constants of [`beam_constant`].
///
/// # Errors
/// [`WaveError::OutOfRange`] for numbers that are not positive or an aperture too small to have that
/// drop within 90 degrees.
pub fn beam_half_angle_rad(
    shape: Aperture,
    way: Way,
    drop_db: f64,
    size_m: f64,
    wavelength_m: f64,
) -> Result<f64> {
    let constant = beam_constant(shape, way, drop_db)?;
    let waves = positive("the size of the aperture", size_m, "m")?
        / positive("the wavelength", wavelength_m, "m")?;
    if constant > waves {
        return Err(WaveError::OutOfRange {
            what: "the size of the aperture",
            value: size_m,
            unit: "m",
            expected: "large enough for this drop within 90 degrees of the axis",
        });
    }
    Ok((constant / waves).asin())
}

/// Pressure on the axis of a disc over ρ c v of its face: 2 |sin(k/2 (√(z²+a²) - z))|, continuous
/// wave. Source: Krautkraemer (4th ed. 1990), ch. 4.
///
/// # Errors
/// [`WaveError::OutOfRange`] for numbers that are not finite and positive.
pub fn axis_pressure(diameter_m: f64, wavelength_m: f64, distance_m: f64) -> Result<f64> {
    let a = positive("the diameter", diameter_m, "m")? / 2.0;
    let z = positive("the distance", distance_m, "m")?;
    let k = 2.0 * PI / positive("the wavelength", wavelength_m, "m")?;
    Ok(2.0 * (k / 2.0 * (z.hypot(a) - z)).sin().abs())
}

/// Width in m of the focal spot of a focused aperture, echo at -6 dB: 2 k F λ/size.
///
/// Valid for focal lengths of two sizes or more, inside the near field.
///
/// # Errors
/// [`WaveError::OutOfRange`] for numbers that are not finite and positive.
pub fn focal_spot_m(
    shape: Aperture,
    size_m: f64,
    focal_length_m: f64,
    wavelength_m: f64,
) -> Result<f64> {
    let constant = beam_constant(shape, Way::PulseEcho, 6.0)?;
    let size = positive("the size of the aperture", size_m, "m")?;
    let focus = positive("the focal length", focal_length_m, "m")?;
    Ok(2.0 * constant * focus * positive("the wavelength", wavelength_m, "m")? / size)
}

/// Length in m of the focal zone, echo at -6 dB: N S² 2/(1 + S/2) with S = focal length / N.
///
/// A rule for spherically focused discs with S up to about 0.6.
///
/// # Errors
/// [`WaveError::OutOfRange`] for numbers that are not finite and positive.
pub fn focal_zone_m(near_field_m: f64, focal_length_m: f64) -> Result<f64> {
    let n = positive("the near field", near_field_m, "m")?;
    let s = positive("the focal length", focal_length_m, "m")? / n;
    Ok(n * s * s * 2.0 / (1.0 + 0.5 * s))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: published constants (0.514 and 0.44 read in print, the others closed form to the digits
    // shown). Tolerance: half a unit of the last digit.
    #[test]
    fn constants_of_the_trade() {
        for (shape, way, drop, constant) in [
            (Aperture::Circular, Way::PulseEcho, 6.0, 0.5137),
            (Aperture::Circular, Way::PulseEcho, 20.0, 0.8694),
            (Aperture::Circular, Way::OneWay, 6.0, 0.7040),
            (Aperture::Circular, Way::OneWay, 20.0, 1.0885),
            (Aperture::Rectangular, Way::PulseEcho, 6.0, 0.4422),
            (Aperture::Rectangular, Way::PulseEcho, 20.0, 0.7380),
            (Aperture::Rectangular, Way::OneWay, 6.0, 0.6025),
        ] {
            let got = beam_constant(shape, way, drop).expect("a constant");
            assert!((got - constant).abs() < 5.1e-5, "{shape:?} {way:?} {drop}: {got}");
        }
    }

    // Truth: closed forms (10 mm at 5 MHz in steel; 12.7 mm in water).
    #[test]
    fn beams_of_common_discs() {
        let steel = wavelength_m(5920.0, 5e6).expect("a wavelength");
        assert!((steel - 1.184e-3).abs() < 1e-9);
        let near =
            |size, wavelength| near_field_m(Aperture::Circular, size, 1.0, wavelength).expect("N");
        assert!((near(0.01, steel) - 21.115e-3).abs() < 1e-6);
        let water = wavelength_m(1482.38, 5e6).expect("a wavelength");
        assert!((near(0.0127, water) - 136.006e-3).abs() < 1e-6);
        let angle = beam_half_angle_rad(Aperture::Circular, Way::PulseEcho, 6.0, 0.01, steel);
        // 0.514 rounded in the table's angle.
        assert!((angle.expect("an angle").to_degrees() - 3.489).abs() < 3e-3);
        for (path, depth) in [(0.02, 29.048e-3), (0.05, 21.536e-3), (0.1, 9.016e-3)] {
            let got =
                near_field_through_water_m(near(0.0127, water), path, 1482.38, 5920.0).expect("m");
            assert!((got - depth).abs() < 1e-6, "{got}");
        }
        for (z, pressure) in [(0.02, 1.683518), (0.05, 1.794951), (0.2, 1.752385), (0.4, 1.018053)]
        {
            let got = axis_pressure(0.0127, 0.29648e-3, z).expect("a pressure");
            assert!((got - pressure).abs() < 2e-5, "{z}: {got}");
        }
        let spot = focal_spot_m(Aperture::Circular, 0.0127, 0.05, water).expect("a spot");
        // Published rule 1.02, exact constant 1.027.
        assert!((spot / 1.191e-3 - 1.0).abs() < 0.01, "{spot}");
        assert!((focal_zone_m(0.136006, 0.05).expect("a zone") - 31.05e-3).abs() < 1e-5);
    }

    // Truth: published factors of rectangles (two decimals in print).
    #[test]
    fn rectangles_reach_further_when_square() {
        for (aspect, factor) in [(1.0, 1.37), (0.8, 1.15), (0.5, 1.01), (0.3, 0.99), (0.65, 1.065)]
        {
            let got = near_field_m(Aperture::Rectangular, 2.0, aspect, 1.0).expect("N");
            assert!((got - factor).abs() < 6e-3, "{aspect} {got}");
        }
        assert!(near_field_m(Aperture::Rectangular, 2.0, 0.05, 1.0).is_err());
        assert!(beam_half_angle_rad(Aperture::Circular, Way::PulseEcho, 6.0, 1e-4, 1e-3).is_err());
    }
}
