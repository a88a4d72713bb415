//! The form that all Parquet files of this crate share.
//!
//! A file says in its key-value metadata what it is (`barwright.kind`), in which format
//! (`barwright.format`), which program wrote it (`barwright.program`), what else its kind needs,
//! and where each row group lies with the BLAKE3 hash of its bytes (`barwright.groups`). The 32
//! bytes ahead of the footer, to which Parquet gives no meaning, are the footer's own BLAKE3 hash.
//! So a changed byte is found before anything is decoded.

mod read;
mod write;

pub(crate) use read::TableReader;
pub(crate) use write::{TableWriter, column};

use serde::{Deserialize, Serialize};

pub(crate) const KIND: &str = "barwright.kind";
pub(crate) const FORMAT: &str = "barwright.format";
pub(crate) const PROGRAM: &str = "barwright.program";
pub(crate) const GROUPS: &str = "barwright.groups";

/// A kind of file.
#[derive(Debug)]
pub(crate) struct Kind {
    /// Its name in the metadata.
    pub name: &'static str,
    /// The latest format this program writes and reads.
    pub format: u32,
}

/// A row group: where its bytes lie and what they hash to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Group {
    /// Place of its first byte in the file.
    pub start: u64,
    /// Number of bytes.
    pub length: u64,
    /// Number of rows.
    pub rows: u64,
    /// BLAKE3 of the bytes.
    pub hash: barwright_job::Hash,
}

/// Bytes of the hash ahead of the footer.
pub(crate) const HASH_BYTES: u64 = 32;

/// Bytes after the footer: its length and the format's mark.
pub(crate) const TAIL_BYTES: u64 = 8;
