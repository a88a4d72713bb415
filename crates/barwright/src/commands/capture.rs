//! `capture`: bringing in measured data, giving it to other programs, and looking at what a capture
//! is.

mod exchange;

use std::path::PathBuf;

use barwright_capture::{CaptureReader, FullMatrix, form_beams, hash_file};
use barwright_job::technique::{Beam, GateKind, Record};
use barwright_job::{Sealed, Technique};
use clap::Subcommand;
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use barwright_web::steps;

/// Bring in measured captures, give them to other programs, or show what a capture is.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Form the technique's beams from a full-matrix capture.
    ///
    /// FOLDER holds fmc.npy ([transmit, receive, sample]) and meta.json. Every beam is formed by
    /// applying its own delay laws; what follows cannot tell it from a recorded one.
    Import {
        /// Folder with the matrix.
        #[arg(value_name = "FOLDER")]
        folder: PathBuf,
        /// Use the gains of level.json.
        #[arg(long, conflicts_with = "gain_db")]
        levelled: bool,
        /// Gain in dB added to that of the technique, the same for all beams. If neither this nor a
        /// level is given, it is chosen so that the median back wall reads the level target: a
        /// matrix has no unit of its own.
        #[arg(long, allow_negative_numbers = true)]
        gain_db: Option<f64>,
        /// The probe of the technique whose array took the matrix, counted from 1: only its beams are formed. All beams if it is
        /// not said.
        #[arg(long, value_name = "NUMBER", value_parser = clap::value_parser!(u32).range(1..))]
        probe: Option<u32>,
        /// Name of the bar or block.
        #[arg(long, default_value = "block")]
        bar: String,
        /// Name of the capture in the job folder.
        #[arg(long, default_value = "still")]
        name: String,
    },
    /// Bring in A-scans of another system: CSV or NPY, read as a mapping document says.
    ///
    /// The capture can be screened, levelled on or checked like any other (docs/imports.md). Exit
    /// status 1 if samples were beyond full scale or a beam has no shot.
    ImportShots(exchange::ImportArgs),
    /// Write a capture's shots to CSV or to Parquet that needs no knowledge of ours.
    Export(exchange::ExportArgs),
    /// Write a screened bar's echoes to CSV.
    ExportEchoes(exchange::EchoArgs),
    /// Show a capture's header and its number of shots.
    Show {
        /// The capture.
        #[arg(value_name = "CAPTURE")]
        capture: PathBuf,
    },
}

#[derive(Serialize)]
struct Shown<'a> {
    hash: String,
    shots: usize,
    header: &'a barwright_capture::Header,
}

/// The gain, to be added to all beams alike, at which the median peak of the back-wall gates (of
/// all gates where there is no back wall) reads the technique's target.
fn common_gain_db(
    matrix: &FullMatrix,
    technique: &Sealed<Technique>,
    nominal: &[f64],
    probe: Option<u32>,
) -> Result<f64, Failure> {
    let t = &technique.body;
    let full_scale = t.record.full_scale_fsh;
    let mut added = 0.0;
    // Formed beams clip while the gain is too high and drown in rounding while it is too low: go
    // down in steps until nothing clips, then once to the target.
    for _ in 0..20 {
        let gains: Vec<f64> = nominal.iter().map(|g| g + added).collect();
        let (_, shots) = form_beams(matrix, technique, &gains, probe)?;
        let mut peaks: Vec<f64> = (0..shots.len())
            .map(|i| {
                let beam = &t.beams[shots.beam[i] as usize];
                gate_peak(&t.record, beam, shots.ascan(i))
            })
            .collect();
        peaks.sort_by(f64::total_cmp);
        let median = peaks.get(peaks.len() / 2).copied().unwrap_or(0.0);
        let highest = peaks.last().copied().unwrap_or(0.0);
        if highest >= 1.0 {
            added -= 20.0;
        } else if median > 0.0 {
            return Ok(added + 20.0 * (t.sensitivity.target_fsh / (median * full_scale)).log10());
        } else {
            break;
        }
    }
    Err(Failure::new("the formed beams show nothing in their gates")
        .hint(Some("give the gain with --gain-db".into())))
}

/// Largest sample of the beam's back-wall gate, or of its first gate, as a fraction of full scale.
fn gate_peak(record: &Record, beam: &Beam, samples: &[i16]) -> f64 {
    let Some(gate) = beam.gate(GateKind::BackWall).or_else(|| beam.gates.first()) else {
        return 0.0;
    };
    let position = |after_s: f64| record.position(beam.surface_time_s + after_s).max(0.0) as usize;
    let (from, to) = (position(gate.start_s), position(gate.end_s).min(samples.len()));
    let peak = samples.get(from..to).unwrap_or_default().iter().map(|s| s.unsigned_abs()).max();
    f64::from(peak.unwrap_or(0)) / f64::from(i16::MAX)
}

/// Imports or shows.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    match &args.action {
        Action::Import { folder, levelled, gain_db, probe, bar, name } => {
            let technique = bench.job.technique()?;
            let mut matrix = FullMatrix::read(folder)?;
            let probe = probe.map(|p| p - 1);
            let completed = matrix.complete();
            if completed > 0 {
                bench.say(&format!("{completed} pairs were recorded one way only; the other way is taken as the same"));
            }
            let level = if *levelled { Some(bench.job.level()?) } else { None };
            let nominal: Vec<f64> = technique.body.beams.iter().map(|b| b.gain_db).collect();
            let gains: Vec<f64> = match (&level, gain_db) {
                (Some(level), _) => level.body.beams.iter().map(|b| b.gain_db).collect(),
                (None, Some(added)) => nominal.iter().map(|g| g + added).collect(),
                (None, None) => {
                    let added = common_gain_db(&matrix, &technique, &nominal, probe)?;
                    bench.say(&format!("gain of all beams changed by {added:+.1} dB so that the median back wall reads the target"));
                    nominal.iter().map(|g| g + added).collect()
                }
            };
            let (mut header, shots) = form_beams(&matrix, &technique, &gains, probe)?;
            header.bar.clone_from(bar);
            header.heat = bench.job.order()?.order.heat;
            header.level = level.map(|l| l.hash);
            let path = bench.job.capture_path(name);
            let hash = steps::store_shots(&path, &header, &shots)?;
            bench.say(&format!("wrote {}", path.display()));
            let clipped = shots.clipped_s.iter().filter(|c| !c[0].is_nan()).count();
            let text = format!(
                "{} of {} beams formed from {}; {clipped} of them have source traces at full scale\ncapture {}",
                shots.len(),
                technique.body.beams.len(),
                header.origin,
                hash.short()
            );
            bench.answer(&text, &Shown { hash: hash.0, shots: shots.len(), header: &header })?;
        }
        Action::ImportShots(args) => return exchange::import(bench, args),
        Action::Export(args) => return exchange::shots(bench, args),
        Action::ExportEchoes(args) => return exchange::echoes(bench, args),
        Action::Show { capture } => {
            let reader = CaptureReader::open(capture)?;
            let header = reader.header().clone();
            let mut shots = 0;
            for batch in reader {
                shots += batch?.len();
            }
            let hash = hash_file(capture)?;
            let text = format!(
                "bar {} ({:.0} mm), recorded as {}: {shots} shots of {} samples at {:.1} MHz\ntechnique {}, level {}\nfrom {}\nhash {hash}",
                header.bar,
                header.length_m * 1e3,
                header.kind,
                header.record.samples,
                header.record.sample_rate_hz / 1e6,
                header.technique.short(),
                header.level.as_ref().map_or("none", |l| l.short()),
                header.origin,
            );
            bench.answer(&text, &Shown { hash: hash.0.clone(), shots, header: &header })?;
        }
    }
    Ok(Outcome::Good)
}
