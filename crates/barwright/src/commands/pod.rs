//! `pod`: how likely a flaw is found, by its size.

mod campaign;
mod table;

use std::{fmt::Write as _, path::PathBuf};

use barwright_evaluate::pod::{
    PodError, SignalScale, false_calls, hit_miss, noise_heights, signal_response,
};
use barwright_job::{
    Hash, Sealed,
    pod::{Link, Pod, Scale},
};
use barwright_report::{
    papers::{PodInput, pod_report},
    text,
};
use barwright_web::{files, papers};
use clap::{Subcommand, ValueEnum};
use serde::Serialize;

use super::ledger::now_us;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use table::Columns;

/// Fit the probability of detection from trials (MIL-HDBK-1823A): a50, a90 and a90/95 with the
/// bound named, and what the result does not cover.
///
/// Reads a CSV table with a head line, one inspection of one flaw a line. Writes pod/NAME.json and
/// papers/pod-NAME.pdf into the job folder.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// From heights of signals: a line against size, with heights lost in noise or clipped.
    Signals {
        #[command(flatten)]
        common: Common,
        /// Column of the heights.
        #[arg(long, value_name = "COLUMN", default_value = "signal")]
        signal: String,
        /// Unit of the heights, as it is to be printed.
        #[arg(long, value_name = "UNIT", default_value = "% FSH")]
        signal_unit: String,
        /// Height from which a flaw counts as found.
        #[arg(long, value_name = "HEIGHT")]
        decision: f64,
        /// Heights at or below this are lost in noise: they stand for anything up to it.
        #[arg(long, value_name = "HEIGHT")]
        lost: Option<f64>,
        /// Heights at or above this are clipped: they stand for anything from it on.
        #[arg(long, value_name = "HEIGHT")]
        clipped: Option<f64>,
        /// Scale that heights are linear on.
        #[arg(long, value_enum, default_value_t = ScaleWord::Linear)]
        signal_scale: ScaleWord,
        /// CSV table of heights at places without a flaw, in the same column.
        #[arg(long, value_name = "FILE")]
        noise: Option<PathBuf>,
    },
    /// From found or missed alone.
    Hits {
        #[command(flatten)]
        common: Common,
        /// Column that says 1 for found and 0 for missed.
        #[arg(long, value_name = "COLUMN", default_value = "hit")]
        hit: String,
        /// Shape of the curve.
        #[arg(long, value_enum, default_value_t = LinkWord::Logit)]
        link: LinkWord,
        /// False calls at places without a flaw.
        #[arg(long, value_name = "N", requires = "places")]
        calls: Option<u32>,
        /// Places without a flaw that were looked at.
        #[arg(long, value_name = "N", requires = "calls")]
        places: Option<u32>,
    },
    /// From a campaign of the virtual station: bars with flaws drawn at random, passed, screened and judged.
    ///
    /// Goes on where it was stopped (pod/NAME.passes.jsonl). At its end fits found and missed as NAME and heights as
    /// NAME-signals. Exit status 1 while passes are left, or without a bound.
    Campaign(campaign::Args),
}

#[derive(Debug, clap::Args)]
struct Common {
    /// The table.
    #[arg(value_name = "FILE")]
    table: PathBuf,
    /// Name of the result: letters, digits, hyphens.
    #[arg(long)]
    name: String,
    /// What was looked for and with what, for the report.
    #[arg(long, value_name = "WORDS")]
    subject: String,
    /// Column of the sizes.
    #[arg(long, value_name = "COLUMN", default_value = "size")]
    size: String,
    /// Unit of the sizes.
    #[arg(long, value_name = "UNIT", default_value = "mm")]
    unit: String,
    /// Column that names the flaw, where flaws were inspected more than once.
    #[arg(long, value_name = "COLUMN")]
    target: Option<String>,
    /// Scale of the sizes; the logarithm for signals and sizes as they are for hit/miss unless it is said.
    #[arg(long, value_enum)]
    scale: Option<ScaleWord>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum ScaleWord {
    /// As they are.
    Linear,
    /// Their natural logarithm.
    Log,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum LinkWord {
    Logit,
    Probit,
    Cloglog,
    Loglog,
}

impl From<LinkWord> for Link {
    fn from(word: LinkWord) -> Self {
        match word {
            LinkWord::Logit => Self::Logit,
            LinkWord::Probit => Self::Probit,
            LinkWord::Cloglog => Self::Cloglog,
            LinkWord::Loglog => Self::Loglog,
        }
    }
}

impl From<ScaleWord> for Scale {
    fn from(word: ScaleWord) -> Self {
        match word {
            ScaleWord::Linear => Self::Linear,
            ScaleWord::Log => Self::Log,
        }
    }
}

fn refused(e: &PodError) -> Failure {
    Failure::because(e).hint(Some(e.hint().to_owned()))
}

/// Fits what was asked for.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    match &args.action {
        Action::Campaign(args) => campaign::campaign(bench, args),
        Action::Signals {
            common,
            signal,
            signal_unit,
            decision,
            lost,
            clipped,
            signal_scale,
            noise,
        } => {
            let columns = columns(common, signal);
            let (trials, bytes) = table::trials(&common.table, &columns, [*lost, *clipped])?;
            let scale = common.scale.unwrap_or(ScaleWord::Log).into();
            let on = match signal_scale {
                ScaleWord::Linear => SignalScale::Linear,
                ScaleWord::Log => SignalScale::Log,
            };
            let mut pod =
                signal_response(&trials, scale, on, *decision).map_err(|e| refused(&e))?;
            pod.signal_unit.clone_from(signal_unit);
            if let Some(path) = noise {
                let heights = table::column(path, signal)?;
                let noise = noise_heights(&heights, *decision).ok_or_else(|| {
                    Failure::new(format!(
                        "{}: heights of noise must be two or more, and differ",
                        path.display()
                    ))
                })?;
                pod.noise = Some(noise);
            }
            keep(bench, &common.naming(), pod, &[("table", Hash::of(&bytes))])
        }
        Action::Hits { common, hit, link, calls, places } => {
            let (trials, bytes) = table::trials(&common.table, &columns(common, hit), [None; 2])?;
            let scale = common.scale.unwrap_or(ScaleWord::Linear).into();
            let mut pod = hit_miss(&trials, scale, (*link).into()).map_err(|e| refused(&e))?;
            if let (Some(calls), Some(places)) = (calls, places) {
                let noise = false_calls(*calls, *places);
                pod.noise = Some(noise.ok_or_else(|| {
                    Failure::new(format!("{calls} false calls at {places} places leave no rate"))
                })?);
            }
            keep(bench, &common.naming(), pod, &[("table", Hash::of(&bytes))])
        }
    }
}

fn columns<'a>(common: &'a Common, response: &'a str) -> Columns<'a> {
    Columns { size: &common.size, response, target: common.target.as_deref() }
}

#[derive(Serialize)]
struct Told {
    document: PathBuf,
    paper: PathBuf,
    pod: Pod,
}

/// What a curve is called.
struct Naming<'a> {
    name: &'a str,
    subject: &'a str,
    unit: &'a str,
}

impl Common {
    fn naming(&self) -> Naming<'_> {
        Naming { name: &self.name, subject: &self.subject, unit: &self.unit }
    }
}

/// Seals, writes and tells a curve. Without a bound it needs attention.
fn keep(
    bench: &Bench,
    naming: &Naming<'_>,
    pod: Pod,
    source: &[(&'static str, Hash)],
) -> Result<Outcome, Failure> {
    let told = store(bench, naming, pod, source)?;
    bench.answer(&words(&told), &told)?;
    Ok(Outcome::good_if(told.pod.a90_95.is_some()))
}

/// Seals and writes a curve and its report.
fn store(
    bench: &Bench,
    naming: &Naming<'_>,
    mut pod: Pod,
    source: &[(&'static str, Hash)],
) -> Result<Told, Failure> {
    let document =
        bench.job.pod_path(naming.name).ok_or_else(|| Failure::no_name(naming.name, "a result"))?;
    naming.subject.clone_into(&mut pod.subject);
    naming.unit.clone_into(&mut pod.unit);
    let sealed = Sealed::seal(pod, source.iter().cloned());
    let issue = papers::Moment::read(&bench.job, now_us())?;
    let paper = issue.spoken(|| pod_report(&PodInput { issue: issue.issue(), pod: &sealed }));
    let paper = paper.map_err(papers::PaperError::from)?;
    let path = bench.job.paper_path(&format!("pod-{}", naming.name));
    files::write_sealed(&document, &sealed)?;
    files::write(&path, &paper)?;
    Ok(Told { document, paper: path, pod: sealed.body })
}

fn words(told: &Told) -> String {
    let p = &told.pod;
    let size = |a: f64| format!("{} {}", text::number(a, 4), p.unit);
    let mut out = String::new();
    let repeats = if p.repeats > 1.0 {
        format!(", {:.1} inspections of each", p.repeats)
    } else {
        String::new()
    };
    let _ = writeln!(out, "{} flaws{repeats}", p.targets);
    let _ = writeln!(out, "a50     {}", size(p.a50));
    let _ = writeln!(out, "a90     {}", size(p.a90));
    let bounded = p.a90_95.map_or_else(|| "not bounded by these data".to_owned(), size);
    let _ = writeln!(out, "a90/95  {bounded}");
    let _ = writeln!(out, "bound   {}", p.bound.words());
    match &p.noise {
        Some(noise) => {
            let most = noise.rate_upper_95.map_or_else(String::new, |most| {
                format!(", at most {} % with 95 % confidence", text::number(most * 100.0, 2))
            });
            let rate = text::number(noise.rate * 100.0, 2);
            let _ = writeln!(out, "false calls  {rate} % of {} places{most}", noise.places);
        }
        None => {
            out.push_str("false calls  not known: nothing was recorded at places without a flaw\n")
        }
    }
    for finding in &p.findings {
        let _ = writeln!(out, "NOTE: {}", finding.message);
    }
    let _ = writeln!(out, "{}\n{}", told.document.display(), told.paper.display());
    out
}
