//! Screening: a bar of the order, shot by shot, into echoes and an account of what was inspected.

use std::collections::BTreeMap;

use barwright_capture::{CaptureKind, Header, KeptAscan, Shots};
use barwright_job::{
    Finding, Hash, Rules, Sealed, Technique, Topic,
    level::{BeamState, Level},
    screened::{Echo, EchoMark, ScreenedBar},
    technique::GateKind,
};

use crate::{
    accounting::{account, longest_gap_m},
    coupling,
    error::{EvaluateError, Result},
    reading::{count_beams, demand_capture, demand_level, is_flaw_gate, median},
    scan::Scan,
};

/// Most A-scans kept of one bar; peaks are kept of every shot.
const MOST_KEPT: usize = 4096;

/// A screening in progress. It keeps peaks, not samples, so that memory stays at some tens of
/// bytes a shot.
#[derive(Debug, Clone)]
pub struct Screening {
    technique: Hash,
    level: Option<(Hash, Level)>,
    rules: Rules,
    header: Header,
    scan: Scan,
    kept: Vec<KeptAscan>,
    not_kept: u64,
    /// Beams whose last shot was not coupled: only the first of a run is kept.
    uncoupled: Vec<bool>,
}

/// What a screening gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Screened {
    /// The document, still without the hash of its echo file.
    pub bar: ScreenedBar,
    /// Peaks of every shot and gate, in order of time.
    pub echoes: Vec<Echo>,
    /// A-scans of alarms and of lost coupling.
    pub kept: Vec<KeptAscan>,
    technique: Hash,
    level: Option<Hash>,
    capture: Hash,
}

impl Screened {
    /// Seals the document, given the hash of the file that holds echoes and kept A-scans.
    #[must_use]
    pub fn seal(self, echoes: Hash) -> Sealed<ScreenedBar> {
        let mut sources =
            vec![("technique", self.technique), ("capture", self.capture), ("echoes", echoes)];
        sources.extend(self.level.map(|l| ("level", l)));
        Sealed::seal(self.bar, sources)
    }
}

impl Screening {
    /// Starts a screening. Only a still capture may be screened without a level.
    ///
    /// # Errors
    /// [`EvaluateError::OtherOrigin`] for a capture or level of another technique or a capture
    /// taken with another level, [`EvaluateError::WrongCapture`] for a capture of the reference
    /// bar, and for one whose record or gains do not fit.
    pub fn new(
        technique: &Sealed<Technique>,
        level: Option<&Sealed<Level>>,
        rules: &Rules,
        header: &Header,
    ) -> Result<Self> {
        let wanted = "a bar of the order at line speed, or still";
        let kinds = [CaptureKind::Production, CaptureKind::Still];
        demand_capture("screening", &kinds, wanted, technique, header)?;
        match level {
            Some(level) => {
                level.demand("level", "technique", &technique.hash)?;
                let gains: Vec<f64> = level.body.beams.iter().map(|b| b.gain_db).collect();
                demand_level(header, &level.hash, &gains)?;
            }
            None if header.kind != CaptureKind::Still => {
                return Err(EvaluateError::WrongCapture {
                    judge: "screening without a level",
                    found: header.kind,
                    wanted: "a still capture",
                });
            }
            None => {}
        }
        Ok(Self {
            technique: technique.hash.clone(),
            level: level.map(|l| (l.hash.clone(), l.body.clone())),
            rules: rules.clone(),
            header: header.clone(),
            scan: Scan::new(&technique.body),
            kept: Vec::new(),
            not_kept: 0,
            uncoupled: vec![false; technique.body.beams.len()],
        })
    }

    /// Reads a run of shots; how a capture is cut into runs does not matter.
    ///
    /// # Errors
    /// [`EvaluateError::Shots`] when the run does not hold together.
    pub fn push(&mut self, shots: &Shots) -> Result<()> {
        let before = self.scan.push(shots)?;
        for i in 0..shots.len() {
            let line = self.scan.lines[before + i];
            let gates = &self.scan.technique().beams[line.beam as usize].gates;
            let alarm =
                self.scan.echoes_of(&line).iter().zip(gates).any(|(e, g)| {
                    is_flaw_gate(g.kind) && f64::from(e.height_fsh) >= g.threshold_fsh
                });
            // Coupling at the ends is lost by nature and tells nothing.
            let end_m = self.scan.technique().unguided_end_m;
            let guided = (end_m..=self.header.length_m - end_m).contains(&line.z_m);
            let first_lost = guided && !line.coupled && !self.uncoupled[line.beam as usize];
            self.uncoupled[line.beam as usize] = guided && !line.coupled;
            if !(alarm || first_lost) {
                continue;
            }
            if self.kept.len() >= MOST_KEPT {
                self.not_kept += 1;
                continue;
            }
            self.kept.push(KeptAscan {
                beam: line.beam,
                z_m: line.z_m,
                turn_rad: shots.turn_rad[i],
                time_s: line.time_s,
                first_sample_s: self.header.record.first_sample_s,
                samples: shots.ascan(i).to_vec(),
            });
        }
        Ok(())
    }

    /// Ends the screening; `capture` is the hash of the capture read. A capture without shots is a
    /// bar of which nothing was inspected.
    #[must_use]
    pub fn finish(mut self, capture: Hash) -> Screened {
        coupling::mark(&mut self.scan);
        let unlevelled = self.unlevelled();
        let length_m = self.header.length_m;
        let account = account(
            self.scan.technique(),
            &self.scan.lines,
            length_m,
            longest_gap_m(self.scan.technique(), self.rules.not_inspected.longest_gap_mm),
            &unlevelled,
        );
        let mut findings = lost_findings(&account.lost);
        findings.extend(self.level_findings(&unlevelled));
        findings.extend(clipped_findings(&self.scan));
        findings.extend(coupling::back_wall_findings(
            &self.scan,
            if self.header.kind == CaptureKind::Still { 1 } else { self.rules.alarm.persistence },
        ));
        if self.not_kept > 0 {
            findings.push(Finding::new(
                Topic::Assumed,
                format!(
                    "A-scans of the first {MOST_KEPT} alarms are kept, not those of {} more; their peaks are",
                    self.not_kept
                ),
            ));
        }
        let (over, noise_fsh) = heights(&self.scan);
        Screened {
            bar: ScreenedBar {
                bar: self.header.bar,
                heat: self.header.heat,
                length_m,
                shots: self.scan.lines.len() as u64,
                echoes_over_threshold: over,
                lost: account.lost,
                inspected: account.inspected,
                noise_fsh,
                findings,
            },
            echoes: self.scan.echoes,
            kept: self.kept,
            technique: self.technique,
            level: self.level.map(|l| l.0),
            capture,
        }
    }

    /// Beams without a sound level.
    fn unlevelled(&self) -> Vec<u32> {
        let beams = self.level.iter().flat_map(|(_, l)| &l.beams);
        beams
            .filter(|b| !matches!(b.state, BeamState::Inside | BeamState::Corrected))
            .map(|b| b.beam)
            .collect()
    }

    fn level_findings(&self, unlevelled: &[u32]) -> Vec<Finding> {
        let Some((_, level)) = &self.level else {
            return vec![Finding::new(
                Topic::Assumed,
                "screened without a level: heights and sizes rest on the technique's own gains",
            )];
        };
        let mut out = Vec::new();
        if !unlevelled.is_empty() {
            out.push(
                Finding::new(
                    Topic::NotInspected,
                    format!(
                        "no sound level for {}: what they inspect counts as not inspected over the whole bar",
                        count_beams(unlevelled.len())
                    ),
                )
                .beams(unlevelled.iter().copied())
                .stretch(0.0, self.header.length_m),
            );
        }
        let unproven: Vec<u32> = level
            .beams
            .iter()
            .filter(|b| b.state == BeamState::Corrected)
            .map(|b| b.beam)
            .collect();
        if !unproven.is_empty() {
            out.push(
                Finding::new(
                    Topic::Assumed,
                    format!(
                        "the gains of {} were corrected and no second capture has shown them inside the band",
                        count_beams(unproven.len())
                    ),
                )
                .beams(unproven),
            );
        }
        out
    }
}

/// Echoes at or over their flaw gate's threshold, and the middle of the heights below it.
fn heights(scan: &Scan) -> (u64, f64) {
    let beams = &scan.technique().beams;
    let (mut over, mut quiet) = (0, Vec::new());
    for e in &scan.echoes {
        let gate = &beams[e.beam as usize].gates[e.gate as usize];
        if !is_flaw_gate(gate.kind) {
            continue;
        }
        let height = f64::from(e.height_fsh);
        if height >= gate.threshold_fsh {
            over += 1;
        } else if e.mark == EchoMark::Sound {
            quiet.push(height);
        }
    }
    (over, median(&mut quiet))
}

/// One finding for each stretch lost between the ends.
fn lost_findings(lost: &[barwright_job::screened::Lost]) -> Vec<Finding> {
    use barwright_job::screened::LossCause;
    lost.iter()
        .filter_map(|l| {
            let (topic, why) = match l.cause {
                LossCause::End => return None,
                LossCause::Coupling => (Topic::CouplingLost, "the surface echo was lost"),
                LossCause::MissedCycle => {
                    (Topic::MissedCycle, "no valid shot came, or they lay too far apart")
                }
                LossCause::Clipped => (Topic::Clipped, "samples at full scale hid the gate"),
                LossCause::NotLevelled => (Topic::NotInspected, "they have no sound level"),
            };
            let class = match l.class {
                barwright_job::proof::FlawClass::Disc => "the volume",
                barwright_job::proof::FlawClass::Crack => "the surface",
            };
            Some(
                Finding::new(
                    topic,
                    format!(
                        "{class} was not inspected by {} between {:.0} and {:.0} mm: {why}",
                        count_beams(l.beams.len()),
                        l.from_m * 1e3,
                        l.to_m * 1e3
                    ),
                )
                .beams(l.beams.iter().copied())
                .stretch(l.from_m, l.to_m),
            )
        })
        .collect()
}

/// One finding for clipped echoes of each kind of gate that is no flaw gate and whose height
/// matters (clipped flaw gates are accounted for as lost).
fn clipped_findings(scan: &Scan) -> Vec<Finding> {
    let mut walls: BTreeMap<u32, (f64, f64)> = BTreeMap::new();
    for e in scan.echoes.iter().filter(|e| e.mark == EchoMark::Clipped) {
        let gate = &scan.technique().beams[e.beam as usize].gates[e.gate as usize];
        if gate.kind == GateKind::BackWall {
            let span = walls.entry(e.beam).or_insert((e.z_m, e.z_m));
            *span = (span.0.min(e.z_m), span.1.max(e.z_m));
        }
    }
    if walls.is_empty() {
        return Vec::new();
    }
    let from = walls.values().fold(f64::MAX, |m, s| m.min(s.0));
    let to = walls.values().fold(f64::MIN, |m, s| m.max(s.1));
    vec![
        Finding::new(
            Topic::Clipped,
            format!(
                "the back wall of {} was at full scale: its height is a lower bound",
                count_beams(walls.len())
            ),
        )
        .beams(walls.into_keys())
        .stretch(from, to),
    ]
}
