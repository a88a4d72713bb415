//! `capture`: bringing in measured data, and looking at what a capture is.

use std::path::PathBuf;

use barwright_capture::{CaptureReader, FullMatrix, form_beams, hash_file};
use clap::Subcommand;
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use crate::steps;

/// Bring in measured captures, or show what a capture is.
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
        /// Use the gains of level.json rather than those of the technique.
        #[arg(long)]
        levelled: bool,
        /// Name of the bar or block.
        #[arg(long, default_value = "block")]
        bar: String,
        /// Name of the capture in the job folder.
        #[arg(long, default_value = "still")]
        name: String,
    },
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

/// Imports or shows.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    match &args.action {
        Action::Import { folder, levelled, bar, name } => {
            let technique = bench.job.technique()?;
            let matrix = FullMatrix::read(folder)?;
            let level = if *levelled { Some(bench.job.level()?) } else { None };
            let gains: Vec<f64> = match &level {
                Some(level) => level.body.beams.iter().map(|b| b.gain_db).collect(),
                None => technique.body.beams.iter().map(|b| b.gain_db).collect(),
            };
            let (mut header, shots) = form_beams(&matrix, &technique, &gains)?;
            header.bar.clone_from(bar);
            header.heat = bench.job.order()?.order.heat;
            header.level = level.map(|l| l.hash);
            let path = bench.job.capture_path(name);
            let hash = steps::store_shots(&path, &header, &shots)?;
            bench.say(&format!("wrote {}", path.display()));
            let clipped = shots.clipped_s.iter().filter(|c| !c[0].is_nan()).count();
            let text = format!(
                "{} beams formed from {}; {clipped} of them have source traces at full scale\ncapture {}",
                shots.len(),
                header.origin,
                hash.short()
            );
            bench.answer(&text, &Shown { hash: hash.0, shots: shots.len(), header: &header })?;
        }
        Action::Show { capture } => {
            let reader = CaptureReader::open(capture)?;
            let header = reader.header().clone();
            let mut shots = 0;
            for batch in reader {
                shots += batch?.len();
            }
            let hash = hash_file(capture)?;
            let text = format!(
                "{:?} capture of {} ({:.0} mm), {shots} shots of {} samples at {:.1} MHz\ntechnique {}, level {}\nfrom {}\nhash {hash}",
                header.kind,
                header.bar,
                header.length_m * 1e3,
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
