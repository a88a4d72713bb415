//! `sentence`: from screened bars to verdicts and cut plans, and what other rules would make of them.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use barwright_evaluate::difference::{Difference, difference};
use barwright_job::judgement::{Fate, Indication, Judgement, Verdict};
use barwright_job::proof::FlawClass;
use barwright_job::{Rules, Sealed};
use barwright_report::text;
use barwright_web::{files, judging};
use serde::Serialize;

use super::plan::findings_text;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use barwright_web::steps;

/// Judge screened bars by the acceptance rules, and plan the cuts that keep most steel.
///
/// Writes bars/NAME.judgement.json. Bars whose verdict a person changed are left as they are, and
/// named, unless `--anew` is given. Exit status 1 unless every bar is released.
///
/// With `--compare` the stored peaks are judged again by other rules, without the bars: nothing is
/// written, every difference is shown bar by bar. Exit status 1 if a verdict or a cut changes.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Bars by name; all screened bars if none is named.
    #[arg(value_name = "BAR")]
    bars: Vec<String>,
    /// Judge bars again whose verdict a person changed; the decision then no longer stands.
    #[arg(long, conflicts_with = "compare")]
    anew: bool,
    /// Acceptance rules to compare with what was judged.
    #[arg(long, value_name = "RULES")]
    compare: Option<PathBuf>,
}

/// Judges, or compares.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let bars = if args.bars.is_empty() { bench.job.bars()? } else { args.bars.clone() };
    if bars.is_empty() {
        return Err(Failure::new("no bar has been screened in this job folder")
            .hint(Some("run `barwright screen` first".into())));
    }
    match &args.compare {
        Some(rules) => compare(bench, &bars, rules),
        None => judge(bench, &bars, args.anew),
    }
}

fn judge(bench: &Bench, bars: &[String], anew: bool) -> Result<Outcome, Failure> {
    let progress = bench.progress("bars", bars.len() as u64);
    let mut judgements = Vec::with_capacity(bars.len());
    for bar in bars {
        progress.inc(1);
        if bench.job.judgement_path(bar).exists() && !anew {
            let there = bench.job.judgement(bar)?;
            if let Some(decision) = there.body.decisions.last() {
                bench.say(&format!(
                    "bar {bar} stays as {} decided; `--anew` judges it again",
                    decision.by
                ));
                judgements.push(there);
                continue;
            }
        }
        judgements.push(steps::judge(&bench.job, bar)?);
    }
    progress.finish_and_clear();
    let text: String = judgements.iter().map(judgement_text).collect();
    bench.answer(&text, &judgements)?;
    Ok(Outcome::good_if(judgements.iter().all(|j| j.body.verdict == Verdict::Release)))
}

/// What `--compare --json` prints.
#[derive(Serialize)]
struct Comparison {
    /// Rules compared with, by name and version.
    rules: String,
    /// Rules that the order names.
    ordered: String,
    /// Bars compared.
    bars: usize,
    /// Bars whose verdict or cut changes.
    changed: usize,
    /// Kept length before and after, in metres.
    kept_m: [f64; 2],
    /// Every bar of which anything changes.
    differences: Vec<Difference>,
}

fn compare(bench: &Bench, bars: &[String], rules: &Path) -> Result<Outcome, Failure> {
    let other = files::read_written(rules, Rules::from_toml)?;
    let progress = bench.progress("bars", bars.len() as u64);
    let mut all = Vec::with_capacity(bars.len());
    for bar in bars {
        let before = bench.job.judgement(bar)?;
        let after = judging::judge_by(&bench.job, bar, &other)?;
        all.push(difference(&before.body, &after.body));
        progress.inc(1);
    }
    progress.finish_and_clear();
    let sum = |k: usize| all.iter().map(|d| d.kept_m[k]).sum();
    let comparison = Comparison {
        rules: format!("{} version {}", other.rules.name, other.rules.version),
        ordered: bench.job.order()?.order.rules,
        bars: all.len(),
        changed: all.iter().filter(|d| d.matters()).count(),
        kept_m: [sum(0), sum(1)],
        differences: all
            .into_iter()
            .filter(|d| d.matters() || !d.gone.is_empty() || !d.new.is_empty())
            .collect(),
    };
    bench.answer(&comparison_text(&comparison), &comparison)?;
    Ok(Outcome::good_if(comparison.changed == 0))
}

fn comparison_text(c: &Comparison) -> String {
    let mut out = String::new();
    for d in &c.differences {
        let arrow = |a: String, b: String| if a == b { a } else { format!("{a} -> {b}") };
        let word = |k: usize| text::verdict(d.verdict[k]).to_owned();
        let kept = |k: usize| format!("{:.0}", d.kept_m[k] * 1e3);
        let _ = writeln!(
            out,
            "bar {}: {}; {} mm kept",
            d.bar,
            arrow(word(0), word(1)),
            arrow(kept(0), kept(1))
        );
        for (mark, list) in [("no longer", &d.gone), ("now", &d.new)] {
            for r in list {
                let _ = writeln!(out, "  {mark}: {}: {}", r.clause, r.statement);
            }
        }
    }
    let mut ways: BTreeMap<(Verdict, Verdict), usize> = BTreeMap::new();
    for d in c.differences.iter().filter(|d| d.verdict[0] != d.verdict[1]) {
        *ways.entry((d.verdict[0], d.verdict[1])).or_default() += 1;
    }
    for ((before, after), count) in ways {
        let (before, after) = (text::verdict(before), text::verdict(after));
        let _ = writeln!(out, "{count} from {before} to {after}");
    }
    let _ = writeln!(
        out,
        "by {} (the order names {}): {} of {} bars change in verdict or cut; {:.3} -> {:.3} m kept; nothing was written",
        c.rules, c.ordered, c.changed, c.bars, c.kept_m[0], c.kept_m[1]
    );
    out
}

/// A judgement in a few lines.
pub fn judgement_text(judgement: &Sealed<Judgement>) -> String {
    let j = &judgement.body;
    let mut text = String::new();
    let _ = writeln!(
        text,
        "bar {}: {}; {:.0} of {:.0} mm kept",
        j.bar,
        barwright_report::text::verdict(j.verdict),
        j.cut.kept_m * 1e3,
        j.length_m * 1e3
    );
    for i in &j.indications {
        indication_text(&mut text, i);
    }
    for reason in &j.reasons {
        let _ = writeln!(
            text,
            "  because {}: {}{}",
            reason.clause,
            reason.statement,
            of(&reason.indications)
        );
    }
    for piece in j.cut.pieces.iter().filter(|p| p.fate == Fate::Keep) {
        let _ = writeln!(text, "  keep {:.0} to {:.0} mm", piece.from_m * 1e3, piece.to_m * 1e3);
    }
    findings_text(&mut text, &j.findings);
    text
}

/// Letters behind a reason, in brackets.
fn of(letters: &[String]) -> String {
    if letters.is_empty() { String::new() } else { format!(" ({})", letters.join(", ")) }
}

fn indication_text(text: &mut String, i: &Indication) {
    let size = match i.class {
        FlawClass::Disc => "equivalent disc",
        FlawClass::Crack => "crack depth",
    };
    let _ = writeln!(
        text,
        "  {}: {}; z {:.0} to {:.0} mm, depth {:.1} ± {:.1} mm at x {:+.1}, y {:+.1} mm; {size} {}{:.2} mm ± {:.1} dB; {:.0} % FSH; {}",
        i.letter,
        i.kind,
        i.from_m * 1e3,
        i.to_m * 1e3,
        i.depth_m * 1e3,
        i.place_uncertainty_m * 1e3,
        i.place.x * 1e3,
        i.place.y * 1e3,
        if i.clipped { "at least " } else { "" },
        i.size_m * 1e3,
        i.size_uncertainty_db,
        i.height_fsh * 100.0,
        if i.beams.len() == 1 { "1 beam".to_owned() } else { format!("{} beams", i.beams.len()) }
    );
    if !i.kind_reasons.is_empty() {
        let _ = writeln!(text, "     {}", i.kind_reasons.join("; "));
    }
}
