//! How likely a flaw is found, by its size: the two models of MIL-HDBK-1823A (2009).
//!
//! [`signal_response`] fits heights of signals against size, with heights that stand for all below or above
//! them; [`hit_miss`] fits found or missed. Both give the curve, a50, a90 and a90/95 with the bound named, and say
//! what the data do not support. Several inspections of one flaw add no information on flaws: as the
//! handbook's examples have it, the covariance is multiplied, the likelihood divided, by their mean number.

mod assumptions;
mod curve;
mod hits;
mod noise;
mod normal;
mod signal;

pub use hits::hit_miss;
pub use noise::{false_calls, noise_heights};
pub use signal::{SignalScale, signal_response};

use barwright_job::{
    Finding, Topic,
    pod::{Scale, Trial},
};

/// Standard errors of a one-sided 95 % bound.
const Z_95: f64 = 1.644_853_626_951_472_7;
/// Twice the fall of the likelihood's logarithm at the bound (chi-square, one degree of freedom, 95 %).
const CHI_SQUARE_95: f64 = 3.841_458_820_694_124;

/// Why no curve can be fitted.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum PodError {
    /// A size or signal that is no number, or a size that the scale has no place for.
    #[error(
        "trial {trial}: the size is {size} and the signal {response}; both must be numbers, sizes above nought"
    )]
    Number {
        /// Which trial, from 1.
        trial: usize,
        /// Its size.
        size: f64,
        /// Its signal.
        response: f64,
    },
    /// Too few flaws of different sizes.
    #[error("{found} flaws of different sizes were tried; a curve needs at least {wanted}")]
    TooFew {
        /// Different sizes.
        found: usize,
        /// Needed.
        wanted: usize,
    },
    /// Everything was found, or everything missed.
    #[error("all {trials} trials were {what}: the data do not say where detection begins or ends")]
    OneSided {
        /// How many.
        trials: usize,
        /// `found` or `missed`.
        what: &'static str,
    },
    /// Hits and misses do not overlap in size.
    #[error(
        "hits and misses do not overlap: the largest miss has {largest_miss}, the smallest hit {smallest_hit}; every curve between them fits \
         alike, and no bound exists"
    )]
    Separable {
        /// Largest size that was missed.
        largest_miss: f64,
        /// Smallest size that was found.
        smallest_hit: f64,
    },
    /// Detection does not grow with size.
    #[error(
        "detection does not grow with size (slope {slope:.4}): size is not what decides, or its scale is wrong"
    )]
    NoGrowth {
        /// Slope found.
        slope: f64,
    },
    /// All signals are lost in noise or clipped.
    #[error("of {trials} signals {known} stand for themselves; a line needs at least {wanted}")]
    AllCensored {
        /// Signals.
        trials: usize,
        /// Of them neither lost in noise nor clipped.
        known: usize,
        /// Needed.
        wanted: usize,
    },
    /// The search for the best curve does not end.
    #[error("no best curve was found after {steps} steps")]
    NoEnd {
        /// Steps made.
        steps: usize,
    },
}

impl PodError {
    /// The cure in words.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Number { .. } => {
                "mend or leave out that line; sizes on a logarithmic scale must be above nought"
            }
            Self::TooFew { .. } => {
                "add flaws: 60 or more for hit/miss, 40 or more for signals, evenly over the sizes (MIL-HDBK-1823A)"
            }
            Self::OneSided { .. } => {
                "add flaws smaller or larger than these, so that some are found and some missed"
            }
            Self::Separable { .. } => {
                "add flaws of sizes between the two, or use the heights of signals"
            }
            Self::NoGrowth { .. } => "look at the data; try the other scale of sizes",
            Self::AllCensored { .. } => "record at another gain, or use hit/miss",
            Self::NoEnd { .. } => "look at the data for outliers; try the other scale of sizes",
        }
    }
}

/// Sizes that can be used on a scale, and enough of them.
fn demand(trials: &[Trial], scale: Scale) -> Result<(), PodError> {
    const LEAST_SIZES: usize = 4;
    for (k, t) in trials.iter().enumerate() {
        let fits = scale != Scale::Log || t.size > 0.0;
        if !(t.size.is_finite() && t.response.is_finite() && fits) {
            return Err(PodError::Number { trial: k + 1, size: t.size, response: t.response });
        }
    }
    let mut sizes: Vec<f64> = trials.iter().map(|t| t.size).collect();
    sizes.sort_by(f64::total_cmp);
    sizes.dedup();
    if sizes.len() < LEAST_SIZES {
        return Err(PodError::TooFew { found: sizes.len(), wanted: LEAST_SIZES });
    }
    Ok(())
}

/// Flaws, and inspections of each on average.
fn targets(trials: &[Trial]) -> (u32, f64) {
    let mut targets: Vec<u32> = trials.iter().map(|t| t.target).collect();
    targets.sort_unstable();
    targets.dedup();
    let count = targets.len().max(1);
    (u32::try_from(targets.len()).unwrap_or(u32::MAX), trials.len() as f64 / count as f64)
}

/// What the number of flaws and their sizes leave open.
fn advised(targets: u32, wanted: u32, a90: f64, trials: &[Trial]) -> Vec<Finding> {
    let mut findings = Vec::new();
    if targets < wanted {
        findings.push(Finding::new(
            Topic::Validity,
            format!("{targets} flaws; MIL-HDBK-1823A asks for {wanted} or more"),
        ));
    }
    let sizes = || trials.iter().map(|t| t.size);
    let (low, high) =
        (sizes().fold(f64::INFINITY, f64::min), sizes().fold(f64::NEG_INFINITY, f64::max));
    if !(low..=high).contains(&a90) {
        findings.push(Finding::new(
            Topic::Validity,
            format!("a90 is {a90:.4}, outside the sizes that were tried ({low:.4} to {high:.4}): it is extrapolated"),
        ));
    }
    findings
}

/// What no fitted curve covers, whatever the data.
fn not_covered() -> Vec<String> {
    [
        "flaws of other kinds, shapes, places and directions than those that were tried",
        "other steel, surfaces, sections and techniques",
        "what people do: attention, fatigue, reporting, unless they were part of the trials",
        "changes of the station between checks beyond those that the trials contain",
    ]
    .map(str::to_owned)
    .into()
}
