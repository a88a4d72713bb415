//! Bubbles in the water: short spells in which the beams of a probe read low, or something echoes
//! before the surface; now at one probe, now at another.

use barwright_job::level::Cause;

use super::{Rank, Weighed, seen::Seen};
use crate::level::Spell;

/// Fewest spells, and fewest probes at which they came, from which bubbles are told: one spell may be
/// anything.
const FEWEST: usize = 3;
const FEWEST_PROBES: usize = 2;
/// Share of spoilt shots from which nothing else is sure, either.
pub(super) const MANY: f64 = 0.1;

/// The explanation, if enough spells were seen.
pub(super) fn explain(seen: &Seen<'_>) -> Option<Weighed> {
    let spells: Vec<_> = seen.water.bubbles().collect();
    let mut probes: Vec<u32> = spells.iter().map(|s| s.probe).collect();
    probes.sort_unstable();
    probes.dedup();
    if spells.len() < FEWEST || probes.len() < FEWEST_PROBES || seen.water.seconds <= 0.0 {
        return None;
    }
    let lasting = |s: &Spell| s.end_s - s.start_s + seen.water.cycle_s;
    let spoilt_s: f64 = spells.iter().map(|s| lasting(s)).sum();
    let share = spoilt_s / (seen.water.seconds * seen.water.probes as f64);
    let per_second = spells.len() as f64 / seen.water.seconds;
    let echoed = spells.iter().filter(|s| s.echoed).count();
    let longest_s = spells.iter().map(|s| lasting(s)).fold(0.0, f64::max);
    let deepest_db = spells.iter().map(|s| s.drop_db).fold(0.0, f64::max);
    let mut evidence = vec![format!(
        "{} short spells at {} of {} probes, {per_second:.2} a second, the longest {:.0} ms: many beams of one probe at once, {:.1} % of the shots",
        spells.len(),
        probes.len(),
        seen.water.probes,
        longest_s * 1e3,
        share * 100.0
    )];
    if echoed > 0 {
        evidence.push(format!("in {echoed} of them something echoed before the surface"));
    }
    if deepest_db > 0.0 {
        evidence.push(format!("surface echoes fell by up to {deepest_db:.0} dB in them"));
    }
    evidence.push("these shots are left out where others show the same".into());
    Some(Weighed {
        rank: Rank::Water,
        weight: spells.len() as f64 / FEWEST as f64,
        explanation: super::explanation(
            Cause::Bubbles { per_second, share },
            // A spell that something else made comes once in five captures: an odd one is no stream.
            1.0 - 0.2f64.powi(spells.len() as i32),
            evidence,
            "let the water run clear: vent the supply, wipe the probes' faces, slow the filling; then level again".into(),
            Vec::new(),
        ),
    })
}

/// Share of the shots that bubbles spoilt.
pub(super) fn share(found: Option<&Weighed>) -> f64 {
    match found.map(|w| &w.explanation.cause) {
        Some(Cause::Bubbles { share, .. }) => *share,
        _ => 0.0,
    }
}
