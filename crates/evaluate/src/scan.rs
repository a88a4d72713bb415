//! All gates of all shots: the part that the check and the screening share.

use barwright_capture::Shots;
use barwright_job::{
    Technique,
    screened::{Echo, EchoMark},
    technique::GateKind,
};
use rayon::prelude::*;

use crate::{
    error::Result,
    follow::{Followed, Follower},
    kernel::Detector,
    reading::{demand_shots, is_flaw_gate},
};

/// One shot without its samples.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Line {
    pub beam: u32,
    pub pass: u16,
    pub time_s: f64,
    pub z_m: f64,
    /// Whether sound got into the steel, and the gates lay inside the record.
    pub coupled: bool,
    /// The shot whose surface echo stands behind it.
    pub surface_shot: Option<u32>,
    /// Whether full scale hid a flaw gate, wholly or in part.
    pub hidden: bool,
    /// Its first echo; the shot has one for each gate of its beam.
    pub first_echo: u32,
}

/// Shots and echoes of a capture.
#[derive(Debug, Clone)]
pub(crate) struct Scan {
    technique: Technique,
    pub detector: Detector,
    follower: Follower,
    /// Half the pulse's length at -20 dB, in seconds.
    half_pulse_s: f64,
    pub lines: Vec<Line>,
    pub echoes: Vec<Echo>,
}

/// What the gates of one shot gave.
struct Gated {
    echoes: Vec<Echo>,
    hidden: bool,
    inside: bool,
}

impl Scan {
    pub fn new(technique: &Technique) -> Self {
        let sigma_hz =
            technique.pulse.bandwidth_rel * technique.pulse.centre_hz / (8.0 * 2f64.ln()).sqrt();
        Self {
            technique: technique.clone(),
            detector: Detector::new(technique),
            follower: Follower::new(technique, 1.0),
            half_pulse_s: 2.15 / (2.0 * std::f64::consts::PI * sigma_hz),
            lines: Vec::new(),
            echoes: Vec::new(),
        }
    }

    /// The technique it reads by.
    pub fn technique(&self) -> &Technique {
        &self.technique
    }

    /// Reads a run of shots; the result does not depend on how a capture is cut into runs, nor on
    /// the number of threads. Returns the number of shots read before.
    pub fn push(&mut self, shots: &Shots) -> Result<usize> {
        demand_shots(&self.technique, shots)?;
        let followed = self.follower.follow(&self.detector, shots);
        let gated: Vec<Gated> = followed
            .par_iter()
            .enumerate()
            .with_min_len(256)
            .map(|(i, f)| self.gates(shots, i, f))
            .collect();
        let before = self.lines.len();
        self.lines.reserve(gated.len());
        for (i, (g, f)) in gated.into_iter().zip(followed).enumerate() {
            self.lines.push(Line {
                beam: shots.beam[i],
                pass: shots.pass[i],
                time_s: shots.time_s[i],
                z_m: shots.z_m[i],
                coupled: f.coupled && g.inside,
                surface_shot: f.surface_shot,
                hidden: g.hidden,
                first_echo: u32::try_from(self.echoes.len()).unwrap_or(u32::MAX),
            });
            self.echoes.extend(g.echoes);
        }
        Ok(before)
    }

    /// Echoes of one shot, one for each gate.
    pub fn echoes_of(&self, line: &Line) -> &[Echo] {
        let first = line.first_echo as usize;
        let gates = self.technique.beams[line.beam as usize].gates.len();
        &self.echoes[first..first + gates]
    }

    fn gates(&self, shots: &Shots, i: usize, followed: &Followed) -> Gated {
        let beam = &self.technique.beams[shots.beam[i] as usize];
        let surface_s = beam.surface_time_s + followed.shift_s;
        let [source_from, source_to] = shots.clipped_s[i].map(f64::from);
        let (mut hidden, mut inside) = (false, true);
        let echoes = beam
            .gates
            .iter()
            .zip(0u8..)
            .map(|(gate, number)| {
                let surface = gate.kind == GateKind::Surface;
                let origin_s = if surface { 0.0 } else { surface_s };
                let (from_s, to_s) = (origin_s + gate.start_s, origin_s + gate.end_s);
                let reading = if surface {
                    followed.surface
                } else {
                    self.detector.peak(shots.ascan(i), from_s, to_s)
                };
                // NaN where no source trace was clipped: the comparison is then false.
                let source = source_from <= to_s && source_to >= from_s;
                if is_flaw_gate(gate.kind) {
                    hidden |= source || reading.is_some_and(|r| r.clipped);
                    inside &= reading.is_some_and(|r| r.whole);
                }
                let peak_hidden = source
                    && reading.is_some_and(|r| {
                        (source_from - self.half_pulse_s..=source_to + self.half_pulse_s)
                            .contains(&r.time_s)
                    });
                Echo {
                    beam: beam.id,
                    gate: number,
                    z_m: shots.z_m[i],
                    turn_rad: shots.turn_rad[i],
                    height_fsh: reading.map_or(0.0, |r| r.height_fsh) as f32,
                    after_surface_s: reading.map_or(gate.start_s, |r| r.time_s - origin_s),
                    mark: if peak_hidden || reading.is_some_and(|r| r.clipped) {
                        EchoMark::Clipped
                    } else {
                        EchoMark::Sound
                    },
                }
            })
            .collect();
        Gated { echoes, hidden, inside }
    }
}
