//! Why the virtual station could not answer.

use barwright_job::DocumentError;
use barwright_wave::{WaveError, cylinder::batch::EngineError};

/// Shorthand for results of this crate.
pub type Result<T> = std::result::Result<T, TwinError>;

/// A capture that cannot be made, with the numbers that made it impossible.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum TwinError {
    /// A document is not what it should be.
    #[error(transparent)]
    Document(#[from] DocumentError),
    /// The field computation cannot answer.
    #[error(transparent)]
    Wave(#[from] WaveError),
    /// The section is not one this station can simulate.
    #[error(
        "the virtual station has no exact field for a {section}; it simulates round bars in water"
    )]
    Section {
        /// The section of the technique.
        section: &'static str,
    },
    /// Two numbers that must agree do not.
    #[error("{what}: {got} given, {need} needed")]
    Count {
        /// What was counted.
        what: &'static str,
        /// How many were given.
        got: usize,
        /// How many are needed.
        need: usize,
    },
    /// What computes fields in batches gave no answer.
    #[error(transparent)]
    Engine(EngineError),
    /// A value outside what the technique or the bar allows.
    #[error("{what} is {value} {unit}; it must be {expected}")]
    OutOfRange {
        /// The quantity, in words.
        what: String,
        /// The value given.
        value: f64,
        /// Its unit; empty for a pure number.
        unit: &'static str,
        /// What is accepted.
        expected: String,
    },
}

impl TwinError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Document(e) => e.hint(),
            Self::Section { .. } => {
                Some("use a round order, or a measured capture of the block".into())
            }
            Self::Count { what, .. } => {
                Some(format!("take the {what} from documents of the same technique"))
            }
            _ => None,
        }
    }
}
