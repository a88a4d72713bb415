//! What differs between two techniques, as data.

use std::collections::{BTreeMap, BTreeSet};

use barwright_job::technique::{Probe, Technique};
use barwright_job::{Hash, Sealed};
use serde::Serialize;
use serde_json::Value;

use super::beams::{self, BeamChange, Named, largest};
use crate::failure::Failure;

/// Members that are compared on their own.
const OWN: [&str; 3] = ["beams", "probes", "schedule"];
/// Members that say something about the technique and set nothing.
const NOTES: [&str; 4] = ["limits", "others", "changes", "findings"];

/// What differs between two techniques.
#[derive(Debug, Serialize)]
pub struct Diff {
    /// Whether they set everything alike and say the same of it.
    pub same: bool,
    pub names: [String; 2],
    pub hashes: [Hash; 2],
    /// Roles of the documents that the two were made from and that differ.
    pub made_from: Vec<Changed>,
    /// Single values outside beams, probes and schedule.
    pub values: Vec<Changed>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub probes: Option<ProbesChange>,
    pub beams: Beams,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub schedule: Option<ScheduleChange>,
    /// Members that set nothing and differ: rules' figures, findings and the like.
    pub notes: Vec<String>,
}

/// A value in both techniques; absent is null.
#[derive(Debug, Serialize)]
pub struct Changed {
    pub what: String,
    pub first: Value,
    pub second: Value,
}

/// What differs between the probes.
#[derive(Debug, Serialize)]
pub struct ProbesChange {
    pub probes: [usize; 2],
    pub elements: [usize; 2],
    /// Elements of both whose place, direction or size differs.
    pub elements_changed: usize,
    pub largest_shift_mm: f64,
    pub largest_turn_deg: f64,
    /// Largest change of an element's width or length.
    pub largest_size_mm: f64,
    pub focus_changed: bool,
}

/// What became of the beams.
#[derive(Debug, Serialize)]
pub struct Beams {
    pub count: [usize; 2],
    /// Beams that are the same and only have another number.
    pub renumbered: usize,
    pub added: Vec<Named>,
    pub removed: Vec<Named>,
    pub changed: Vec<BeamChange>,
}

/// What became of the firing order.
#[derive(Debug, Serialize)]
pub struct ScheduleChange {
    pub period_ms: [f64; 2],
    pub least_period_ms: [Option<f64>; 2],
    pub firings: [usize; 2],
    /// Beams of both that fire at another moment of the cycle.
    pub retimed: usize,
    pub largest_retiming_us: f64,
    /// Beams of both that fire together with others than before.
    pub regrouped: usize,
}

/// Compares two techniques.
///
/// # Errors
/// When a technique cannot be put as JSON, which would be a fault of the program.
pub fn diff(a: &Sealed<Technique>, b: &Sealed<Technique>) -> Result<Diff, Failure> {
    let (ta, tb) = (&a.body, &b.body);
    let pairs = beams::pairs(&ta.beams, &tb.beams);
    let to: BTreeMap<u32, u32> =
        pairs.iter().map(|(i, j)| (ta.beams[*i].id, tb.beams[*j].id)).collect();
    let json = |t: &Technique| serde_json::to_value(t).map_err(|e| Failure::because(&e));
    let (mut values, mut notes) = (Vec::new(), Vec::new());
    let (ja, jb) = (json(ta)?, json(tb)?);
    for key in keys(&ja, &jb) {
        let (x, y) = (&ja[&key], &jb[&key]);
        if NOTES.contains(&key.as_str()) {
            if x != y {
                notes.push(key);
            }
        } else if !OWN.contains(&key.as_str()) {
            leaves(&key, x, y, &mut values);
        }
    }
    let roles: BTreeSet<&String> = a.made_from.keys().chain(b.made_from.keys()).collect();
    let hash = |h: Option<&Hash>| h.map_or(Value::Null, |h| Value::from(h.0.as_str()));
    let made_from = roles
        .into_iter()
        .map(|r| (r, a.made_from.get(r), b.made_from.get(r)))
        .filter(|(_, x, y)| x != y)
        .map(|(r, x, y)| Changed { what: r.clone(), first: hash(x), second: hash(y) })
        .collect();
    Ok(Diff {
        same: ta == tb && a.made_from == b.made_from,
        names: [ta.name.clone(), tb.name.clone()],
        hashes: [a.hash.clone(), b.hash.clone()],
        made_from,
        values,
        probes: probes(&ta.probes, &tb.probes),
        beams: all_beams(ta, tb, &pairs, &to),
        schedule: schedule(ta, tb, &to),
        notes,
    })
}

fn keys(a: &Value, b: &Value) -> BTreeSet<String> {
    let of = |v: &Value| v.as_object().map(|m| m.keys().cloned().collect::<Vec<_>>());
    of(a).into_iter().chain(of(b)).flatten().collect()
}

/// Every single value that differs, with its path.
fn leaves(path: &str, a: &Value, b: &Value, out: &mut Vec<Changed>) {
    match (a, b) {
        _ if a == b => {}
        (Value::Object(_), Value::Object(_)) => {
            for key in keys(a, b) {
                leaves(&format!("{path}.{key}"), &a[&key], &b[&key], out);
            }
        }
        (Value::Array(x), Value::Array(y)) if x.len() == y.len() => {
            for (i, (x, y)) in x.iter().zip(y).enumerate() {
                leaves(&format!("{path}[{i}]"), x, y, out);
            }
        }
        _ => {
            out.push(Changed { what: path.to_owned(), first: a.clone(), second: b.clone() });
        }
    }
}

fn probes(a: &[Probe], b: &[Probe]) -> Option<ProbesChange> {
    if a == b {
        return None;
    }
    let count = |p: &[Probe]| p.iter().map(|p| p.elements.len()).sum();
    let mut found = ProbesChange {
        probes: [a.len(), b.len()],
        elements: [count(a), count(b)],
        elements_changed: 0,
        largest_shift_mm: 0.0,
        largest_turn_deg: 0.0,
        largest_size_mm: 0.0,
        focus_changed: a.iter().zip(b).any(|(x, y)| x.axial_focus_m != y.axial_focus_m),
    };
    for (x, y) in a.iter().zip(b).flat_map(|(x, y)| x.elements.iter().zip(&y.elements)) {
        if x == y {
            continue;
        }
        found.elements_changed += 1;
        let shift = x.centre.distance(y.centre) * 1e3;
        found.largest_shift_mm = found.largest_shift_mm.max(shift);
        found.largest_turn_deg =
            largest(found.largest_turn_deg, (y.facing_rad - x.facing_rad).to_degrees());
        for change in [y.width_m - x.width_m, y.length_m - x.length_m] {
            found.largest_size_mm = largest(found.largest_size_mm, change * 1e3);
        }
    }
    Some(found)
}

fn all_beams(
    ta: &Technique,
    tb: &Technique,
    pairs: &[(usize, usize)],
    to: &BTreeMap<u32, u32>,
) -> Beams {
    let rest = |t: &Technique, taken: BTreeSet<usize>| {
        t.beams
            .iter()
            .enumerate()
            .filter(|(i, _)| !taken.contains(i))
            .map(|(_, b)| Named::of(b))
            .collect()
    };
    Beams {
        count: [ta.beams.len(), tb.beams.len()],
        renumbered: to.iter().filter(|(x, y)| x != y).count(),
        removed: rest(ta, pairs.iter().map(|p| p.0).collect()),
        added: rest(tb, pairs.iter().map(|p| p.1).collect()),
        changed: pairs
            .iter()
            .filter_map(|(i, j)| {
                let (x, y) = (&ta.beams[*i], &tb.beams[*j]);
                let follows = x.surface_beam.map(|s| to.get(&s).copied());
                let followed = follows == y.surface_beam.map(Some);
                beams::change((ta, x), (tb, y), followed)
            })
            .collect(),
    }
}

/// When each beam fires first, and with whom.
fn firing_of(t: &Technique) -> BTreeMap<u32, (f64, BTreeSet<u32>)> {
    let mut out = BTreeMap::new();
    for f in &t.schedule.firings {
        for b in &f.beams {
            out.entry(*b).or_insert_with(|| (f.start_s, f.beams.iter().copied().collect()));
        }
    }
    out
}

fn schedule(ta: &Technique, tb: &Technique, to: &BTreeMap<u32, u32>) -> Option<ScheduleChange> {
    let (a, b) = (&ta.schedule, &tb.schedule);
    let (of_a, of_b) = (firing_of(ta), firing_of(tb));
    let mut found = ScheduleChange {
        period_ms: [a.period_s * 1e3, b.period_s * 1e3],
        least_period_ms: [a.least_period_s, b.least_period_s].map(|l| l.map(|l| l * 1e3)),
        firings: [a.firings.len(), b.firings.len()],
        retimed: 0,
        largest_retiming_us: 0.0,
        regrouped: 0,
    };
    for (x, y) in to {
        let (Some((start, with)), Some((later, others))) = (of_a.get(x), of_b.get(y)) else {
            if of_a.contains_key(x) != of_b.contains_key(y) {
                found.regrouped += 1;
            }
            continue;
        };
        if start != later {
            found.retimed += 1;
            found.largest_retiming_us = largest(found.largest_retiming_us, (later - start) * 1e6);
        }
        let mapped: BTreeSet<Option<u32>> = with.iter().map(|w| to.get(w).copied()).collect();
        if mapped != others.iter().copied().map(Some).collect() {
            found.regrouped += 1;
        }
    }
    let changed = found.retimed + found.regrouped > 0
        || a.period_s != b.period_s
        || a.least_period_s != b.least_period_s
        || a.firings.len() != b.firings.len();
    changed.then_some(found)
}
