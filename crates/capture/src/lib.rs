//! Shots: in memory, on disk as Parquet, and from full-matrix files.
//!
//! [`shots`] holds what every judge and every maker of captures share; it does no I/O.
#![deny(missing_docs)]

pub mod shots;

pub use shots::{CaptureKind, Header, Shots};
