//! The demo's summary: what a reader wants to know first, with nothing prettified.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use barwright_job::check::Check;
use barwright_job::judgement::{Judgement, Verdict};
use barwright_job::level::Level;
use barwright_job::proof::Proof;
use barwright_job::{Order, Rules, Sealed, Technique};
use barwright_ledger::{BarState, State, Verification};
use serde::Serialize;

use crate::commands::level::counts;
use crate::commands::plan::class_text;
use crate::truth::{Compared, Comparison, FalseCall, is_ordered};

/// What a summary is made from.
pub struct Parts<'a> {
    pub seed: u64,
    pub technique: &'a Sealed<Technique>,
    pub proof: &'a Sealed<Proof>,
    pub levels: [&'a Sealed<Level>; 2],
    pub checks: &'a [Sealed<Check>],
    pub judgements: &'a [Sealed<Judgement>],
    pub states: &'a [BarState],
    pub verification: &'a Verification,
    pub compared: Comparison,
    pub rules: &'a Rules,
    pub order: &'a Order,
    pub times: Vec<(&'static str, f64)>,
}

/// The summary. Everything but the times is the same in every run with one seed.
#[derive(Debug, Serialize)]
pub struct Summary {
    seed: u64,
    technique: String,
    beams: usize,
    line_speed_m_s: f64,
    pulse_spacing_mm: f64,
    coverage: Vec<String>,
    coverage_met: bool,
    levels: Vec<String>,
    checks: Vec<String>,
    checks_good: bool,
    flaws: Comparison,
    found: usize,
    /// Flaws at or above the ordered size, and how many of them were found.
    ordered: usize,
    ordered_found: usize,
    bars: BTreeMap<&'static str, usize>,
    bar_states: Vec<String>,
    kept_m: f64,
    screened_m: f64,
    ledger: String,
    ledger_whole: bool,
    #[serde(skip)]
    times: Vec<(&'static str, f64)>,
}

impl Summary {
    /// Puts the summary together.
    pub fn new(parts: Parts<'_>) -> Self {
        let t = &parts.technique.body;
        let flaws = parts.compared;
        let ordered: Vec<&Compared> =
            flaws.flaws.iter().filter(|f| is_ordered(&f.truth, parts.order)).collect();
        let mut bars: BTreeMap<&'static str, usize> = BTreeMap::new();
        for state in parts.states {
            *bars.entry(state_word(&state.state)).or_default() += 1;
        }
        let level_line = |(i, level): (usize, &&Sealed<Level>)| {
            let (inside, corrected, beyond) = counts(&level.body);
            format!(
                "capture {}: {inside} of {} beams inside {:.0} to {:.0} % FSH, {corrected} corrected by gain, {beyond} beyond repair",
                i + 1,
                level.body.beams.len(),
                parts.rules.level.low_fsh_percent,
                parts.rules.level.high_fsh_percent
            )
        };
        let check_line = |(i, check): (usize, &Sealed<Check>)| {
            let c = &check.body;
            let found: u32 = c.reflectors.iter().map(|r| r.found).sum();
            let spread = c.reflectors.iter().map(|r| r.spread_db).fold(0.0, f64::max);
            let place = c.reflectors.iter().map(|r| r.place_error_m).fold(0.0, f64::max);
            format!(
                "check {}: {found} of {} reflector passes, spread {spread:.1} dB, place within {:.1} mm, {} false calls: {}",
                i + 1,
                c.passes as usize * c.reflectors.len(),
                place * 1e3,
                c.false_calls,
                if c.good { "good" } else { "FAILED" }
            )
        };
        Self {
            seed: parts.seed,
            technique: format!("{} ({})", t.name, parts.technique.hash.short()),
            beams: t.beams.len(),
            line_speed_m_s: t.line_speed_m_s,
            pulse_spacing_mm: t.pulse_spacing_m * 1e3,
            coverage: parts.proof.body.classes.iter().map(class_text).collect(),
            coverage_met: parts.proof.body.met,
            levels: parts.levels.iter().enumerate().map(level_line).collect(),
            checks: parts.checks.iter().enumerate().map(check_line).collect(),
            checks_good: parts.checks.iter().all(|c| c.body.good),
            found: flaws.flaws.iter().filter(|f| f.is_called()).count(),
            ordered: ordered.len(),
            ordered_found: ordered.iter().filter(|f| f.is_called()).count(),
            bars,
            bar_states: parts
                .states
                .iter()
                .filter(|s| s.state != State::Released)
                .map(|s| {
                    let reasons = parts
                        .judgements
                        .iter()
                        .find(|j| j.body.bar == s.bar.bar)
                        .map(reasons)
                        .unwrap_or_default();
                    format!("bar {}: {}{reasons}", s.bar.bar, s.state.words())
                })
                .collect(),
            kept_m: parts.judgements.iter().map(|j| j.body.cut.kept_m).sum(),
            screened_m: flaws.length_m,
            ledger: match &parts.verification.first_fault {
                None => format!("{} entries, the chain is whole", parts.verification.entries),
                Some(fault) => {
                    format!("entry {} is not as it was written: {}", fault.seq, fault.what)
                }
            },
            ledger_whole: parts.verification.first_fault.is_none(),
            times: parts.times,
            flaws,
        }
    }

    /// Whether the demo shows what it should: coverage met, checks good, every flaw of the ordered
    /// size found, the record whole. Held and rejected bars are as they should be.
    pub fn sound(&self) -> bool {
        self.coverage_met
            && self.checks_good
            && self.ordered_found == self.ordered
            && self.ledger_whole
    }

    /// The summary as text, without times.
    pub fn text(&self) -> String {
        let mut s = String::new();
        let _ = writeln!(s, "Technique {}", self.technique);
        let _ = writeln!(
            s,
            "  {} beams, {:.2} m/s, {:.2} mm between two shots of a beam",
            self.beams, self.line_speed_m_s, self.pulse_spacing_mm
        );
        let _ = writeln!(
            s,
            "\nProof ({})",
            if self.coverage_met {
                "the ordered coverage is met"
            } else {
                "the ordered coverage is NOT met"
            }
        );
        for line in &self.coverage {
            let _ = writeln!(s, "  {line}");
        }
        let _ = writeln!(s, "\nLevel");
        for line in &self.levels {
            let _ = writeln!(s, "  {line}");
        }
        let _ = writeln!(s, "\nChecks");
        for line in &self.checks {
            let _ = writeln!(s, "  {line}");
        }
        let _ = writeln!(s, "\nFlaws that are there, and what was made of them");
        for flaw in &self.flaws.flaws {
            let _ = writeln!(s, "  {}", flaw_line(flaw));
        }
        let _ = writeln!(
            s,
            "  found {} of {} flaws; {} of {} at or above the ordered size; {} false calls in {:.0} m{}",
            self.found,
            self.flaws.flaws.len(),
            self.ordered_found,
            self.ordered,
            self.flaws.false_calls.len(),
            self.screened_m,
            if self.flaws.false_calls.is_empty() {
                String::new()
            } else {
                let names: Vec<String> =
                    self.flaws.false_calls.iter().map(FalseCall::name).collect();
                format!(" ({})", names.join(", "))
            }
        );
        let _ = writeln!(s, "\nBars");
        let list: Vec<String> = self.bars.iter().map(|(word, n)| format!("{n} {word}")).collect();
        let _ = writeln!(
            s,
            "  {}; {:.1} of {:.1} m kept",
            list.join(", "),
            self.kept_m,
            self.screened_m
        );
        for line in &self.bar_states {
            let _ = writeln!(s, "  {line}");
        }
        let _ = writeln!(s, "\nLedger\n  {}", self.ledger);
        s
    }

    /// Real seconds spent in each step.
    pub fn times_text(&self) -> String {
        let mut s = String::from("Time spent (s)\n");
        for (step, seconds) in &self.times {
            let _ = writeln!(s, "  {step:16} {seconds:6.1}");
        }
        let _ =
            writeln!(s, "  {:16} {:6.1}", "in all", self.times.iter().map(|t| t.1).sum::<f64>());
        s
    }
}

fn state_word(state: &State) -> &'static str {
    match state {
        State::Waiting { .. } => "waiting",
        State::Released => "released",
        State::Cropped { .. } => "cropped",
        State::Held { .. } => "held",
        State::Rejected => "rejected",
    }
}

fn reasons(judgement: &Sealed<Judgement>) -> String {
    let j = &judgement.body;
    if j.verdict == Verdict::Release {
        return String::new();
    }
    let list: Vec<&str> = j.reasons.iter().map(|r| r.statement.as_str()).collect();
    format!(" ({})", list.join("; "))
}

fn flaw_line(flaw: &Compared) -> String {
    let what = format!(
        "bar {}: {} at {:.0} mm",
        flaw.bar,
        flaw.flaw,
        flaw.truth.from_m.midpoint(flaw.truth.to_m) * 1e3
    );
    match &flaw.found {
        None => match &flaw.told_with {
            Some(letter) => format!("{what}: found with its neighbour ({letter})"),
            None => format!("{what}: MISSED"),
        },
        Some(f) => {
            let size = f.size_error_db.map_or(String::new(), |db| {
                format!(
                    ", size {}{:.2} mm ({db:+.1} dB)",
                    if f.at_least { "at least " } else { "" },
                    f.size_mm
                )
            });
            format!(
                "{what}: found ({}), {:.1} mm off along, {:.1} mm across{size}",
                f.letters.join(", "),
                f.along_mm,
                f.across_mm
            )
        }
    }
}
