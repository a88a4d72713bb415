//! What explains how the beams read: before gain hides it.
//!
//! # Algorithm
//! 1. [`seen`] reduces the captures: surface times by beam and motion, heights, profiles over the
//!    turn.
//! 2. Plugs first: exchanged or reversed ones and wrong probes make all other readings of their
//!    beams meaningless. Then the water: spells that it spoilt are left out of all that follows.
//! 3. Surface times tell where bar and probes stand; models compete by the Bayesian information
//!    criterion, and what lies below its detection limit, or does not stand far enough above the
//!    scatter of beams and probes, is not claimed.
//! 4. Heights that change with time tell drift.
//! 5. Heights, freed of what a misplaced bar does to them, tell probes that are low and, by
//!    overlapping apertures and by profiles over the turn, elements that are weak.
//!
//! Detection limits are constants of the model files with their reasons.

mod aperture;
mod bend;
mod bubbles;
mod centre;
mod common;
mod drift;
mod elements;
mod faults;
mod form;
mod freed;
mod likelihood;
mod mirror;
mod moved;
mod place;
mod plugs;
mod probes;
mod readings;
mod seen;
mod timing;
mod words;
mod wrong;

use barwright_job::{
    Finding, Topic,
    level::{Cause, Explanation},
};

use crate::fit;

pub(crate) use seen::{Seen, Taken};

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
    /// Whether something must be moved, plugged, vented or warmed up before the level can be good.
    pub fn needs_a_hand(&self) -> bool {
        let unsteady = |c: &Cause| matches!(c, Cause::Bubbles { .. } | Cause::Drift { .. });
        self.list.iter().any(|e| is_mechanical(&e.cause) || unsteady(&e.cause))
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
    Water,
    Place,
    Drift,
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
    let bubbles = bubbles::explain(seen);
    let sag = bend::measure(seen);
    let bent = sag.as_ref().and_then(bend::explain);
    let sag_m = sag.as_ref().map_or(0.0, |s| s.sag_m);
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
    let mut surfaces: Vec<Weighed> = places.list.into_iter().chain(bent).collect();
    if bubbles::share(bubbles.as_ref()) >= bubbles::MANY {
        let cause = bubbles.iter().map(|w| &w.explanation.cause);
        for w in &mut surfaces {
            w.explanation.alternatives.extend(cause.clone().cloned());
        }
    }
    all.extend(surfaces);
    all.extend(bubbles);
    all.extend(drift::explain(seen));
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
        Cause::Bubbles { .. } => Topic::CouplingLost,
        Cause::Drift { .. } => Topic::Validity,
        _ => Topic::Missing,
    };
    let seen = e.evidence.first().map_or("", String::as_str);
    Finding::new(topic, format!("{seen}: {}", e.cure))
}
