//! What the spacing of elements and the steps of the delays cost.

use std::f64::consts::PI;

use crate::error::{Result, WaveError, positive};

/// A grating lobe of an array.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GratingLobe {
    /// Order, without zero (the main lobe).
    pub order: i32,
    /// Angle from the array's normal in rad, positive on the side of positive steering.
    pub angle_rad: f64,
}

/// Grating lobes of a flat array of a pitch steered to an angle (±π/2): sin θ = sin θ_s - m λ/pitch,
/// nearest to the main lobe's order first.
///
/// Continuous wave and a long array; short pulses and few elements weaken them. Source: Schmerr,
/// *Fundamentals of Ultrasonic Phased Arrays* (2015), ch. 4.
///
/// # Errors
/// [`WaveError::OutOfRange`] for a pitch or wavelength that is not positive, or steering beyond ±π/2.
pub fn grating_lobes(pitch_m: f64, wavelength_m: f64, steer_rad: f64) -> Result<Vec<GratingLobe>> {
    let ratio =
        positive("the wavelength", wavelength_m, "m")? / positive("the pitch", pitch_m, "m")?;
    let sine = steering(steer_rad)?.sin();
    let reach = (2.0 / ratio).floor() as i32;
    Ok((1..=reach)
        .flat_map(|m| [m, -m])
        .filter_map(|order| {
            let lobe = sine - f64::from(order) * ratio;
            (lobe.abs() <= 1.0).then(|| GratingLobe { order, angle_rad: lobe.asin() })
        })
        .collect())
}

/// Largest pitch in m without a grating lobe anywhere, for steering up to an angle: λ/(1 + sin θ).
///
/// # Errors
/// [`WaveError::OutOfRange`] as for [`grating_lobes`].
pub fn largest_lobe_free_pitch_m(wavelength_m: f64, steer_rad: f64) -> Result<f64> {
    let sine = steering(steer_rad)?.sin().abs();
    Ok(positive("the wavelength", wavelength_m, "m")? / (1.0 + sine))
}

fn steering(steer_rad: f64) -> Result<f64> {
    if steer_rad.abs() <= PI / 2.0 {
        return Ok(steer_rad);
    }
    Err(WaveError::OutOfRange {
        what: "the steering angle",
        value: steer_rad,
        unit: "rad",
        expected: "within ±π/2",
    })
}

/// What rounding delays to a step costs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoundingLoss {
    /// Largest phase error in rad.
    pub largest_rad: f64,
    /// Root mean square phase error in rad, rounding errors spread evenly.
    pub rms_rad: f64,
    /// Loss at the focus in dB (positive), relative to exact delays, many elements.
    pub loss_db: f64,
    /// Mean level of the random side lobes in dB relative to the focus (negative).
    pub side_lobes_db: f64,
}

/// Effect of a delay step on an aperture of some elements at a frequency.
///
/// A step is a resolution, not an accuracy: jitter adds. Valid while errors are random over the
/// aperture; laws that repeat the same error periodically concentrate it in single lobes. Source:
/// uniform quantisation errors; Gray, IEEE J. Oceanic Eng. (1985) for the periodic case.
///
/// # Errors
/// [`WaveError::OutOfRange`] for numbers that are not positive or a step of a period or more.
pub fn delay_rounding(step_s: f64, frequency_hz: f64, elements: usize) -> Result<RoundingLoss> {
    let periods =
        positive("the delay step", step_s, "s")? * positive("the frequency", frequency_hz, "Hz")?;
    if elements == 0 {
        return Err(WaveError::Count { what: "elements of the aperture", got: 0, need: 1 });
    }
    if periods >= 1.0 {
        return Err(WaveError::OutOfRange {
            what: "the delay step",
            value: step_s,
            unit: "s",
            expected: "shorter than a period",
        });
    }
    let rms_rad = 2.0 * PI * periods / 12f64.sqrt();
    let x = PI * periods;
    Ok(RoundingLoss {
        largest_rad: x,
        rms_rad,
        loss_db: -20.0 * (x.sin() / x).log10(),
        side_lobes_db: 10.0 * (rms_rad * rms_rad / elements as f64).log10(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed form, evaluated independently (degrees to one decimal; half a unit).
    #[test]
    fn first_lobes_of_common_arrays() {
        let water = 0.296476e-3;
        let first = |pitch: f64, wavelength, steer: f64| {
            grating_lobes(pitch, wavelength, steer.to_radians())
                .expect("lobes")
                .first()
                .map(|lobe| lobe.angle_rad.to_degrees())
        };
        for (pitch, steer, angle) in [
            (0.5e-3, 0.0, -36.4),
            (0.5e-3, 10.0, -24.8),
            (0.5e-3, 30.0, -5.3),
            (0.6e-3, 20.0, -8.7),
            (1.0e-3, 30.0, 11.7),
        ] {
            let got = first(pitch, water, steer).expect("a lobe");
            assert!((got - angle).abs() < 0.051, "{pitch} {steer}: {got}");
        }
        assert_eq!(first(0.75e-3, 1.184e-3, 30.0), None);
        let one = first(1e-3, 1.184e-3, 20.0).expect("a lobe");
        assert!((one + 57.3).abs() < 0.051);
        let pitch = largest_lobe_free_pitch_m(water, 20f64.to_radians()).expect("a pitch");
        assert!((pitch - 0.2209e-3).abs() < 5e-8);
        // At that pitch the lobe only just appears.
        assert!(grating_lobes(pitch * 0.999, water, 20f64.to_radians()).expect("lobes").is_empty());
        assert!(
            !grating_lobes(pitch * 1.001, water, 20f64.to_radians()).expect("lobes").is_empty()
        );
    }

    // Truth: closed form, evaluated independently to the digits shown.
    #[test]
    fn rounding_costs_little() {
        for (f, q, largest, rms, loss) in [
            (5e6, 5e-9, 4.5, 2.598, 0.0089),
            (5e6, 20e-9, 18.0, 10.39, 0.143),
            (10e6, 10e-9, 18.0, 10.392, 0.1434),
        ] {
            let got = delay_rounding(q, f, 16).expect("a loss");
            assert!((got.largest_rad.to_degrees() - largest).abs() < 1e-9);
            assert!((got.rms_rad.to_degrees() - rms).abs() < 6e-3);
            assert!((got.loss_db - loss).abs() < 6e-4);
        }
        let lobes = |n| delay_rounding(5e-9, 5e6, n).expect("a loss").side_lobes_db;
        assert!((lobes(16) + 38.9).abs() < 0.051 && (lobes(64) + 44.9).abs() < 0.051);
        assert!(delay_rounding(2e-7, 5e6, 16).is_err());
        assert!(matches!(delay_rounding(5e-9, 5e6, 0), Err(WaveError::Count { .. })));
    }
}
