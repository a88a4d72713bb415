//! What follows from the entries for every bar. Pure: entries and a time in, states out.
//!
//! A bar is released or cropped only when all of this holds for its latest screening:
//! - the last check of its line before it and the first one after it are good, of the bar's own
//!   technique and level, and no further apart than the rules of both allow;
//! - nothing recorded on the line between them names another technique or level, changes its
//!   equipment, or was made by another version of the program;
//! - no operator who took over the line between them screened before a check, where the rules ask
//!   for one;
//! - the station's clock did not step back between them;
//! - it was judged release or crop, and no retest was ordered after its screening;
//! - none of the entries this rests on was withdrawn.
//!
//! Everything else is waiting, held or rejected. A failed, overdue or foreign closing check holds
//! every bar since the last good one. Held bars are cured by screening them again; a rejected bar
//! stays rejected until a retest is ordered, its judgement is withdrawn and it is judged anew, or a
//! person decides otherwise by name, so that nobody passes a bar by trying often enough. Corrections
//! can take trust away but grant none.
//!
//! Order is that of the entries' numbers. Times count only for the interval between checks, and
//! only those of the station's own entries (technique loaded, level, check, screened bar, equipment,
//! operator) are compared with each other: judgements and papers may come from other clocks.
//!
//! [`bars`] is the plain form: it walks through all entries. A store keeps the same states in
//! tables by the same steps (`line`, `bar`), one entry at a time, and its
//! verification compares the two.

pub(crate) mod bar;
pub(crate) mod line;
pub(crate) mod yard;

use barwright_job::Hash;
use serde::{Deserialize, Serialize};

use crate::{
    entry::Entry,
    error::Result,
    record::{BarKey, Facts},
};
pub(crate) use bar::{Bar, Screening, Withdrawals};
pub(crate) use line::{Bracket, Line, Setting};
pub(crate) use yard::{Stamp, Yard};

/// State of a bar.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// On its way.
    Waiting {
        /// It is not judged yet.
        for_judgement: bool,
        /// The check that closes its bracket is not made yet.
        for_check: bool,
    },
    /// Good as it is.
    Released,
    /// Good in pieces.
    Cropped {
        /// The released pieces: start and end in metres from the head end.
        pieces_m: Vec<[f64; 2]>,
    },
    /// Must not leave until inspected again or decided.
    Held {
        /// Why.
        why: Why,
    },
    /// Not good.
    Rejected,
}

impl State {
    /// The state in words.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Waiting { for_judgement, for_check } => match (for_judgement, for_check) {
                (true, true) => "waiting for its judgement and the closing check".into(),
                (true, false) => "waiting for its judgement".into(),
                (false, _) => "waiting for the closing check".into(),
            },
            Self::Released => "released".into(),
            Self::Cropped { pieces_m } => {
                let pieces: Vec<String> = pieces_m
                    .iter()
                    .map(|[a, b]| format!("{:.0} to {:.0} mm", a * 1e3, b * 1e3))
                    .collect();
                format!("released in pieces: {}", pieces.join(", "))
            }
            Self::Held { why } => format!("HELD: {}", why.words()),
            Self::Rejected => "rejected".into(),
        }
    }
}

/// Why a bar is held. Numbers are those of entries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// No check of the line came before it.
    NeverChecked,
    /// The last check before it failed.
    AfterFailedCheck(i64),
    /// The check after it failed.
    FailedCheck(i64),
    /// The check after it came too late.
    CheckTooLate(i64),
    /// The check after it is due and was not made, or the bar came too late after the one before.
    CheckOverdue,
    /// Another technique or level was set on the line.
    SettingChanged(i64),
    /// A probe or other equipment of the line was changed.
    EquipmentChanged(i64),
    /// The line was run by another version of the program.
    ProgramChanged(i64),
    /// Another operator took over the line and screened without a check.
    OperatorChanged(i64),
    /// The station's clock stepped back: the interval is not known.
    ClockSteppedBack(i64),
    /// It was judged hold.
    Judged(i64),
    /// A retest was ordered.
    Retest(i64),
    /// Its screening, technique or level was withdrawn.
    Withdrawn(i64),
}

impl Why {
    /// The reason in words, for a list of holds.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::NeverChecked => "its line was not checked before it".into(),
            Self::AfterFailedCheck(seq) => format!("the last check before it failed (entry {seq})"),
            Self::FailedCheck(seq) => format!("the check after it failed (entry {seq})"),
            Self::CheckTooLate(seq) => format!("the check after it came too late (entry {seq})"),
            Self::CheckOverdue => "the check after it is overdue".into(),
            Self::SettingChanged(seq) => {
                format!("technique or level of its line changed between two checks (entry {seq})")
            }
            Self::EquipmentChanged(seq) => {
                format!("equipment of its line changed between two checks (entry {seq})")
            }
            Self::ProgramChanged(seq) => {
                format!("the program's version changed between two checks (entry {seq})")
            }
            Self::OperatorChanged(seq) => {
                format!("the operator changed without a check (entry {seq})")
            }
            Self::ClockSteppedBack(seq) => {
                format!("the station's clock stepped back between two checks (entry {seq})")
            }
            Self::Judged(seq) => format!("judged hold (entry {seq})"),
            Self::Retest(seq) => format!("a retest was ordered (entry {seq})"),
            Self::Withdrawn(seq) => format!("an entry it rests on was withdrawn (entry {seq})"),
        }
    }

    /// What closes the hold, as an order to somebody.
    #[must_use]
    pub fn cure(&self) -> &'static str {
        match self {
            Self::Judged(_) => "decide on it, or inspect it again between two good checks",
            _ => "inspect it again between two good checks",
        }
    }

    /// Its stored word, and the entry it names.
    #[must_use]
    pub fn parts(&self) -> (&'static str, Option<i64>) {
        match *self {
            Self::NeverChecked => ("never_checked", None),
            Self::AfterFailedCheck(seq) => ("after_failed_check", Some(seq)),
            Self::FailedCheck(seq) => ("failed_check", Some(seq)),
            Self::CheckTooLate(seq) => ("check_too_late", Some(seq)),
            Self::CheckOverdue => ("check_overdue", None),
            Self::SettingChanged(seq) => ("setting_changed", Some(seq)),
            Self::EquipmentChanged(seq) => ("equipment_changed", Some(seq)),
            Self::ProgramChanged(seq) => ("program_changed", Some(seq)),
            Self::OperatorChanged(seq) => ("operator_changed", Some(seq)),
            Self::ClockSteppedBack(seq) => ("clock_stepped_back", Some(seq)),
            Self::Judged(seq) => ("judged", Some(seq)),
            Self::Retest(seq) => ("retest", Some(seq)),
            Self::Withdrawn(seq) => ("withdrawn", Some(seq)),
        }
    }

    /// The reason that a stored word and entry stand for, if any.
    #[must_use]
    pub fn from_parts(word: &str, seq: Option<i64>) -> Option<Self> {
        Some(match (word, seq) {
            ("never_checked", None) => Self::NeverChecked,
            ("after_failed_check", Some(seq)) => Self::AfterFailedCheck(seq),
            ("failed_check", Some(seq)) => Self::FailedCheck(seq),
            ("check_too_late", Some(seq)) => Self::CheckTooLate(seq),
            ("check_overdue", None) => Self::CheckOverdue,
            ("setting_changed", Some(seq)) => Self::SettingChanged(seq),
            ("equipment_changed", Some(seq)) => Self::EquipmentChanged(seq),
            ("program_changed", Some(seq)) => Self::ProgramChanged(seq),
            ("operator_changed", Some(seq)) => Self::OperatorChanged(seq),
            ("clock_stepped_back", Some(seq)) => Self::ClockSteppedBack(seq),
            ("judged", Some(seq)) => Self::Judged(seq),
            ("retest", Some(seq)) => Self::Retest(seq),
            ("withdrawn", Some(seq)) => Self::Withdrawn(seq),
            _ => return None,
        })
    }
}

/// A bar with its state and the entries that decide it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BarState {
    /// The bar.
    pub bar: BarKey,
    /// Its state.
    pub state: State,
    /// Line of its latest screening; empty where it was not screened.
    pub line: String,
    /// Its latest screening.
    pub screened: Option<i64>,
    /// The judgement of that screening that counts.
    pub judged: Option<i64>,
    /// The good check before it, if it has one.
    pub opening_check: Option<i64>,
    /// The good check that closed its bracket.
    pub closing_check: Option<i64>,
    /// Technique it was screened with.
    pub technique: Option<Hash>,
    /// Level it was screened with.
    pub level: Option<Hash>,
}

/// The states of all bars, sorted by heat and bar, at a time.
///
/// `entries`: all entries of a ledger in order; kinds that move no bar may be left out. `now_us`:
/// microseconds since 1970-01-01 UTC; it only tells whether a check is overdue and never releases
/// a bar.
///
/// # Errors
/// [`crate::LedgerError::Unreadable`] for an entry whose content does not fit its kind.
pub fn bars(entries: &[Entry], now_us: i64) -> Result<Vec<BarState>> {
    let facts: Vec<Facts> = entries.iter().map(Entry::facts).collect::<Result<_>>()?;
    let both = || entries.iter().zip(&facts);
    let withdrawals = Withdrawals::of(both());
    let mut yard = Yard::default();
    for (entry, facts) in both() {
        yard.take(entry.into(), facts, &withdrawals);
    }
    yard.overdue(now_us);
    Ok(yard.bars.into_iter().map(|(key, bar)| bar.outcome(key, &withdrawals)).collect())
}

/// The held bars of a list.
#[must_use]
pub fn holds(bars: Vec<BarState>) -> Vec<BarState> {
    bars.into_iter().filter(|bar| matches!(bar.state, State::Held { .. })).collect()
}
