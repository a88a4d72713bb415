//! False calls: what is heard or called where there is no flaw (MIL-HDBK-1823A, appendix G).

use barwright_job::pod::Noise;
use statrs::distribution::{Beta, ContinuousCDF as _, FisherSnedecor};

use super::normal::below;

/// How often a place without a flaw is called, from calls: `calls` of `places`. The rate is the median of what the calls
/// leave possible, its upper bound their 95 % quantile: Beta(calls + 1, places - calls), as table G-I of the handbook.
/// None where there are no places, or as many calls as places.
#[must_use]
pub fn false_calls(calls: u32, places: u32) -> Option<Noise> {
    let sound = places.checked_sub(calls).filter(|n| *n > 0)?;
    let left = Beta::new(f64::from(calls) + 1.0, f64::from(sound)).ok()?;
    Some(Noise {
        places,
        false_calls: Some(calls),
        heights: None,
        rate: left.inverse_cdf(0.5),
        rate_upper_95: Some(left.inverse_cdf(0.95)),
    })
}

/// How often noise reaches a decision threshold, from heights without a flaw, taken as a normal curve (mean, and
/// standard deviation of all: over n). None for fewer than two heights or heights that are all alike.
#[must_use]
pub fn noise_heights(heights: &[f64], decision: f64) -> Option<Noise> {
    let n = heights.len() as f64;
    let mean = heights.iter().sum::<f64>() / n;
    let deviation = (heights.iter().map(|h| (h - mean).powi(2)).sum::<f64>() / n).sqrt();
    let fits = heights.len() > 1 && deviation > 0.0 && mean.is_finite();
    fits.then(|| Noise {
        places: u32::try_from(heights.len()).unwrap_or(u32::MAX),
        false_calls: None,
        heights: Some([mean, deviation]),
        rate: below((mean - decision) / deviation),
        rate_upper_95: None,
    })
}

/// Quantile of the F distribution.
pub(super) fn f_quantile(p: f64, over: usize, under: usize) -> Option<f64> {
    FisherSnedecor::new(over as f64, under as f64).ok().map(|f| f.inverse_cdf(p))
}
