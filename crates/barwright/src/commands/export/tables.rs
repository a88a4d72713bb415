//! `export tables`: everything that the pages list, for other programs.

use std::path::PathBuf;

use barwright_web::{
    files,
    tables::{self, DICTIONARY, Listed, Source},
};
use clap::ValueEnum;
use serde::Serialize;

use super::others;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// What to write, and where.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder for the tables; exports/tables in the job folder if not given.
    #[arg(long, value_name = "FOLDER")]
    to: Option<PathBuf>,
    /// How to write them.
    #[arg(long, value_enum, default_value = "csv")]
    format: Format,
    /// Write over files of these names that say something else.
    #[arg(long)]
    replace: bool,
    /// Which tables; all if none is named. dictionary.csv lists them.
    #[arg(value_name = "TABLE")]
    tables: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// Text, RFC 4180.
    Csv,
    /// Apache Parquet.
    Parquet,
}

impl From<Format> for tables::Format {
    fn from(format: Format) -> Self {
        match format {
            Format::Csv => Self::Csv,
            Format::Parquet => Self::Parquet,
        }
    }
}

/// What was written, as data.
#[derive(Debug, Serialize)]
struct Written {
    folder: PathBuf,
    format: &'static str,
    tables: Vec<One>,
    dictionary: &'static str,
    /// Files that said something else before.
    replaced: Vec<String>,
}

#[derive(Debug, Serialize)]
struct One {
    table: &'static str,
    file: String,
    rows: usize,
    columns: usize,
    /// Why there is no row, where what they come from is not there yet.
    absent: Option<String>,
}

/// Writes the tables: all of them, or none.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let folder = args.to.clone().unwrap_or_else(|| bench.job.path("exports/tables"));
    let format = tables::Format::from(args.format);
    let wanted = wanted(&args.tables)?;
    let source = Source::read(&bench.job).map_err(|e| Failure::because(&e))?;
    let (mut contents, mut told) = (Vec::new(), Vec::new());
    for listed in &wanted {
        let table = source.table(listed)?;
        let file = format!("{}.{}", listed.name, format.ending());
        contents.push((folder.join(&file), table.write(format)?));
        let (rows, columns) = (table.rows.len(), table.columns.len());
        told.push(One { table: listed.name, file, rows, columns, absent: table.absent });
    }
    contents.push((folder.join(DICTIONARY), tables::dictionary_csv()?));
    let replaced = others(&contents, args.replace)?;
    files::write_together(&contents)?;
    let written =
        Written { folder, format: format.ending(), tables: told, dictionary: DICTIONARY, replaced };
    bench.answer(&text(&written), &written)?;
    Ok(Outcome::Good)
}

fn wanted(names: &[String]) -> Result<Vec<Listed>, Failure> {
    if names.is_empty() {
        return Ok(tables::all());
    }
    let mut wanted: Vec<Listed> = Vec::new();
    for name in names {
        let Some(listed) = tables::named(name) else {
            let known: Vec<&str> = tables::all().iter().map(|listed| listed.name).collect();
            return Err(Failure::new(format!("there is no table \"{name}\""))
                .hint(Some(format!("tables: {}", known.join(", ")))));
        };
        if wanted.iter().all(|other| other.name != listed.name) {
            wanted.push(listed);
        }
    }
    Ok(wanted)
}

fn text(w: &Written) -> String {
    use std::fmt::Write as _;
    let mut text =
        format!("{} tables and {} in {}\n", w.tables.len(), w.dictionary, w.folder.display());
    for t in &w.tables {
        let _ = match &t.absent {
            None => writeln!(text, "  {:28} {:7} rows", t.file, t.rows),
            Some(why) => writeln!(text, "  {:28} no row: {why}", t.file),
        };
    }
    if !w.replaced.is_empty() {
        let _ = writeln!(text, "written over: {}", w.replaced.join(", "));
    }
    text
}
