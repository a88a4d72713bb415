//! What drifts, one entry for one cause: a probe takes its beams and reflectors with it.

use std::collections::BTreeMap;

use barwright_job::measures::Quantity;
use serde::Serialize;

use super::{
    forecast::{Course, Left},
    history::Subject,
    watch::Watched,
    words,
};

/// Where a drift comes from. Probes and beams count from 0.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// All probes alike: water, pulsers, the reference bar.
    Station,
    /// One probe: cable, plug, face.
    Probe(u32),
    /// A probe that stands elsewhere.
    ProbeMoved(u32),
    /// Single beams of a probe: elements that they share.
    Beams {
        /// The probe.
        probe: u32,
        /// The beams.
        beams: Vec<u32>,
    },
    /// A reflector without its probe: the reference bar, or how it is passed.
    Reflector(String),
    /// The noise.
    Noise,
}

/// Something that drifts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Drift {
    /// Where it comes from.
    pub origin: Origin,
    /// Series that show it, the leading one first.
    pub series: Vec<String>,
    /// Whether its places are levels, not checks.
    pub by_level: bool,
    /// Place of the check at which it was called (from 0).
    pub called: usize,
    /// Place of the check since when it has shifted.
    pub since: usize,
    /// Distance of the weighted average from what is usual, in the unit of the leading series.
    pub away: f64,
    /// What the leading series did.
    pub course: Course,
    /// How many checks are left, where that can be said.
    pub left: Option<Left>,
    /// The same in a sentence or two.
    pub sentence: String,
}

/// The causes among series, most urgent first.
pub(super) fn causes(series: &[Watched]) -> Vec<Drift> {
    let mut out = Vec::new();
    let mut told: Vec<&str> = Vec::new();
    let is_out = |w: &&Watched| w.out;
    let mut groups: BTreeMap<(bool, bool, u32), Vec<&Watched>> = BTreeMap::new();
    for w in series.iter().filter(is_out) {
        let place = w.series.quantity == Quantity::SurfaceDelay;
        match w.series.subject {
            Subject::Probe(p) => groups.entry((w.by_level, place, p)).or_default().push(w),
            Subject::Station if w.series.is_split() => {
                groups.entry((w.by_level, place, u32::MAX)).or_default().push(w);
            }
            _ => {}
        }
    }
    for ((by_level, place, probe), mut own) in groups {
        own.sort_by(|a, b| b.strength().total_cmp(&a.strength()));
        let lead = own[0];
        // Reflectors that go the same way with the probe that sees them.
        let with = |w: &&Watched| match &w.series.subject {
            Subject::Reflector { probes, .. } => {
                let seen = probe == u32::MAX || probes.contains(&probe);
                w.out && seen && w.away() * lead.away() > 0.0
            }
            _ => false,
        };
        if !by_level && !place {
            own.extend(series.iter().filter(with));
        }
        told.extend(own.iter().map(|w| w.name.as_str()));
        let origin = match (probe, place) {
            (u32::MAX, _) => Origin::Station,
            (p, true) => Origin::ProbeMoved(p),
            (p, false) => Origin::Probe(p),
        };
        out.push(drift(origin, &own));
    }
    let mut beams: BTreeMap<(bool, u32), Vec<&Watched>> = BTreeMap::new();
    for w in series.iter().filter(is_out) {
        if let Subject::Beam { probe, .. } = w.series.subject {
            beams.entry((w.by_level, probe)).or_default().push(w);
        }
    }
    for ((_, probe), mut own) in beams {
        own.sort_by(|a, b| b.strength().total_cmp(&a.strength()));
        let mut list: Vec<u32> = own
            .iter()
            .filter_map(|w| match w.series.subject {
                Subject::Beam { beam, .. } => Some(beam),
                _ => None,
            })
            .collect();
        list.sort_unstable();
        list.dedup();
        out.push(drift(Origin::Beams { probe, beams: list }, &own));
    }
    for w in series.iter().filter(is_out).filter(|w| !told.contains(&w.name.as_str())) {
        match &w.series.subject {
            Subject::Reflector { name, .. } => {
                out.push(drift(Origin::Reflector(name.clone()), &[w]));
            }
            Subject::Station if w.series.quantity == Quantity::Noise => {
                out.push(drift(Origin::Noise, &[w]));
            }
            _ => {}
        }
    }
    let urgency = |d: &Drift| d.left.map_or(u32::MAX, |l| l.cautious);
    out.sort_by_key(urgency);
    out
}

fn drift(origin: Origin, own: &[&Watched]) -> Drift {
    let lead = own[0];
    let called = lead.called.unwrap_or(0);
    let since = lead.since.unwrap_or(called);
    Drift {
        series: own.iter().map(|w| w.name.clone()).collect(),
        by_level: lead.by_level,
        called,
        since,
        away: lead.away(),
        course: lead.course,
        left: lead.left,
        sentence: words::sentence(&origin, lead, own.len()),
        origin,
    }
}

impl Watched {
    /// Distance of the weighted average from the centre.
    #[must_use]
    pub fn away(&self) -> f64 {
        self.chart
            .as_ref()
            .and_then(|c| Some(c.values.last()?.average - c.standard.centre))
            .unwrap_or(0.0)
    }

    /// How far outside its limits the average stands: above 1 is outside.
    #[must_use]
    pub fn strength(&self) -> f64 {
        let limit = self.chart.as_ref().and_then(|c| c.values.last()).map_or(0.0, |v| v.limit);
        if limit > 0.0 { self.away().abs() / limit } else { 0.0 }
    }
}
