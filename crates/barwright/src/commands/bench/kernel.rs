//! Samples through surface following and gates on one core.

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use barwright_capture::{Peaks, Samples, ShotRun, Shots, Signal};
use barwright_evaluate::screen::{Retention, Stream};
use serde::{Deserialize, Serialize};

use super::shots::Work;
use crate::failure::Failure;

/// The same work in NumPy.
const NUMPY: &str = include_str!("../../../../../checks/screen_numpy.py");
/// Shots of one run, as a client would send them.
const RUN: usize = 4000;
/// Samples that are measured with, in bytes: far more than the caches hold.
const BYTES: usize = 200 << 20;
/// Fewest gates of the beams that are measured with.
const GATES: usize = 3;
/// The best of so many.
const REPEATS: usize = 3;

/// What one core does.
#[derive(Debug, Serialize)]
pub struct Speeds {
    pub copy_bytes_s: f64,
    pub bytes_s_16: f64,
    pub bytes_s_8: f64,
    pub bytes_s_32: f64,
    pub numpy: Option<Numpy>,
}

/// What NumPy does, and how far its peaks lie from ours.
#[derive(Debug, Serialize)]
pub struct Numpy {
    pub bytes_s: f64,
    pub peaks: usize,
    /// Largest difference of heights, as a fraction of full screen height.
    pub height_fsh: f64,
    /// Largest difference of arrivals, in ns.
    pub time_ns: f64,
}

/// Measures.
pub fn measure(work: &Work, python: Option<&Path>) -> Result<Speeds, Failure> {
    let t = &work.technique.body;
    let beams = t.beams.iter().filter(|b| b.gates.len() >= GATES).count();
    let per_cycle = beams * t.record.samples as usize * 2;
    // Beams with three gates or more: surface, volume, back wall.
    let shots = work.shots_of(0, u32::try_from(BYTES / per_cycle).unwrap_or(1).max(1), GATES);
    let alone =
        rayon::ThreadPoolBuilder::new().num_threads(1).build().map_err(|e| Failure::because(&e))?;
    let narrow: Vec<i8> = shots.samples.iter().map(|&x| (x >> 8) as i8).collect();
    let full = f32::from(i16::MAX);
    let real: Vec<f32> = shots.samples.iter().map(|&x| f32::from(x) / full).collect();
    let rate = |samples: Samples<'_>, bytes: usize| -> Result<f64, Failure> {
        let mut best = f64::MAX;
        for _ in 0..REPEATS {
            let began = Instant::now();
            alone.install(|| read(work, &shots, samples))?;
            best = best.min(began.elapsed().as_secs_f64());
        }
        Ok(bytes as f64 / best)
    };
    let n = shots.samples.len();
    Ok(Speeds {
        copy_bytes_s: copy(&shots.samples),
        bytes_s_16: rate(Samples::I16(&shots.samples), 2 * n)?,
        bytes_s_8: rate(Samples::I8(&narrow), n)?,
        bytes_s_32: rate(Samples::F32(&real), 4 * n)?,
        numpy: python.map(|p| numpy(work, &shots, p)).transpose()?,
    })
}

fn copy(samples: &[i16]) -> f64 {
    let mut there = vec![1_i16; samples.len()];
    let mut best = f64::MAX;
    for _ in 0..REPEATS + 1 {
        let began = Instant::now();
        there.copy_from_slice(std::hint::black_box(samples));
        std::hint::black_box(&mut there);
        best = best.min(began.elapsed().as_secs_f64());
    }
    2.0 * samples.len() as f64 / best
}

/// Everything that is done to a bar while it runs, but storing it.
fn read(work: &Work, shots: &Shots, samples: Samples<'_>) -> Result<Peaks, Failure> {
    let header = work.header("measured", 12.0);
    let mut stream = Stream::new(
        &work.technique,
        Some(&work.level),
        &work.rules,
        &header,
        Signal::default(),
        Retention::Around,
    )?;
    let mut last = Peaks::default();
    for from in (0..shots.len()).step_by(RUN) {
        let to = (from + RUN).min(shots.len());
        last = stream.read(&part(shots, samples, from, to))?.peaks;
    }
    Ok(last)
}

fn part<'a>(shots: &'a Shots, samples: Samples<'a>, from: usize, to: usize) -> ShotRun<'a> {
    let n = shots.samples_per_shot;
    let of = from * n..to * n;
    ShotRun {
        samples_per_shot: n,
        pass: &shots.pass[from..to],
        beam: &shots.beam[from..to],
        time_s: &shots.time_s[from..to],
        z_m: &shots.z_m[from..to],
        turn_rad: &shots.turn_rad[from..to],
        clipped_s: &shots.clipped_s[from..to],
        samples: match samples {
            Samples::I8(s) => Samples::I8(&s[of]),
            Samples::I16(s) => Samples::I16(&s[of]),
            Samples::F32(s) => Samples::F32(&s[of]),
        },
    }
}

/// What the script says of its own run.
#[derive(Deserialize)]
struct Said {
    seconds: f64,
    bytes: f64,
    /// Height and time after the surface of every gate of every shot, in order.
    peaks: Vec<[f64; 2]>,
}

/// Runs the script on a part of the shots and compares its peaks with ours.
fn numpy(work: &Work, shots: &Shots, python: &Path) -> Result<Numpy, Failure> {
    let folder = tempfile::tempdir().map_err(|e| Failure::because(&e))?;
    let (samples, job) = (folder.path().join("samples.i16"), folder.path().join("job.json"));
    let n = 20_000.min(shots.len());
    let taken = &shots.samples[..n * shots.samples_per_shot];
    let bytes: Vec<u8> = taken.iter().flat_map(|x| x.to_le_bytes()).collect();
    let described = serde_json::json!({
        "record": work.technique.body.record,
        "pulse": work.technique.body.pulse,
        "beams": work.technique.body.beams,
        "beam": &shots.beam[..n],
    });
    std::fs::write(&samples, bytes)
        .and_then(|()| std::fs::write(&job, described.to_string()))
        .map_err(|e| Failure::because(&e))?;
    let output = Command::new(python)
        .args(["-c", NUMPY])
        .args([&samples, &job])
        .output()
        .map_err(|e| Failure::because(&e))?;
    if !output.status.success() {
        let text = String::from_utf8_lossy(&output.stderr);
        return Err(Failure::new(format!("the NumPy pipeline failed: {text}"))
            .hint(Some("give a Python that has NumPy".into())));
    }
    let said: Said = serde_json::from_slice(&output.stdout).map_err(|e| Failure::because(&e))?;
    let header = work.header("measured", 12.0);
    let mut stream = Stream::new(
        &work.technique,
        Some(&work.level),
        &work.rules,
        &header,
        Signal::default(),
        Retention::Peaks,
    )?;
    let peaks = stream.read(&part(shots, Samples::I16(&shots.samples), 0, n))?.peaks;
    if peaks.echoes.len() != said.peaks.len() {
        let (ours, theirs) = (peaks.echoes.len(), said.peaks.len());
        return Err(Failure::new(format!("NumPy gave {theirs} peaks, this program {ours}")));
    }
    let pairs = peaks.echoes.iter().zip(&said.peaks);
    let most = |f: &dyn Fn(&barwright_job::screened::Echo, &[f64; 2]) -> f64| {
        pairs.clone().map(|(e, p)| f(e, p)).fold(0.0, f64::max)
    };
    Ok(Numpy {
        bytes_s: said.bytes / said.seconds,
        peaks: said.peaks.len(),
        height_fsh: most(&|e, p| (f64::from(e.height_fsh) - p[0]).abs()),
        time_ns: most(&|e, p| (e.after_surface_s - p[1]).abs() * 1e9),
    })
}
