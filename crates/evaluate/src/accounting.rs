//! What was not inspected: by flaw class and cause, from the shots that were sound.
//!
//! A sound shot of a beam speaks for half the longest accepted gap on either side. Wherever two
//! sound shots of one beam lie further apart than that gap, the stretch between them is lost for
//! the beam's flaw class, whatever the reason.

use barwright_job::{
    Technique,
    proof::FlawClass,
    screened::{InspectedShare, LossCause, Lost},
    technique::{Beam, GateKind},
};

use crate::{
    scan::Line,
    stretch::{Stretch, union},
};

/// Flaw classes a technique must look for.
pub(crate) fn classes(technique: &Technique) -> Vec<FlawClass> {
    let mut out = vec![FlawClass::Disc];
    if technique.sensitivity.crack_depth_m.is_some() {
        out.push(FlawClass::Crack);
    }
    out
}

/// The gate of a flaw class.
pub(crate) fn gate_of(class: FlawClass) -> GateKind {
    match class {
        FlawClass::Disc => GateKind::Volume,
        FlawClass::Crack => GateKind::Crack,
    }
}

/// The class that a gate looks for.
pub(crate) fn class_of(kind: GateKind) -> Option<FlawClass> {
    match kind {
        GateKind::Volume => Some(FlawClass::Disc),
        GateKind::Crack => Some(FlawClass::Crack),
        GateKind::Surface | GateKind::BackWall => None,
    }
}

/// Longest distance of two sound shots that still counts as inspected, in metres.
pub(crate) fn longest_gap_m(technique: &Technique, longest_gap_mm: f64) -> f64 {
    if longest_gap_mm > 0.0 { longest_gap_mm / 1e3 } else { 1.1 * technique.pulse_spacing_m }
}

/// Stretches lost and shares inspected of one bar.
pub(crate) struct Account {
    pub lost: Vec<Lost>,
    pub inspected: Vec<InspectedShare>,
}

/// Accounts for every place of a bar. `unlevelled` names beams whose shots do not count.
pub(crate) fn account(
    technique: &Technique,
    lines: &[Line],
    length_m: f64,
    longest_gap_m: f64,
    unlevelled: &[u32],
) -> Account {
    let mut shots: Vec<Vec<Line>> = vec![Vec::new(); technique.beams.len()];
    for line in lines {
        shots[line.beam as usize].push(*line);
    }
    let bar = Stretch::new(0.0, length_m);
    let end_m = technique.unguided_end_m.min(length_m / 2.0);
    let guided = Stretch::new(end_m, length_m - end_m);
    let (mut lost, mut inspected) = (Vec::new(), Vec::new());
    for class in classes(technique) {
        let mut parts: Vec<(LossCause, Stretch, Vec<u32>)> = Vec::new();
        if end_m > 0.0 {
            parts.push((LossCause::End, Stretch::new(0.0, end_m), vec![]));
            parts.push((LossCause::End, Stretch::new(length_m - end_m, length_m), vec![]));
        }
        let beams: Vec<&Beam> =
            technique.beams.iter().filter(|b| b.gate(gate_of(class)).is_some()).collect();
        if beams.is_empty() {
            parts.push((LossCause::NotLevelled, guided, vec![]));
        }
        for beam in beams {
            if unlevelled.contains(&beam.id) {
                parts.push((LossCause::NotLevelled, guided, vec![beam.id]));
                continue;
            }
            let own = shots[beam.id as usize].as_slice();
            for (cause, stretch) in gaps(own, bar, longest_gap_m) {
                if let Some(s) = stretch.within(guided) {
                    parts.push((cause, s, vec![beam.id]));
                }
            }
        }
        let all = union(parts.iter().map(|p| p.1).collect());
        let gone: f64 = all.iter().map(|s| s.length_m()).sum();
        inspected.push(InspectedShare {
            class,
            share: if length_m > 0.0 { (1.0 - gone / length_m).clamp(0.0, 1.0) } else { 0.0 },
        });
        lost.extend(merge(class, parts));
    }
    Account { lost, inspected }
}

/// Stretches between sound shots of one beam that lie too far apart, and why.
fn gaps(own: &[Line], bar: Stretch, longest_m: f64) -> Vec<(LossCause, Stretch)> {
    let mut own = own.to_vec();
    own.sort_by(|a, b| a.z_m.total_cmp(&b.z_m));
    let mut out = Vec::new();
    // A hair above the limit, so that sums of spacings do not trip over rounding.
    let (whole, half) = (longest_m * (1.0 + 1e-9), longest_m / 2.0 * (1.0 + 1e-9));
    let (mut from_m, mut allowed) = (bar.from_m, half);
    let (mut uncoupled, mut hidden) = (false, false);
    for line in &own {
        if line.coupled && !line.hidden {
            if line.z_m - from_m > allowed {
                let cause = cause(uncoupled, hidden);
                out.push((cause, Stretch::new(from_m, line.z_m)));
            }
            (from_m, allowed) = (line.z_m, whole);
            (uncoupled, hidden) = (false, false);
        } else {
            uncoupled |= !line.coupled;
            hidden |= line.hidden;
        }
    }
    let left = if own.iter().any(|l| l.coupled && !l.hidden) { half } else { 0.0 };
    if bar.to_m - from_m > left {
        out.push((cause(uncoupled, hidden), Stretch::new(from_m, bar.to_m)));
    }
    out
}

fn cause(uncoupled: bool, hidden: bool) -> LossCause {
    if uncoupled {
        LossCause::Coupling
    } else if hidden {
        LossCause::Clipped
    } else {
        LossCause::MissedCycle
    }
}

/// Joins touching stretches of one cause, with their beams.
fn merge(class: FlawClass, mut parts: Vec<(LossCause, Stretch, Vec<u32>)>) -> Vec<Lost> {
    parts.sort_by(|a, b| {
        a.0.cmp(&b.0).then(a.1.from_m.total_cmp(&b.1.from_m)).then_with(|| a.2.cmp(&b.2))
    });
    let mut out: Vec<Lost> = Vec::new();
    for (cause, s, beams) in parts {
        match out.last_mut() {
            Some(last) if last.cause == cause && s.from_m <= last.to_m => {
                last.to_m = last.to_m.max(s.to_m);
                last.beams.extend(beams);
            }
            _ => out.push(Lost { class, from_m: s.from_m, to_m: s.to_m, cause, beams }),
        }
    }
    for lost in &mut out {
        lost.beams.sort_unstable();
        lost.beams.dedup();
    }
    out
}
