//! Papers as PDF. Each takes references to sealed documents and gives bytes; the same input gives
//! the same bytes. Templates lie in `templates/` and receive data, never markup.

mod bar;
mod check;
mod code;
mod engine;
mod house;
mod level;
mod lot;
pub(crate) mod parts;
mod pod;
mod proof;
mod reference;
mod retest;
mod standing;
mod technique;

use barwright_phrase::say;

pub(crate) use bar::demand;
pub use bar::{BarInput, bar_certificate};
pub use check::{CheckInput, check_report, repeatability_words};
pub use house::{HousePapers, Logo, Sheet, TEMPLATES};
pub use level::{LevelInput, level_record, spokes};
pub use lot::{LotBar, LotInput, lot_certificate};
pub use pod::{PodInput, pod_report};
pub use proof::{ProofInput, proof_report};
pub use reference::{ReferenceInput, reference_sheet};
pub use retest::{RetestBar, RetestCause, RetestInput, retest_list};
pub use standing::{CheckEntry, Outcome, Standing, outcome};
pub use technique::{TechniqueInput, technique_sheet};

/// What stands on every paper and page that releases steel, in the language at hand.
#[must_use]
pub fn cautions() -> [&'static str; 3] {
    [
        say!(
            "Barwright supports the judgement of qualified personnel and an approved written procedure; it replaces neither."
        ),
        say!("The ordered standard, local codes and the responsible level 3 decide."),
        say!("Moving bars, water and high voltage: follow the site's rules."),
    ]
}

/// When and on what ground a paper is made.
#[derive(Debug, Clone, Copy, Default)]
pub struct Issue<'a> {
    /// Moment of making, RFC 3339, for instance `2026-11-25T08:14:03Z`; also the creation date
    /// inside the PDF.
    pub made_at: &'a str,
    /// Head of the ledger at that moment; absent where the paper was made without a ledger.
    pub ledger: Option<LedgerHead<'a>>,
    /// How the house wants its papers; the program's own way where absent.
    pub house: Option<&'a HousePapers>,
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
        /// What the typesetter said, with file and line where it knows them.
        message: String,
        /// Whether a template or logo of the house was used.
        own: bool,
    },
    /// A template of the house under a name that no paper has.
    #[error("no paper has a template {name:?}")]
    NoTemplate {
        /// The name.
        name: String,
    },
    /// A template of the house that leaves out what no paper may lack.
    #[error("the house's template {paper} leaves out {missing}, which no such paper may lack")]
    Incomplete {
        /// Template.
        paper: &'static str,
        /// The function of `common.typ` that it must call.
        missing: &'static str,
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
            Self::Setting { own: true, .. } => Some(
                "mend the file in the house folder, or take it out: the program has its own"
                    .to_owned(),
            ),
            Self::NoTemplate { .. } => {
                Some(format!("the templates are {}", TEMPLATES.map(|(name, _)| name).join(", ")))
            }
            Self::Incomplete { .. } => {
                Some("put it back, as in the program's own template".to_owned())
            }
            Self::Setting { .. } | Self::Object { .. } => {
                Some("this is a fault of the program; keep the documents and report it".to_owned())
            }
        }
    }
}

/// Shorthand for results of papers.
pub type Result<T> = std::result::Result<T, ReportError>;
