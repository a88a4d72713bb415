//! What a series reads in control: centre and spread from a stated stretch of checks.
//!
//! The spread comes from moving ranges over d₂ = 1.128 (NIST/SEMATECH e-Handbook 6.3.2.2), which a slow
//! drift within the stretch widens little. Series of one kind (the probes of a ring, the beams of a ring)
//! share their spread, because ten checks alone tell it to a quarter only; one that is clearly wider than
//! the others keeps its own.

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, FisherSnedecor};
use std::f64::consts::PI;

/// Mean range of two normal values in standard deviations.
const D2: f64 = 1.128_379;
/// Chance with which a series as wide as the others would be taken for wider.
const WIDER: f64 = 0.01;

/// Centre and spread in control.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Standard {
    /// Mean over the stretch.
    pub centre: f64,
    /// Standard deviation of one value.
    pub sigma: f64,
    /// Degrees of freedom that stand behind it.
    pub degrees: f64,
    /// Values in the stretch.
    pub values: usize,
}

/// Mean and spread of a stretch by moving ranges; `None` under three values.
///
/// The degrees of freedom are those of a chi-squared variance with the same relative uncertainty
/// (Satterthwaite); ranges that share a value are correlated, which is in it.
#[must_use]
pub fn of_stretch(values: &[f64]) -> Option<Standard> {
    let n = values.len();
    if n < 3 {
        return None;
    }
    let ranges: f64 = values.windows(2).map(|w| (w[1] - w[0]).abs()).sum();
    let mean_range = ranges / (n - 1) as f64;
    // Variance of a range and covariance of two that share a value, for unit spread: |a-b| is a folded
    // normal of variance 2; the correlation of a-b and b-c is -1/2.
    let variance = 2.0 - 4.0 / PI;
    let covariance = 4.0 / PI * (0.75_f64.sqrt() + 0.5 * 0.5_f64.asin()) - 4.0 / PI;
    let m = (n - 1) as f64;
    let relative = (m * variance + 2.0 * (m - 1.0) * covariance) / (m * m) / (D2 * D2);
    Some(Standard {
        centre: values.iter().sum::<f64>() / n as f64,
        sigma: mean_range / D2,
        degrees: 1.0 / (2.0 * relative),
        values: n,
    })
}

/// Spreads of like series shared: every one takes the pooled spread, unless its own is clearly wider (a
/// chance of 1 %). No spread is taken as smaller than `least`.
pub fn share(standards: &mut [Option<Standard>], least: f64) {
    let all: Vec<Standard> = standards.iter().flatten().copied().collect();
    let degrees: f64 = all.iter().map(|s| s.degrees).sum();
    let pooled = (all.iter().map(|s| s.degrees * s.sigma.powi(2)).sum::<f64>() / degrees).sqrt();
    for s in standards.iter_mut().flatten() {
        let wider = FisherSnedecor::new(s.degrees, degrees)
            .is_ok_and(|f| (s.sigma / pooled).powi(2) > f.inverse_cdf(1.0 - WIDER));
        if !wider && pooled.is_finite() {
            (s.sigma, s.degrees) = (pooled, degrees);
        }
        s.sigma = s.sigma.max(least);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: published. NIST/SEMATECH e-Handbook 6.3.2.2, flow rates of ten batches (printed mean 50.81,
    // mean moving range 1.8778; from memory).
    #[test]
    fn centre_and_spread_are_those_of_the_handbook() {
        let rates = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
        let s = of_stretch(&rates).expect("ten values");
        assert!((s.centre - 50.81).abs() < 1e-9, "{s:?}");
        assert!((s.sigma - 1.8778 / 1.128).abs() < 1e-3, "{s:?}");
        // Nine ranges that overlap: about 0.6 of nine degrees (Cryer & Ryan 1990 give an efficiency
        // of 0.605).
        assert!((s.degrees / 9.0 - 0.61).abs() < 0.05, "{s:?}");
        assert_eq!(of_stretch(&rates[..2]), None);
    }

    // Truth: property. Like series share, a wide one stands alone, and rounding never makes a spread of
    // nought.
    #[test]
    fn like_series_share_their_spread() {
        let of = |sigma: f64| Some(Standard { centre: 0.0, sigma, degrees: 5.6, values: 10 });
        let mut all = [of(0.10), of(0.12), of(0.08), None, of(0.11), of(0.09), of(0.6)];
        share(&mut all, 0.02);
        let sigma = |i: usize| all[i].expect("a standard").sigma;
        assert!(sigma(0) == sigma(1) && sigma(6) == 0.6, "{all:?}");
        let mut same = [of(0.0), of(0.0)];
        share(&mut same, 0.02);
        assert_eq!(same[0].expect("a standard").sigma, 0.02);
    }
}
