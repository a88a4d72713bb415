//! Along the bar: what the finite length of an element does to the field of the section plane.
//!
//! The field of a strip of length L relative to the same strip without end, by Fresnel integrals in
//! the paraxial approximation: the point lies within about 20 degrees of the strip's axial middle
//! (|z| < 0.35 · path), and the path is longer than L. Refraction into the steel is replaced by an
//! equivalent way in water, [`equivalent_path_m`], exact for axially paraxial rays at near-normal
//! incidence. Source: Schmerr, *Fundamentals of Ultrasonic Phased Arrays* (2015), ch. 2 (Fresnel
//! form of the line source).

use num_complex::Complex64;

use crate::error::{Result, positive};
use crate::fresnel;

/// Way in water that spreads a beam along the bar as much as a way in water followed by one in
/// steel, in m.
#[must_use]
pub fn equivalent_path_m(water_m: f64, steel_m: f64, c_water_m_s: f64, c_steel_m_s: f64) -> f64 {
    water_m + steel_m * c_steel_m_s / c_water_m_s
}

/// Field at axial distance `z_m` from the middle of a strip of length `length_m`, relative to an
/// infinitely long one; `wavelength_m` in water.
///
/// Tends to one for a long strip on its axis. Expects positive lengths; a strip of length zero
/// radiates nothing.
#[must_use]
pub fn factor(length_m: f64, z_m: f64, equivalent_path_m: f64, wavelength_m: f64) -> Complex64 {
    let scale = (2.0 / (wavelength_m * equivalent_path_m)).sqrt();
    let upper = fresnel::integral(scale * (length_m / 2.0 - z_m));
    let lower = fresnel::integral(scale * (-length_m / 2.0 - z_m));
    (upper - lower) * long_strip()
}

/// Mean of [`factor`] over the strip itself at twice the path: the echo of a large plane wall,
/// relative to the echo of the same wall in two dimensions.
#[must_use]
pub fn mirror_factor(length_m: f64, equivalent_path_m: f64, wavelength_m: f64) -> Complex64 {
    if length_m == 0.0 {
        return Complex64::ZERO;
    }
    let reach = (2.0 / (wavelength_m * 2.0 * equivalent_path_m)).sqrt() * length_m;
    fresnel::primitive(reach) * (2.0 / reach) * long_strip()
}

/// Axial width in m over which the pulse-echo response, |[`factor`]|², stays within `drop_db`
/// (positive) of its value on the axis.
///
/// The first crossing counts: ripples of the near field that pass the threshold again further out
/// do not widen the beam, so that pulse spacings derived from it err to the safe side.
///
/// # Errors
/// [`crate::WaveError::OutOfRange`] for a length, path, wavelength or drop that is not finite and
/// positive.
pub fn axial_width_m(
    length_m: f64,
    equivalent_path_m: f64,
    wavelength_m: f64,
    drop_db: f64,
) -> Result<f64> {
    positive("the element's length", length_m, "m")?;
    positive("the path", equivalent_path_m, "m")?;
    positive("the wavelength", wavelength_m, "m")?;
    positive("the drop", drop_db, "dB")?;
    let level = |z: f64| factor(length_m, z, equivalent_path_m, wavelength_m).norm_sqr();
    let threshold = level(0.0) * 10f64.powf(-drop_db / 20.0);
    // Finer than the Fresnel ripple and than the far-field lobe.
    let step = (wavelength_m * equivalent_path_m).sqrt().min(length_m) / 64.0;
    // Two half lengths and many lobes away the field has fallen by more than any useful drop.
    let far = 2.0 * length_m + 64.0 * wavelength_m * equivalent_path_m / length_m;
    let (mut inner, mut outer) = (0.0, step);
    while level(outer) >= threshold && outer < far {
        inner = outer;
        outer += step;
    }
    for _ in 0..60 {
        let middle = 0.5 * (inner + outer);
        if level(middle) >= threshold {
            inner = middle;
        } else {
            outer = middle;
        }
    }
    Ok(inner + outer)
}

/// Inverse of the integral over an infinitely long strip: exp(-iπ/4)/√2.
fn long_strip() -> Complex64 {
    Complex64::new(0.5, -0.5)
}

#[cfg(test)]
mod tests {
    use super::*;

    const WAVELENGTH: f64 = 2.964e-4;

    // Truth: closed form, the limits of an infinitely long strip and of its edge.
    #[test]
    fn long_strips_have_factor_one_and_half_at_the_edge() {
        // Remaining ripple 1/(π u) at u = L/2 · √(2/λs), two edges.
        let near_one = factor(2.0, 0.0, 0.05, WAVELENGTH);
        assert!((near_one - 1.0).norm() < 2.0 / (3.1 * 367.0));
        assert!((factor(2.0, 1.0, 0.05, WAVELENGTH) - 0.5).norm() < 1e-3);
        assert!((mirror_factor(2.0, 0.05, WAVELENGTH) - 1.0).norm() < 4e-3);
    }

    // Truth: independent computation (strips summed along z with true 3-D distances).
    #[test]
    fn factor_meets_a_sum_over_point_sources() {
        let (length, path) = (0.012_f64, 0.08_f64);
        let k = 2.0 * std::f64::consts::PI / WAVELENGTH;
        for z in [0.0, 0.002, 0.006, 0.01] {
            let n = 4000;
            let sum: Complex64 = (0..n)
                .map(|i| {
                    let offset = length * ((f64::from(i) + 0.5) / f64::from(n) - 0.5);
                    let r = path.hypot(z - offset);
                    Complex64::from_polar(1.0 / (4.0 * std::f64::consts::PI * r), k * r)
                })
                .sum::<Complex64>()
                * (length / f64::from(n));
            // Line source without end, far field of (i/4) H_0.
            let line = Complex64::from_polar(
                0.25 * (2.0 / (std::f64::consts::PI * k * path)).sqrt(),
                k * path + std::f64::consts::FRAC_PI_4,
            );
            let got = factor(length, z, path, WAVELENGTH);
            // Paraxial error: quartic phase k z⁴/(8 s³) below 0.1 rad and amplitude z²/2s² below 2 %.
            assert!((got - sum / line).norm() < 0.05, "{z}: {got} {}", sum / line);
            assert!((got.norm() - (sum / line).norm()).abs() < 0.02);
        }
    }

    // Truth: closed form. In the far field the strip is a sinc: pulse-echo -6 dB at 0.4422 λ/L.
    #[test]
    fn far_field_width_is_that_of_a_sinc() {
        let (length, path) = (0.01, 4.0);
        let drop = 20.0 * 2f64.log10();
        let width = axial_width_m(length, path, WAVELENGTH, drop).expect("a width");
        let sinc = 2.0 * 0.4422 * WAVELENGTH / length * path;
        // 1e-3: the constant has four digits, the far field is 12 near-field lengths away.
        assert!((width / sinc - 1.0).abs() < 5e-3, "{width} {sinc}");
    }

    // Truth: numerical mean of the factor over the receiving strip.
    #[test]
    fn mirror_factor_is_a_mean() {
        let (length, path) = (0.012, 0.09);
        let n = 2000;
        let mean: Complex64 = (0..n)
            .map(|i| {
                let z = length * ((f64::from(i) + 0.5) / f64::from(n) - 0.5);
                factor(length, z, 2.0 * path, WAVELENGTH)
            })
            .sum::<Complex64>()
            / f64::from(n);
        // Midpoint rule over 2000 strips.
        assert!((mean - mirror_factor(length, path, WAVELENGTH)).norm() < 1e-5);
    }

    #[test]
    fn a_longer_strip_is_wider_near_and_narrower_far() {
        let width = |l, s| axial_width_m(l, s, WAVELENGTH, 6.0).expect("a width");
        assert!(width(0.012, 0.03) > width(0.006, 0.03));
        assert!(width(0.012, 3.0) < width(0.006, 3.0));
        assert!(axial_width_m(0.0, 0.1, WAVELENGTH, 6.0).is_err());
    }
}
