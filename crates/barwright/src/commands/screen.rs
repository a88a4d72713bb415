//! `screen` and `sentence`: from a bar's capture to its verdict and cut plan.

use std::fmt::Write as _;
use std::path::PathBuf;

use barwright_job::judgement::{Fate, Judgement, Verdict};
use barwright_job::proof::FlawClass;
use barwright_job::{Sealed, screened::ScreenedBar};

use super::plan::findings_text;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use crate::steps;

/// Evaluate a bar's capture: what every beam saw, and what was not inspected.
///
/// Reads technique.json, level.json and rules.toml; writes bars/NAME.screened.json with every peak
/// and the kept A-scans beside it. Exit status 1 if a stretch between the ends was not inspected.
#[derive(Debug, clap::Args)]
pub struct ScreenArgs {
    /// Capture of the bar.
    #[arg(value_name = "CAPTURE")]
    capture: PathBuf,
    /// The capture was taken without a level (a block that does not move).
    #[arg(long)]
    unlevelled: bool,
}

/// Judge screened bars by the acceptance rules, and plan the cuts that keep most steel.
///
/// Writes bars/NAME.judgement.json. Exit status 1 unless every bar is released.
#[derive(Debug, clap::Args)]
pub struct SentenceArgs {
    /// Bars by name; all screened bars if none is named.
    #[arg(value_name = "BAR")]
    bars: Vec<String>,
}

/// Screens.
pub fn screen(bench: &Bench, args: &ScreenArgs) -> Result<Outcome, Failure> {
    let screened = steps::screen(&bench.job, &args.capture, !args.unlevelled)?;
    bench.say(&format!("wrote {}", bench.job.screened_path(&screened.body.bar).display()));
    bench.answer(&screened_text(&screened), &screened)?;
    let whole =
        screened.body.lost.iter().all(|l| l.cause == barwright_job::screened::LossCause::End);
    Ok(Outcome::good_if(whole))
}

fn class_words(class: FlawClass) -> &'static str {
    match class {
        FlawClass::Disc => "volume",
        FlawClass::Crack => "surface",
    }
}

/// A screened bar in a few lines.
pub fn screened_text(screened: &Sealed<ScreenedBar>) -> String {
    let s = &screened.body;
    let mut text = String::new();
    let _ = writeln!(
        text,
        "bar {} ({:.0} mm): {} shots, {} echoes at or over threshold, noise {:.1} % FSH",
        s.bar,
        s.length_m * 1e3,
        s.shots,
        s.echoes_over_threshold,
        s.noise_fsh * 100.0
    );
    for share in &s.inspected {
        let _ = writeln!(
            text,
            "  {}: {:.1} % of the length inspected",
            class_words(share.class),
            share.share * 100.0
        );
    }
    for lost in &s.lost {
        let _ = writeln!(
            text,
            "  not inspected for the {}: {:.0} to {:.0} mm ({:?})",
            class_words(lost.class),
            lost.from_m * 1e3,
            lost.to_m * 1e3,
            lost.cause
        );
    }
    findings_text(&mut text, &s.findings);
    text
}

/// Judges.
pub fn sentence(bench: &Bench, args: &SentenceArgs) -> Result<Outcome, Failure> {
    let bars = if args.bars.is_empty() { bench.job.bars()? } else { args.bars.clone() };
    if bars.is_empty() {
        return Err(Failure::new("no bar has been screened in this job folder")
            .hint(Some("run `barwright screen` first".into())));
    }
    let judgements =
        bars.iter().map(|bar| steps::judge(&bench.job, bar)).collect::<Result<Vec<_>, _>>()?;
    let text: String = judgements.iter().map(judgement_text).collect();
    bench.answer(&text, &judgements)?;
    Ok(Outcome::good_if(judgements.iter().all(|j| j.body.verdict == Verdict::Release)))
}

/// The verdict as one word.
pub fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Release => "release",
        Verdict::Crop => "crop",
        Verdict::Hold => "hold",
        Verdict::Reject => "reject",
    }
}

/// A judgement in a few lines.
pub fn judgement_text(judgement: &Sealed<Judgement>) -> String {
    let j = &judgement.body;
    let mut text = String::new();
    let _ = writeln!(
        text,
        "bar {}: {}; {:.0} of {:.0} mm kept",
        j.bar,
        verdict_word(j.verdict),
        j.cut.kept_m * 1e3,
        j.length_m * 1e3
    );
    for i in &j.indications {
        let size = match i.class {
            FlawClass::Disc => "equivalent disc",
            FlawClass::Crack => "crack depth",
        };
        let _ = writeln!(
            text,
            "  {}: {}; z {:.0} to {:.0} mm, depth {:.1} mm at x {:+.1}, y {:+.1} mm; {size} {}{:.2} mm; {:.0} % FSH; {} beams",
            i.letter,
            i.kind,
            i.from_m * 1e3,
            i.to_m * 1e3,
            i.depth_m * 1e3,
            i.place.x * 1e3,
            i.place.y * 1e3,
            if i.clipped { "at least " } else { "" },
            i.size_m * 1e3,
            i.height_fsh * 100.0,
            i.beams.len()
        );
    }
    for reason in &j.reasons {
        let _ = writeln!(text, "  because {}: {}", reason.clause, reason.statement);
    }
    for piece in j.cut.pieces.iter().filter(|p| p.fate == Fate::Keep) {
        let _ = writeln!(text, "  keep {:.0} to {:.0} mm", piece.from_m * 1e3, piece.to_m * 1e3);
    }
    findings_text(&mut text, &j.findings);
    text
}
