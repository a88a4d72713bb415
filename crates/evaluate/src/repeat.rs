//! How well heights repeat from pass to pass.

use barwright_job::check::{ReflectorCheck, Repeatability};
use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::reading::db;

/// Confidence of the upper bound.
const CONFIDENCE: f64 = 0.95;
/// Two readings differ by more than this many standard deviations once in twenty (ISO 5725-6).
const TWO_READINGS: f64 = 2.8;

/// Repeatability from the heights of all reflectors: their variances in dB, pooled over the passes; `None`
/// where no reflector was seen twice.
///
/// The bound is that of the chi-squared distribution for normal scatter; a scatter of nought stays nought.
pub(crate) fn repeatability(reflectors: &[ReflectorCheck]) -> Option<Repeatability> {
    let (mut squares, mut degrees) = (0.0, 0_u32);
    for r in reflectors {
        let heights: Vec<f64> = r.heights_fsh.iter().flatten().map(|h| db(*h)).collect();
        let mean = heights.iter().sum::<f64>() / heights.len().max(1) as f64;
        squares += heights.iter().map(|h| (h - mean).powi(2)).sum::<f64>();
        degrees += (heights.len() as u32).saturating_sub(1);
    }
    let freedom = f64::from(degrees);
    let low = ChiSquared::new(freedom).ok()?.inverse_cdf(1.0 - CONFIDENCE);
    let deviation_db = (squares / freedom).sqrt();
    Some(Repeatability {
        deviation_db,
        upper_db: (squares / low).sqrt(),
        two_passes_db: TWO_READINGS * deviation_db,
        degrees,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(heights_db: &[Option<f64>]) -> ReflectorCheck {
        ReflectorCheck {
            name: "H1".into(),
            found: heights_db.iter().flatten().count() as u32,
            heights_fsh: heights_db.iter().map(|h| h.map(|h| 10f64.powf(h / 20.0))).collect(),
            beams: Vec::new(),
            unsteady: Vec::new(),
            spread_db: 0.0,
            place_error_m: 0.0,
            signal_to_noise_db: 0.0,
        }
    }

    // Truth: by hand, and a published table (chi-squared with 5 degrees of freedom, 5 % point 1.145).
    // Squares about the means: 0.02 with two degrees, 0.08 with three.
    #[test]
    fn scatter_is_pooled_and_bounded() {
        let all = [
            seen(&[Some(-2.0), Some(-2.1), Some(-1.9)]),
            seen(&[Some(0.0), Some(0.2), Some(-0.2), Some(0.0), None]),
            seen(&[Some(-1.0), None]),
        ];
        let r = repeatability(&all).expect("heights repeat");
        assert_eq!(r.degrees, 5);
        assert!((r.deviation_db - (0.1_f64 / 5.0).sqrt()).abs() < 1e-12);
        // The table has four digits.
        assert!((r.upper_db - (0.1_f64 / 1.145).sqrt()).abs() < 1e-3, "{r:?}");
        assert!((r.two_passes_db / r.deviation_db - 2.8).abs() < 1e-12);
        assert_eq!(repeatability(&[seen(&[Some(1.0)]), seen(&[None, None])]), None);
    }
}
