//! A changeover: the station moved from one size to another, step by step.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{finding::Finding, seal::Document};

/// A changeover with the time that each step took and what a capture says of it. Its sources are
/// `technique` (the one changed to) and, once verified, `reference_bar` and `capture`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Changeover {
    /// Technique that ran before, in words; absent at a first set-up.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// Technique changed to, in words.
    pub to: String,
    /// When it began, in microseconds since 1970 (UTC).
    pub began_us: i64,
    /// The steps, in the order in which they are done.
    pub steps: Vec<Step>,
    /// Whether a capture verified every step.
    pub ready: bool,
    /// What was noticed.
    pub findings: Vec<Finding>,
}

impl Document for Changeover {
    const KIND: &'static str = "changeover";
    const FORMAT: u32 = 1;
}

impl Changeover {
    /// A changeover with all its steps open.
    #[must_use]
    pub fn begin(from: Option<String>, to: String, began_us: i64) -> Self {
        let step = |kind| Step {
            kind,
            done_us: None,
            state: StepState::Open,
            evidence: Vec::new(),
            cure: String::new(),
        };
        let steps = StepKind::ALL.into_iter().map(step).collect();
        Self { from, to, began_us, steps, ready: false, findings: Vec::new() }
    }

    /// Seconds from one step's end (or the beginning) to this one's, by the order in which they were
    /// ended; absent while it is open.
    #[must_use]
    pub fn took_s(&self, kind: StepKind) -> Option<f64> {
        let done = self.steps.iter().find(|s| s.kind == kind)?.done_us?;
        let before = self
            .steps
            .iter()
            .filter(|s| s.kind != kind)
            .filter_map(|s| s.done_us)
            .filter(|us| *us <= done)
            .fold(self.began_us, i64::max);
        Some((done - before) as f64 / 1e6)
    }
}

/// A step of a changeover.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Step {
    /// Which.
    pub kind: StepKind,
    /// When it was ended, in microseconds since 1970 (UTC).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub done_us: Option<i64>,
    /// What is known of it.
    pub state: StepState,
    /// What the capture says, one sentence each, with numbers.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub evidence: Vec<String>,
    /// What to do; empty where nothing is to be done.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub cure: String,
}

/// What is done at a changeover, in this order.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum StepKind {
    /// The technique is loaded.
    Technique,
    /// The ring stands around the line.
    Ring,
    /// Its probes are the ordered ones and alive.
    Probes,
    /// Every plug sits where it belongs.
    Connectors,
    /// The bar runs through the ring's centre.
    Centring,
    /// The water has the planned temperature and couples.
    Water,
}

impl StepKind {
    /// All, in order.
    pub const ALL: [Self; 6] =
        [Self::Technique, Self::Ring, Self::Probes, Self::Connectors, Self::Centring, Self::Water];

    /// Its name as people write it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Technique => "technique",
            Self::Ring => "ring",
            Self::Probes => "probes",
            Self::Connectors => "connectors",
            Self::Centring => "centring",
            Self::Water => "water",
        }
    }

    /// What is to be done.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Technique => "load the technique",
            Self::Ring => "mount the ring",
            Self::Probes => "mount the ring's probes",
            Self::Connectors => "connect every plug to its place",
            Self::Centring => "centre the guides on the ring",
            Self::Water => "let the water in and bring it to temperature",
        }
    }
}

/// What is known of a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum StepState {
    /// Not done yet.
    Open,
    /// Done by hand, not verified.
    Done,
    /// A capture shows that it is right.
    Verified,
    /// A capture shows that it is not.
    Wrong,
    /// The capture does not tell.
    NotTold,
}

impl StepState {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Done => "done, not verified",
            Self::Verified => "verified",
            Self::Wrong => "wrong",
            Self::NotTold => "not told by the capture",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: by hand. Steps may be ended in any order; each took the time since the one before it.
    #[test]
    fn a_step_takes_the_time_since_the_last_one_ended() {
        let mut c = Changeover::begin(None, "42".into(), 1_000_000);
        let end = |c: &mut Changeover, kind: StepKind, us| {
            c.steps.iter_mut().find(|s| s.kind == kind).expect("a step").done_us = Some(us);
        };
        end(&mut c, StepKind::Ring, 61_000_000);
        end(&mut c, StepKind::Technique, 66_000_000);
        end(&mut c, StepKind::Water, 366_000_000);
        assert_eq!(c.took_s(StepKind::Ring), Some(60.0));
        assert_eq!(c.took_s(StepKind::Technique), Some(5.0));
        assert_eq!(c.took_s(StepKind::Water), Some(300.0));
        assert_eq!(c.took_s(StepKind::Probes), None);
    }
}
