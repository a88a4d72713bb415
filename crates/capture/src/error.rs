//! Why a capture or a table beside it could not be written, read or formed.

use std::path::{Path, PathBuf};

/// Shorthand for results of this crate.
pub type Result<T> = std::result::Result<T, CaptureError>;

/// A file that cannot be used, or figures that do not belong together.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CaptureError {
    /// There is no such file.
    #[error("{}: no such file", path.display())]
    Absent {
        /// The file asked for.
        path: PathBuf,
    },
    /// The file is cut short, torn, changed, or not of its kind at all.
    #[error("{}: damaged: {message}", path.display())]
    Corrupt {
        /// The file.
        path: PathBuf,
        /// What does not agree, with the figures.
        message: String,
    },
    /// The file is from a later format than this program knows.
    #[error(
        "{}: format {found} of a {kind} is newer than format {known}, the latest this program reads",
        path.display()
    )]
    TooNew {
        /// The file.
        path: PathBuf,
        /// Kind of the file.
        kind: &'static str,
        /// Its format number.
        found: u32,
        /// The latest format known here.
        known: u32,
    },
    /// A whole file of another kind than the one asked for.
    #[error("{}: this is a {found}, not a {wanted}", path.display())]
    WrongKind {
        /// The file.
        path: PathBuf,
        /// Kind found.
        found: String,
        /// Kind asked for.
        wanted: &'static str,
    },
    /// Two things that do not belong together.
    #[error("{what}: {found}, but {wanted}")]
    Mismatch {
        /// The quantity that differs.
        what: &'static str,
        /// The figure found, with its unit and where it stands.
        found: String,
        /// The figure it should agree with, likewise.
        wanted: String,
    },
    /// A value that cannot be.
    #[error("{what} is {value}; {expected}")]
    Impossible {
        /// The quantity, with the file or document it stands in.
        what: String,
        /// The value found, with its unit.
        value: String,
        /// What is accepted.
        expected: String,
    },
    /// A row of a table of another system that cannot be read.
    #[error("{}:{line}: {column}: {message}", path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// The line, from 1; the row in a file without lines.
        line: u64,
        /// The column, by number and name.
        column: String,
        /// What is wrong.
        message: String,
    },
    /// A mapping document that cannot be used, or does not fit its file.
    #[error(transparent)]
    Map(#[from] barwright_job::DocumentError),
    /// The system refused.
    #[error("{}: cannot {doing}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What was tried.
        doing: &'static str,
        /// What the system says.
        source: std::io::Error,
    },
}

impl CaptureError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        let cure = match self {
            Self::Absent { .. } => "check the name; a capture that was broken off leaves no file",
            Self::Corrupt { .. } => "restore the file from a copy, or take it again",
            Self::TooNew { .. } => "use the program version that wrote it, or a later one",
            Self::WrongKind { .. } => "check which file was meant",
            Self::Mismatch { .. } => {
                "use the document it was taken with, or correct the one that is wrong"
            }
            Self::Io { doing, .. } if doing.starts_with("read") => {
                "check that the file may be read and the disk is sound"
            }
            Self::Io { .. } => "check that the folder exists, may be written and has room",
            Self::Map(e) => return e.hint(),
            Self::Line { .. } => {
                "correct the row, or say in the mapping document how it is to be read"
            }
            Self::Impossible { .. } => return None,
        };
        Some(cure.to_owned())
    }

    pub(crate) fn corrupt(path: &Path, message: impl Into<String>) -> Self {
        Self::Corrupt { path: path.to_owned(), message: message.into() }
    }

    /// A refusal of the system; a missing file becomes [`CaptureError::Absent`] on reading.
    pub(crate) fn reading(path: &Path, source: std::io::Error) -> Self {
        let path = path.to_owned();
        match source.kind() {
            std::io::ErrorKind::NotFound => Self::Absent { path },
            std::io::ErrorKind::UnexpectedEof => {
                Self::Corrupt { path, message: "it ends before its content does".to_owned() }
            }
            _ => Self::Io { path, doing: "read", source },
        }
    }

    pub(crate) fn writing(path: &Path, source: std::io::Error) -> Self {
        Self::Io { path: path.to_owned(), doing: "write", source }
    }
}
