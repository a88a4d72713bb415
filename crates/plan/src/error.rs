//! Why there is no technique, proof or reference bar.

use barwright_job::DocumentError;
use barwright_wave::WaveError;
use barwright_wave::cylinder::batch::EngineError;

/// Shorthand for results of this crate.
pub type Result<T> = std::result::Result<T, PlanError>;

/// A plan that cannot be made, with the figures and what would help.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum PlanError {
    /// No ring of the station serves the size.
    #[error("no ring of station {station} serves {size_mm} mm")]
    NoRing {
        /// Name of the station.
        station: String,
        /// Ordered size in mm.
        size_mm: f64,
        /// Nearest smaller size that a ring serves, in mm.
        below_mm: Option<f64>,
        /// Nearest larger size that a ring serves, in mm.
        above_mm: Option<f64>,
    },
    /// A rule stops every technique for this order on this station.
    #[error("no technique: {rule}: {figure}")]
    NoTechnique {
        /// The rule that stops it.
        rule: String,
        /// The figure against what is allowed, in words.
        figure: String,
        /// What would help.
        cure: String,
    },
    /// The physics could not answer.
    #[error("the physics of the plan: {0}")]
    Wave(#[from] WaveError),
    /// What computes fields could not.
    #[error("fields could not be computed: {0}")]
    Engine(EngineError),
    /// Documents that do not belong together.
    #[error(transparent)]
    Document(#[from] DocumentError),
    /// The work was stopped on request.
    #[error("stopped before it was finished")]
    Cancelled,
}

impl PlanError {
    /// What would help, where it is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::NoRing { below_mm, above_mm, .. } => {
                let near: Vec<String> =
                    [below_mm, above_mm].into_iter().flatten().map(|d| format!("{d} mm")).collect();
                (!near.is_empty()).then(|| {
                    format!(
                        "nearest sizes that a ring serves: {}; or add a ring to the station",
                        near.join(" and ")
                    )
                })
            }
            Self::NoTechnique { cure, .. } => Some(cure.clone()),
            Self::Document(e) => e.hint(),
            Self::Engine(EngineError::Device { hint, .. }) => Some(hint.clone()),
            Self::Wave(_) | Self::Engine(_) | Self::Cancelled => None,
        }
    }

    pub(crate) fn rule(
        rule: impl Into<String>,
        figure: impl Into<String>,
        cure: impl Into<String>,
    ) -> Self {
        Self::NoTechnique { rule: rule.into(), figure: figure.into(), cure: cure.into() }
    }
}

impl From<EngineError> for PlanError {
    fn from(error: EngineError) -> Self {
        match error {
            EngineError::Wave(error) => Self::Wave(error),
            other => Self::Engine(other),
        }
    }
}
