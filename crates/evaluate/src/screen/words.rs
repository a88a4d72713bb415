//! What screening says of a bar, in words.

use std::collections::BTreeMap;

use barwright_job::{
    Finding, Topic,
    level::{BeamState, Level},
    proof::FlawClass,
    screened::{LossCause, Lost},
};

use crate::reading::count_beams;

/// One finding for each stretch lost between the ends.
pub(super) fn lost(lost: &[Lost]) -> Vec<Finding> {
    lost.iter()
        .filter_map(|l| {
            let (topic, why) = match l.cause {
                LossCause::End => return None,
                LossCause::Coupling => (Topic::CouplingLost, "the surface echo was lost"),
                LossCause::MissedCycle => (Topic::MissedCycle, "shots are missing"),
                LossCause::TooFast => {
                    (Topic::MissedCycle, "the bar moved too fast, shots lay too far apart")
                }
                LossCause::Clipped => (Topic::Clipped, "samples at full scale hid the gate"),
                LossCause::NotLevelled => (Topic::NotInspected, "they have no sound level"),
            };
            let class = match l.class {
                FlawClass::Disc => "the volume",
                FlawClass::Crack => "the surface",
            };
            Some(
                Finding::new(
                    topic,
                    format!(
                        "{class} was not inspected by {} between {:.0} and {:.0} mm: {why}",
                        count_beams(l.beams.len()),
                        l.from_m * 1e3,
                        l.to_m * 1e3
                    ),
                )
                .beams(l.beams.iter().copied())
                .stretch(l.from_m, l.to_m),
            )
        })
        .collect()
}

/// What is to be known of the level that was loaded.
pub(super) fn level(level: Option<&Level>, unlevelled: &[u32], length_m: f64) -> Vec<Finding> {
    let Some(level) = level else {
        return vec![Finding::new(
            Topic::Assumed,
            "screened without a level: heights and sizes rest on the technique's own gains",
        )];
    };
    let mut out = Vec::new();
    if !unlevelled.is_empty() {
        out.push(
            Finding::new(
                Topic::NotInspected,
                format!(
                    "no sound level for {}: what they inspect counts as not inspected over the whole bar",
                    count_beams(unlevelled.len())
                ),
            )
            .beams(unlevelled.iter().copied())
            .stretch(0.0, length_m),
        );
    }
    let unproven: Vec<u32> =
        level.beams.iter().filter(|b| b.state == BeamState::Corrected).map(|b| b.beam).collect();
    if !unproven.is_empty() {
        out.push(
            Finding::new(
                Topic::Assumed,
                format!(
                    "the gains of {} were corrected and no second capture has shown them inside the band",
                    count_beams(unproven.len())
                ),
            )
            .beams(unproven),
        );
    }
    out
}

/// One finding for back walls at full scale, by beam (clipped flaw gates are accounted for as
/// lost).
pub(super) fn clipped_walls(walls: BTreeMap<u32, (f64, f64)>) -> Option<Finding> {
    if walls.is_empty() {
        return None;
    }
    let from = walls.values().fold(f64::MAX, |m, s| m.min(s.0));
    let to = walls.values().fold(f64::MIN, |m, s| m.max(s.1));
    Some(
        Finding::new(
            Topic::Clipped,
            format!(
                "the back wall of {} was at full scale: its height is a lower bound",
                count_beams(walls.len())
            ),
        )
        .beams(walls.into_keys())
        .stretch(from, to),
    )
}
