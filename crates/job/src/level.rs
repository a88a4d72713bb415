//! The level: the gain of every beam, and how it was found.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{finding::Finding, measures::Measures, seal::Document};

/// A level. Its sources are `technique`, `reference_bar`, `rules` and `capture` (the hash of the
/// capture it was made from).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
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
    /// What explains how the beams read, most likely first; empty where nothing needs explaining.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub explanations: Vec<Explanation>,
    /// What was noticed, with what needs a hand.
    pub findings: Vec<Finding>,
    /// Figures for trends; empty in documents of earlier versions.
    #[serde(default, skip_serializing_if = "Measures::is_empty")]
    pub measures: Measures,
}

impl Document for Level {
    const KIND: &'static str = "level";
    const FORMAT: u32 = 1;
}

/// The level of one beam.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
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
    /// For a clipped beam, by how many dB the next pass should be lower; the height itself is not
    /// known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lower_by_db: Option<f64>,
    /// Where the echo was found, for a beam whose echo is out of its window or not its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub found: Option<Found>,
}

impl BeamLevel {
    /// Height that the echo read will have at the new gain, as a fraction of full screen height; absent
    /// where no height is known (no echo, or a clipped one).
    #[must_use]
    pub fn height_after_fsh(&self) -> Option<f64> {
        self.height_fsh
            .filter(|_| self.state != BeamState::Clipped)
            .map(|h| h * 10f64.powf(self.change_db / 20.0))
    }
}

/// Where an echo was found against where it was expected.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Found {
    /// Turn of the bar at its peak minus the expected one, in rad, in (-π, π].
    pub turn_off_rad: f64,
    /// Its time after the surface minus the expected one, in seconds.
    pub time_off_s: f64,
    /// Its height as a fraction of full screen height.
    pub height_fsh: f64,
}

/// State of a beam after levelling.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
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
    /// Two echoes of like height stand in the window; which one is the reflector's is not known.
    Doubled,
    /// The echo was found near its window, not in it.
    OutOfWindow,
    /// What stands in the window belongs to a neighbouring reflector.
    Neighbour,
}

impl BeamState {
    /// Whether gain has done, or will do, all that this beam needs.
    #[must_use]
    pub fn is_level(self) -> bool {
        matches!(self, Self::Inside | Self::Corrected)
    }
}

/// What explains how the beams read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Explanation {
    /// The cause.
    pub cause: Cause,
    /// How sure: 0 to 1, the weight of this cause among those that explain the same evidence.
    pub confidence: f64,
    /// What was seen, one sentence each, with numbers.
    pub evidence: Vec<String>,
    /// What to move and by how much, or which plug to look at; gain is offered only for the rest.
    pub cure: String,
    /// Other causes that the same data support; empty when none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub alternatives: Vec<Cause>,
}

/// A cause of how the beams read. Probes and elements count from 0.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// Bar centre against the ring's, fixed in space while the bar turns.
    OffCentre {
        /// To the right, in metres.
        x_m: f64,
        /// Upwards, in metres.
        y_m: f64,
        /// Standard uncertainty of each, in metres.
        uncertainty_m: f64,
    },
    /// Reference bar bent: its axis at the ring circles as the bar turns.
    BentBar {
        /// Sag at mid-length in metres.
        sag_m: f64,
        /// Direction of the sag in the bar's frame (from its mark), in rad.
        direction_rad: f64,
    },
    /// All surface echoes early or late alike: water velocity (temperature) off.
    WaterTemperature {
        /// Positive: warmer than the technique says, in K.
        change_k: f64,
    },
    /// The same seen as a path: ring radius or water path off (a diameter off is told apart by
    /// times in the steel, where they tell).
    WaterPath {
        /// Positive: longer than the technique says, in metres.
        change_m: f64,
    },
    /// One probe nearer or farther than it should be.
    ProbeMoved {
        /// The probe.
        probe: u32,
        /// Positive: farther out, in metres.
        change_m: f64,
    },
    /// Elements of a probe that lost sensitivity. Where apertures cannot tell single elements
    /// apart, one entry names a run of elements.
    Elements {
        /// The probe.
        probe: u32,
        /// The elements, worst first.
        elements: Vec<ElementLoss>,
    },
    /// All beams of a probe low (cable, plug, coupling).
    ProbeLow {
        /// The probe.
        probe: u32,
        /// Loss in dB against the median of the probes, there and back.
        loss_db: f64,
    },
    /// Plugs of two probes exchanged.
    ProbesSwapped {
        /// The probes.
        probes: [u32; 2],
    },
    /// Elements of a probe in reverse order.
    ProbeReversed {
        /// The probe.
        probe: u32,
    },
    /// The probes are not those of the technique (pitch, frequency or radius differ).
    WrongProbes,
    /// Bubbles in the water: for short spells the beams of a probe read low, or something echoes
    /// before the surface.
    Bubbles {
        /// Spells in a second, all probes together.
        per_second: f64,
        /// Share of the shots that they spoilt, 0 to 1.
        share: f64,
    },
    /// Heights that changed steadily while the capture was taken: probes or electronics that drift.
    Drift {
        /// The probes whose heights changed, fastest first.
        probes: Vec<ProbeDrift>,
    },
}

/// How the heights of one probe changed while a capture was taken.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ProbeDrift {
    /// The probe.
    pub probe: u32,
    /// Change of echo height in dB per minute; positive: rising.
    pub db_per_min: f64,
    /// Its standard uncertainty in dB per minute.
    pub uncertainty_db_per_min: f64,
}

/// Elements that lost sensitivity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ElementLoss {
    /// First element of the run.
    pub first: u32,
    /// Last element of the run, the same for a single element.
    pub last: u32,
    /// Loss in dB (positive) per element on firing and on receiving each, relative to the probe's
    /// median.
    pub loss_db: f64,
    /// Standard uncertainty of the loss in dB.
    pub uncertainty_db: f64,
}
