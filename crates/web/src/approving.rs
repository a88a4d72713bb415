//! Approving a technique: who may, what is recorded, and whose approval counts. Pure: entries in, a
//! record or a reason out.

use barwright_job::{Hash, Rules, Sealed, Technique};
use barwright_ledger::{
    Entry, Kind, LedgerError, People, Record,
    expiry::Expiry,
    record::{Facts, Role},
};
use barwright_phrase::say;
use jiff::civil::Date;

use crate::permission::{Barred, permitted};

/// Why somebody cannot approve.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ApprovalError {
    /// An approval says in what role it was given, and no roles are on record.
    #[error("roles are not kept here, so nobody is on record as level 3")]
    NotKept,
    /// Another role, or a certification that does not hold.
    #[error(transparent)]
    Barred(#[from] Barred),
    /// It is approved by this person already.
    #[error("{person} approved this technique before, by entry {seq}")]
    Already {
        /// Who.
        person: String,
        /// The entry.
        seq: i64,
    },
    /// The ledger cannot be read.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

impl ApprovalError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<&'static str> {
        Some(match self {
            Self::NotKept => "enter people first: `barwright people add NAME --role level3`",
            Self::Barred(e) => return e.hint(),
            Self::Already { .. } => return None,
            Self::Ledger(e) => return e.hint(),
        })
    }
}

/// What an approval is and what must be told beside it.
#[derive(Debug)]
pub struct Approving {
    /// To be appended with the person as its author.
    pub record: Record,
    /// A certification that does not hold, where the rules only tell.
    pub told: Option<Expiry>,
}

/// Kinds of entries that decide whether somebody may approve, and whose approval counts.
pub const APPROVAL_RESTS_ON: [Kind; 4] =
    [Kind::Person, Kind::Key, Kind::Correction, Kind::Approval];

/// The approval of a technique by a person, after these entries (all of the ledger, or all of
/// [`APPROVAL_RESTS_ON`]), on a day.
///
/// # Errors
/// Why the person cannot approve it.
pub fn approve(
    technique: &Sealed<Technique>,
    rules: &Rules,
    person: &str,
    entries: &[Entry],
    today: Date,
) -> Result<Approving, ApprovalError> {
    let people = People::of(entries)?;
    let at = entries.last().map_or(0, |entry| entry.seq);
    if !people.are_kept(at) {
        return Err(ApprovalError::NotKept);
    }
    let told = permitted(&people, at, (person, Kind::Approval), rules, today)?;
    let mut before = approvals(&technique.hash, entries)?.into_iter();
    if let Some(before) = before.find(|a| a.person == person && a.counts()) {
        return Err(ApprovalError::Already { person: person.to_owned(), seq: before.seq });
    }
    Ok(Approving { record: Record::approval(technique, person, Role::Level3), told })
}

/// An approval in the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Approval {
    /// Number of the entry.
    pub seq: i64,
    /// When: UTC date and time of day.
    pub when: String,
    /// Who approved.
    pub person: String,
    /// In what role.
    pub role: Role,
    /// Why it does not count, where it does not.
    pub void: Option<String>,
}

impl Approval {
    /// Whether it counts: given by somebody who had the role then, and not withdrawn since.
    #[must_use]
    pub fn counts(&self) -> bool {
        self.void.is_none()
    }
}

/// The approvals of a document, oldest first. `entries`: as for [`approve`].
///
/// # Errors
/// [`LedgerError::Unreadable`].
pub fn approvals(document: &Hash, entries: &[Entry]) -> Result<Vec<Approval>, LedgerError> {
    let people = People::of(entries)?;
    let mut found = Vec::new();
    for entry in entries.iter().filter(|e| matches!(e.kind, Kind::Approval | Kind::Correction)) {
        match entry.facts()? {
            Facts::Approval(facts) if facts.document() == document => {
                let void = if entry.author == facts.person {
                    people.allowed(entry).err().map(|denied| denied.to_string())
                } else {
                    Some(say!("it was written by {}, not by who approves", entry.author))
                };
                let (seq, when) = (entry.seq, entry.date());
                let (person, role) = (facts.person, facts.role);
                found.push(Approval { seq, when, person, role, void });
            }
            Facts::Correction(facts) if facts.withdraws && people.allowed(entry).is_ok() => {
                for approval in found.iter_mut().filter(|a: &&mut Approval| a.seq == facts.corrects)
                {
                    let words = say!("it was withdrawn by {} (entry {})", entry.author, entry.seq);
                    approval.void.get_or_insert(words);
                }
            }
            _ => {}
        }
    }
    Ok(found)
}
