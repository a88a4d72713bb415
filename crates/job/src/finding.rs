//! What the program noticed besides its answer.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What a finding is about. Machines branch on this; people read the words.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Topic {
    /// Samples at full scale: the height is a lower bound.
    Clipped,
    /// The surface echo or back wall was missing: not inspected there.
    CouplingLost,
    /// Shots that should exist do not: not inspected there.
    MissedCycle,
    /// Places along the bar cannot be trusted: they jumped, ran backwards or stood still.
    Encoder,
    /// A part of the bar that no shot reached.
    NotInspected,
    /// A part of the section that the technique does not cover.
    Uncovered,
    /// An echo expected in a window was not there.
    Missing,
    /// A gain outside what the electronics can set.
    OutOfReach,
    /// The bar stood off the ring's centre.
    OffCentre,
    /// Echoes above threshold where none should be.
    FalseCall,
    /// Echoes that another reflector or a detour of sound explains.
    Ghost,
    /// More than can be weighed one by one.
    TooMany,
    /// Something is due: a check, a calibration.
    Overdue,
    /// A model is used near or beyond its stated validity.
    Validity,
    /// An assumption that was made and should be known.
    Assumed,
}

/// A finding: a value returned with the answer, never a log line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// What it is about.
    pub topic: Topic,
    /// One plain sentence with the numbers in it.
    pub message: String,
    /// Beams concerned; empty when it concerns all or none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub beams: Vec<u32>,
    /// Stretch of the bar concerned, metres from the head end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stretch_m: Option<[f64; 2]>,
}

impl Finding {
    /// A finding about the whole.
    #[must_use]
    pub fn new(topic: Topic, message: impl Into<String>) -> Self {
        Self { topic, message: message.into(), beams: Vec::new(), stretch_m: None }
    }

    /// The same finding, naming the beams concerned.
    #[must_use]
    pub fn beams(mut self, beams: impl IntoIterator<Item = u32>) -> Self {
        self.beams = beams.into_iter().collect();
        self
    }

    /// The same finding, naming the stretch of the bar concerned.
    #[must_use]
    pub fn stretch(mut self, from_m: f64, to_m: f64) -> Self {
        self.stretch_m = Some([from_m, to_m]);
        self
    }
}
