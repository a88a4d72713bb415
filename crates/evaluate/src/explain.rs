//! What explains how the beams read: before gain hides it.
//!
//! # Algorithm
//! 1. [`seen`] reduces the captures: surface times by beam and motion, heights, profiles over the
//!    turn.
//! 2. Plugs first: exchanged or reversed ones and wrong probes make all other readings of their
//!    beams meaningless.
//! 3. Surface times tell where bar and probes stand; models compete by the Bayesian information
//!    criterion, and what lies below its detection limit is not claimed.
//! 4. Heights, freed of what a misplaced bar does to them, tell probes that are low and, by
//!    overlapping apertures and by profiles over the turn, elements that are weak.
//!
//! Detection limits are constants of the model files with their reasons.

mod aperture;
mod bend;
mod centre;
mod common;
mod elements;
mod fit;
mod form;
mod freed;
mod mirror;
mod moved;
mod place;
mod plugs;
mod probes;
mod seen;
mod sensitivity;
mod timing;
mod words;
mod wrong;

use barwright_job::{
    Finding, Topic,
    level::{Cause, Explanation},
};

pub(crate) use seen::Seen;

/// Difference of the criterion up to which two models do equally well (Kass & Raftery, JASA 90
/// (1995) 773: above 6 the evidence is strong).
const CLOSE_BIC: f64 = 6.0;

/// All that was found.
#[derive(Debug, Clone, Default)]
pub(crate) struct Explained {
    /// Most likely first.
    pub list: Vec<Explanation>,
    /// Bar centre against the ring's, also where it is too small to be told.
    pub bar_offset_m: Option<[f64; 2]>,
    /// Part of each beam's deviation that a misplaced bar explains, in dB: gain must not hide it.
    pub cured_db: Vec<f64>,
    /// The explanations as findings.
    pub findings: Vec<Finding>,
    /// Turn by which all echoes are off together, in rad.
    pub mark_off_rad: Option<f64>,
}

impl Explained {
    /// Whether something must be moved or plugged before the level can be good.
    pub fn needs_a_hand(&self) -> bool {
        self.list.iter().any(|e| is_mechanical(&e.cause))
    }
}

/// Whether a cause is one of place, plug or probe; water of another temperature is followed by the
/// gates, and elements and low probes are what gain is for.
fn is_mechanical(cause: &Cause) -> bool {
    matches!(
        cause,
        Cause::OffCentre { .. }
            | Cause::BentBar { .. }
            | Cause::ProbeMoved { .. }
            | Cause::ProbesSwapped { .. }
            | Cause::ProbeReversed { .. }
            | Cause::WrongProbes
    )
}

/// Which causes are told before which: those that make the others' data meaningless first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Rank {
    Plug,
    Place,
    Probe,
    Element,
}

/// An explanation with what it is sorted by.
#[derive(Debug, Clone)]
struct Weighed {
    rank: Rank,
    /// Size in detection limits.
    weight: f64,
    explanation: Explanation,
}

fn explanation(
    cause: Cause,
    confidence: f64,
    evidence: Vec<String>,
    cure: String,
    alternatives: Vec<Cause>,
) -> Explanation {
    Explanation { cause, confidence: confidence.clamp(0.0, 1.0), evidence, cure, alternatives }
}

/// Explains what was seen.
pub(crate) fn explain(seen: &Seen<'_>) -> Explained {
    let plugs = plugs::explain(seen);
    let mut taken: Vec<u32> = plugs.iter().flat_map(|w| probes_of(&w.explanation.cause)).collect();
    let mut places = place::places(seen);
    let wrong = wrong::explain(seen, places.outwards_m);
    let bent = bend::explain(seen);
    let sag_m = bent.iter().map(|w| sag_m(&w.explanation.cause)).fold(0.0, f64::max);
    // Another probe's law or a bar that circles shifts one probe's surface a little by itself.
    places.list.retain(|w| match w.explanation.cause {
        Cause::ProbeMoved { probe, change_m } => !taken.contains(&probe) && change_m.abs() >= sag_m,
        _ => true,
    });
    let misplaced = places
        .list
        .iter()
        .any(|w| matches!(w.explanation.cause, Cause::OffCentre { .. } | Cause::ProbeMoved { .. }));
    let freed = freed::heights(seen, misplaced);
    let levels = probes::levels(seen, &freed.own_db);
    let low = probes::explain(seen, &levels, &taken);
    taken.extend(low.iter().filter_map(dead_probes));
    let weak = if wrong.is_some() {
        Vec::new()
    } else {
        elements::explain(seen, &freed, &levels.db, &taken)
    };
    let mut all: Vec<Weighed> = plugs;
    all.extend(wrong);
    all.extend(places.list);
    all.extend(bent);
    all.extend(low);
    all.extend(weak);
    all.sort_by(|a, b| a.rank.cmp(&b.rank).then(b.weight.total_cmp(&a.weight)));
    let findings = all.iter().map(|w| finding(&w.explanation)).collect();
    Explained {
        list: all.into_iter().map(|w| w.explanation).collect(),
        bar_offset_m: places.offset_m,
        cured_db: freed.cured_db,
        findings,
        mark_off_rad: seen.mark_off_rad(),
    }
}

fn probes_of(cause: &Cause) -> Vec<u32> {
    match *cause {
        Cause::ProbesSwapped { probes } => probes.to_vec(),
        Cause::ProbeReversed { probe } => vec![probe],
        _ => Vec::new(),
    }
}

/// Sag that a cause tells, in metres; nought for any other.
fn sag_m(cause: &Cause) -> f64 {
    if let Cause::BentBar { sag_m, .. } = cause { *sag_m } else { 0.0 }
}

/// Probes so low that their heights say nothing of single elements.
fn dead_probes(low: &Weighed) -> Option<u32> {
    match low.explanation.cause {
        Cause::ProbeLow { probe, loss_db } if loss_db > 20.0 => Some(probe),
        _ => None,
    }
}

/// An explanation as one sentence among the findings.
fn finding(e: &Explanation) -> Finding {
    let topic = match e.cause {
        Cause::OffCentre { .. } | Cause::BentBar { .. } | Cause::ProbeMoved { .. } => {
            Topic::OffCentre
        }
        Cause::WaterTemperature { .. } | Cause::WaterPath { .. } => Topic::Assumed,
        _ => Topic::Missing,
    };
    let seen = e.evidence.first().map_or("", String::as_str);
    Finding::new(topic, format!("{seen}: {}", e.cure))
}
