//! Shots to measure with: made up, but with the echoes a sound bar gives, a flaw now and then, and
//! noise.

use std::f64::consts::TAU;

use barwright_capture::shots::ShotPlace;
use barwright_capture::{CaptureKind, Header, Shots};
use barwright_job::level::{BeamLevel, BeamState, Level};
use barwright_job::technique::{Beam, GateKind, Record};
use barwright_job::{Rules, Sealed, Technique};
use barwright_plan::PlanWatch;
use barwright_web::JobFolder;

use crate::commands::example::Example;
use crate::failure::Failure;
use barwright_web::steps;

/// Noise, as a fraction of full screen height.
const NOISE_FSH: f64 = 0.03;
/// A flaw stands under the ring in one cycle of so many.
const FLAW_EVERY: u32 = 200;

/// A job to measure with.
pub struct Work {
    /// Its folder, removed with it.
    pub folder: JobFolder,
    pub technique: Sealed<Technique>,
    pub level: Sealed<Level>,
    pub rules: Rules,
    _temporary: tempfile::TempDir,
}

impl Work {
    /// Plans the example order of 42 mm.
    pub fn new() -> Result<Self, Failure> {
        let temporary = tempfile::tempdir().map_err(|e| Failure::because(&e))?;
        let folder = JobFolder::new(temporary.path());
        Example::Round42.write(&folder)?;
        let technique = steps::plan(&folder, false, PlanWatch::default())?;
        let level = at_nominal(&technique);
        barwright_web::files::write_sealed(&folder.level_path(), &level)?;
        let rules = folder.rules()?;
        Ok(Self { folder, technique, level, rules, _temporary: temporary })
    }

    /// The header of a bar.
    pub fn header(&self, bar: &str, length_m: f64) -> Header {
        Header {
            kind: CaptureKind::Production,
            technique: self.technique.hash.clone(),
            level: Some(self.level.hash.clone()),
            bar: bar.into(),
            heat: "none".into(),
            length_m,
            record: self.technique.body.record,
            gains_db: self.level.body.beams.iter().map(|b| b.gain_db).collect(),
            origin: "made up for measuring".into(),
        }
    }

    /// So many cycles of all beams from a place on, in firing order.
    pub fn shots(&self, first_cycle: u32, cycles: u32) -> Shots {
        self.shots_of(first_cycle, cycles, 0)
    }

    /// The same of the beams with so many gates or more.
    pub fn shots_of(&self, first_cycle: u32, cycles: u32, gates: usize) -> Shots {
        let t = &self.technique.body;
        let mut shots = Shots::new(t.record.samples as usize);
        let mut noise = Noise(0x9e37_79b9_7f4a_7c15 ^ u64::from(first_cycle));
        let order: Vec<(f64, u32)> = t
            .schedule
            .firings
            .iter()
            .flat_map(|f| f.beams.iter().map(move |&b| (f.start_s, b)))
            .filter(|&(_, b)| t.beams[b as usize].gates.len() >= gates)
            .collect();
        for cycle in first_cycle..first_cycle + cycles {
            for &(start_s, id) in &order {
                let time_s = f64::from(cycle) * t.schedule.period_s + start_s;
                let z_m = time_s * t.pulse_spacing_m / t.schedule.period_s;
                let place = ShotPlace { pass: 0, beam: id, time_s, z_m, turn_rad: 0.0 };
                let flaw = cycle % FLAW_EVERY == FLAW_EVERY / 2;
                let beam = &t.beams[id as usize];
                fill(shots.push(place), &t.record, t.pulse.centre_hz, beam, flaw, &mut noise);
            }
        }
        shots
    }
}

/// A level that leaves the technique's gains: nothing is measured by it but time.
fn at_nominal(technique: &Sealed<Technique>) -> Sealed<Level> {
    let t = &technique.body;
    let beams = t.beams.iter().map(|b| BeamLevel {
        beam: b.id,
        gain_db: b.gain_db,
        change_db: 0.0,
        height_fsh: Some(t.sensitivity.target_fsh),
        expected_fsh: t.sensitivity.target_fsh,
        uncertainty_db: None,
        state: BeamState::Inside,
        lower_by_db: None,
        found: None,
    });
    let body = Level {
        beams: beams.collect(),
        passes: 1,
        good: true,
        bar_offset_m: None,
        explanations: vec![],
        measures: barwright_job::Measures::default(),
        findings: vec![],
    };
    Sealed::seal(body, [("technique", technique.hash.clone())])
}

/// Echoes of surface and back wall in the middle of their gates, of a flaw where there is one.
fn fill(
    ascan: &mut [i16],
    record: &Record,
    centre_hz: f64,
    beam: &Beam,
    flaw: bool,
    noise: &mut Noise,
) {
    let counts = f64::from(i16::MAX) / record.full_scale_fsh;
    for x in ascan.iter_mut() {
        *x = (counts * NOISE_FSH * noise.next()) as i16;
    }
    for gate in &beam.gates {
        let (height_fsh, origin_s) = match gate.kind {
            GateKind::Surface => (2.0, 0.0),
            GateKind::BackWall => (1.5, beam.surface_time_s),
            GateKind::Volume | GateKind::Crack if flaw => (1.0, beam.surface_time_s),
            GateKind::Volume | GateKind::Crack => continue,
        };
        let middle_s = match gate.kind {
            GateKind::Surface => beam.surface_time_s,
            _ => origin_s + 0.5 * (gate.start_s + gate.end_s),
        };
        let at = record.position(middle_s);
        let (from, to) = ((at - 40.0).max(0.0) as usize, (at + 40.0).max(0.0) as usize);
        let last = ascan.len();
        for (k, x) in ascan.iter_mut().enumerate().take(to.min(last)).skip(from) {
            let t = record.time_s(k as f64) - middle_s;
            let envelope = (-0.5 * (t * centre_hz * 1.6).powi(2)).exp();
            let echo = height_fsh * counts * envelope * (TAU * centre_hz * t).cos();
            *x = (f64::from(*x) + echo).clamp(-32767.0, 32767.0) as i16;
        }
    }
}

/// Noise between -1 and 1 (xorshift; what matters is that it costs little and repeats).
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 40) as f64 / f64::from(1_u32 << 23) - 1.0
    }
}
