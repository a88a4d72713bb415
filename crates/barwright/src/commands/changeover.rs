//! `changeover`: moving the station to another size, step by step, each verified.

use std::fmt::Write as _;
use std::path::PathBuf;

use barwright_job::changeover::{Changeover, StepKind};
use barwright_web::steps::changeover;
use clap::{Subcommand, builder::PossibleValue};

use super::ledger::now_us;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Move the station to this job's technique: a checklist with the time each step takes.
///
/// A short capture of the reference bar (two motions, one pass) verifies the steps: right technique,
/// ring, probes, plugs, centring, water. Reads technique.json and reference-bar.json; writes
/// changeover.json.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Begin: all steps open, the clock runs.
    Begin {
        /// What ran before, for the record.
        #[arg(long)]
        from: Option<String>,
    },
    /// A step is done; its time counts from the end of the one before.
    Done {
        /// Which step.
        #[arg(value_name = "STEP")]
        step: StepArg,
    },
    /// Verify every step from a short capture. Exit status 1 unless all are right.
    Verify {
        /// The capture.
        #[arg(value_name = "CAPTURE")]
        capture: PathBuf,
    },
    /// The checklist as it stands.
    Show,
}

/// A step's name on the command line.
#[derive(Debug, Clone, Copy)]
struct StepArg(StepKind);

impl clap::ValueEnum for StepArg {
    fn value_variants<'a>() -> &'a [Self] {
        const ALL: [StepArg; StepKind::ALL.len()] = {
            let mut all = [StepArg(StepKind::Technique); StepKind::ALL.len()];
            let mut i = 0;
            while i < all.len() {
                all[i] = StepArg(StepKind::ALL[i]);
                i += 1;
            }
            all
        };
        &ALL
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        Some(PossibleValue::new(self.0.name()).help(self.0.words()))
    }
}

/// Does one thing with the changeover.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let job = &bench.job;
    let (sealed, outcome) = match &args.action {
        Action::Begin { from } => (changeover::begin(job, from.clone(), now_us())?, Outcome::Good),
        Action::Done { step } => (changeover::done(job, step.0, now_us())?, Outcome::Good),
        Action::Verify { capture } => {
            let sealed = changeover::verify(job, capture, now_us())?;
            let outcome = Outcome::good_if(sealed.body.ready);
            (sealed, outcome)
        }
        Action::Show => {
            let sealed = changeover::begun(job)?;
            bench.answer(&text(&sealed.body), &sealed)?;
            return Ok(Outcome::Good);
        }
    };
    bench.say(&format!("wrote {}", job.changeover_path().display()));
    bench.answer(&text(&sealed.body), &sealed)?;
    Ok(outcome)
}

/// The checklist in a few lines.
fn text(c: &Changeover) -> String {
    let mut text = String::new();
    let from = c.from.as_ref().map_or(String::new(), |f| format!("from {f} "));
    let _ = writeln!(text, "changeover {from}to {}", c.to);
    for step in &c.steps {
        let took = c.took_s(step.kind).map_or("".to_owned(), |s| format!(", took {s:.0} s"));
        let _ = writeln!(text, "  {}: {}{took}", step.kind.words(), step.state.words());
        for line in &step.evidence {
            let _ = writeln!(text, "    {line}");
        }
        if !step.cure.is_empty() {
            let _ = writeln!(text, "    to do: {}", step.cure);
        }
    }
    // A sum of nothing is nought, not minus nought.
    let total = c.steps.iter().filter_map(|s| c.took_s(s.kind)).fold(0.0, |all, s| all + s);
    let _ = writeln!(text, "steps that are done took {total:.0} s");
    let ready = if c.ready { "every step is verified" } else { "not every step is verified" };
    let _ = writeln!(text, "{ready}");
    text
}
