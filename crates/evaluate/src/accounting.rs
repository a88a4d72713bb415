//! What was not inspected: by flaw class and cause, from the shots that were sound.
//!
//! A sound shot of a beam speaks for half the longest accepted gap on either side. Wherever two
//! sound shots of one beam lie further apart than that gap, the stretch between them is lost for
//! the beam's flaw class, whatever the reason.

use barwright_job::{
    Technique,
    proof::FlawClass,
    screened::{BeamRun, InspectedShare, LossCause, Lost},
    technique::{Beam, GateKind},
};

use barwright_capture::ShotLine;

use crate::stretch::{Stretch, union};

/// Times the firing period by which two shots may lie apart in time and still count as fired in
/// turn: what then lies too far apart along the bar was moved too fast.
const IN_TURN: f64 = 1.5;

/// Where one shot of a beam stood and what it was worth.
#[derive(Debug, Clone, Copy)]
struct Stand {
    z_m: f64,
    time_s: f64,
    coupled: bool,
    hidden: bool,
}

/// Where the shots of each beam stood.
#[derive(Debug, Clone)]
pub(crate) struct Stands(Vec<Vec<Stand>>);

impl Stands {
    pub fn new(technique: &Technique) -> Self {
        Self(vec![Vec::new(); technique.beams.len()])
    }

    /// The stands of a whole recording.
    pub fn of(technique: &Technique, lines: &[ShotLine]) -> Self {
        let mut stands = Self::new(technique);
        lines.iter().for_each(|l| stands.add(l));
        stands
    }

    pub fn add(&mut self, line: &ShotLine) {
        self.0[line.beam as usize].push(Stand {
            z_m: line.z_m,
            time_s: line.time_s,
            coupled: line.coupled,
            hidden: line.hidden,
        });
    }
}

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
    /// What each beam did at each millimetre.
    pub beams: Vec<BeamRun>,
}

/// Accounts for every place of a bar. `unlevelled` names beams whose shots do not count.
pub(crate) fn account(
    technique: &Technique,
    stands: Stands,
    length_m: f64,
    longest_gap_m: f64,
    unlevelled: &[u32],
) -> Account {
    let mut shots = stands.0;
    for own in &mut shots {
        // Stable: where the bar stood still, shots keep their order in time.
        own.sort_by(|a, b| a.z_m.total_cmp(&b.z_m));
    }
    let in_turn_s = IN_TURN * technique.schedule.period_s;
    let mut beam_runs = Vec::new();
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
            let mut own: Vec<(LossCause, Stretch)> = Vec::new();
            if unlevelled.contains(&beam.id) {
                own.push((LossCause::NotLevelled, guided));
            } else {
                let found = gaps(&shots[beam.id as usize], bar, longest_gap_m, in_turn_s);
                own.extend(found.into_iter().filter_map(|(c, s)| Some((c, s.within(guided)?))));
            }
            beam_runs.extend(beam_account(beam.id, class, &own, guided, length_m));
            parts.extend(own.into_iter().map(|(cause, s)| (cause, s, vec![beam.id])));
        }
        let all = union(parts.iter().map(|p| p.1).collect());
        let gone: f64 = all.iter().map(|s| s.length_m()).sum();
        inspected.push(InspectedShare {
            class,
            share: if length_m > 0.0 { (1.0 - gone / length_m).clamp(0.0, 1.0) } else { 0.0 },
        });
        lost.extend(merge(class, parts));
    }
    Account { lost, inspected, beams: beam_runs }
}

/// Stretches between sound shots of one beam that lie too far apart, and why. The shots are in
/// order along the bar.
fn gaps(own: &[Stand], bar: Stretch, longest_m: f64, in_turn_s: f64) -> Vec<(LossCause, Stretch)> {
    let mut out = Vec::new();
    // A hair above the limit, so that sums of spacings do not trip over rounding.
    let (whole, half) = (longest_m * (1.0 + 1e-9), longest_m / 2.0 * (1.0 + 1e-9));
    let (mut from_m, mut allowed, mut from_s) = (bar.from_m, half, None);
    let (mut uncoupled, mut hidden) = (false, false);
    for stand in own {
        if stand.coupled && !stand.hidden {
            if stand.z_m - from_m > allowed {
                let in_turn = from_s.is_some_and(|t: f64| (stand.time_s - t).abs() <= in_turn_s);
                out.push((cause(uncoupled, hidden, in_turn), Stretch::new(from_m, stand.z_m)));
            }
            (from_m, allowed, from_s) = (stand.z_m, whole, Some(stand.time_s));
            (uncoupled, hidden) = (false, false);
        } else {
            uncoupled |= !stand.coupled;
            hidden |= stand.hidden;
        }
    }
    let left = if own.iter().any(|l| l.coupled && !l.hidden) { half } else { 0.0 };
    if bar.to_m - from_m > left {
        out.push((cause(uncoupled, hidden, false), Stretch::new(from_m, bar.to_m)));
    }
    out
}

fn cause(uncoupled: bool, hidden: bool, in_turn: bool) -> LossCause {
    if uncoupled {
        LossCause::Coupling
    } else if hidden {
        LossCause::Clipped
    } else if in_turn {
        LossCause::TooFast
    } else {
        LossCause::MissedCycle
    }
}

/// What one beam did at each millimetre of the bar, as runs. A millimetre of which any part was
/// lost is lost.
fn beam_account(
    beam: u32,
    class: FlawClass,
    lost: &[(LossCause, Stretch)],
    guided: Stretch,
    length_m: f64,
) -> Vec<BeamRun> {
    let cells = (length_m * 1e3).ceil().max(0.0) as usize;
    let mut state: Vec<Option<LossCause>> = vec![None; cells];
    let mut lay = |cause: LossCause, s: Stretch| {
        // A hair inside, so that a limit on a whole millimetre does not touch the next one.
        let from = (s.from_m * 1e3 + 1e-6).floor().max(0.0) as usize;
        let to = ((s.to_m * 1e3 - 1e-6).ceil().max(0.0) as usize).min(cells);
        if from < to {
            state[from..to].fill(Some(cause));
        }
    };
    for &(cause, s) in lost {
        lay(cause, s);
    }
    lay(LossCause::End, Stretch::new(0.0, guided.from_m));
    lay(LossCause::End, Stretch::new(guided.to_m, length_m));
    let mut runs: Vec<BeamRun> = Vec::new();
    for (mm, lost) in (0u32..).zip(state) {
        match runs.last_mut() {
            Some(run) if run.lost == lost => run.to_mm = mm + 1,
            _ => runs.push(BeamRun { beam, class, from_mm: mm, to_mm: mm + 1, lost }),
        }
    }
    runs
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
