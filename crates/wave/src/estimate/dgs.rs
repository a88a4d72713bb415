//! Distance, gain, size: echo heights of ideal reflectors in the far field.
//!
//! Laws for an unfocused disc and distances of about three near-field lengths or more; in the near
//! field, for focused beams and behind curved surfaces use the computed field. The published method
//! excludes immersion and arrays, so that its use there needs its own validation. Source:
//! Krautkraemer (4th ed. 1990), ch. 5 and appendix; ISO 16811 for the conversion of holes.

use std::f64::consts::PI;

use crate::error::{Result, positive};

fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Echo of a disc in dB relative to an ideal reflection at the probe: π² S²/D², S disc over probe
/// diameter, D distance over near-field length.
///
/// # Errors
/// [`crate::WaveError::OutOfRange`] for numbers that are not finite and positive, as in all of this
/// file.
pub fn disc_dgs_db(size: f64, distance: f64) -> Result<f64> {
    let s = positive("the relative size of the disc", size, "")?;
    Ok(db((PI * s / positive("the relative distance", distance, "")?).powi(2)))
}

/// Echo of a large flat wall in dB relative to an ideal reflection at the probe: π/(2 D).
///
/// # Errors
/// As [`disc_dgs_db`].
pub fn backwall_dgs_db(distance: f64) -> Result<f64> {
    Ok(db(PI / (2.0 * positive("the relative distance", distance, "")?)))
}

/// Echo of a disc in dB relative to a flat wall at the same path: π d²/(2 λ s). Independent of the
/// probe.
///
/// # Errors
/// As [`disc_dgs_db`].
pub fn disc_over_backwall_db(diameter_m: f64, wavelength_m: f64, path_m: f64) -> Result<f64> {
    let d = positive("the diameter of the disc", diameter_m, "m")?;
    let area =
        2.0 * positive("the wavelength", wavelength_m, "m")? * positive("the path", path_m, "m")?;
    Ok(db(PI * d * d / area))
}

/// Echo of a second disc in dB relative to a first: 40 log(d₂/d₁) + 40 log(s₁/s₂).
///
/// # Errors
/// As [`disc_dgs_db`].
pub fn disc_step_db(first: (f64, f64), second: (f64, f64)) -> Result<f64> {
    let (d1, s1) =
        (positive("the first diameter", first.0, "m")?, positive("the first path", first.1, "m")?);
    let (d2, s2) = (
        positive("the second diameter", second.0, "m")?,
        positive("the second path", second.1, "m")?,
    );
    Ok(40.0 * (d2 / d1).log10() + 40.0 * (s1 / s2).log10())
}

/// Diameter in m of the disc with the echo of a side-drilled hole at the same path:
/// d² = (λ/π) √(2 D s), D the hole's diameter.
///
/// Valid for holes of 1.5 wavelengths or more and paths of 0.7 near-field lengths or more; a hole
/// longer than the beam is wide.
///
/// # Errors
/// As [`disc_dgs_db`].
pub fn disc_equal_to_hole_m(hole_diameter_m: f64, wavelength_m: f64, path_m: f64) -> Result<f64> {
    let hole = positive("the diameter of the hole", hole_diameter_m, "m")?;
    let path = positive("the path", path_m, "m")?;
    let wavelength = positive("the wavelength", wavelength_m, "m")?;
    Ok((wavelength / PI * (2.0 * hole * path).sqrt()).sqrt())
}

/// Diameter in m of the side-drilled hole with the echo of a disc: inverse of
/// [`disc_equal_to_hole_m`], with its validity.
///
/// # Errors
/// As [`disc_dgs_db`].
pub fn hole_equal_to_disc_m(disc_diameter_m: f64, wavelength_m: f64, path_m: f64) -> Result<f64> {
    let disc = positive("the diameter of the disc", disc_diameter_m, "m")?;
    let path = positive("the path", path_m, "m")?;
    let wavelength = positive("the wavelength", wavelength_m, "m")?;
    Ok((PI * disc * disc / wavelength).powi(2) / (2.0 * path))
}

/// Height in percent of full screen after a change of gain in dB (negative lowers it).
#[must_use]
pub fn height_after_percent(height_percent: f64, change_db: f64) -> f64 {
    height_percent * 10f64.powf(change_db / 20.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed forms evaluated independently; half a unit of the last digit shown.
    #[test]
    fn far_field_diagram() {
        let near = |got: Result<f64>, want: f64| (got.expect("a number") - want).abs() < 5.1e-3;
        for (d, wall, tenth, half) in [
            (3.0, -5.62, -39.20, -11.24),
            (5.0, -10.06, -48.07, -20.11),
            (20.0, -22.10, -72.16, -44.20),
        ] {
            assert!(near(backwall_dgs_db(d), wall));
            assert!(near(disc_dgs_db(0.1, d), tenth));
            assert!(near(disc_dgs_db(0.5, d), half));
        }
        for (d, s, f, want) in [
            (2e-3, 0.1, 4e6, -27.44),
            (2e-3, 0.1, 5e6, -25.50),
            (3e-3, 0.2, 4e6, -26.42),
            (1.2e-3, 0.05, 5e6, -28.36),
        ] {
            assert!(near(disc_over_backwall_db(d, 5920.0 / f, s), want));
        }
        for (from, to, want) in [(2.0, 3.0, 7.04), (3.0, 5.0, 8.87), (5.0, 8.0, 8.16)] {
            assert!(near(disc_step_db((from, 1.0), (to, 1.0)), want));
        }
        assert!(near(disc_step_db((1.0, 0.1), (1.0, 0.2)), -12.04));
        // The two laws agree with their quotient: a disc over a wall, whatever the probe.
        let (probe, wavelength, path) = (0.01, 1.184e-3, 0.2);
        let n = probe * probe / (4.0 * wavelength);
        let two = disc_dgs_db(2e-3 / probe, path / n).expect("dB")
            - backwall_dgs_db(path / n).expect("dB");
        let one = disc_over_backwall_db(2e-3, wavelength, path).expect("dB");
        assert!((one - two).abs() < 1e-12);
    }

    #[test]
    fn holes_and_discs_convert_both_ways() {
        for (hole, path, f, disc) in
            [(3e-3, 0.05, 4e6, 2.857e-3), (3e-3, 0.1, 4e6, 3.397e-3), (2e-3, 0.1, 5e6, 2.745e-3)]
        {
            let wavelength = 5920.0 / f;
            let got = disc_equal_to_hole_m(hole, wavelength, path).expect("a disc");
            assert!((got - disc).abs() < 1e-6, "{got}");
            let back = hole_equal_to_disc_m(got, wavelength, path).expect("a hole");
            assert!((back - hole).abs() < 1e-15);
        }
        for (change, height) in [(-2.0, 63.55), (-6.0, 40.09), (-14.0, 15.96), (-20.0, 8.0)] {
            assert!((height_after_percent(80.0, change) - height).abs() < 5.1e-3);
        }
        assert!(disc_over_backwall_db(0.0, 1e-3, 0.1).is_err());
    }
}
