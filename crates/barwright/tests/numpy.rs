//! Peaks and arrivals beside NumPy. Truth: independent code, the same definitions vectorised over
//! shots (checks/screen_numpy.py), on random samples and on measured ones.
#![allow(clippy::unwrap_used, reason = "tests may")]

use std::path::Path;
use std::process::Command;

use crate::line::bench::{Bench, Scene, disc};
use crate::support::{job, shared};
use barwright_capture::{CaptureKind, CaptureReader, Header, Shots, Signal};
use barwright_evaluate::screen::{Retention, Stream};
use barwright_job::screened::Echo;
use barwright_job::{Rules, Sealed, Technique, level::Level};

/// Differences of heights: numbers of 32 bits, summed in another order.
const HEIGHT_FSH: f64 = 2e-6;
/// Differences of arrivals: the vertex of a parabola through those heights.
const TIME_S: f64 = 1e-11;

/// Height and time of every gate of every shot by NumPy; absent without one.
fn numpy(technique: &Technique, shots: &Shots) -> Option<Vec<[f64; 2]>> {
    let Some(python) = std::env::var_os("BARWRIGHT_PYTHON") else {
        eprintln!("SKIPPED: BARWRIGHT_PYTHON names no Python with NumPy");
        return None;
    };
    let folder = tempfile::tempdir().unwrap();
    let (samples, described) = (folder.path().join("samples.i16"), folder.path().join("job.json"));
    let bytes: Vec<u8> = shots.samples.iter().flat_map(|x| x.to_le_bytes()).collect();
    std::fs::write(&samples, bytes).unwrap();
    let text = serde_json::json!({
        "record": technique.record,
        "pulse": technique.pulse,
        "beams": technique.beams,
        "beam": shots.beam,
    });
    std::fs::write(&described, text.to_string()).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../checks/screen_numpy.py");
    let said = Command::new(python).args([&script, &samples, &described]).output().unwrap();
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    let said: serde_json::Value = serde_json::from_slice(&said.stdout).unwrap();
    Some(serde_json::from_value(said["peaks"].clone()).unwrap())
}

fn ours(
    technique: &Sealed<Technique>,
    level: Option<&Sealed<Level>>,
    rules: &Rules,
    header: &Header,
    shots: &Shots,
) -> Vec<Echo> {
    let (signal, keep) = (Signal::default(), Retention::Peaks);
    let mut stream = Stream::new(technique, level, rules, header, signal, keep).unwrap();
    stream.read(&shots.run()).unwrap().peaks.echoes
}

fn compare(what: &str, ours: &[Echo], theirs: &[[f64; 2]]) {
    assert_eq!(ours.len(), theirs.len());
    let (mut height, mut time) = (0.0_f64, 0.0_f64);
    for (e, p) in ours.iter().zip(theirs) {
        height = height.max((f64::from(e.height_fsh) - p[0]).abs());
        time = time.max((e.after_surface_s - p[1]).abs());
    }
    eprintln!("{what}: {} peaks, {height:.1e} FSH, {time:.1e} s", ours.len());
    assert!(height < HEIGHT_FSH && time < TIME_S, "{what}: {height:.1e} FSH, {time:.1e} s");
}

#[test]
fn random_and_flawed_shots_read_alike() {
    let bench = Bench::new(12);
    let level = bench.level();
    let header = bench.header(CaptureKind::Production, 0.6, Some(&level));
    // A flaw far over full scale, lost coupling, noise up to full scale.
    let mut scene =
        Scene::plain(0.3).with(&[disc(barwright_wave::Point::new(0.010, 0.0), 0.15, 20.0)]);
    scene.coupling = |b, z| if b < 4 && (0.05..0.08).contains(&z) { 0.1 } else { 1.0 };
    let mut shots = Shots::new(600);
    bench.run(&scene, &header.gains_db, 0, 0.0).into_iter().for_each(|r| shots.append(r));
    let mut state = 88_172_645_463_325_252_u64;
    let random = shots.samples.len() / 3;
    for x in &mut shots.samples[..random] {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        *x = (state >> 48) as u16 as i16;
    }
    let Some(theirs) = numpy(&bench.technique.body, &shots) else { return };
    let own = ours(&bench.technique, Some(&level), &bench.rules, &header, &shots);
    compare("random and flawed", &own, &theirs);
}

#[test]
fn measured_shots_read_alike() {
    let Some(data) = shared("data/fmc-steel-sdh") else { return };
    let folder = tempfile::tempdir().unwrap();
    let j = folder.path();
    job(j, &["example", "block-50"], 0);
    job(j, &["plan"], 0);
    job(j, &["capture", "import", data.to_str().unwrap()], 0);
    let read = |name: &str| std::fs::read_to_string(j.join(name)).unwrap();
    let technique: Sealed<Technique> =
        Sealed::from_json("technique.json", &read("technique.json")).unwrap();
    let rules = Rules::from_toml("rules.toml", &read("rules.toml")).unwrap();
    let reader = CaptureReader::open(&j.join("captures/still.parquet")).unwrap();
    let header = reader.header().clone();
    let mut shots = Shots::new(header.record.samples as usize);
    reader.for_each(|batch| shots.append(batch.unwrap()));
    let Some(theirs) = numpy(&technique.body, &shots) else { return };
    let own = ours(&technique, None, &rules, &header, &shots);
    compare("measured", &own, &theirs);
}
