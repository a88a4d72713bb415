//! What a series reads in control: centre and spread from a stated stretch of checks.
//!
//! The spread comes from the mean square of successive differences (von Neumann and others, Ann. Math. Stat.
//! 12 (1941) 153), which a slow drift within the stretch widens little, as it does the moving ranges of
//! NIST/SEMATECH e-Handbook 6.3.2.2. Those
//! hold for a normal shape only, this for any. Parts of one kind (the probes of a ring, the beams of a ring) share their spread, because ten
//! checks alone tell it to a quarter only; one that is clearly wider than the others keeps its own.

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

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

/// Mean and spread of a stretch by successive differences; `None` under three values.
///
/// The degrees of freedom are those of a chi-squared variance with the same relative uncertainty
/// (Satterthwaite): 2(n-1)²/(3n-4) for n normal values.
#[must_use]
pub fn of_stretch(values: &[f64]) -> Option<Standard> {
    let n = values.len();
    if n < 3 {
        return None;
    }
    let squares: f64 = values.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum();
    let m = (n - 1) as f64;
    Some(Standard {
        centre: values.iter().sum::<f64>() / n as f64,
        sigma: (squares / (2.0 * m)).sqrt(),
        degrees: 2.0 * m * m / (3.0 * n as f64 - 4.0),
        values: n,
    })
}

/// Spreads of like series shared: every one takes the pooled spread, unless its own is clearly wider (a
/// chance of 1 %). No spread is taken as smaller than `least`.
pub fn share(standards: &mut [Option<Standard>], least: f64) {
    let all: Vec<Standard> = standards.iter().flatten().copied().collect();
    // Each is held against the others, so that one of them is given by the rest.
    let free = if all.len() > 1 { (all.len() - 1) as f64 / all.len() as f64 } else { 1.0 };
    let degrees = free * all.iter().map(|s| s.degrees).sum::<f64>();
    let pooled =
        (free * all.iter().map(|s| s.degrees * s.sigma.powi(2)).sum::<f64>() / degrees).sqrt();
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

    // Truth: worked by hand, on the flow rates of NIST/SEMATECH e-Handbook 6.3.2.2 (from memory; printed
    // there: mean 50.81). Squares of the differences: 4 + 5.29 + 1.96 + 12.25 + 11.56 + 1.96 + 0.04
    // + 1.44 + 2.25 = 40.75.
    #[test]
    fn centre_and_spread_are_those_worked_by_hand() {
        let rates = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
        let s = of_stretch(&rates).expect("ten values");
        assert!((s.centre - 50.81).abs() < 1e-9, "{s:?}");
        assert!((s.sigma - (40.75_f64 / 18.0).sqrt()).abs() < 1e-9, "{s:?}");
        assert!((s.degrees - 162.0 / 26.0).abs() < 1e-9, "{s:?}");
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
