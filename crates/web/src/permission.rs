//! Whether a person may do something on a day: role, and where the acceptance rules ask, certification
//! and the calibration of what is used. Pure.

use barwright_job::{Rules, rules::Ended};
use barwright_ledger::{
    Entry, Equipment, Kind, LedgerError, People, expiry::Expiry, people::Denied,
};
use barwright_phrase::say;
use jiff::civil::Date;

/// Kinds of entries that permissions rest on.
pub const RESTS_ON: [Kind; 3] = [Kind::Person, Kind::Key, Kind::Correction];

/// Why somebody may not do something.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Barred {
    /// Another role.
    #[error(transparent)]
    Denied(#[from] Denied),
    /// A certification or calibration does not hold, and the rules block.
    #[error("{}, and the acceptance rules block what rests on it", .0.words())]
    Expired(Expiry),
    /// An entry that says who may cannot be read.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

impl Barred {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<&'static str> {
        Some(match self {
            Self::Denied(_) => say!("have somebody of these roles do it"),
            Self::Ledger(e) => return e.hint(),
            Self::Expired(_) => say!("have it renewed, and enter the new certificate"),
        })
    }
}

/// As [`permitted`], after all entries that [`RESTS_ON`] names.
///
/// # Errors
/// As [`permitted`], and [`Barred::Ledger`] where an entry cannot be read.
pub fn permitted_by(
    entries: &[Entry],
    who: (&str, Kind),
    rules: &Rules,
    today: Date,
) -> Result<Option<Expiry>, Barred> {
    let at = entries.last().map_or(0, |entry| entry.seq);
    permitted(&People::of(entries)?, at, who, rules, today)
}

/// What must be told where a person writes an entry of a kind after entry `at`: a certification that
/// does not hold, where the rules only tell.
///
/// # Errors
/// Why the person may not.
pub fn permitted(
    people: &People,
    at: i64,
    (person, kind): (&str, Kind),
    rules: &Rules,
    today: Date,
) -> Result<Option<Expiry>, Barred> {
    people.may(person, kind, at)?;
    let told = people.person(person, at).and_then(|facts| Expiry::of_person(facts, today));
    match (told, rules.certification_ended()) {
        (Some(expiry), Ended::Blocks) => Err(Barred::Expired(expiry)),
        (told, _) => Ok(told),
    }
}

/// Kinds of entries that the calibration of what is used on a line rests on.
pub const CALIBRATION_RESTS_ON: [Kind; 5] =
    [Kind::Person, Kind::Key, Kind::Correction, Kind::Equipment, Kind::Mount];

/// What must be told of the equipment in use on a line where it levels, checks or screens on a day:
/// calibrations that do not hold, where the rules only tell. `entries`: all, or all that
/// [`CALIBRATION_RESTS_ON`] names.
///
/// # Errors
/// [`Barred::Expired`] where the rules block, [`Barred::Ledger`] where an entry cannot be read.
pub fn calibrated(
    entries: &[Entry],
    line: &str,
    rules: &Rules,
    today: Date,
) -> Result<Vec<Expiry>, Barred> {
    let people = People::of(entries)?;
    let at = entries.last().map_or(0, |entry| entry.seq);
    let ended = Equipment::of(entries, &people)?.expired_on_line(line, today, at);
    match (ended.first(), rules.calibration_ended()) {
        (Some(first), Ended::Blocks) => Err(Barred::Expired(first.clone())),
        _ => Ok(ended),
    }
}
