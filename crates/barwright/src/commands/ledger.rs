//! `ledger`: the append-only record.

mod ask;
mod copies;
mod state;
mod words;

use std::path::PathBuf;

use barwright_job::{Hash, Sealed, Station, second_look::SecondLook};
use barwright_ledger::{Ledger, LedgerError, Record};
use barwright_web::{JobFolder, files};
use clap::{Subcommand, ValueEnum};

use super::register;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use barwright_web::steps::line_of;
pub use words::{entry_text, hold_lists_text};

/// Keep and question the record: who did what, which bars are released, which must come back.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Enter documents of the job folder. The ledger is made if there is none.
    Add {
        /// What to enter.
        #[arg(value_enum)]
        what: What,
        /// Bars, or check numbers, where there are several.
        #[arg(value_name = "NAME")]
        names: Vec<String>,
        #[command(flatten)]
        by: state::By,
    },
    /// List entries, oldest first.
    Show {
        /// Only those about this bar.
        #[arg(long)]
        bar: Option<String>,
        /// From this entry on.
        #[arg(long, value_name = "ENTRY", default_value_t = 1)]
        from: i64,
    },
    /// Prove that no entry was changed, removed, inserted or reordered, that signatures are those of
    /// people who could sign, and that the states of bars follow.
    Verify {
        /// Entry number of a head that a paper names.
        #[arg(long, value_name = "ENTRY", requires = "hash")]
        entry: Option<i64>,
        /// Hash of that head.
        #[arg(long, requires = "entry")]
        hash: Option<String>,
    },
    /// States of bars: all, or those of a heat, order, customer, probe, level, program.
    Bars(ask::BarsArgs),
    /// Everything about one bar.
    Bar {
        /// HEAT/BAR, or a bar of the job's heat.
        bar: String,
    },
    /// The holds by their cause: every bar to be inspected again, with pieces cut and shipped.
    Holds,
    /// What left the house of bars that are held now.
    Shipped,
    /// Lines: who runs them, and when the next check is due.
    Lines,
    /// Who changed what: corrections, approvals, people, keys, equipment.
    Changes {
        /// Only by this person, and all that they set.
        #[arg(long)]
        by: Option<String>,
        /// From this entry on.
        #[arg(long, value_name = "ENTRY", default_value_t = 1)]
        from: i64,
    },
    /// Order that bars be inspected again.
    Retest {
        /// HEAT/BAR, or bars of the job's heat.
        #[arg(required = true)]
        bars: Vec<String>,
        /// Why.
        #[arg(long)]
        reason: String,
        #[command(flatten)]
        by: state::By,
    },
    /// Say that an earlier entry was wrong. It stays; the correction stands beside it.
    Correct {
        /// Number of the entry.
        entry: i64,
        /// What is the case instead.
        #[arg(long)]
        statement: String,
        /// The entry no longer counts. This takes trust away and never gives any.
        #[arg(long)]
        withdraw: bool,
        #[command(flatten)]
        by: state::By,
    },
    /// Say who runs the line from now on.
    Operator {
        /// Who takes over.
        person: String,
        #[command(flatten)]
        by: state::By,
    },
    /// Enter that bars were cut as judged; pieces are marked A, B and so on from the head end.
    Cut {
        /// HEAT/BAR, or bars of the job's heat.
        #[arg(required = true)]
        bars: Vec<String>,
        #[command(flatten)]
        by: state::By,
    },
    /// Enter that bars or pieces left the house.
    Ship {
        /// Number of the delivery.
        delivery: String,
        /// BAR for a whole bar, BAR:PIECE for a piece.
        #[arg(required = true)]
        items: Vec<String>,
        /// Enter it although something is not released, for this reason: it has left already.
        #[arg(long, value_name = "REASON")]
        although: Option<String>,
        #[command(flatten)]
        by: state::By,
    },
    /// Copy the ledger to where there is none: a file, or the address of a database.
    Copy {
        /// Where to.
        to: String,
    },
    /// Write the ledger as an open text, an entry a line, that anybody can read and prove.
    Export {
        /// The new file.
        file: PathBuf,
    },
    /// Read an open text to where there is no ledger.
    Import {
        /// The text.
        file: PathBuf,
    },
    /// Make a backup while others go on writing, and prove it.
    Backup {
        /// The new file: a ledger itself.
        file: PathBuf,
    },
    /// Put a backup where the ledger was.
    Restore {
        /// The backup.
        file: PathBuf,
    },
    /// Save what can be saved from a damaged file.
    Salvage {
        /// The damaged file; it is only read.
        damaged: PathBuf,
        /// The new ledger.
        into: PathBuf,
        /// File for entries beyond the fault, that nothing vouches for.
        #[arg(long, value_name = "FILE")]
        loose: Option<PathBuf>,
    },
}

/// What can be entered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum What {
    /// The order.
    Order,
    /// The station.
    Station,
    /// The acceptance rules.
    Rules,
    /// The technique.
    Technique,
    /// The coverage proof.
    Proof,
    /// The reference bar.
    ReferenceBar,
    /// The level in force.
    Level,
    /// Checks by number.
    Check,
    /// Screened bars by name.
    Bar,
    /// Judgements of bars by name.
    Judgement,
    /// Second looks by name, of those that an indication asked for.
    Look,
    /// Papers by name.
    Paper,
}

/// Microseconds since 1970-01-01 UTC, now.
pub fn now_us() -> i64 {
    jiff::Timestamp::now().as_microsecond()
}

/// The ledger of a job folder, made if there is none.
///
/// # Errors
/// The ledger's reason.
pub fn open_or_create(job: &JobFolder, station: &Station, time_us: i64) -> Result<Ledger, Failure> {
    let home = job.ledger_home();
    match Ledger::open_at(&home) {
        Err(LedgerError::Absent { .. }) => {
            Ok(Ledger::create_at(&home, &station.station.name, time_us)?)
        }
        opened => Ok(opened?),
    }
}

/// The record of one document of the job folder.
///
/// # Errors
/// When the document cannot be read or does not name what it was made from.
pub fn record(job: &JobFolder, what: What, name: &str) -> Result<Record, Failure> {
    let station = job.station()?;
    let line = line_of(&station);
    Ok(match what {
        What::Order => Record::order(&job.order()?),
        What::Station => Record::station(&station),
        What::Rules => Record::rules(&job.rules()?),
        What::Technique => Record::technique(&job.technique()?, line),
        What::Proof => Record::proof(&job.proof()?)?,
        What::ReferenceBar => Record::reference_bar(&job.reference()?),
        What::Level => Record::level(&job.level()?, line)?,
        What::Check => {
            let number: usize = name
                .parse()
                .map_err(|_| Failure::new(format!("{name} is not the number of a check")))?;
            Record::check(&files::read_sealed(&job.check_path(number))?, &job.rules()?, line)?
        }
        What::Bar => Record::bar_screened(&job.screened(name)?, line)?,
        What::Judgement => Record::judgement(&job.judgement(name)?, line)?,
        What::Look => {
            let path = job.look_path(name).ok_or_else(|| Failure::no_name(name, "a look"))?;
            let look: Sealed<SecondLook> = files::read_sealed(&path)?;
            let heat = match &look.body.asked_by {
                Some(asked) => job.judgement(&asked.bar)?.body.heat,
                None => String::new(),
            };
            Record::second_look(&look, &heat)?
        }
        What::Paper => {
            let bytes = std::fs::read(job.paper_path(name))
                .map_err(|e| Failure::new(format!("{}: {e}", job.paper_path(name).display())))?;
            Record::paper(name, name, Hash::of(&bytes), [])
        }
    })
}

/// Does what was asked.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let job = &bench.job;
    match &args.action {
        Action::Add { what, names, by } => {
            let several = matches!(
                what,
                What::Check | What::Bar | What::Judgement | What::Look | What::Paper
            );
            let names = match (several, names.is_empty()) {
                (true, true) => return Err(Failure::new("name at least one")),
                (false, false) => {
                    return Err(Failure::new(format!(
                        "there is only one in a job folder; `{}` is too much",
                        names[0]
                    )));
                }
                (false, true) => vec![String::new()],
                (true, false) => names.clone(),
            };
            // All documents are read before the first entry is made.
            let records =
                names.iter().map(|n| record(job, *what, n)).collect::<Result<Vec<_>, _>>()?;
            let ledger = open_or_create(job, &job.station()?, now_us())?;
            register::demand(bench, &ledger, &records, &by.author)?;
            drop(ledger);
            state::enter(bench, &records, by)
        }
        Action::Show { bar, from } => {
            let ledger = Ledger::open_to_read(&job.ledger_home())?;
            let entries = match bar {
                Some(bar) => ledger.by_bar(&ask::bar_key(bench, bar)?)?,
                None => ledger.entries(*from, u32::MAX)?,
            };
            bench.answer(&entries.iter().map(entry_text).collect::<String>(), &entries)?;
            Ok(Outcome::Good)
        }
        Action::Verify { entry, hash } => ask::verify(bench, *entry, hash.as_deref()),
        Action::Bars(args) => ask::bars(bench, args),
        Action::Bar { bar } => ask::bar(bench, bar),
        Action::Holds => ask::holds(bench),
        Action::Shipped => ask::shipped(bench),
        Action::Lines => ask::lines(bench),
        Action::Changes { by, from } => ask::changes(bench, by.as_deref(), *from),
        Action::Retest { bars, reason, by } => state::retest(bench, bars, reason, by),
        Action::Correct { entry, statement, withdraw, by } => {
            state::correct(bench, *entry, *withdraw, statement, by)
        }
        Action::Operator { person, by } => state::operator(bench, person, by),
        Action::Cut { bars, by } => state::cut(bench, bars, by),
        Action::Ship { delivery, items, although, by } => {
            state::ship(bench, delivery, items, although.as_deref(), by)
        }
        Action::Copy { to } => copies::copy(bench, to),
        Action::Export { file } => copies::export(bench, file),
        Action::Import { file } => copies::import(bench, file),
        Action::Backup { file } => copies::back_up(bench, file),
        Action::Restore { file } => copies::restore(bench, file),
        Action::Salvage { damaged, into, loose } => {
            copies::salvage(bench, damaged, into, loose.as_deref())
        }
    }
}
