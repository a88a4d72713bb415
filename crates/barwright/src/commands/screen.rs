//! `screen`: from a bar's capture to its echoes, and what was not inspected.

use std::fmt::Write as _;
use std::path::PathBuf;

use barwright_job::proof::FlawClass;
use barwright_job::{Sealed, screened::ScreenedBar};

use super::plan::findings_text;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use barwright_web::steps;

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
            "  not inspected for the {}: {:.0} to {:.0} mm ({})",
            class_words(lost.class),
            lost.from_m * 1e3,
            lost.to_m * 1e3,
            lost.cause.words()
        );
    }
    findings_text(&mut text, &s.findings);
    text
}
