//! `trends`: what drifts over the checks, before a check fails.

use std::fmt::Write as _;
use std::path::PathBuf;

use barwright_evaluate::trends::{Course, Settings, Trends, Watched};
use barwright_ledger::{Kind, Ledger};
use barwright_report::{Palette, text};
use barwright_web::files;
use barwright_web::trends::{LineTrends, of_entries, picture};
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Say what drifts over the checks, since when, and how many checks are left.
///
/// Reads ledger.db and rules.toml; station.toml and technique.json give further limits where they are
/// there. The checks of the line and technique of the last check are looked at. Exit status 1 if
/// something drifts.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// One series by name, value by value; `all` lists every series with its state.
    #[arg(long, value_name = "NAME")]
    series: Option<String>,
    /// Draw one series as SVG: the one of `--series`, else the first that drifts, else the one nearest to its
    /// limits.
    #[arg(long, value_name = "FILE.svg")]
    picture: Option<PathBuf>,
    /// Leave out what was entered before this entry of the ledger: after a repair, what was usual before it
    /// is not what is usual now.
    #[arg(long, value_name = "ENTRY", default_value_t = 0)]
    since: i64,
    /// Checks at the beginning that say what is usual.
    #[arg(
        long,
        value_name = "CHECKS",
        default_value_t = 10,
        value_parser = clap::value_parser!(u16).range(5..=200)
    )]
    reference: u16,
}

/// What `--json` prints.
#[derive(Serialize)]
struct Answer<'a> {
    line: &'a str,
    #[serde(flatten)]
    trends: &'a Trends,
}

/// Looks for trends.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let job = &bench.job;
    let ledger = Ledger::open_to_read(&job.ledger_home())?;
    let mut entries = Vec::new();
    for kind in [Kind::Level, Kind::Check, Kind::Correction] {
        entries.extend(ledger.by_kind(kind)?);
    }
    let rules = job.rules()?;
    // Both only add limits, so a folder without them still has its trends.
    let (station, technique) = (job.station().ok(), job.technique().ok());
    let settings = Settings { reference: usize::from(args.reference), ..Settings::default() };
    let mut line = of_entries(
        &entries,
        args.since,
        &rules,
        station.as_ref(),
        technique.as_ref().map(|t| &t.body),
        &settings,
    );
    let asked = match args.series.as_deref() {
        None | Some("all") => None,
        Some(name) => {
            line.trends.series.iter_mut().filter(|w| is(w, name)).for_each(Watched::foresee);
            Some(line.trends.find(name).cloned().ok_or_else(|| no_series(&line.trends, name))?)
        }
    };
    let t = &line.trends;
    if let Some(file) = &args.picture {
        let nearest = || {
            t.series
                .iter()
                .filter(|w| w.chart.is_some())
                .max_by(|a, b| a.strength().total_cmp(&b.strength()))
        };
        let drifting = || t.drifts.first().and_then(|d| t.find(d.series.first()?));
        let w = asked.as_ref().or_else(drifting).or_else(nearest).ok_or_else(|| {
            Failure::new("there is no series to draw")
                .hint(Some("enter checks with `barwright ledger add check`".into()))
        })?;
        files::write(file, picture(w, &Palette::paper()).as_bytes())?;
        bench.say(&format!("wrote {}", file.display()));
    }
    match &asked {
        Some(w) => bench.answer(&series_text(&line, w), w)?,
        None => {
            let all = args.series.is_some();
            bench.answer(&summary(&line, all), &Answer { line: &line.line, trends: t })?;
        }
    }
    Ok(Outcome::good_if(!t.needs_attention()))
}

fn is(w: &Watched, name: &str) -> bool {
    w.name.eq_ignore_ascii_case(name)
}

fn no_series(t: &Trends, name: &str) -> Failure {
    let known: Vec<&str> = t
        .series
        .iter()
        .map(|w| w.name.as_str())
        .filter(|n| !n.starts_with("beam-"))
        .take(12)
        .collect();
    Failure::new(format!("there is no series {name}")).hint(Some(format!(
        "there are {} and others; `--series all` lists every one",
        known.join(", ")
    )))
}

/// What drifts, in sentences.
fn summary(line: &LineTrends, all: bool) -> String {
    let t = &line.trends;
    let mut out = String::new();
    let place = if line.line.is_empty() { String::new() } else { format!(" of {}", line.line) };
    let _ = writeln!(
        out,
        "{} checks, {} level{}{place}, {} series charted",
        t.checks,
        t.levels,
        if t.levels == 1 { "" } else { "s" },
        t.charted
    );
    for note in &t.notes {
        let _ = writeln!(out, "note: {note}");
    }
    for d in &t.drifts {
        let when = line.date(d.by_level, d.since).map_or(String::new(), |w| format!(" [{w}]"));
        let _ = writeln!(out, "{}{when}", d.sentence);
        let _ = writeln!(out, "    seen in {}", list(&d.series));
    }
    if t.drifts.is_empty() && t.charted > 0 {
        let _ = writeln!(out, "nothing drifts");
    }
    if all {
        let _ = writeln!(
            out,
            "{:28} {:>6} {:>9} {:>9} {:>9}  state",
            "series", "values", "usual", "off by", "limit"
        );
        for w in &t.series {
            let of = |v: Option<f64>| text::maybe(v, 3);
            let chart = w.chart.as_ref();
            let _ = writeln!(
                out,
                "{:28} {:>6} {:>9} {:>9} {:>9}  {}",
                w.name,
                w.series.present().count(),
                of(chart.map(|c| c.standard.centre)),
                of(chart.map(|_| w.away())),
                of(chart.and_then(|c| c.values.last()).map(|v| v.limit)),
                state(w)
            );
        }
    }
    out
}

fn list(names: &[String]) -> String {
    const SHOWN: usize = 6;
    let mut out = names.iter().take(SHOWN).cloned().collect::<Vec<_>>().join(", ");
    if names.len() > SHOWN {
        let _ = write!(out, " and {} more", names.len() - SHOWN);
    }
    out
}

fn state(w: &Watched) -> &'static str {
    match (w.out, &w.chart) {
        (true, _) => "drifts",
        (false, Some(_)) => "stands",
        (false, None) => "not charted",
    }
}

/// One series, value by value.
fn series_text(line: &LineTrends, w: &Watched) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "{}, {}: {}", w.name, w.unit, state(w));
    if let Some(c) = &w.chart {
        let s = c.standard;
        let _ = writeln!(
            out,
            "usual {:.3}, scatter {:.3} (from {} values, {:.0} degrees of freedom)",
            s.centre, s.sigma, s.values, s.degrees
        );
    }
    if let Some(l) = &w.limit {
        let _ = writeln!(out, "at {:.2}: {}", l.bound.at, l.what);
    }
    match w.course {
        Course::Slope(s) => {
            let _ = writeln!(
                out,
                "slope {:+.3} ± {:.3} since {}, {:+.2} so far",
                s.per_check,
                s.uncertainty,
                s.from + 1.0,
                s.so_far
            );
        }
        Course::Step { from, by } => {
            let _ = writeln!(out, "step of {by:+.3} at {}", from + 1.0);
        }
        Course::NoTrend => {
            let _ = writeln!(out, "no trend");
        }
    }
    if let Some(left) = w.left {
        let _ = writeln!(
            out,
            "checks left: about {:.0}; {} are safe with 90 %",
            left.expected.floor(),
            left.cautious
        );
    }
    for (i, v) in w.series.present() {
        let charted = w.charted.iter().position(|p| *p == i);
        let chart = charted.and_then(|k| w.chart.as_ref()?.values.get(k));
        let average = chart.map_or(String::new(), |c| format!("  average {:.3}", c.average));
        let date = line.date(w.by_level, i).unwrap_or_default();
        let _ = writeln!(out, "{:>5}  {date}  {v:>9.3}{average}", i + 1);
    }
    out
}
