//! All gates of all shots: the part that the check and the screening share.

use barwright_capture::{Peaks, Samples, ShotLine, ShotRun, Signal};
use barwright_job::{
    Technique,
    screened::{Echo, EchoMark},
    technique::{Beam, GateKind},
};
use rayon::prelude::*;

use crate::{
    error::Result,
    follow::{Followed, Follower},
    kernel::{Detector, sample::Sample},
    reading::{demand_shots, is_flaw_gate},
};

/// Reads shots into peaks.
#[derive(Debug, Clone)]
pub(crate) struct Scan {
    technique: Technique,
    detector: Detector,
    follower: Follower,
    /// Half the pulse's length at -20 dB, in seconds.
    half_pulse_s: f64,
    gain_curve_applied: bool,
}

/// What the gates of one shot gave.
struct Gated {
    echoes: Vec<Echo>,
    hidden: bool,
    inside: bool,
}

impl Scan {
    pub fn new(technique: &Technique, signal: Signal) -> Self {
        let sigma_hz =
            technique.pulse.bandwidth_rel * technique.pulse.centre_hz / (8.0 * 2f64.ln()).sqrt();
        Self {
            technique: technique.clone(),
            detector: Detector::new(technique).reading(signal.waveform),
            follower: Follower::new(technique, 1.0),
            half_pulse_s: 2.15 / (2.0 * std::f64::consts::PI * sigma_hz),
            gain_curve_applied: signal.gain_curve_applied,
        }
    }

    /// The technique it reads by.
    pub fn technique(&self) -> &Technique {
        &self.technique
    }

    /// Reads a run of shots; the result does not depend on how a capture is cut into runs, nor on
    /// the number of threads.
    pub fn read(&mut self, shots: &ShotRun<'_>) -> Result<Peaks> {
        demand_shots(&self.technique, shots)?;
        Ok(match shots.samples {
            Samples::I8(samples) => self.read_samples(shots, samples),
            Samples::I16(samples) => self.read_samples(shots, samples),
            Samples::F32(samples) => self.read_samples(shots, samples),
        })
    }

    fn read_samples<S: Sample>(&mut self, shots: &ShotRun<'_>, samples: &[S]) -> Peaks {
        let before = self.follower.count();
        let followed = self.follower.follow(&self.detector, shots, samples);
        let gated: Vec<Gated> = followed
            .par_iter()
            .enumerate()
            .with_min_len(256)
            .map(|(i, f)| self.gates(shots, samples, i, f))
            .collect();
        let mut peaks = Peaks::default();
        peaks.lines.reserve(gated.len());
        for (i, (g, f)) in gated.into_iter().zip(followed).enumerate() {
            peaks.lines.push(ShotLine {
                shot: before + i as u64,
                beam: shots.beam[i],
                pass: shots.pass[i],
                time_s: shots.time_s[i],
                z_m: shots.z_m[i],
                turn_rad: shots.turn_rad[i],
                coupled: f.coupled && g.inside,
                surface_shot: f.surface_shot,
                hidden: g.hidden,
                // A beam has a handful of gates; the document's reader would refuse 256.
                gates: g.echoes.len() as u8,
            });
            peaks.echoes.extend(g.echoes);
        }
        peaks
    }

    fn gates<S: Sample>(
        &self,
        shots: &ShotRun<'_>,
        samples: &[S],
        i: usize,
        followed: &Followed,
    ) -> Gated {
        let beam = &self.technique.beams[shots.beam[i] as usize];
        let n = shots.samples_per_shot;
        let ascan = &samples[i * n..(i + 1) * n];
        let surface_s = beam.surface_time_s + followed.shift_s;
        let raised = (!self.gain_curve_applied).then(|| self.raised(beam, surface_s, ascan));
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
                let reading = match &raised {
                    _ if surface => followed.surface,
                    Some(raised) => self.detector.peak(raised, from_s, to_s),
                    None => self.detector.peak(ascan, from_s, to_s),
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

    /// An A-scan with the beam's gain against depth laid on from the surface found in this shot.
    /// What was at full scale stays there.
    fn raised<S: Sample>(&self, beam: &Beam, surface_s: f64, ascan: &[S]) -> Vec<f32> {
        let record = self.detector.record();
        let full = S::FULL_SCALE as f32;
        ascan
            .iter()
            .enumerate()
            .map(|(k, &x)| {
                if S::at_full_scale(x.magnitude()) {
                    return 1.0;
                }
                let after_s = record.time_s(k as f64) - surface_s;
                x.value() / full * 10_f64.powf(beam.curve_db(after_s) / 20.0) as f32
            })
            .collect()
    }
}
