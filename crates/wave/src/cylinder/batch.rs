//! Many exact fields at once, behind one interface that whatever computes them can serve.
//!
//! A proof over tolerances asks for thousands of fields of one kind: bars of several sizes, velocities and
//! temperatures, apertures, laws, places of the bar. [`FieldEngine`] answers them together, so that an
//! engine may share what fields have in common and return reduced results only. [`Processors`] is the plain
//! engine: [`Illumination::map`] and [`CylinderBand::echo_peaks`] on all cores.
//!
//! [`Illumination::map`]: super::Illumination::map
//! [`CylinderBand::echo_peaks`]: super::CylinderBand::echo_peaks

mod processors;
mod request;
mod result;

pub use processors::Processors;
pub use request::{BarBand, EchoBatch, EchoItem, ItemPlaces, MapBatch, MapItem, RingShares};
pub use result::{Extreme, Extremes, MapsAnswer};

use super::EchoPeak;
use crate::error::WaveError;

/// Whether maps themselves are wanted beside their extremes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Wanted {
    /// The least and the greatest value at each place, and which item it came from.
    Extremes,
    /// These, and every map.
    Maps,
}

/// Why an engine gave no answer.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum EngineError {
    /// The request itself cannot be answered, whatever computes it.
    #[error(transparent)]
    Wave(#[from] WaveError),
    /// The engine's device could not compute it; another engine may.
    #[error("{reason}; {hint}")]
    Device {
        /// What happened, with numbers.
        reason: String,
        /// What to do.
        hint: String,
        /// Whether the device may be asked again: the request did not suit it, but it did not fail.
        usable: bool,
    },
}

/// Echoes of a batch: by item, by ring, in the order of the places.
pub type EchoAnswer = Vec<Vec<Vec<EchoPeak>>>;

/// Computes exact fields in batches.
///
/// Engines agree within 0.02 dB wherever a map stands within 40 dB of its largest value, and refuse the
/// same requests with the same words.
pub trait FieldEngine: Sync {
    /// What computes, in words: "2 processors".
    fn name(&self) -> String;

    /// Peak envelope of each item over the grid.
    ///
    /// # Errors
    /// [`EngineError::Wave`] for what [`MapBatch::check`] refuses; [`EngineError::Device`] where a device
    /// failed.
    fn maps(&self, batch: &MapBatch<'_>, wanted: Wanted) -> Result<MapsAnswer, EngineError>;

    /// Pulse-echo peaks of each item at its places.
    ///
    /// # Errors
    /// As [`Self::maps`], for [`EchoBatch::check`].
    fn echoes(&self, batch: &EchoBatch<'_>) -> Result<EchoAnswer, EngineError>;
}
