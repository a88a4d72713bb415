//! Coupling: whether sound got into the steel in each shot, judged once the whole bar is known.

use std::collections::BTreeMap;

use barwright_job::{
    Finding, Topic,
    screened::{Echo, EchoMark},
    technique::GateKind,
};

use crate::{
    reading::{count_beams, is_flaw_gate, quantile},
    scan::{Line, Scan},
    stretch::Stretch,
};

/// Share of the usual height below which an echo counts as lost: where the surface echo falls so
/// far, the ordered flaw, which reads the target, would no longer reach the alarm.
fn lost_share(scan: &Scan) -> f64 {
    let s = &scan.technique().sensitivity;
    (s.alarm_fsh / s.target_fsh).clamp(0.1, 0.7)
}

/// Marks the shots into which sound did not get, and those that follow them. A shot tells
/// - by a surface echo far below what is usual for its beam;
/// - where the surface echo is at full scale, or in contact where there is none: by a back wall
///   under its gate's threshold that no alarm of the shot explains.
pub(crate) fn mark(scan: &mut Scan) {
    let share = lost_share(scan);
    let usual = usual_heights(scan, GateKind::Surface);
    let silent: Vec<bool> = scan
        .lines
        .iter()
        .map(|line| {
            let beam = &scan.technique().beams[line.beam as usize];
            let surface = echo_in(scan, line, GateKind::Surface);
            let low = surface.is_some_and(|e| {
                let usual = usual.get(&line.beam).copied().unwrap_or(0.0);
                f64::from(e.height_fsh) < share * usual
            });
            let untold = match surface {
                Some(e) => e.mark == EchoMark::Clipped,
                None => beam.surface_beam.is_none(),
            };
            let no_wall = beam.gate(GateKind::BackWall).is_some_and(|g| {
                echo_in(scan, line, GateKind::BackWall)
                    .is_none_or(|e| f64::from(e.height_fsh) < g.threshold_fsh)
            });
            low || (untold && no_wall && !alarms(scan, line))
        })
        .collect();
    for i in 0..scan.lines.len() {
        let line = scan.lines[i];
        let led = line.surface_shot.and_then(|s| silent.get(s as usize));
        if silent[i] || led.is_some_and(|&l| l) {
            scan.lines[i].coupled = false;
        }
    }
    for i in 0..scan.lines.len() {
        let line = scan.lines[i];
        if line.coupled {
            continue;
        }
        let first = line.first_echo as usize;
        let beam = line.beam as usize;
        let gates = scan.technique().beams[beam].gates.len();
        for e in &mut scan.echoes[first..first + gates] {
            e.mark = EchoMark::CouplingLost;
        }
    }
}

/// Findings for runs of shots whose back wall is missing although coupling is sound and no alarm
/// of the same beam explains it. `persistence` shots in a row are needed.
pub(crate) fn back_wall_findings(scan: &Scan, persistence: u32) -> Vec<Finding> {
    let share = lost_share(scan);
    let usual = usual_heights(scan, GateKind::BackWall);
    let mut runs: BTreeMap<u32, Run> = BTreeMap::new();
    let mut found: Vec<(u32, Stretch)> = Vec::new();
    for line in scan.lines.iter().filter(|l| l.coupled) {
        let Some(height) = height_in(scan, line, GateKind::BackWall) else {
            continue;
        };
        let run = runs.entry(line.beam).or_default();
        if height < share * usual.get(&line.beam).copied().unwrap_or(0.0) {
            run.add(line.z_m, alarms(scan, line));
        } else if let Some(stretch) = std::mem::take(run).close(persistence) {
            found.push((line.beam, stretch));
        }
    }
    for (beam, run) in runs {
        found.extend(run.close(persistence).map(|s| (beam, s)));
    }
    found.sort_by(|a, b| a.1.from_m.total_cmp(&b.1.from_m).then(a.0.cmp(&b.0)));
    let mut merged: Vec<(Vec<u32>, Stretch)> = Vec::new();
    for (beam, s) in found {
        match merged.last_mut() {
            Some((beams, last)) if s.from_m <= last.to_m => {
                last.to_m = last.to_m.max(s.to_m);
                if !beams.contains(&beam) {
                    beams.push(beam);
                }
            }
            _ => merged.push((vec![beam], s)),
        }
    }
    merged
        .into_iter()
        .map(|(mut beams, s)| {
            beams.sort_unstable();
            Finding::new(
                Topic::Missing,
                format!(
                    "back wall of {} below {:.0} % of its usual height between {:.0} and {:.0} mm, and no alarm explains it",
                    count_beams(beams.len()),
                    share * 100.0,
                    s.from_m * 1e3,
                    s.to_m * 1e3
                ),
            )
            .beams(beams)
            .stretch(s.from_m, s.to_m)
        })
        .collect()
}

/// Shots in a row without a back wall.
#[derive(Debug, Default)]
struct Run {
    shots: u32,
    from_m: f64,
    to_m: f64,
    explained: bool,
}

impl Run {
    fn add(&mut self, z_m: f64, alarm: bool) {
        if self.shots == 0 {
            self.from_m = z_m;
        }
        self.to_m = z_m;
        self.shots += 1;
        self.explained |= alarm;
    }

    fn close(self, persistence: u32) -> Option<Stretch> {
        (self.shots >= persistence.max(1) && !self.explained)
            .then(|| Stretch::new(self.from_m, self.to_m))
    }
}

/// Upper quartile, for each beam, of the heights in a gate: what is usual where nothing is lost,
/// also when a good part of a bar is.
fn usual_heights(scan: &Scan, kind: GateKind) -> BTreeMap<u32, f64> {
    let mut heights: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
    for line in scan.lines.iter().filter(|l| l.coupled) {
        if let Some(h) = height_in(scan, line, kind) {
            heights.entry(line.beam).or_default().push(h);
        }
    }
    heights.into_iter().map(|(beam, mut h)| (beam, quantile(&mut h, 0.75))).collect()
}

/// Echo in the gate of a kind, for beams that have one.
fn echo_in(scan: &Scan, line: &Line, kind: GateKind) -> Option<Echo> {
    let beam = &scan.technique().beams[line.beam as usize];
    let at = beam.gates.iter().position(|g| g.kind == kind)?;
    scan.echoes_of(line).get(at).copied()
}

/// Height in the gate of a kind, for beams that have one.
fn height_in(scan: &Scan, line: &Line, kind: GateKind) -> Option<f64> {
    echo_in(scan, line, kind).map(|e| f64::from(e.height_fsh))
}

/// Whether a flaw gate of the shot is at or over its threshold.
fn alarms(scan: &Scan, line: &Line) -> bool {
    let beam = &scan.technique().beams[line.beam as usize];
    scan.echoes_of(line)
        .iter()
        .zip(&beam.gates)
        .any(|(e, g)| is_flaw_gate(g.kind) && f64::from(e.height_fsh) >= g.threshold_fsh)
}
