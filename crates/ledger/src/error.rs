//! Why a ledger cannot be opened, read or written.

use std::path::PathBuf;

use crate::{entry::Kind, people::Refused};

/// Shorthand for results of this crate.
pub type Result<T> = std::result::Result<T, LedgerError>;

/// A ledger that cannot answer. Nothing that was acknowledged is lost by any of these.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LedgerError {
    /// No file there.
    #[error("{}: there is no ledger", path.display())]
    Absent {
        /// The path asked for.
        path: PathBuf,
    },
    /// A new ledger was asked for where a file already is.
    #[error("{}: there is already a file", path.display())]
    Exists {
        /// The path asked for.
        path: PathBuf,
    },
    /// The file is not a ledger, or is damaged below the level of entries.
    #[error("{}: damaged, or not a ledger: {what}", path.display())]
    Corrupt {
        /// The file.
        path: PathBuf,
        /// What does not agree.
        what: String,
    },
    /// The ledger has a later format than this program knows.
    #[error("{}: ledger format {found} is newer than format {known}, the latest this program reads", path.display())]
    TooNew {
        /// The file.
        path: PathBuf,
        /// Its format.
        found: u32,
        /// The latest format known here.
        known: u32,
    },
    /// Another program kept the ledger for itself too long.
    #[error("{}: in use by another program for more than {waited_s} s", path.display())]
    Locked {
        /// The file.
        path: PathBuf,
        /// How long was waited, in seconds.
        waited_s: u64,
    },
    /// The file cannot be written.
    #[error("{}: can only be read", path.display())]
    ReadOnly {
        /// The file.
        path: PathBuf,
    },
    /// No room for the entry; it was not added.
    #[error("{}: no room left, the entry was not added", path.display())]
    DiskFull {
        /// The file.
        path: PathBuf,
    },
    /// The server did not let this program in.
    #[error("{}: refused: {what}", path.display())]
    Refused {
        /// The address.
        path: PathBuf,
        /// What the server said.
        what: String,
    },
    /// The last entry is not what its hash says: nothing is added after it.
    #[error("{}: entry {seq}, the last one, is not what its hash says; nothing was added", path.display())]
    ChainBroken {
        /// The file.
        path: PathBuf,
        /// Number of the last entry.
        seq: i64,
    },
    /// Its author may not write this, or the register of people cannot take it.
    #[error("not entered: {0}")]
    NotAllowed(#[from] Refused),
    /// Keys are kept here, and this must be signed.
    #[error("not entered: this ({kind}) must be signed by {author}")]
    Unsigned {
        /// Kind of the entry.
        kind: Kind,
        /// Who writes it.
        author: String,
    },
    /// The key does not sign for the author.
    #[error("not entered: key {key} does not sign for {author} here")]
    WrongKey {
        /// The key.
        key: String,
        /// Who writes the entry.
        author: String,
    },
    /// The ledger is not whole, so that no copy of it is made.
    #[error("{}: entry {seq}: {what}", path.display())]
    Faulty {
        /// The file or address.
        path: PathBuf,
        /// The first entry that does not fit.
        seq: i64,
        /// What does not agree.
        what: String,
    },
    /// A line of a ledger's open text that does not fit.
    #[error("line {line} of the text: {what}")]
    Text {
        /// Number of the line, from 1.
        line: u64,
        /// What does not agree.
        what: String,
    },
    /// An entry that this program cannot read as its kind.
    #[error("entry {seq} ({kind}) cannot be read: {what}")]
    Unreadable {
        /// Number of the entry.
        seq: i64,
        /// Its kind as stored.
        kind: String,
        /// What does not agree.
        what: String,
    },
    /// A document that does not carry what its entry needs.
    #[error("this {kind} cannot be recorded: {what}")]
    Incomplete {
        /// Kind of the entry.
        kind: Kind,
        /// What is missing or does not agree.
        what: String,
    },
    /// A time that no calendar has.
    #[error("{time_us} µs is not a time this program can write as a date")]
    Time {
        /// The time given, in microseconds since 1970-01-01 UTC.
        time_us: i64,
    },
    /// A blocking call from inside an asynchronous one.
    #[error("the blocking ledger was called from asynchronous code")]
    InsideRuntime,
    /// Any other failure of file system or database.
    #[error("{}: {what}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        what: String,
    },
}

impl LedgerError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<&'static str> {
        Some(match self {
            Self::Absent { .. } => "check the path, or create a ledger there",
            Self::Exists { .. } => "open it, or choose another path; a ledger is never overwritten",
            Self::Corrupt { .. } => {
                "keep the file as it is, with the files beside it, and work on from a copy"
            }
            Self::TooNew { .. } => "use the program version that wrote it, or a later one",
            Self::Locked { .. } => "wait for the other program to finish, or close it; then again",
            Self::ReadOnly { .. } => "open it for reading, or have its owner allow writing",
            Self::Refused { .. } => "check the name and password in the address of the ledger",
            Self::DiskFull { .. } => {
                "make room on the disk, then add the entry again; all earlier entries are there"
            }
            Self::ChainBroken { .. } => "run the verification, and work on from a copy",
            Self::Unreadable { .. } => "run the verification; a later program may know this entry",
            Self::NotAllowed(refused) => return refused.hint(),
            Self::Unsigned { .. } => "sign it with your key, or have somebody who has one enter it",
            Self::WrongKey { .. } => {
                "see the list of keys; a key that was replaced or revoked signs no more"
            }
            Self::Faulty { .. } => "save what can be saved with `ledger salvage`",
            Self::Text { .. } => "take the text anew from the ledger it came from",
            Self::Incomplete { .. } => {
                "make the document again with the technique, level and rules it belongs to"
            }
            Self::Time { .. } => "set the clock of the station",
            Self::InsideRuntime => "use the asynchronous store there",
            Self::Io { .. } => return None,
        })
    }
}
