//! The normal curve where its tails are small.

use std::f64::consts::PI;

use statrs::{
    distribution::{ContinuousCDF as _, Normal},
    function::erf::erfc,
};

/// Logarithm of the normal density.
pub fn ln_density(z: f64) -> f64 {
    -0.5 * z * z - 0.5 * (2.0 * PI).ln()
}

/// Share of the normal curve below `z`.
pub fn below(z: f64) -> f64 {
    0.5 * erfc(-z / std::f64::consts::SQRT_2)
}

/// Logarithm of that share. Below -30 by its asymptotic series (Abramowitz and Stegun 26.2.12, three terms), whose
/// next term is under 1e-7 there.
pub fn ln_below(z: f64) -> f64 {
    if z > -30.0 {
        return below(z).ln();
    }
    let q = 1.0 / (z * z);
    ln_density(z) - (-z).ln() + (1.0 - q + 3.0 * q * q - 15.0 * q * q * q).ln()
}

/// Density over share below: how fast that logarithm grows.
pub fn hazard_below(z: f64) -> f64 {
    (ln_density(z) - ln_below(z)).exp()
}

/// Quantile of the normal curve.
pub fn quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Closed form: both branches agree where they meet; the hazard is the slope of the logarithm.
    #[test]
    fn tails_are_continuous() {
        let series = |z: f64| {
            let q = 1.0 / (z * z);
            ln_density(z) - (-z).ln() + (1.0 - q + 3.0 * q * q - 15.0 * q * q * q).ln()
        };
        // The next term of the series, 105/z^8, is 1.6e-10 at -30.
        assert!((series(-30.0) - below(-30.0).ln()).abs() < 1e-9);
        for z in [-40.0, -31.0, -5.0, 0.0, 3.0] {
            let h = 1e-4;
            let slope = (ln_below(z + h) - ln_below(z - h)) / (2.0 * h);
            // Central difference: h² times a third of a derivative of order one, and rounding of 40² ulp over h.
            assert!((hazard_below(z) - slope).abs() < 1e-6 * (1.0 + z.abs()), "{z}");
        }
        assert!((quantile(0.9) - 1.281_551_565_5).abs() < 1e-9);
    }
}
