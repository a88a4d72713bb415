//! Outside checks: what the program computes against references that it did not make.

pub mod cases;
mod cylinder;
pub mod engines;
mod holes;
mod interfaces;
mod job;
pub mod levelling;
mod paths;
mod pistons;
mod properties;
pub mod published;
mod scatterers;
pub mod sentencing;
mod sizes;
pub mod trends;

use serde::Serialize;

/// What makes a reference trustworthy.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Truth {
    /// A formula whose value follows by hand.
    ClosedForm,
    /// Another program's result.
    IndependentCode,
    /// A value printed in a standard, handbook or paper.
    PublishedTable,
}

impl Truth {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::ClosedForm => "closed form",
            Self::IndependentCode => "independent code",
            Self::PublishedTable => "published table",
        }
    }
}

/// One quantity of one case against its reference.
#[derive(Debug, Clone, Serialize)]
pub struct Comparison {
    /// File or table and case.
    pub case: String,
    /// The quantity; for a list of values the entry with the largest difference is given.
    pub quantity: String,
    /// What the program computes.
    pub value: f64,
    /// What it should be.
    pub reference: f64,
    /// Distance between the two (of complex numbers or points: the modulus).
    pub difference: f64,
    /// Largest accepted distance.
    pub tolerance: f64,
    /// Unit of the four numbers.
    pub unit: &'static str,
    /// Kind of truth of the reference.
    pub truth: Truth,
    /// Where the reference comes from.
    pub source: String,
}

impl Comparison {
    /// Whether the value lies inside the tolerance; never for a value that is not a number.
    pub fn inside(&self) -> bool {
        self.difference <= self.tolerance
    }
}

/// A file or case that was not compared, and why. Never counted as passed.
#[derive(Debug, Clone, Serialize)]
pub struct NotRun {
    /// File or case.
    pub name: String,
    /// Why.
    pub reason: String,
}

/// Everything one run compared.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Findings {
    /// Comparisons, in order.
    pub comparisons: Vec<Comparison>,
    /// What was not compared.
    pub not_run: Vec<NotRun>,
}

/// The pair with the largest distance, as `(value, reference, distance)`. Distances that are not
/// numbers win, so that they cannot hide.
fn worst(pairs: impl IntoIterator<Item = (f64, f64, f64)>) -> Option<(f64, f64, f64)> {
    let rank = |d: f64| if d.is_nan() { f64::INFINITY } else { d };
    pairs.into_iter().max_by(|a, b| rank(a.2).total_cmp(&rank(b.2)))
}
