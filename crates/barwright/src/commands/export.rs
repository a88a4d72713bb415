//! `export`: records for other programs.

use std::path::{Path, PathBuf};

use barwright_job::Hash;
use barwright_report::diconde::BarObject;
use barwright_web::{
    files,
    papers::diconde::{Exported, MapSize, exported},
};
use clap::Subcommand;
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

mod schemas;
mod tables;

/// Give records to other programs, in formats of open standards.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Write the record of a bar as a DICOM object (ASTM E2339 and E2663, as far as their attributes are open).
    ///
    /// Component, probes, beams, gates, levelling and checks, indications, verdict, hashes, the ledger's last entry,
    /// what was not inspected, cautions, and a map of the peaks as 16-bit frames. It says what the ledger says as of
    /// its last entry: the same record gives the same bytes. What no open attribute can hold stands in a private block
    /// (`barwright help exchange`). Exit status 1 if the bar's table of peaks is not the one that screening wrote:
    /// then the object has no map.
    Diconde {
        /// The bar.
        #[arg(value_name = "BAR")]
        bar: String,
        /// Where to write; exports/bar-NAME.dcm in the job folder if not given. A file that is no DICOM object
        /// is never written over.
        #[arg(long, value_name = "FILE.dcm")]
        out: Option<PathBuf>,
    },
    /// Write everything that the pages list as tables, with a dictionary of their columns.
    ///
    /// Beams, firings, proof, reference bar, level, checks, trends, bars, indications, pieces, cut plan, ledger,
    /// people, equipment, rules: in full precision, with units in the names of the columns. All tables are
    /// written or none; a file that says something else is only written over with --replace. A table whose
    /// documents are not there yet has no row. Texts that a spreadsheet would take for a formula get an
    /// apostrophe before them in CSV.
    Tables(tables::Args),
    /// Write a JSON Schema of every document, for editors and other programs.
    ///
    /// Order, station, rules, scene and mapping document, which people write in TOML, and the sealed documents. They
    /// are made from the types that this program reads with. All are written or none.
    Schemas(schemas::Args),
}

/// Exports.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    match &args.action {
        Action::Diconde { bar, out } => diconde(bench, bar, out.as_ref()),
        Action::Tables(args) => tables::run(bench, args),
        Action::Schemas(args) => schemas::run(bench, args),
    }
}

fn diconde(bench: &Bench, bar: &str, out: Option<&PathBuf>) -> Result<Outcome, Failure> {
    let path = out.cloned().unwrap_or_else(|| bench.job.path(&format!("exports/bar-{bar}.dcm")));
    demand_room(&path)?;
    let made = exported(&bench.job, bar)?;
    files::write(&path, &made.object.bytes)?;
    bench.say(&format!("wrote {}", path.display()));
    if let Some(amiss) = &made.amiss {
        bench.say(&format!("attention: {amiss}; the object has no map"));
    }
    let written = Written::of(&path, &made);
    bench.answer(&text(bar, &written), &written)?;
    Ok(Outcome::good_if(made.amiss.is_none()))
}

/// Files that are there and say something else, where they may be written over.
fn others(contents: &[(PathBuf, Vec<u8>)], replace: bool) -> Result<Vec<String>, Failure> {
    let mut found = Vec::new();
    for (path, content) in contents {
        match std::fs::read(path) {
            Ok(there) if there == *content => {}
            Ok(_) => found.push(path.display().to_string()),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
            Err(e) => return Err(Failure::new(format!("{}: {e}", path.display()))),
        }
    }
    let (false, Some(first)) = (replace, found.first()) else { return Ok(found) };
    let more = match found.len() {
        1 => String::new(),
        n => format!(", and {} more like it", n - 1),
    };
    Err(Failure::new(format!("{first} is there already and says something else{more}"))
        .hint(Some("choose another folder with --to, or write over with --replace".into())))
}

/// An object may be written anew; anything else that stands there may be somebody's only copy.
fn demand_room(path: &Path) -> Result<(), Failure> {
    const MARK: &[u8] = b"DICM";
    const BEFORE: usize = 128;
    let refuse = |why: &str| {
        Failure::new(format!("{}: {why}", path.display()))
            .hint(Some("give the object a name of its own with --out".into()))
    };
    match std::fs::metadata(path) {
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(()),
        Err(e) => Err(refuse(&e.to_string())),
        Ok(about) if about.is_dir() => Err(refuse("this is a folder")),
        Ok(_) => {
            use std::io::Read as _;
            let mut start = Vec::new();
            let file = std::fs::File::open(path).map_err(|e| refuse(&e.to_string()))?;
            let most = (BEFORE + MARK.len()) as u64;
            file.take(most).read_to_end(&mut start).map_err(|e| refuse(&e.to_string()))?;
            if start.get(BEFORE..) == Some(MARK) {
                return Ok(());
            }
            Err(refuse("a file that is no DICOM object stands there and is not written over"))
        }
    }
}

/// What was written, as data.
#[derive(Debug, Serialize)]
struct Written<'a> {
    file: &'a Path,
    bytes: usize,
    hash: String,
    outcome: &'a str,
    released: bool,
    ledger_entry: i64,
    sop_class: &'a str,
    sop_instance: &'a str,
    series: &'a str,
    study: &'a str,
    map: Option<MapSize>,
    amiss: Option<&'a str>,
    left_open: Vec<Open<'a>>,
    shortened: Vec<Cut<'a>>,
}

#[derive(Debug, Serialize)]
struct Open<'a> {
    tag: String,
    keyword: &'a str,
    why: &'a str,
}

#[derive(Debug, Serialize)]
struct Cut<'a> {
    tag: String,
    keyword: &'a str,
    place: &'a str,
    text: &'a str,
}

impl<'a> Written<'a> {
    fn of(file: &'a Path, made: &'a Exported) -> Self {
        let o: &BarObject = &made.object;
        Self {
            file,
            bytes: o.bytes.len(),
            hash: Hash::of(&o.bytes).0,
            outcome: o.outcome.words,
            released: o.outcome.released,
            ledger_entry: made.entry,
            sop_class: o.sop_class,
            sop_instance: &o.sop_instance,
            series: &o.series,
            study: &o.study,
            map: made.map,
            amiss: made.amiss.as_deref(),
            left_open: o
                .left_open
                .iter()
                .map(|l| Open { tag: l.tag.to_string(), keyword: &l.keyword, why: &l.why })
                .collect(),
            shortened: o
                .shortened
                .iter()
                .map(|s| Cut {
                    tag: s.tag.to_string(),
                    keyword: &s.keyword,
                    place: &s.place,
                    text: &s.text,
                })
                .collect(),
        }
    }
}

fn text(bar: &str, w: &Written<'_>) -> String {
    let mut text = format!(
        "bar {bar}: {}, as of entry {} of the ledger; {} bytes\nobject {}\n",
        w.outcome, w.ledger_entry, w.bytes, w.sop_instance
    );
    if let Some(m) = &w.map {
        text += &format!(
            "peaks: {} in {} rows and {} columns of {:.0} mm\n",
            m.peaks,
            m.rows,
            m.columns,
            m.cell_m * 1e3
        );
    }
    if !w.shortened.is_empty() {
        text += &format!("texts cut to their attribute and whole besides: {}\n", w.shortened.len());
    }
    text += "left open:\n";
    for open in &w.left_open {
        text += &format!("  {} {}: {}\n", open.tag, open.keyword, open.why);
    }
    text
}
