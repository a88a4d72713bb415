//! Papers as PDF. Each takes references to sealed documents and gives bytes; the same input gives
//! the same bytes. Templates lie in `templates/` and receive data, never markup.

mod bar;
mod check;
mod engine;
mod level;
mod lot;
pub(crate) mod parts;
mod proof;
mod reference;
mod standing;
mod technique;

pub(crate) use bar::demand;
pub use bar::{BarInput, bar_certificate};
pub use check::{CheckInput, check_report, repeatability_words};
pub use level::{LevelInput, level_record, spokes};
pub use lot::{LotBar, LotInput, lot_certificate};
pub use proof::{ProofInput, proof_report};
pub use reference::{ReferenceInput, reference_sheet};
pub use standing::{CheckEntry, Outcome, Standing, outcome};
pub use technique::{TechniqueInput, technique_sheet};

/// Stands on every paper and page that releases steel.
pub const CAUTIONS: [&str; 3] = [
    "Barwright supports the judgement of qualified personnel and an approved written procedure; it replaces neither.",
    "The ordered standard, local codes and the responsible level 3 decide.",
    "Moving bars, water and high voltage: follow the site's rules.",
];

/// When and on what ground a paper is made.
#[derive(Debug, Clone, Copy, Default)]
pub struct Issue<'a> {
    /// Moment of making, RFC 3339, for instance `2026-11-25T08:14:03Z`; also the creation date
    /// inside the PDF.
    pub made_at: &'a str,
    /// Head of the ledger at that moment; absent where the paper was made without a ledger.
    pub ledger: Option<LedgerHead<'a>>,
    /// What the reader must know to be not validated, one statement a line; printed as given.
    pub not_validated: &'a [String],
}

/// Head of a ledger.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LedgerHead<'a> {
    /// Number of the last entry.
    pub entry: u64,
    /// Its hash.
    pub hash: &'a str,
    /// When it was written.
    pub at: &'a str,
}

/// Why a paper could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReportError {
    /// The moment of making cannot be read.
    #[error("the moment of making {found:?} is not a time: {message}")]
    Time {
        /// The text found.
        found: String,
        /// What is wrong with it.
        message: String,
    },
    /// Documents that do not belong together.
    #[error("these documents do not make one paper: {0}")]
    Mismatch(#[from] barwright_job::DocumentError),
    /// The typesetter refused: a fault of a template, not of the data.
    #[error("the {paper} could not be set: {message}")]
    Setting {
        /// Template.
        paper: &'static str,
        /// What the typesetter said.
        message: String,
    },
    /// An object for exchange could not be written: a fault of the program, not of the data.
    #[error("the object could not be written: {message}")]
    Object {
        /// What the library said.
        message: String,
    },
}

impl ReportError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Time { .. } => Some("write it like 2026-11-25T08:14:03Z".to_owned()),
            Self::Mismatch(e) => e.hint(),
            Self::Setting { .. } | Self::Object { .. } => {
                Some("this is a fault of the program; keep the documents and report it".to_owned())
            }
        }
    }
}

/// Shorthand for results of papers.
pub type Result<T> = std::result::Result<T, ReportError>;
