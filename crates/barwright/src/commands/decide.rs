//! `decide`: a person changes the verdict of a bar, with name and reason.

use barwright_evaluate::decision::Decided;
use barwright_job::judgement::Verdict;
use barwright_ledger::{Kind, Ledger, LedgerError};
use barwright_web::judging;
use clap::ValueEnum;

use super::ledger::now_us;
use super::register;
use super::sentence::judgement_text;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Change the verdict of a judged bar, with name and reason. What the rules said is kept.
///
/// Rewrites bars/NAME.judgement.json; enter it with `barwright ledger add judgement NAME`. A bar that
/// a person releases is kept but for its ends, which nobody saw. Exit status 1 unless the bar is
/// released.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The bar.
    #[arg(value_name = "BAR")]
    bar: String,
    /// The new verdict.
    #[arg(value_enum)]
    verdict: To,
    /// Who decides.
    #[arg(long, value_name = "NAME")]
    by: String,
    /// Why.
    #[arg(long)]
    reason: String,
    /// For a crop: stretch to cut out, in mm from the head end; may be repeated.
    #[arg(long = "cut", value_name = "FROM:TO", value_parser = stretch)]
    cut: Vec<[f64; 2]>,
}

/// What a verdict may be changed to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum To {
    /// Good over the whole length that is sold.
    Release,
    /// Good after the named stretches are cut out.
    Crop,
    /// Not decided.
    Hold,
    /// Not good.
    Reject,
}

impl From<To> for Verdict {
    fn from(to: To) -> Self {
        match to {
            To::Release => Self::Release,
            To::Crop => Self::Crop,
            To::Hold => Self::Hold,
            To::Reject => Self::Reject,
        }
    }
}

/// "1200:1350" in metres.
fn stretch(text: &str) -> Result<[f64; 2], String> {
    let (from, to) = text.split_once(':').ok_or("write it as FROM:TO in mm")?;
    let mm = |t: &str| t.trim().parse::<f64>().map_err(|e| format!("{t}: {e}"));
    Ok([mm(from)? / 1e3, mm(to)? / 1e3])
}

/// Refuses whoever the ledger would refuse, where it keeps roles, before anything is written.
fn demand_right(bench: &Bench, person: &str) -> Result<(), Failure> {
    match Ledger::open_to_read(&bench.job.ledger_home()) {
        Err(LedgerError::Absent { .. }) => Ok(()),
        Err(e) => Err(e.into()),
        Ok(ledger) => {
            let (people, at) = register::people(&ledger)?;
            Ok(people.may(person, Kind::Judgement, at)?)
        }
    }
}

/// Decides.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    demand_right(bench, &args.by)?;
    let decided = Decided {
        verdict: args.verdict.into(),
        cut_m: args.cut.clone(),
        by: args.by.clone(),
        reason: args.reason.clone(),
        time_us: now_us(),
    };
    let judgement = judging::decide(&bench.job, &args.bar, &decided)?;
    bench.say(&format!("wrote {}", bench.job.judgement_path(&args.bar).display()));
    bench.answer(&judgement_text(&judgement), &judgement)?;
    Ok(Outcome::good_if(judgement.body.verdict == Verdict::Release))
}
