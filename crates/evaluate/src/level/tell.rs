//! What levelling noticed besides its answer.

use barwright_job::{
    Finding, Topic,
    level::{BeamLevel, BeamState},
    reference::ReferenceBar,
    station::Electronics,
};

use super::{heights::BeamRead, stray::Stray};
use crate::{
    explain::Explained,
    reading::{count_beams, median, wrapped},
};

/// Disagreement of a beam's own reflectors that is worth a finding, in dB.
const CURVE_DISAGREES_DB: f64 = 2.0;
/// Turn by which all echoes are off together that is worth a finding: a degree and a half, since the
/// bar's mark is set by hand.
const MARK_OFF_RAD: f64 = 1.5 * std::f64::consts::PI / 180.0;

/// Everything that findings are made from.
pub(super) struct Told<'a> {
    pub beams: &'a [BeamLevel],
    pub reads: &'a [BeamRead],
    pub strays: &'a [Option<Stray>],
    pub explained: &'a Explained,
    pub reference: &'a ReferenceBar,
    pub electronics: &'a Electronics,
    pub missed: u64,
    pub still: bool,
    pub passes: u32,
}

/// The findings of a level, those of its explanations first.
pub(super) fn findings(told: &Told<'_>) -> Vec<Finding> {
    let mut out = told.explained.findings.clone();
    out.extend(told.beam_states());
    out.extend(told.mark());
    out.extend(told.steadiness());
    out
}

impl Told<'_> {
    fn beam_states(&self) -> Vec<Finding> {
        let of = |state: BeamState| -> Vec<u32> {
            self.beams.iter().filter(|b| b.state == state).map(|b| b.beam).collect()
        };
        let lower = self.beams.iter().filter_map(|b| b.lower_by_db).fold(0.0, f64::max);
        let limits = self.electronics;
        let cases = [
            (
                Topic::Clipped,
                BeamState::Clipped,
                format!(
                    "reflector at full scale; make another pass with the gain lowered by {lower:.0} dB, these gains are left alone"
                ),
            ),
            (
                Topic::Missing,
                BeamState::Missing,
                "no echo where the reflector should read; this needs a hand, and what they inspect counts as not inspected".into(),
            ),
            (
                Topic::OutOfReach,
                BeamState::OutOfReach,
                format!(
                    "the gain needed lies outside {} to {} dB; this needs a hand, and what they inspect counts as not inspected",
                    limits.gain_min_db, limits.gain_max_db
                ),
            ),
            (
                Topic::Validity,
                BeamState::Doubled,
                "two echoes of like height stand in the window; which is the reflector's is not known, these gains are left alone".into(),
            ),
        ];
        let mut out: Vec<Finding> = cases
            .into_iter()
            .filter_map(|(topic, state, words)| {
                let ids = of(state);
                (!ids.is_empty()).then(|| {
                    Finding::new(topic, format!("{}: {words}", count_beams(ids.len()))).beams(ids)
                })
            })
            .collect();
        out.extend(self.stray_findings());
        let disagree: Vec<u32> = self
            .reads
            .iter()
            .zip(0u32..)
            .filter(|(r, _)| r.disagreement_db > CURVE_DISAGREES_DB)
            .map(|(_, b)| b)
            .collect();
        if !disagree.is_empty() {
            let words = "reflectors at different depths read more than 2 dB apart; gain against depth does not hold";
            out.push(
                Finding::new(Topic::Validity, format!("{}: {words}", count_beams(disagree.len())))
                    .beams(disagree),
            );
        }
        out
    }

    fn stray_findings(&self) -> Vec<Finding> {
        let strays: Vec<(u32, &Stray)> =
            (0u32..).zip(self.strays).filter_map(|(b, s)| Some((b, s.as_ref()?))).collect();
        let mut out = Vec::new();
        let name = |r: u32| {
            self.reference.reflectors.get(r as usize).map_or_else(String::new, |r| r.name.clone())
        };
        let mut others: Vec<u32> = strays.iter().filter_map(|(_, s)| s.neighbour).collect();
        others.sort_unstable();
        others.dedup();
        for other in others {
            let ids: Vec<u32> =
                strays.iter().filter(|(_, s)| s.neighbour == Some(other)).map(|s| s.0).collect();
            out.push(
                Finding::new(
                    Topic::Missing,
                    format!(
                        "{}: the echo is that of {}, not their own reflector's; look whether the bar stood where the motion list says",
                        count_beams(ids.len()),
                        name(other)
                    ),
                )
                .beams(ids),
            );
        }
        let lost: Vec<&(u32, &Stray)> =
            strays.iter().filter(|(_, s)| s.neighbour.is_none()).collect();
        if !lost.is_empty() {
            let mut turns: Vec<f64> =
                lost.iter().map(|(_, s)| s.found.turn_off_rad.to_degrees()).collect();
            let mut times: Vec<f64> = lost.iter().map(|(_, s)| s.found.time_off_s * 1e6).collect();
            out.push(
                Finding::new(
                    Topic::Missing,
                    format!(
                        "{}: the echo stands beside its window, {:+.1}° and {:+.2} µs off in the middle of them; these gains are left alone",
                        count_beams(lost.len()),
                        median(&mut turns),
                        median(&mut times)
                    ),
                )
                .beams(lost.iter().map(|s| s.0)),
            );
        }
        out
    }

    /// A bar whose mark was not at zero turns every echo alike.
    fn mark(&self) -> Option<Finding> {
        let off = self.explained.mark_off_rad.map(wrapped)?;
        (off.abs() > MARK_OFF_RAD).then(|| {
            Finding::new(
                Topic::Assumed,
                format!(
                    "every echo comes {:+.1}° late in turn: the bar's mark was not where the motion list begins",
                    off.to_degrees()
                ),
            )
        })
    }

    fn steadiness(&self) -> Vec<Finding> {
        let mut out = Vec::new();
        if self.passes == 1 && !self.still {
            out.push(Finding::new(
                Topic::Assumed,
                "each reflector was passed once: the uncertainty of the heights is not known, two passes tell it",
            ));
        }
        let unsteady: Vec<u32> =
            (0u32..).zip(self.reads).filter(|(_, r)| r.outliers > 0).map(|(b, _)| b).collect();
        if !unsteady.is_empty() {
            out.push(
                Finding::new(
                    Topic::CouplingLost,
                    format!(
                        "{}: one pass read more than 3 dB off the others and was left out; look for bubbles",
                        count_beams(unsteady.len())
                    ),
                )
                .beams(unsteady),
            );
        }
        if self.missed > 0 {
            out.push(Finding::new(
                Topic::MissedCycle,
                format!("{} single shots of the motion list are missing", self.missed),
            ));
        }
        out
    }
}
