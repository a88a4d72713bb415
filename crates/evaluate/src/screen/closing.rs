//! The second reading of a bar: peaks to marked echoes and an account of what was inspected.

use std::collections::BTreeMap;

use barwright_capture::{CaptureKind, Header, Peaks};
use barwright_job::{
    Finding, Hash, Rules, Sealed, Technique, Topic,
    level::{BeamState, Level},
    screened::{EchoMark, ScreenedBar},
    technique::GateKind,
};

use super::{Screened, encoder::EncoderWatch, stream::demand, words};
use crate::{
    accounting::{Stands, account, longest_gap_m},
    coupling::{Supervision, Usual},
    error::Result,
    heights::Heights,
    reading::is_flaw_gate,
};

/// A bar whose peaks are read a first time, to learn what is usual for it.
pub struct Review {
    read: Read,
    usual: Usual,
    encoder: EncoderWatch,
}

/// What the account of a bar rests on.
struct Read {
    technique: Hash,
    level: Option<(Hash, Level)>,
    rules: Rules,
    header: Header,
    body: Technique,
}

impl Review {
    /// Starts the account of a bar; `header` carries its length.
    ///
    /// # Errors
    /// As [`super::Stream::new`].
    pub fn new(
        technique: &Sealed<Technique>,
        level: Option<&Sealed<Level>>,
        rules: &Rules,
        header: &Header,
    ) -> Result<Self> {
        demand(technique, level, header)?;
        let body = technique.body.clone();
        Ok(Self {
            usual: Usual::new(&body),
            encoder: EncoderWatch::new(&body),
            read: Read {
                technique: technique.hash.clone(),
                level: level.map(|l| (l.hash.clone(), l.body.clone())),
                rules: rules.clone(),
                header: header.clone(),
                body,
            },
        })
    }

    /// Learns from a run of peaks.
    pub fn learn(&mut self, peaks: &Peaks) {
        self.usual.learn(&self.read.body, peaks);
        peaks.lines.iter().for_each(|line| self.encoder.see(line));
    }

    /// Ends the first reading.
    #[must_use]
    pub fn close(self) -> Closing {
        let Self { read, usual, encoder } = self;
        let still = read.header.kind == CaptureKind::Still;
        let persistence = if still { 1 } else { read.rules.alarm.persistence };
        Closing {
            supervision: Supervision::new(&read.body, &usual, persistence),
            stands: Stands::new(&read.body),
            shots: 0,
            over: 0,
            quiet: Heights::new(),
            walls: BTreeMap::new(),
            encoder: encoder.findings(),
            read,
        }
    }
}

/// A bar whose peaks are read a second time, to be marked and accounted for.
pub struct Closing {
    read: Read,
    supervision: Supervision,
    stands: Stands,
    shots: u64,
    over: u64,
    quiet: Heights,
    /// Beams whose back wall stood at full scale, and where.
    walls: BTreeMap<u32, (f64, f64)>,
    encoder: Vec<Finding>,
}

impl Closing {
    /// Sets the bar's length where it was measured after the review began.
    pub fn set_length(&mut self, length_m: f64) {
        self.read.header.length_m = length_m;
    }

    /// Marks a run of peaks, in the order of the first reading, with what the whole bar tells.
    pub fn mark(&mut self, peaks: &mut Peaks) {
        let technique = &self.read.body;
        self.supervision.mark(technique, peaks);
        for (line, echoes) in peaks.shots() {
            self.shots += 1;
            self.stands.add(line);
            for (e, gate) in echoes.iter().zip(&technique.beams[line.beam as usize].gates) {
                let height = f64::from(e.height_fsh);
                if is_flaw_gate(gate.kind) {
                    if height >= gate.threshold_fsh {
                        self.over += 1;
                    } else if e.mark == EchoMark::Sound {
                        self.quiet.add(height);
                    }
                } else if gate.kind == GateKind::BackWall && e.mark == EchoMark::Clipped {
                    let span = self.walls.entry(e.beam).or_insert((e.z_m, e.z_m));
                    *span = (span.0.min(e.z_m), span.1.max(e.z_m));
                }
            }
        }
    }

    /// Ends the screening; `capture` is the hash of the capture read, `broken_off` says why the
    /// screening ended before the bar did, `noticed` what was noticed on the way. A bar without
    /// shots is one of which nothing was inspected.
    #[must_use]
    pub fn finish(
        self,
        capture: Hash,
        broken_off: Option<String>,
        noticed: Vec<Finding>,
    ) -> Screened {
        let unlevelled = self.unlevelled();
        let Self { read, supervision, stands, .. } = self;
        let (technique, length_m) = (&read.body, read.header.length_m);
        let gap_m = longest_gap_m(technique, read.rules.not_inspected.longest_gap_mm);
        let account = account(technique, stands, length_m, gap_m, &unlevelled);
        let mut findings = words::lost(&account.lost);
        if let Some(why) = &broken_off {
            findings.insert(
                0,
                Finding::new(
                    Topic::NotInspected,
                    format!("the screening broke off, the bar is held: {why}"),
                ),
            );
        }
        findings.extend(words::level(read.level.as_ref().map(|l| &l.1), &unlevelled, length_m));
        findings.extend(words::clipped_walls(self.walls));
        findings.extend(supervision.back_wall_findings());
        findings.extend(self.encoder);
        findings.extend(noticed);
        Screened {
            bar: ScreenedBar {
                bar: read.header.bar,
                heat: read.header.heat,
                length_m,
                shots: self.shots,
                echoes_over_threshold: self.over,
                lost: account.lost,
                inspected: account.inspected,
                noise_fsh: self.quiet.quantile(0.5),
                broken_off,
                findings,
            },
            beams: account.beams,
            echoes: Vec::new(),
            kept: Vec::new(),
            technique: read.technique,
            level: read.level.map(|l| l.0),
            capture,
        }
    }

    /// Beams without a sound level.
    fn unlevelled(&self) -> Vec<u32> {
        let beams = self.read.level.iter().flat_map(|(_, l)| &l.beams);
        beams
            .filter(|b| !matches!(b.state, BeamState::Inside | BeamState::Corrected))
            .map(|b| b.beam)
            .collect()
    }
}
