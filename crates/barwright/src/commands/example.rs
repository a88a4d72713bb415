//! `example`: a job folder to begin with.

use std::fmt::Write as _;

use barwright_web::{JobFolder, files};
use clap::ValueEnum;
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Begin a job from commented example documents of an invented mill.
///
/// Writes order.toml, station.toml and rules.toml into the job folder. Nothing that is there
/// already is overwritten.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Which example.
    #[arg(value_enum)]
    example: Example,
}

/// The examples, embedded so that the program needs no files beside it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Example {
    /// 42 mm round bars on a ring of six arc probes at 5 MHz.
    #[value(name = "round-42")]
    Round42,
    /// A flat 50 mm steel block under one array in contact.
    #[value(name = "block-50")]
    Block50,
}

impl Example {
    /// Order, station and rules.
    fn texts(self) -> [&'static str; 3] {
        match self {
            Self::Round42 => [
                include_str!("../../../../examples/order-round-42.toml"),
                include_str!("../../../../examples/station-line-2.toml"),
                include_str!("../../../../examples/rules-th-k2.toml"),
            ],
            Self::Block50 => [
                include_str!("../../../../examples/order-block-50.toml"),
                include_str!("../../../../examples/station-bench-array.toml"),
                include_str!("../../../../examples/rules-block.toml"),
            ],
        }
    }

    /// Writes the documents.
    ///
    /// # Errors
    /// When one of them is there already, or cannot be written.
    pub fn write(self, job: &JobFolder) -> Result<(), Failure> {
        let paths = [job.order_path(), job.station_path(), job.rules_path()];
        if let Some(there) = paths.iter().find(|p| p.exists()) {
            return Err(Failure::new(format!("{} is there already", there.display()))
                .hint(Some("choose an empty folder with --job".into())));
        }
        for (path, text) in paths.iter().zip(self.texts()) {
            files::write(path, text.as_bytes())?;
        }
        Ok(())
    }
}

#[derive(Serialize)]
struct Written {
    folder: std::path::PathBuf,
}

/// Writes the documents.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    args.example.write(&bench.job)?;
    let mut text = String::new();
    let folder = bench.job.root().display();
    let _ = write!(
        text,
        "order.toml, station.toml and rules.toml are in {folder}; next: barwright plan --job {folder}"
    );
    bench.answer(&text, &Written { folder: bench.job.root().to_owned() })?;
    Ok(Outcome::Good)
}
