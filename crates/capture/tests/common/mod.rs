//! Folders, headers and shots for the tests of this crate.

pub mod technique;

use barwright_capture::shots::ShotPlace;
use barwright_capture::{CaptureKind, CaptureWriter, Header, Shots};
use barwright_job::{Hash, technique::Record};
use std::path::{Path, PathBuf};

pub fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a temporary folder")
}

/// Measured data beside the project, or nothing where it is absent.
pub fn measured(name: &str) -> Option<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data").join(name);
    if path.is_dir() {
        return Some(path);
    }
    eprintln!("SKIPPED: no measured data {name}");
    None
}

pub fn header(samples: u32) -> Header {
    Header {
        kind: CaptureKind::Production,
        technique: Hash::of(b"technique"),
        level: None,
        bar: "17".into(),
        heat: "H4".into(),
        length_m: 6.0,
        record: Record {
            first_sample_s: 5.1e-5,
            sample_rate_hz: 25e6,
            samples,
            full_scale_fsh: 4.0,
        },
        gains_db: vec![40.0, 41.5],
        origin: "a test".into(),
    }
}

/// Shots with echoes and noise: 12 samples of 5 MHz pulses at 25 MHz over a floor of some counts.
pub fn shots(samples: usize, count: u32) -> Shots {
    let mut shots = Shots::new(samples);
    let mut state = 12345_u32;
    for i in 0..count {
        let place = ShotPlace {
            pass: (i / 1000) as u16,
            beam: i % 2,
            time_s: f64::from(i) * 1e-4,
            z_m: f64::from(i) * 1e-3,
            turn_rad: i as f32 * 0.01,
        };
        for (k, x) in shots.push(place).iter_mut().enumerate() {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = (state >> 24) as f64 / 16.0 - 8.0;
            let t = k as f64 - 100.0 - f64::from(i % 7);
            let echo = 9000.0 * (-t * t / 30.0).exp() * (t * 1.2566).cos();
            *x = (noise + echo) as i16;
        }
    }
    if let Some(c) = shots.clipped_s.first_mut() {
        *c = [1.5e-5, 1.75e-5];
    }
    shots
}

pub fn write(path: &Path, header: &Header, shots: &Shots) -> Hash {
    let mut writer = CaptureWriter::create(path, header).expect("a writer");
    writer.write(shots).expect("written");
    writer.finish().expect("finished")
}

/// Shots with NaN made equal to itself.
pub fn bits(s: &Shots) -> (Vec<[u32; 2]>, Shots) {
    let mut s = s.clone();
    let clipped = std::mem::take(&mut s.clipped_s);
    let clipped = clipped.iter().map(|c| c.map(f32::to_bits)).collect();
    (clipped, s)
}
