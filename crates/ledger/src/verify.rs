//! Does every entry still say what it said, where it said it? Pure.

use serde::Serialize;

use crate::{
    entry::{Head, Identity, Row, no_parent},
    record::Facts,
};

/// The result of a verification.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Verification {
    /// Entries before the fault, or all.
    pub entries: u64,
    /// The last of them.
    pub head: Head,
    /// The first entry that does not fit; none when the ledger is whole.
    pub first_fault: Option<Fault>,
}

impl Verification {
    /// Whether the ledger is whole.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.first_fault.is_none()
    }
}

/// An entry that does not fit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// Its number.
    pub seq: i64,
    /// What is wrong, for machines.
    pub kind: FaultKind,
    /// What is wrong, in words.
    pub what: String,
}

/// What is wrong with an entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum FaultKind {
    /// There is no entry of this number, but there are later ones (or papers name it).
    Missing,
    /// Its content is not the content it was written with.
    ContentChanged,
    /// Another field is not what it was written with.
    FieldChanged,
    /// It does not follow the entry before it: moved, inserted, or that one was replaced.
    OutOfPlace,
    /// It cannot be read at all.
    Unreadable,
    /// The look-up table names something else than its content does.
    LookUp,
    /// It is not the entry that a paper names.
    NotAsPrinted,
    /// Its author had no right to write it.
    Rights,
    /// Its signature is missing, or is not by a key that may sign it.
    Signature,
    /// The states kept for bars, lines or goods are not those that follow from the entries.
    States,
}

/// What can be said of an entry without the ones before it.
pub(crate) struct Looked {
    content_fits: bool,
    hash_fits: bool,
    /// What it states; none where it cannot be read.
    pub facts: Option<Facts>,
}

impl Looked {
    pub fn at(row: &Row, ledger: &Identity) -> Self {
        Self {
            content_fits: row.compute_content_hash() == row.content_hash,
            hash_fits: row.compute_hash(ledger) == row.hash,
            facts: row.facts().ok(),
        }
    }
}

/// Walks the entries of a ledger in order of their numbers.
pub(crate) struct Walk {
    ledger: Identity,
    against: Option<Head>,
    head: Head,
    grandparent: String,
}

impl Walk {
    pub fn new(ledger: &Identity, against: Option<&Head>) -> Self {
        Self {
            ledger: ledger.clone(),
            against: against.cloned(),
            head: Head { ledger: ledger.clone(), seq: 0, time_us: 0, hash: no_parent() },
            grandparent: String::new(),
        }
    }

    /// The ledger that is walked.
    pub fn ledger(&self) -> &Identity {
        &self.ledger
    }

    /// Number that the next entry must have.
    pub fn next_seq(&self) -> i64 {
        self.head.seq + 1
    }

    /// Looks at the next entry. `named`: whether the look-up table names what it names.
    pub fn step(&mut self, row: &Row, looked: &Looked, named: bool) -> Result<(), Fault> {
        let expected = self.next_seq();
        let fault = |seq, kind, what: String| Err(Fault { seq, kind, what });
        if row.seq > expected {
            return fault(
                expected,
                FaultKind::Missing,
                format!("entry {expected} is missing, the next one is {}", row.seq),
            );
        }
        if row.seq < expected {
            return fault(
                row.seq,
                FaultKind::OutOfPlace,
                format!("entry {} was inserted: numbers begin at 1", row.seq),
            );
        }
        if row.parent_hash != self.head.hash.0 {
            // This entry is as written, or still names the one two before it: then it is the one
            // between them that does not belong.
            let as_written = looked.content_fits && looked.hash_fits;
            if expected > 1 && (as_written || row.parent_hash == self.grandparent) {
                return fault(
                    self.head.seq,
                    FaultKind::OutOfPlace,
                    format!("entry {} was inserted or replaced", self.head.seq),
                );
            }
            return fault(
                expected,
                FaultKind::OutOfPlace,
                format!("entry {expected} does not follow the entry before it"),
            );
        }
        if !looked.content_fits {
            return fault(
                expected,
                FaultKind::ContentChanged,
                format!("the content of entry {expected} was changed"),
            );
        }
        if !looked.hash_fits {
            return fault(
                expected,
                FaultKind::FieldChanged,
                format!(
                    "entry {expected} was changed: number, time, author, kind, subject, line or a hash"
                ),
            );
        }
        if looked.facts.is_none() {
            return fault(
                expected,
                FaultKind::Unreadable,
                format!("entry {expected} does not state what its kind, {}, must", row.kind),
            );
        }
        if !named {
            return fault(
                expected,
                FaultKind::LookUp,
                format!("the look-up table does not name what entry {expected} names"),
            );
        }
        if let Some(printed) = &self.against
            && printed.seq == expected
            && printed.hash.0 != row.hash
        {
            return fault(
                expected,
                FaultKind::NotAsPrinted,
                format!("entry {expected} is not the one printed: {printed}"),
            );
        }
        self.grandparent = std::mem::replace(&mut self.head.hash.0, row.hash.clone());
        self.head.seq = row.seq;
        self.head.time_us = row.time_us;
        Ok(())
    }

    /// The result, with the fault the walk ended at, if any. `beyond`: the highest number that
    /// the look-up table knows.
    pub fn end(self, fault: Option<Fault>, beyond: i64) -> Verification {
        let next = self.next_seq();
        let lost = |what: String| Fault { seq: next, kind: FaultKind::Missing, what };
        let first_fault = fault.or_else(|| match &self.against {
            Some(printed) if printed.ledger != self.ledger => Some(Fault {
                seq: 1,
                kind: FaultKind::NotAsPrinted,
                what: format!("this is another ledger than the one printed: {printed}"),
            }),
            Some(printed) if printed.seq > self.head.seq => Some(lost(format!(
                "entry {next} and later ones are missing, a paper names {}",
                printed.seq
            ))),
            _ if beyond > self.head.seq => Some(lost(format!(
                "entry {next} is missing at the end, the look-up table still knows entry {beyond}"
            ))),
            _ => None,
        });
        Verification {
            entries: u64::try_from(self.head.seq).unwrap_or(0),
            head: self.head,
            first_fault,
        }
    }
}
