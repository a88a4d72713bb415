//! A-scans from and to other programs.

use std::path::{Path, PathBuf};

use barwright_capture::export::{self, SampleType, export_csv, export_echoes, export_parquet};
use barwright_capture::import::Named;
use barwright_capture::{
    CaptureKind, CaptureReader, CaptureWriter, Header, ImportMap, Imported, import_shots,
};
use barwright_web::files;
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Options of `capture import-shots`.
#[derive(Debug, clap::Args)]
pub struct ImportArgs {
    /// CSV or NPY file with the A-scans.
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Mapping document: where things stand in the file (TOML; see examples/import-map-csv.toml).
    #[arg(long, value_name = "FILE")]
    map: PathBuf,
    /// The shots were taken with the gains of level.json; otherwise with the technique's.
    #[arg(long)]
    levelled: bool,
    /// What the capture was taken for; what the map says, or production.
    #[arg(long, value_enum)]
    kind: Option<Kind>,
    /// Name of the bar; what the map says if not given.
    #[arg(long)]
    bar: Option<String>,
    /// Heat of the bar; what the map says, or the order's heat.
    #[arg(long)]
    heat: Option<String>,
    /// Length of the bar in mm; what the map says if not given.
    #[arg(long, value_name = "MM")]
    length_mm: Option<f64>,
    /// Name of the capture in the job folder; the bar's name if not given.
    #[arg(long)]
    name: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Kind {
    /// A bar of the order at line speed.
    Production,
    /// One position on a block or bar that does not move.
    Still,
    /// The reference bar moved through its motion list.
    Reference,
    /// The reference bar at line speed, several passes.
    Check,
}

impl From<Kind> for CaptureKind {
    fn from(kind: Kind) -> Self {
        match kind {
            Kind::Production => Self::Production,
            Kind::Still => Self::Still,
            Kind::Reference => Self::Reference,
            Kind::Check => Self::Check,
        }
    }
}

/// Options of `capture export`.
#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("to").required(true).multiple(true).args(["csv", "parquet"])))]
pub struct ExportArgs {
    /// The capture.
    #[arg(value_name = "CAPTURE")]
    capture: PathBuf,
    /// CSV file to write; FILE.map.toml beside it tells what a CSV cannot, and reads it back.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Parquet file to write: a list of samples a shot, without our filter.
    #[arg(long, value_name = "FILE")]
    parquet: Option<PathBuf>,
    /// Samples in Parquet as floats, fractions of full screen height, instead of 16-bit integers.
    #[arg(long, requires = "parquet")]
    float: bool,
}

/// Options of `capture export-echoes`.
#[derive(Debug, clap::Args)]
pub struct EchoArgs {
    /// The screened bar, by name.
    #[arg(value_name = "BAR")]
    bar: String,
    /// CSV file to write.
    #[arg(long, value_name = "FILE")]
    csv: PathBuf,
}

#[derive(Serialize)]
struct Made<'a> {
    hash: String,
    #[serde(flatten)]
    imported: &'a Imported,
    header: &'a Header,
}

/// Imports. Attention where samples were beyond full scale or beams have no shots.
pub fn import(bench: &Bench, args: &ImportArgs) -> Result<Outcome, Failure> {
    let technique = bench.job.technique()?;
    let level = if args.levelled { Some(bench.job.level()?) } else { None };
    let map = files::read_written(&args.map, ImportMap::from_toml)?;
    let named = Named {
        kind: args.kind.map(Into::into),
        bar: args.bar.clone(),
        heat: args.heat.clone(),
        length_mm: args.length_mm,
        origin: None,
    };
    let heat = bench.job.order()?.order.heat;
    let from = args.file.file_name().unwrap_or_default().to_string_lossy();
    let header = map.header(&named, &heat, &technique, level.as_ref(), &from)?;
    let path = bench.job.capture_path(args.name.as_deref().unwrap_or(&header.bar));
    files::make_room(&path)?;
    let mut writer = CaptureWriter::create(&path, &header)?;
    let imported = import_shots(&args.file, &map, &technique, |shots| writer.write(shots))?;
    let hash = writer.finish()?;
    bench.say(&format!("wrote {}", path.display()));
    let mut text = format!(
        "{} shots of bar {} ({:.0} mm) from {from}{}",
        imported.shots,
        header.bar,
        header.length_m * 1e3,
        if imported.resampled { ", interpolated to the technique's record" } else { "" },
    );
    if imported.clipped_shots > 0 {
        text += &format!(
            "\n{} shots have samples beyond full scale, which count as clipped",
            imported.clipped_shots
        );
    }
    if !imported.absent_beams.is_empty() {
        text += &format!(
            "\n{} of {} beams have no shot: {}",
            imported.absent_beams.len(),
            technique.body.beams.len(),
            few(&imported.absent_beams)
        );
    }
    text += &format!("\ncapture {}", hash.short());
    bench.answer(&text, &Made { hash: hash.0, imported: &imported, header: &header })?;
    Ok(Outcome::good_if(imported.clipped_shots == 0 && imported.absent_beams.is_empty()))
}

/// The first of some numbers, in words.
fn few(numbers: &[u32]) -> String {
    const SHOWN: usize = 10;
    let mut words: Vec<String> = numbers.iter().take(SHOWN).map(ToString::to_string).collect();
    if numbers.len() > SHOWN {
        words.push("...".to_owned());
    }
    words.join(", ")
}

#[derive(Serialize)]
struct Written {
    files: Vec<PathBuf>,
    rows: u64,
}

/// Exports a capture's shots.
pub fn shots(bench: &Bench, args: &ExportArgs) -> Result<Outcome, Failure> {
    let mut written = Written { files: Vec::new(), rows: 0 };
    if let Some(path) = &args.csv {
        let reader = free_of(&args.capture, path)?;
        let map = export::csv_map(reader.header());
        written.rows = export_csv(reader, path)?;
        let mut beside = path.clone().into_os_string();
        beside.push(".map.toml");
        let beside = PathBuf::from(beside);
        export::write_text(&beside, &map)?;
        written.files.extend([path.clone(), beside]);
    }
    if let Some(path) = &args.parquet {
        let reader = free_of(&args.capture, path)?;
        let samples = if args.float { SampleType::Float32 } else { SampleType::Int16 };
        written.rows = export_parquet(reader, path, samples)?.1;
        written.files.push(path.clone());
    }
    tell(bench, &written, "shots")
}

/// The capture, where the export does not take its place.
fn free_of(capture: &Path, export: &Path) -> Result<CaptureReader, Failure> {
    let reader = CaptureReader::open(capture)?;
    if let (Ok(a), Ok(b)) = (capture.canonicalize(), export.canonicalize())
        && a == b
    {
        return Err(Failure::new(format!("{}: this is the capture itself", export.display()))
            .hint(Some("give the export a name of its own".into())));
    }
    files::make_room(export)?;
    Ok(reader)
}

/// Exports a bar's echoes.
pub fn echoes(bench: &Bench, args: &EchoArgs) -> Result<Outcome, Failure> {
    files::make_room(&args.csv)?;
    let rows = export_echoes(&bench.job.echoes_path(&args.bar), &args.csv)?;
    tell(bench, &Written { files: vec![args.csv.clone()], rows }, "echoes")
}

fn tell(bench: &Bench, written: &Written, what: &str) -> Result<Outcome, Failure> {
    for file in &written.files {
        bench.say(&format!("wrote {}", file.display()));
    }
    bench.answer(&format!("{} {what} exported", written.rows), written)?;
    Ok(Outcome::Good)
}
