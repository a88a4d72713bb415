//! `validate`: outside checks.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use barwright_twin::LotKind;
use barwright_web::files;
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use crate::validate::{
    Comparison, Findings, cases, engines, levelling, published, sentencing, trends,
};

/// Compare what the program computes with outside references, value by value.
///
/// Without options the built-in list is compared: values printed in standards, handbooks and
/// papers, and closed forms. With `--cases` a folder of case files made by an independent program.
/// Prints the value, the reference, their difference, the tolerance, the kind of truth and the
/// source of each; writes the same to a file; ends with a count. Files it does not know are listed
/// as not run, never as passed.
///
/// With `--engines` the program's two field engines of round bars are held against each other:
/// rays against the exact series, beam by beam, place by place. Ends with 1 where the rays, at places
/// that they do not flag themselves, lie further off than accepted.
///
/// With `--levelling` the virtual station, with known faults, is levelled: a table of true causes
/// against those named first, the error of the bar's centre and of elements, and how many beams read
/// inside the band afterwards. Ends with 1 where that misses what is asked for.
///
/// With `--sentencing` a lot of bars with known flaws passes the levelled virtual station and is judged: how
/// far place, length and size lie from the truth, which flaws were missed, which calls are false. Ends with 1
/// where that misses what is asked for (docs/sentencing.md).
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder of case files.
    #[arg(long, value_name = "FOLDER", conflicts_with = "engines")]
    cases: Option<PathBuf>,
    /// Level the virtual station in so many scenes, three in four with a fault, and say how often the
    /// right cause is named first.
    #[arg(long, value_name = "COUNT", conflicts_with_all = ["engines", "cases"])]
    levelling: Option<usize>,
    /// Judge so many bars of the virtual station, half of them with flaws, and say how far the judgements lie
    /// from the truth.
    #[arg(long, value_name = "BARS", conflicts_with_all = ["engines", "cases", "levelling"])]
    sentencing: Option<usize>,
    /// Check a virtual station so many times while one of its probes dies slowly, and say when the trend
    /// names it and how right the number of checks left is.
    #[arg(
        long,
        value_name = "CHECKS",
        conflicts_with_all = ["engines", "cases", "levelling", "sentencing"]
    )]
    trends: Option<usize>,
    /// With `--levelling`, `--sentencing` or `--trends`: seed of the scenes.
    #[arg(
        long,
        value_name = "SEED",
        default_value_t = 1,
        conflicts_with_all = ["engines", "cases"]
    )]
    seed: u64,
    /// With `--sentencing`: how many dB the level target stands over the highest noise that the check sees
    /// [default: the noise of the demo].
    #[arg(long, value_name = "DB", requires = "sentencing")]
    noise_db: Option<f64>,
    /// With `--sentencing`: which flaws the lot has.
    #[arg(long, value_enum, requires = "sentencing", default_value_t = Lot::Mixed)]
    lot: Lot,
    /// Compare the ray engine with the exact engine.
    #[arg(long)]
    engines: bool,
    /// With `--engines`: only bars of this diameter (20, 60 or 120); may be repeated.
    #[arg(long, value_name = "MM", requires = "engines")]
    bar: Vec<f64>,
    /// File to write every comparison to [default: validation.json]; with `--engines` a folder for
    /// the table and pictures [default: nothing is written].
    #[arg(long, value_name = "PATH")]
    out: Option<PathBuf>,
}

/// Which flaws a lot has.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Lot {
    /// All kinds.
    Mixed,
    Discs,
    Cracks,
    Pipes,
    /// Two flaws close together.
    Pairs,
    /// None.
    Sound,
}

impl From<Lot> for LotKind {
    fn from(lot: Lot) -> Self {
        match lot {
            Lot::Mixed => Self::Mixed,
            Lot::Discs => Self::Discs,
            Lot::Cracks => Self::Cracks,
            Lot::Pipes => Self::Pipes,
            Lot::Pairs => Self::Pairs,
            Lot::Sound => Self::Sound,
        }
    }
}

/// What is written and, with `--json`, printed.
#[derive(Serialize)]
struct Record<'a> {
    program: &'static str,
    checks: usize,
    outside_tolerance: usize,
    #[serde(flatten)]
    findings: &'a Findings,
}

/// Compares, prints and writes.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    if args.engines {
        return run_engines(bench, &args.bar, args.out.as_deref());
    }
    if let Some(count) = args.levelling {
        return run_levelling(bench, count, args.seed, args.out.as_deref());
    }
    if let Some(bars) = args.sentencing {
        let (kind, noise_db) = (args.lot.into(), args.noise_db);
        let options = sentencing::Options { bars, seed: args.seed, kind, noise_db };
        return run_sentencing(bench, &options, args.out.as_deref());
    }
    if let Some(checks) = args.trends {
        return run_trends(bench, checks, args.seed, args.out.as_deref());
    }
    let out = args.out.clone().unwrap_or_else(|| PathBuf::from("validation.json"));
    let findings = match &args.cases {
        Some(folder) => cases::compare_folder(folder)?,
        None => published::compare()?,
    };
    let checks = findings.comparisons.len();
    if checks == 0 {
        return Err(Failure::new("nothing was compared")
            .hint(Some("the folder holds no case file of a known kind".into())));
    }
    let outside = findings.comparisons.iter().filter(|c| !c.inside()).count();
    let record = Record {
        program: env!("CARGO_PKG_VERSION"),
        checks,
        outside_tolerance: outside,
        findings: &findings,
    };
    let mut text = serde_json::to_string_pretty(&record).map_err(|e| Failure::because(&e))?;
    text.push('\n');
    files::write(&out, text.as_bytes())?;
    bench.say(&format!("every comparison is in {}", out.display()));
    bench.answer(&table(&findings, checks, outside), &record)?;
    Ok(Outcome::good_if(outside == 0))
}

fn run_levelling(
    bench: &Bench,
    count: usize,
    seed: u64,
    out: Option<&Path>,
) -> Result<Outcome, Failure> {
    if count == 0 {
        return Err(Failure::new("nothing was levelled")
            .hint(Some("`--levelling` takes the number of scenes".into())));
    }
    let bar = bench.progress("levelling", count as u64);
    let figures = levelling::run(count, seed, || bar.inc(1))?;
    bar.finish_and_clear();
    if let Some(path) = out {
        let json = serde_json::to_string_pretty(&figures).map_err(|e| Failure::because(&e))?;
        files::write(path, format!("{json}\n").as_bytes())?;
        bench.say(&format!("every scene is in {}", path.display()));
    }
    bench.answer(&levelling::text(&figures), &figures)?;
    Ok(Outcome::good_if(figures.met))
}

fn run_trends(
    bench: &Bench,
    checks: usize,
    seed: u64,
    out: Option<&Path>,
) -> Result<Outcome, Failure> {
    if !(20..=500).contains(&checks) {
        return Err(Failure::new(format!("{checks} checks tell no trend"))
            .hint(Some("`--trends` takes 20 to 500 checks".into())));
    }
    let bar = bench.progress("checking", 2 * checks as u64);
    let figures = trends::run(checks, seed, || bar.inc(1))?;
    bar.finish_and_clear();
    if let Some(path) = out {
        let json = serde_json::to_string_pretty(&figures).map_err(|e| Failure::because(&e))?;
        files::write(path, format!("{json}\n").as_bytes())?;
        bench.say(&format!("every figure is in {}", path.display()));
    }
    bench.answer(&trends::text(&figures), &figures)?;
    Ok(Outcome::good_if(figures.met()))
}

fn run_sentencing(
    bench: &Bench,
    options: &sentencing::Options,
    out: Option<&Path>,
) -> Result<Outcome, Failure> {
    if options.bars == 0 {
        return Err(Failure::new("nothing was judged")
            .hint(Some("`--sentencing` takes the number of bars".into())));
    }
    if options.noise_db.is_some_and(|db| !(6.0..=60.0).contains(&db)) {
        return Err(Failure::new("the noise cannot stand there")
            .hint(Some("`--noise-db` takes 6 to 60 dB below the level target".into())));
    }
    let bar = bench.progress("judging bars", options.bars as u64);
    let begun = std::time::Instant::now();
    let figures = sentencing::run(options, || bar.inc(1))?;
    bar.finish_and_clear();
    let seconds = begun.elapsed().as_secs_f64();
    bench.say(&format!(
        "{seconds:.1} s, planning and levelling included; {:.2} bars a second",
        options.bars as f64 / seconds.max(1e-9)
    ));
    if let Some(path) = out {
        let json = serde_json::to_string_pretty(&figures).map_err(|e| Failure::because(&e))?;
        files::write(path, format!("{json}\n").as_bytes())?;
        bench.say(&format!("every flaw is in {}", path.display()));
    }
    bench.answer(&sentencing::text(&figures), &figures)?;
    Ok(Outcome::good_if(figures.met))
}

/// What `--engines --json` prints.
#[derive(Serialize)]
struct EnginesRecord<'a> {
    program: &'static str,
    outside_bounds: usize,
    cases: &'a [engines::Figures],
}

fn run_engines(bench: &Bench, bars: &[f64], out: Option<&Path>) -> Result<Outcome, Failure> {
    let count = engines::count(bars);
    if count == 0 {
        return Err(Failure::new("nothing was compared")
            .hint(Some("`--bar` takes 20, 60 or 120 (millimetres)".into())));
    }
    let bar = bench.progress("rays against exact", count as u64);
    let answer = engines::compare(bars, out.is_some(), || bar.inc(1))?;
    bar.finish_and_clear();
    let outside = answer.figures.iter().filter(|f| !f.met).count();
    let record = EnginesRecord {
        program: env!("CARGO_PKG_VERSION"),
        outside_bounds: outside,
        cases: &answer.figures,
    };
    if let Some(folder) = out {
        let json = serde_json::to_string_pretty(&record).map_err(|e| Failure::because(&e))?;
        files::write(&folder.join("engines.json"), format!("{json}\n").as_bytes())?;
        files::write(&folder.join("engines.md"), engines::markdown(&answer.figures).as_bytes())?;
        for picture in &answer.pictures {
            files::write(&folder.join(&picture.file), picture.svg.as_bytes())?;
        }
        bench.say(&format!("table and pictures are in {}", folder.display()));
    }
    bench.answer(&engines::text(&answer.figures), &record)?;
    Ok(Outcome::good_if(outside == 0))
}

fn table(findings: &Findings, checks: usize, outside: usize) -> String {
    let mut text = String::new();
    let width =
        |f: &dyn Fn(&Comparison) -> usize| findings.comparisons.iter().map(f).max().unwrap_or(0);
    let (case, quantity) =
        (width(&|c| c.case.chars().count()), width(&|c| c.quantity.chars().count()));
    let _ = writeln!(
        text,
        "{:case$}  {:quantity$}  {:>14}  {:>14}  {:>10}  {:>10}  {:5}  kind of truth; source",
        "case", "quantity", "value", "reference", "difference", "tolerance", "unit"
    );
    for c in &findings.comparisons {
        let mark = if c.inside() { " " } else { "  <-- OUTSIDE TOLERANCE" };
        let _ = writeln!(
            text,
            "{:case$}  {:quantity$}  {:>14}  {:>14}  {:>10.2e}  {:>10.2e}  {:5}  {}; {}{mark}",
            c.case,
            c.quantity,
            number(c.value),
            number(c.reference),
            c.difference,
            c.tolerance,
            c.unit,
            c.truth.words(),
            c.source
        );
    }
    for n in &findings.not_run {
        let _ = writeln!(text, "NOT RUN  {}: {}", n.name, n.reason);
    }
    let _ = write!(text, "{checks} checks, {outside} outside tolerance");
    if !findings.not_run.is_empty() {
        let _ = write!(text, " ({} not run)", findings.not_run.len());
    }
    text
}

/// Ten digits, in the shorter of the two notations.
fn number(x: f64) -> String {
    if x == 0.0 || (1e-3..1e6).contains(&x.abs()) {
        let digits = 6_i32.saturating_sub(x.abs().max(1.0).log10() as i32).max(0);
        format!("{x:.*}", usize::try_from(digits).unwrap_or(0))
    } else {
        format!("{x:.7e}")
    }
}
