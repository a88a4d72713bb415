//! Coverage of round bars by the exact field, first passage.
//!
//! Beams that are one beam turned about the ring share a field ([`class`]). Maps of the echo of the
//! ordered flaw over the section come from the exact engine ([`maps`]), once for each state of bar and
//! water and, off centre or out of round, at some angles around the ring ([`fields`]); other flaws and
//! places between two pulses differ by a level that depends on depth ([`weights`]). [`margins`] puts
//! beams, gates, gains and places together.

pub mod class;
pub mod echoes;
mod faces;
pub mod fields;
mod many;
pub mod maps;
pub mod margins;
mod sought;
pub mod weights;

pub use echoes::exact_echoes;
pub use fields::{Bars, Fields};
pub use maps::Fineness;
pub use weights::Flaw;
