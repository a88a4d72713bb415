//! Coupling: whether sound got into the steel in each shot, judged once the whole bar is known.
//!
//! What is usual for a beam is learnt in a first reading ([`Usual`]), every shot is judged in a
//! second one ([`Supervision`]). Both keep a few figures for each beam, whatever the bar's length.

use std::collections::BTreeMap;

use barwright_capture::{Peaks, ShotLine};
use barwright_job::{
    Finding, Technique, Topic,
    screened::{Echo, EchoMark},
    technique::GateKind,
};

use crate::{
    heights::Heights,
    reading::{count_beams, is_flaw_gate},
    stretch::Stretch,
};

/// Share of the usual height below which an echo counts as lost: where the surface echo falls so
/// far, the ordered flaw, which reads the target, would no longer reach the alarm.
fn lost_share(technique: &Technique) -> f64 {
    let s = &technique.sensitivity;
    (s.alarm_fsh / s.target_fsh).clamp(0.1, 0.7)
}

/// Upper quartile, for each beam, of the heights of surface and back wall: what is usual where
/// nothing is lost, also when a good part of a bar is.
#[derive(Debug, Clone)]
pub(crate) struct Usual {
    surface: Vec<Heights>,
    wall: Vec<Heights>,
}

impl Usual {
    pub fn new(technique: &Technique) -> Self {
        let none = vec![Heights::new(); technique.beams.len()];
        Self { surface: none.clone(), wall: none }
    }

    /// Learns from shots in which sound got into the steel.
    pub fn learn(&mut self, technique: &Technique, peaks: &Peaks) {
        for (line, echoes) in peaks.shots().filter(|(l, _)| l.coupled) {
            for (e, gate) in echoes.iter().zip(&technique.beams[line.beam as usize].gates) {
                let heights = match gate.kind {
                    GateKind::Surface => &mut self.surface,
                    GateKind::BackWall => &mut self.wall,
                    GateKind::Volume | GateKind::Crack => continue,
                };
                heights[line.beam as usize].add(f64::from(e.height_fsh));
            }
        }
    }
}

/// Marks the shots of a whole recording that is held in memory.
pub(crate) fn mark(technique: &Technique, peaks: &mut Peaks) {
    let mut usual = Usual::new(technique);
    usual.learn(technique, peaks);
    Supervision::new(technique, &usual, 1).mark(technique, peaks);
}

/// Judges every shot, in the order of reading.
#[derive(Debug, Clone)]
pub(crate) struct Supervision {
    share: f64,
    persistence: u32,
    usual_surface: Vec<f64>,
    usual_wall: Vec<f64>,
    /// The last shot of each beam, and whether it was silent.
    last: Vec<Option<(u64, bool)>>,
    runs: BTreeMap<u32, Run>,
    no_wall: Vec<(u32, Stretch)>,
}

impl Supervision {
    /// `persistence` shots in a row without a back wall make a finding.
    pub fn new(technique: &Technique, usual: &Usual, persistence: u32) -> Self {
        let quartile = |h: &[Heights]| h.iter().map(|h| h.quantile(0.75)).collect();
        Self {
            share: lost_share(technique),
            persistence,
            usual_surface: quartile(&usual.surface),
            usual_wall: quartile(&usual.wall),
            last: vec![None; technique.beams.len()],
            runs: BTreeMap::new(),
            no_wall: Vec::new(),
        }
    }

    /// Marks the shots into which sound did not get, and those that follow them. A shot tells
    /// - by a surface echo far below what is usual for its beam;
    /// - where the surface echo is at full scale, or in contact where there is none: by a back wall
    ///   under its gate's threshold that no alarm of the shot explains.
    pub fn mark(&mut self, technique: &Technique, peaks: &mut Peaks) {
        for (line, echoes) in peaks.shots_mut() {
            let silent = self.silent(technique, line, echoes);
            self.last[line.beam as usize] = Some((line.shot, silent));
            // The shot a follower took its surface from is the last one of the beam it follows.
            let leader = technique.beams[line.beam as usize].surface_beam;
            let led = leader
                .and_then(|b| self.last.get(b as usize).copied().flatten())
                .is_some_and(|(shot, silent)| silent && line.surface_shot == Some(shot));
            if silent || led {
                line.coupled = false;
            }
            if !line.coupled {
                for e in echoes.iter_mut() {
                    e.mark = EchoMark::CouplingLost;
                }
                continue;
            }
            self.watch_wall(technique, line, echoes);
        }
    }

    fn silent(&self, technique: &Technique, line: &ShotLine, echoes: &[Echo]) -> bool {
        let beam = &technique.beams[line.beam as usize];
        let surface = echo_in(technique, line, echoes, GateKind::Surface);
        let low = surface.is_some_and(|e| {
            f64::from(e.height_fsh) < self.share * self.usual_surface[line.beam as usize]
        });
        let untold = match surface {
            Some(e) => e.mark == EchoMark::Clipped,
            None => beam.surface_beam.is_none(),
        };
        let no_wall = beam.gate(GateKind::BackWall).is_some_and(|g| {
            echo_in(technique, line, echoes, GateKind::BackWall)
                .is_none_or(|e| f64::from(e.height_fsh) < g.threshold_fsh)
        });
        low || (untold && no_wall && !alarms(technique, line, echoes))
    }

    fn watch_wall(&mut self, technique: &Technique, line: &ShotLine, echoes: &[Echo]) {
        let Some(wall) = echo_in(technique, line, echoes, GateKind::BackWall) else {
            return;
        };
        let run = self.runs.entry(line.beam).or_default();
        if f64::from(wall.height_fsh) < self.share * self.usual_wall[line.beam as usize] {
            run.add(line.z_m, alarms(technique, line, echoes));
        } else if let Some(stretch) = std::mem::take(run).close(self.persistence) {
            self.no_wall.push((line.beam, stretch));
        }
    }

    /// Findings for runs of shots whose back wall is missing although coupling is sound and no
    /// alarm of the same beam explains it.
    pub fn back_wall_findings(mut self) -> Vec<Finding> {
        for (beam, run) in std::mem::take(&mut self.runs) {
            self.no_wall.extend(run.close(self.persistence).map(|s| (beam, s)));
        }
        let mut found = self.no_wall;
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
                        self.share * 100.0,
                        s.from_m * 1e3,
                        s.to_m * 1e3
                    ),
                )
                .beams(beams)
                .stretch(s.from_m, s.to_m)
            })
            .collect()
    }
}

/// Shots in a row without a back wall.
#[derive(Debug, Clone, Default)]
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

/// Echo in the gate of a kind, for beams that have one.
fn echo_in(
    technique: &Technique,
    line: &ShotLine,
    echoes: &[Echo],
    kind: GateKind,
) -> Option<Echo> {
    let beam = &technique.beams[line.beam as usize];
    let at = beam.gates.iter().position(|g| g.kind == kind)?;
    echoes.get(at).copied()
}

/// Whether a flaw gate of the shot is at or over its threshold.
pub(crate) fn alarms(technique: &Technique, line: &ShotLine, echoes: &[Echo]) -> bool {
    echoes
        .iter()
        .zip(&technique.beams[line.beam as usize].gates)
        .any(|(e, g)| is_flaw_gate(g.kind) && f64::from(e.height_fsh) >= g.threshold_fsh)
}
