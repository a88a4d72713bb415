//! Sound velocity and density of pure water at atmospheric pressure.

use crate::error::{Result, WaveError};
use crate::media::Fluid;

/// Velocity coefficients in rising powers of the temperature in °C, in m/s.
///
/// Marczak, J. Acoust. Soc. Am. 102 (1997) 2776, temperature scale ITS-90. Copies with
/// -5.779136e-2 as the quadratic term circulate; they are 0.08 m/s too high at 20 °C.
const MARCZAK: [f64; 6] =
    [1.402_385e3, 5.038_813, -5.799_136e-2, 3.287_156e-4, -1.398_845e-6, 2.787_860e-9];

/// Kell's numerator coefficients in rising powers of the temperature in °C, in kg/m³.
const KELL: [f64; 6] =
    [999.839_52, 16.945_176, -7.987_040_1e-3, -46.170_461e-6, 105.563_02e-9, -280.542_53e-12];
const KELL_DENOMINATOR: f64 = 16.879_85e-3;

/// Sound velocity in m/s, from 0 to 95 °C.
///
/// Source: Marczak 1997; within 0.05 m/s of the other modern polynomials over its range.
///
/// # Errors
/// [`WaveError::OutOfRange`] outside 0..=95 °C.
pub fn sound_velocity_m_s(temperature_c: f64) -> Result<f64> {
    Ok(polynomial(&MARCZAK, in_range(temperature_c)?))
}

/// Density in kg/m³, from 0 to 95 °C.
///
/// Source: Kell, J. Chem. Eng. Data 20 (1975) 97.
///
/// # Errors
/// [`WaveError::OutOfRange`] outside 0..=95 °C (the range shared with the velocity).
pub fn density_kg_m3(temperature_c: f64) -> Result<f64> {
    let t = in_range(temperature_c)?;
    Ok(polynomial(&KELL, t) / (1.0 + KELL_DENOMINATOR * t))
}

/// Water at a temperature in °C, from 0 to 95.
///
/// # Errors
/// [`WaveError::OutOfRange`] outside 0..=95 °C.
pub fn water(temperature_c: f64) -> Result<Fluid> {
    Fluid::new(sound_velocity_m_s(temperature_c)?, density_kg_m3(temperature_c)?)
}

fn in_range(temperature_c: f64) -> Result<f64> {
    if (0.0..=95.0).contains(&temperature_c) {
        Ok(temperature_c)
    } else {
        Err(WaveError::OutOfRange {
            what: "the water temperature",
            value: temperature_c,
            unit: "°C",
            expected: "between 0 and 95",
        })
    }
}

fn polynomial(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: published values (Kell 1975 evaluated to the digits of the printed tables; the
    // maximum of the Marczak polynomial in closed form).
    #[test]
    fn density_and_velocity_meet_published_values() {
        for (t, rho) in [(4.0, 999.9720), (20.0, 998.2041), (25.0, 997.0449)] {
            let got = density_kg_m3(t).expect("in range");
            // Half a unit of the last printed digit.
            assert!((got - rho).abs() < 5.1e-5, "{t} °C: {got}");
        }
        // 1482.38 m/s at 20 °C separates the right quadratic term from the misprinted one.
        assert!((sound_velocity_m_s(20.0).expect("in range") - 1482.38).abs() < 0.005);
        let top = sound_velocity_m_s(74.17).expect("in range");
        assert!((top - 1555.1402).abs() < 1e-4);
        assert!(sound_velocity_m_s(73.0).expect("in range") < top);
        assert!(sound_velocity_m_s(75.5).expect("in range") < top);
    }

    #[test]
    fn temperatures_without_liquid_water_are_refused() {
        for t in [-0.1, 95.1, f64::NAN, f64::INFINITY] {
            assert!(matches!(water(t), Err(WaveError::OutOfRange { .. })), "{t}");
        }
    }
}
