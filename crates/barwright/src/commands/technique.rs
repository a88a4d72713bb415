//! `technique`: two techniques compared in words, and one as tables for other programs.

use std::path::PathBuf;

use barwright_job::{Sealed, Technique};
use barwright_web::files;
use clap::Subcommand;
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

mod beams;
mod diff;
mod tables;
mod words;

/// Compare two techniques, or write one as tables.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Say in words what differs between two techniques.
    ///
    /// Beams are matched by probe, wave, aperture and direction, so that a beam that only has
    /// another number is not called changed. Exit status 0 if they are the same, 1 if they differ.
    /// The version of the program that wrote them is no difference.
    Diff {
        /// The first technique file.
        #[arg(value_name = "A")]
        first: PathBuf,
        /// The second technique file.
        #[arg(value_name = "B")]
        second: PathBuf,
    },
    /// Write the technique of the job folder as tables.
    ///
    /// Writes laws.csv, beams.csv, gates.csv, gain_curve.csv and schedule.csv; units stand in the
    /// names of the columns. Beams, probes, elements and firings count from 0, as in technique.json.
    /// Numbers have all their digits: read back they give the technique.
    Export {
        /// Folder for the tables.
        #[arg(long, value_name = "FOLDER")]
        csv: PathBuf,
    },
}

/// What an export wrote.
#[derive(Serialize)]
struct Exported {
    technique: String,
    files: Vec<String>,
}

/// Compares or exports.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    match &args.action {
        Action::Diff { first, second } => {
            let a: Sealed<Technique> = files::read_sealed(first)?;
            let b: Sealed<Technique> = files::read_sealed(second)?;
            let found = diff::diff(&a, &b)?;
            bench.answer(&words::text(&found), &found)?;
            Ok(Outcome::good_if(found.same))
        }
        Action::Export { csv } => {
            let technique = bench.job.technique()?;
            let written: Vec<(PathBuf, Vec<u8>)> = tables::all(&technique.body)
                .map_err(|e| Failure::because(&e))?
                .into_iter()
                .map(|(name, content)| (csv.join(name), content))
                .collect();
            files::write_together(&written)?;
            let files: Vec<String> =
                written.iter().map(|(path, _)| path.display().to_string()).collect();
            let text = format!(
                "technique {}: wrote {}\nbeams, probes, elements and firings count from 0",
                technique.hash.short(),
                files.join(", ")
            );
            bench.answer(&text, &Exported { technique: technique.hash.0, files })?;
            Ok(Outcome::Good)
        }
    }
}
