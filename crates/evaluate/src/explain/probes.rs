//! A whole probe low: cable, plug or coupling.

use barwright_job::level::Cause;

use super::{Rank, Weighed, seen::Seen, words};
use crate::reading::median;

/// Detection limit in dB there and back, against the median of the probes. Sound probes of one ring
/// differ by 1 dB on firing and on receiving each (one standard deviation, common practice, no
/// source), by 2 dB there and back; three of these.
pub(super) const LEAST_DB: f64 = 6.0;

/// Height of each probe against the median of the others' in dB, absent where it read nothing; with
/// the same number for probes that read nothing at all while the others did.
pub(super) struct Levels {
    /// By probe.
    pub db: Vec<Option<f64>>,
    /// Scatter of one probe's level.
    pub spread_db: f64,
}

/// Levels of the probes from the heights of their beams, each against the median of its like.
pub(super) fn levels(seen: &Seen<'_>, heights_db: &[Option<f64>]) -> Levels {
    let probes = seen.technique.probes.len();
    let mut own: Vec<Option<f64>> = (0..probes)
        .map(|p| {
            let mut of: Vec<f64> = seen
                .technique
                .beams
                .iter()
                .zip(heights_db)
                .filter(|(b, _)| b.probe as usize == p)
                .filter_map(|(_, h)| *h)
                .collect();
            (of.len() >= 3).then(|| median(&mut of))
        })
        .collect();
    let mut known: Vec<f64> = own.iter().flatten().copied().collect();
    let middle = median(&mut known);
    own.iter_mut().flatten().for_each(|l| *l -= middle);
    let mut sizes: Vec<f64> = own.iter().flatten().map(|l| l.abs()).collect();
    Levels { spread_db: 1.4826 * median(&mut sizes), db: own }
}

/// Explanations for probes that are low, or dead, as a whole.
pub(super) fn explain(seen: &Seen<'_>, levels: &Levels, taken: &[u32]) -> Vec<Weighed> {
    let alive = levels.db.iter().flatten().count();
    if levels.db.len() < 3 || alive < 2 {
        return Vec::new();
    }
    (0u32..)
        .zip(&levels.db)
        .filter(|(p, _)| !taken.contains(p))
        .filter_map(|(probe, level)| match level {
            Some(level) if -level >= LEAST_DB => Some(low(probe, -level, levels.spread_db)),
            Some(_) => None,
            None => dead(seen, probe),
        })
        .collect()
}

fn low(probe: u32, loss_db: f64, spread_db: f64) -> Weighed {
    // How unlikely so low a probe is among sound ones of 2 dB.
    let z = loss_db / spread_db.clamp(1.0, 2.0);
    explanation(
        probe,
        loss_db,
        1.0 - (-0.5 * z * z).exp(),
        format!(
            "{} reads {loss_db:.1} dB lower than the others with all its beams",
            words::probe(probe)
        ),
    )
}

/// A probe none of whose beams read anything while those of others did: the loss is at least what
/// stands between expected height and clutter.
fn dead(seen: &Seen<'_>, probe: u32) -> Option<Weighed> {
    let own: Vec<usize> = (0..seen.technique.beams.len())
        .filter(|&b| seen.technique.beams[b].probe == probe && !seen.by_beam[b].is_empty())
        .collect();
    let silent = own.iter().filter(|&&b| seen.is_missing(b)).count();
    if own.len() < 3 || silent * 10 < own.len() * 9 {
        return None;
    }
    let mut floors: Vec<f64> = own
        .iter()
        .flat_map(|&b| &seen.by_beam[b])
        .map(|&i| -seen.echoes[i].floor_db)
        .filter(|f| f.is_finite())
        .collect();
    let least = median(&mut floors).max(LEAST_DB);
    Some(explanation(
        probe,
        least,
        0.95,
        format!(
            "{silent} of {} beams of {} read nothing: at least {least:.0} dB are lost",
            own.len(),
            words::probe(probe)
        ),
    ))
}

fn explanation(probe: u32, loss_db: f64, confidence: f64, evidence: String) -> Weighed {
    Weighed {
        rank: Rank::Probe,
        weight: loss_db / LEAST_DB,
        explanation: super::explanation(
            Cause::ProbeLow { probe, loss_db },
            confidence,
            vec![evidence],
            format!(
                "look at cable, plug and coupling of {} before gain hides it",
                words::probe(probe)
            ),
            Vec::new(),
        ),
    }
}
