//! The level: the gain of every beam, and how it was found.

use serde::{Deserialize, Serialize};

use crate::{finding::Finding, seal::Document};

/// A level. Its sources are `technique`, `reference_bar`, `rules` and `capture` (the hash of the
/// capture it was made from).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Level {
    /// One entry for each beam of the technique, in order.
    pub beams: Vec<BeamLevel>,
    /// Passes of the capture.
    pub passes: u32,
    /// Whether every beam is inside the band or listed as beyond repair.
    pub good: bool,
    /// Bar centre against the ring's as the surface echoes tell it: x, y in metres; absent where
    /// they do not tell.
    pub bar_offset_m: Option<[f64; 2]>,
    /// What was noticed, with what needs a hand.
    pub findings: Vec<Finding>,
}

impl Document for Level {
    const KIND: &'static str = "level";
    const FORMAT: u32 = 1;
}

/// The level of one beam.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BeamLevel {
    /// Beam by number.
    pub beam: u32,
    /// Gain to be set, dB re unit transfer.
    pub gain_db: f64,
    /// Change against the gain of the capture, in dB.
    pub change_db: f64,
    /// Height read, as a fraction of full screen height; absent if no echo was found.
    pub height_fsh: Option<f64>,
    /// Height expected at level.
    pub expected_fsh: f64,
    /// Standard uncertainty of the height from the passes, in dB; absent with one pass.
    pub uncertainty_db: Option<f64>,
    /// State of the beam.
    pub state: BeamState,
}

/// State of a beam after levelling.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BeamState {
    /// Its height was already inside the accepted band.
    Inside,
    /// The new gain brings it inside; the next capture must show it.
    Corrected,
    /// The echo was clipped: a pass at lower gain is needed, the gain is left alone.
    Clipped,
    /// No echo was found in its window.
    Missing,
    /// The gain needed is outside what the electronics can set.
    OutOfReach,
}
