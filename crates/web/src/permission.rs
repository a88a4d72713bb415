//! Whether a person may do something on a day: role, and certification where the acceptance rules
//! ask. Pure.

use barwright_job::{Rules, rules::Ended};
use barwright_ledger::{Entry, Kind, LedgerError, People, expiry::Expiry, people::Denied};
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
    /// The certification does not hold, and the rules block.
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
            Self::Denied(_) => "have somebody of these roles do it",
            Self::Ledger(e) => return e.hint(),
            Self::Expired(_) => {
                "enter the new certificate: `barwright people add NAME --role ROLE --certified-until DATE`"
            }
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
