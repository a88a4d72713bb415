//! `ledger`: the append-only record.

use std::fmt::Write as _;

use barwright_job::{Hash, Station};
use barwright_ledger::{BarKey, Entry, Ledger, Record, State};
use barwright_web::{JobFolder, files};
use clap::{Subcommand, ValueEnum};

use super::register;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use crate::steps::line_of;

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
        /// Who enters it.
        #[arg(long)]
        author: String,
    },
    /// List entries, oldest first.
    Show {
        /// Only those about this bar.
        #[arg(long)]
        bar: Option<String>,
    },
    /// Prove that no entry was changed, removed, inserted or reordered.
    Verify,
    /// The state of every bar.
    Bars,
    /// The bars that are held, and why.
    Holds,
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
    let path = job.ledger_path();
    if path.exists() {
        Ok(Ledger::open(&path)?)
    } else {
        Ok(Ledger::create(&path, &station.station.name, time_us)?)
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
        Action::Add { what, names, author } => {
            let several = matches!(what, What::Check | What::Bar | What::Judgement | What::Paper);
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
            register::demand(bench, &ledger, &records, author)?;
            let entries = records
                .iter()
                .map(|r| ledger.append(r, author, now_us()))
                .collect::<Result<Vec<_>, _>>()?;
            bench.answer(&entries.iter().map(entry_text).collect::<String>(), &entries)?;
            Ok(Outcome::Good)
        }
        Action::Show { bar } => {
            let ledger = Ledger::open_read_only(job.ledger_path())?;
            let entries = match bar {
                Some(bar) => ledger.by_bar(&BarKey::new(job.order()?.order.heat, bar))?,
                None => ledger.entries(1, u32::MAX)?,
            };
            bench.answer(&entries.iter().map(entry_text).collect::<String>(), &entries)?;
            Ok(Outcome::Good)
        }
        Action::Verify => {
            let found = Ledger::open_read_only(job.ledger_path())?.verify(None)?;
            let text = match &found.first_fault {
                None => format!("{} entries, the chain is whole", found.entries),
                Some(fault) => {
                    format!("{} entries; entry {}: {}", found.entries, fault.seq, fault.what)
                }
            };
            bench.answer(&text, &found)?;
            Ok(Outcome::good_if(found.first_fault.is_none()))
        }
        Action::Bars | Action::Holds => {
            let ledger = Ledger::open_read_only(job.ledger_path())?;
            let holds = ledger.holds(now_us())?;
            let bars = if matches!(args.action, Action::Bars) {
                ledger.bars(now_us())?
            } else {
                holds.clone()
            };
            let mut text = String::new();
            for bar in &bars {
                let _ = writeln!(text, "{}: {}", bar.bar, state_text(&bar.state));
            }
            if bars.is_empty() {
                text.push_str("none");
            }
            bench.answer(&text, &bars)?;
            Ok(Outcome::good_if(holds.is_empty()))
        }
    }
}

/// An entry in a line.
pub fn entry_text(entry: &Entry) -> String {
    format!(
        "{:>5}  {}  {:13}  {}  ({})  {}\n",
        entry.seq,
        entry.date(),
        entry.kind.word(),
        entry.subject,
        entry.author,
        entry.hash.short()
    )
}

/// A state in words.
pub fn state_text(state: &State) -> String {
    match state {
        State::Waiting { for_judgement, for_check } => match (for_judgement, for_check) {
            (true, true) => "waiting for its judgement and the closing check".into(),
            (true, false) => "waiting for its judgement".into(),
            (false, _) => "waiting for the closing check".into(),
        },
        State::Released => "released".into(),
        State::Cropped { pieces_m } => {
            let pieces: Vec<String> = pieces_m
                .iter()
                .map(|[a, b]| format!("{:.0} to {:.0} mm", a * 1e3, b * 1e3))
                .collect();
            format!("released in pieces: {}", pieces.join(", "))
        }
        State::Held { why } => format!("HELD: {}", why.words()),
        State::Rejected => "rejected".into(),
    }
}
