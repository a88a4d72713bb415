//! `approve`: a person of level 3 approves the technique.

use barwright_web::approving::approve;
use clap::Subcommand;

use super::register;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Approve a document of the job folder. Only level 3 approves techniques.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Approve the technique as it stands in technique.json.
    ///
    /// A certification that ended is told, or blocks where the acceptance rules say so; exit status 1
    /// where it was told.
    Technique {
        /// Who approves.
        #[arg(long = "as", value_name = "NAME")]
        person: String,
        #[command(flatten)]
        signing: register::Signing,
    },
}

/// Approves.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let Action::Technique { person, signing } = &args.action;
    let job = &bench.job;
    let technique = job.technique()?;
    let ledger = register::open(job)?;
    let entries = register::entries(&ledger)?;
    let approving = approve(&technique, &job.rules()?, person, &entries, register::today())?;
    if let Some(told) = &approving.told {
        bench.say(&format!("ATTENTION: {}", told.words()));
    }
    let entry = register::append(&ledger, &approving.record, person, signing)?;
    bench.answer(
        &format!("{person} approved technique {} (entry {})", technique.hash.short(), entry.seq),
        &entry,
    )?;
    Ok(Outcome::good_if(approving.told.is_none()))
}
