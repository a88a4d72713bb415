//! `level` and `check`: bringing the beams to one sensitivity, and verifying at line speed.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::PathBuf;

use barwright_job::level::{BeamState, Level};
use barwright_job::{Sealed, check::Check};
use barwright_report::papers::repeatability_words;

use super::plan::findings_text;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use barwright_web::steps;

/// Find the gain of every beam from a capture of the reference bar in motion.
///
/// Reads technique.json, reference-bar.json, station.toml and rules.toml; writes level.json. Clipped
/// echoes ask for a pass at lower gain and are never extrapolated. Exit status 1 if a beam is beyond
/// repair.
#[derive(Debug, clap::Args)]
pub struct LevelArgs {
    /// Captures of the reference bar: the first and, for echoes that were clipped in it, up to three
    /// more at lower gain.
    #[arg(value_name = "CAPTURE", required = true, num_args = 1..=4)]
    captures: Vec<PathBuf>,
}

/// Judge repeated passes of the reference bar at line speed.
///
/// Reads technique.json, level.json, reference-bar.json and rules.toml; writes the next
/// checks/check-NN.json. Exit status 1 if a limit of the rules is not met.
#[derive(Debug, clap::Args)]
pub struct CheckArgs {
    /// Capture of the passes.
    #[arg(value_name = "CAPTURE")]
    capture: PathBuf,
}

/// Levels.
pub fn level(bench: &Bench, args: &LevelArgs) -> Result<Outcome, Failure> {
    let level = steps::level(&bench.job, &args.captures)?;
    bench.say(&format!("wrote {}", bench.job.level_path().display()));
    bench.answer(&level_text(&level), &level)?;
    Ok(Outcome::good_if(level.body.good))
}

/// Beams in each state, `(inside, corrected, beyond repair)`.
pub fn counts(level: &Level) -> (usize, usize, usize) {
    let count = |want: &[BeamState]| level.beams.iter().filter(|b| want.contains(&b.state)).count();
    (
        count(&[BeamState::Inside]),
        count(&[BeamState::Corrected]),
        level.beams.iter().filter(|b| !b.state.is_level()).count(),
    )
}

/// A level in a few lines.
pub fn level_text(level: &Sealed<Level>) -> String {
    let body = &level.body;
    let mut text = String::new();
    let mut states: BTreeMap<&str, usize> = BTreeMap::new();
    for beam in &body.beams {
        *states.entry(state_words(beam.state)).or_default() += 1;
    }
    let list: Vec<String> = states.iter().map(|(words, n)| format!("{n} {words}")).collect();
    let _ = writeln!(
        text,
        "level {} of {} beams over {} passes: {}",
        level.hash.short(),
        body.beams.len(),
        body.passes,
        list.join(", ")
    );
    let changes: Vec<f64> = body.beams.iter().map(|b| b.change_db).collect();
    let low = changes.iter().copied().fold(f64::INFINITY, f64::min);
    let high = changes.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let _ = writeln!(text, "gain changes from {low:+.1} to {high:+.1} dB");
    if let Some([x, y]) = body.bar_offset_m {
        let _ = writeln!(
            text,
            "bar centre at x {:+.2} mm, y {:+.2} mm from the ring's",
            x * 1e3,
            y * 1e3
        );
    }
    for (i, e) in body.explanations.iter().enumerate() {
        let sure = 100.0 * e.confidence;
        let cause = barwright_report::text::cause(&e.cause);
        let _ = writeln!(text, "cause {}: {cause} (sure to {sure:.0} %)", i + 1);
        for line in &e.evidence {
            let _ = writeln!(text, "    {line}");
        }
        let _ = writeln!(text, "    cure: {}", e.cure);
        if !e.alternatives.is_empty() {
            let others: Vec<String> =
                e.alternatives.iter().map(barwright_report::text::cause).collect();
            let _ = writeln!(text, "    or: {}", others.join("; "));
        }
    }
    findings_text(&mut text, &body.findings);
    let _ =
        writeln!(text, "{}", if body.good { "the level is good" } else { "the level is NOT good" });
    text
}

fn state_words(state: BeamState) -> &'static str {
    match state {
        BeamState::Inside => "inside the band",
        BeamState::Corrected => "corrected",
        BeamState::Clipped => "clipped (lower the gain and repeat)",
        BeamState::Missing => "without an echo",
        BeamState::OutOfReach => "out of the electronics' reach",
        BeamState::Doubled => "with two echoes in the window",
        BeamState::OutOfWindow => "with the echo beside its window",
        BeamState::Neighbour => "that read another reflector",
    }
}

/// Checks.
pub fn check(bench: &Bench, args: &CheckArgs) -> Result<Outcome, Failure> {
    let (number, check) = steps::check(&bench.job, &args.capture)?;
    bench.say(&format!("wrote {}", bench.job.check_path(number).display()));
    bench.answer(&check_text(number, &check), &check)?;
    Ok(Outcome::good_if(check.body.good))
}

/// A check in a few lines.
pub fn check_text(number: usize, check: &Sealed<Check>) -> String {
    let c = &check.body;
    let mut text = String::new();
    let _ = writeln!(
        text,
        "check {number} ({}): {} passes at {:.2} m/s",
        check.hash.short(),
        c.passes,
        c.line_speed_m_s
    );
    for r in &c.reflectors {
        let _ = writeln!(
            text,
            "  {}: found {} of {}, spread {:.1} dB, place within {:.1} mm, {:.1} dB over noise, {} beams",
            r.name,
            r.found,
            c.passes,
            r.spread_db,
            r.place_error_m * 1e3,
            r.signal_to_noise_db,
            r.beams.len()
        );
    }
    let _ = writeln!(
        text,
        "noise peak {:.1} % FSH, {} false calls",
        c.noise_fsh * 100.0,
        c.false_calls
    );
    let _ = writeln!(text, "{}", repeatability_words(c));
    findings_text(&mut text, &c.findings);
    let _ = writeln!(text, "{}", if c.good { "the check is good" } else { "the check has FAILED" });
    text
}
