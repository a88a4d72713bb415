//! Shots: in memory, on disk as Parquet, and from full-matrix files.
//!
//! [`shots`] holds what every judge and every maker of captures share; it does no I/O. [`mod@file`]
//! keeps shots on disk, [`echoes`] and [`kept`] what screening leaves of them; nothing appears
//! under a file's name before it is whole, and a changed byte is found on reading. [`matrix`] reads
//! full matrices, [`form`] makes shots of them; [`import`] and [`export`] exchange A-scans with other
//! programs. `docs/capture-format.md` describes the files for
//! foreign readers.
#![deny(missing_docs)]

pub mod echoes;
pub mod error;
pub mod export;
pub mod file;
pub mod filter;
pub mod form;
mod hash;
pub mod import;
pub mod inspected;
pub mod journal;
pub mod kept;
pub mod matrix;
pub mod npy;
pub mod peaks;
pub mod shots;
mod sinc;
mod table;
pub mod wire;

pub use echoes::{EchoTable, EchoWriter, each_echoes, read_echoes, write_echoes};
pub use error::{CaptureError, Result};
pub use export::{export_csv, export_echoes, export_parquet};
pub use file::{CaptureReader, CaptureWriter};
pub use form::form_beams;
pub use hash::hash_file;
pub use import::{ImportMap, Imported, import_shots};
pub use inspected::{read_inspected, write_inspected};
pub use journal::{Journal, JournalReader};
pub use kept::{KeptAscan, KeptAscans, read_kept, write_kept};
pub use matrix::FullMatrix;
pub use peaks::{Peaks, ShotLine};
pub use shots::{CaptureKind, Header, Samples, ShotRun, Shots, Signal, Waveform};
pub use wire::{Announcement, WireBatch};
