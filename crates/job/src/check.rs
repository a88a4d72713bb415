//! The dynamic check: repeated passes of the reference bar at line speed.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{finding::Finding, measures::Measures, seal::Document};

/// A check. Its sources are `technique`, `level`, `reference_bar`, `rules` and `capture`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Check {
    /// Passes evaluated.
    pub passes: u32,
    /// Line speed as seen in the capture, in m/s.
    pub line_speed_m_s: f64,
    /// One entry for each reflector.
    pub reflectors: Vec<ReflectorCheck>,
    /// Peak of the noise on the plain stretches, as a fraction of full screen height.
    pub noise_fsh: f64,
    /// Calls on plain stretches, all passes together.
    pub false_calls: u32,
    /// How well heights repeat from pass to pass; absent where no reflector was seen twice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub repeatability: Option<Repeatability>,
    /// Whether all limits of the rules are met.
    pub good: bool,
    /// What was noticed; a failed limit is one of them.
    pub findings: Vec<Finding>,
    /// Figures for trends; empty in documents of earlier versions.
    #[serde(default, skip_serializing_if = "Measures::is_empty")]
    pub measures: Measures,
}

impl Document for Check {
    const KIND: &'static str = "check";
    const FORMAT: u32 = 1;
}

/// How well heights repeat from pass to pass, all reflectors together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Repeatability {
    /// Standard deviation of a height from one pass to another, in dB.
    pub deviation_db: f64,
    /// The same with 95 % confidence not exceeded, in dB.
    pub upper_db: f64,
    /// Difference in dB that two passes exceed once in twenty: 2.8 standard deviations (ISO 5725-6).
    pub two_passes_db: f64,
    /// Degrees of freedom: readings less reflectors.
    pub degrees: u32,
}

/// How one reflector was seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReflectorCheck {
    /// Its mark.
    pub name: String,
    /// Passes in which it was called.
    pub found: u32,
    /// Largest height in each pass, as a fraction of full screen height; absent where not found.
    pub heights_fsh: Vec<Option<f64>>,
    /// Beams that called it in any pass.
    pub beams: Vec<u32>,
    /// Beams that saw it clearly in one pass and missed it in another.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unsteady: Vec<u32>,
    /// Spread of the heights over the passes, in dB.
    pub spread_db: f64,
    /// Largest error of its place along the bar over the passes, in metres.
    pub place_error_m: f64,
    /// Smallest height over noise, in dB.
    pub signal_to_noise_db: f64,
}
