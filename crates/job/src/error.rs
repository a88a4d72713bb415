//! Why a document could not be read.

/// Shorthand for results of this crate.
pub type Result<T> = std::result::Result<T, DocumentError>;

/// A document that cannot be used: where, what was found, what was expected, and the cure.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum DocumentError {
    /// The text is not what the document's grammar or types ask for.
    #[error("{document}:{line}:{column}: {message}{}", at_key(key))]
    Malformed {
        /// Name of the document, usually its file name.
        document: String,
        /// Line, from 1.
        line: usize,
        /// Column, from 1.
        column: usize,
        /// Dotted path of the key; empty where the text is not even parseable.
        key: String,
        /// What is wrong.
        message: String,
        /// How to cure it; may be empty.
        hint: String,
    },
    /// A template whose values were not all entered.
    #[error("{document}: {} values are still to be entered: {}", keys.len(), lines(keys))]
    Unfilled {
        /// Name of the document.
        document: String,
        /// Line, from 1, and dotted path of each key.
        keys: Vec<(usize, String)>,
    },
    /// The text is well formed but what it says cannot be.
    #[error("{document}: {key} is {value}; {expected}")]
    Impossible {
        /// Name of the document.
        document: String,
        /// Dotted path of the key.
        key: String,
        /// The value found, with its unit.
        value: String,
        /// What is accepted.
        expected: String,
    },
    /// A derived document does not carry the content it was sealed with.
    #[error("{document}: damaged: {message}")]
    Corrupt {
        /// Name of the document.
        document: String,
        /// What does not agree.
        message: String,
    },
    /// A derived document from a later format than this program knows.
    #[error(
        "{document}: format {found} of a {kind} is newer than format {known}, the latest this program reads"
    )]
    TooNew {
        /// Name of the document.
        document: String,
        /// Kind of the document.
        kind: String,
        /// Its format number.
        found: u32,
        /// The latest format known here.
        known: u32,
    },
    /// A derived document of another kind than the one asked for.
    #[error("{document}: this is a {found}, not a {wanted}")]
    WrongKind {
        /// Name of the document.
        document: String,
        /// Kind found.
        found: String,
        /// Kind asked for.
        wanted: String,
    },
    /// Two documents do not belong together.
    #[error("{document} was made for {role} {found}, not for {wanted}")]
    Mismatch {
        /// Name of the document.
        document: String,
        /// The role of the document it depends on (`technique`, `level`, ...).
        role: String,
        /// Short hash it was made for.
        found: String,
        /// Short hash offered.
        wanted: String,
    },
}

fn at_key(key: &str) -> String {
    if key.is_empty() { String::new() } else { format!(" (at {key})") }
}

fn lines(keys: &[(usize, String)]) -> String {
    let list: Vec<String> = keys.iter().map(|(line, key)| format!("{key} (line {line})")).collect();
    list.join(", ")
}

impl DocumentError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Malformed { hint, .. } if !hint.is_empty() => Some(hint.clone()),
            Self::Unfilled { .. } => {
                Some("take the values from your controlled copy of the standard".into())
            }
            Self::Corrupt { .. } => Some("restore the file from a copy, or derive it again".into()),
            Self::TooNew { .. } => {
                Some("use the program version that wrote it, or a later one".into())
            }
            Self::Mismatch { role, .. } => {
                Some(format!("use the {role} it was made for, or make it again for this one"))
            }
            _ => None,
        }
    }
}
