//! A screened bar: what the beams saw, and what was inspected.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{finding::Finding, proof::FlawClass, seal::Document};

/// A screened bar. Its sources are `technique`, `level`, `capture` and `echoes` (the hash of the
/// Parquet file that holds every peak and the kept A-scans).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScreenedBar {
    /// Bar number within the lot.
    pub bar: String,
    /// Heat.
    pub heat: String,
    /// Length in metres.
    pub length_m: f64,
    /// Shots evaluated.
    pub shots: u64,
    /// Echoes at or above their gate's threshold.
    pub echoes_over_threshold: u64,
    /// Stretches that were not inspected, by flaw class and cause.
    pub lost: Vec<Lost>,
    /// Inspected share of the bar's length, by flaw class.
    pub inspected: Vec<InspectedShare>,
    /// Surface echo and noise, for trends.
    pub noise_fsh: f64,
    /// Why the screening broke off before the bar's end, in words; such a bar is held.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub broken_off: Option<String>,
    /// What was noticed.
    pub findings: Vec<Finding>,
}

impl Document for ScreenedBar {
    const KIND: &'static str = "screened bar";
    const FORMAT: u32 = 1;
}

/// A stretch that was not inspected.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Lost {
    /// The flaw class that was not looked for.
    pub class: FlawClass,
    /// Start in metres from the head end.
    pub from_m: f64,
    /// End in metres from the head end.
    pub to_m: f64,
    /// Why.
    pub cause: LossCause,
    /// Beams concerned; empty for all.
    pub beams: Vec<u32>,
}

/// Why a stretch was not inspected.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum LossCause {
    /// The head or tail that the station cannot inspect.
    End,
    /// The surface echo or the back wall was missing.
    Coupling,
    /// No shot came where one was due.
    MissedCycle,
    /// Shots came in turn, but lay too far apart: the bar moved too fast.
    TooFast,
    /// Samples at full scale hid the gate.
    Clipped,
    /// Nothing says what the beam's heights mean: it has no sound level, or the technique no beam.
    NotLevelled,
}

impl LossCause {
    /// In words, for papers and pages.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::End => "end that the station does not inspect",
            Self::Coupling => "coupling lost",
            Self::MissedCycle => "shots missing",
            Self::TooFast => "moved too fast, shots too far apart",
            Self::Clipped => "echoes at full scale hid the gate",
            Self::NotLevelled => "no sound level",
        }
    }
}

/// What one beam did over some millimetres of a bar.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct BeamRun {
    /// Beam by number.
    pub beam: u32,
    /// The flaw class it looked for.
    pub class: FlawClass,
    /// First millimetre from the head end.
    pub from_mm: u32,
    /// The millimetre after the last.
    pub to_mm: u32,
    /// Why they were not inspected; absent where they were.
    pub lost: Option<LossCause>,
}

/// Inspected share of a bar for one flaw class.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InspectedShare {
    /// The flaw class.
    pub class: FlawClass,
    /// Share of the length over which every beam of the class was sound, as a fraction.
    pub share: f64,
}

/// One echo: what one beam saw in one gate in one shot.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Echo {
    /// Beam by number.
    pub beam: u32,
    /// Gate, its place in the beam's list.
    pub gate: u8,
    /// Place along the bar, metres from the head end.
    pub z_m: f64,
    /// Turn of the bar, in rad.
    pub turn_rad: f32,
    /// Peak of the envelope in the gate, as a fraction of full screen height.
    pub height_fsh: f32,
    /// Time of the peak after the surface, in seconds (from firing for the surface gate).
    pub after_surface_s: f64,
    /// What limits the reading.
    pub mark: EchoMark,
}

/// What limits the reading of an echo.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum EchoMark {
    /// A sound reading.
    Sound,
    /// At full scale: the height is a lower bound.
    Clipped,
    /// Coupling was lost in this shot: the gate was not inspected.
    CouplingLost,
}
