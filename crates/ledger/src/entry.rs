//! An entry, its canonical text and its hash.

use std::fmt;

use barwright_job::Hash;
use serde::{Deserialize, Serialize};

use crate::{
    db::{Value, values},
    error::{LedgerError, Result},
    record::Facts,
    state::Stamp,
};

/// Format of ledgers that this program writes, and the latest it reads.
pub const FORMAT: u32 = 1;

/// What an entry records.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// An order was taken in.
    Order,
    /// A station was described.
    Station,
    /// Acceptance rules were taken in.
    Rules,
    /// A technique was derived, or loaded on a line.
    Technique,
    /// Its coverage was proved.
    Proof,
    /// A reference bar was laid out.
    ReferenceBar,
    /// A line was levelled.
    Level,
    /// A line was checked.
    Check,
    /// A bar was screened.
    BarScreened,
    /// A bar was judged.
    Judgement,
    /// A second look was taken at an indication of a bar.
    SecondLook,
    /// A paper was printed.
    Paper,
    /// Something recorded earlier was wrong.
    Correction,
    /// A bar must be inspected again.
    Retest,
    /// A person's role and certification.
    Person,
    /// A signing key was made, replaced or revoked.
    Key,
    /// Who may sign in to the pages changed.
    Access,
    /// A document was approved.
    Approval,
    /// A piece of equipment and its calibration.
    Equipment,
    /// A piece of equipment was put to use on a line, or taken off.
    Mount,
    /// Somebody took over a line.
    Operator,
    /// A bar was cut.
    Cut,
    /// Bars or pieces left the house.
    Shipment,
}

impl Kind {
    /// All kinds, in the order of a job.
    pub const ALL: [Self; 23] = [
        Self::Order,
        Self::Station,
        Self::Rules,
        Self::Technique,
        Self::Proof,
        Self::ReferenceBar,
        Self::Level,
        Self::Check,
        Self::BarScreened,
        Self::Judgement,
        Self::SecondLook,
        Self::Paper,
        Self::Correction,
        Self::Retest,
        Self::Person,
        Self::Key,
        Self::Access,
        Self::Approval,
        Self::Equipment,
        Self::Mount,
        Self::Operator,
        Self::Cut,
        Self::Shipment,
    ];

    /// The word stored for it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Order => "order",
            Self::Station => "station",
            Self::Rules => "rules",
            Self::Technique => "technique",
            Self::Proof => "proof",
            Self::ReferenceBar => "reference_bar",
            Self::Level => "level",
            Self::Check => "check",
            Self::BarScreened => "bar_screened",
            Self::Judgement => "judgement",
            Self::SecondLook => "second_look",
            Self::Paper => "paper",
            Self::Correction => "correction",
            Self::Retest => "retest",
            Self::Person => "person",
            Self::Key => "key",
            Self::Access => "access",
            Self::Approval => "approval",
            Self::Equipment => "equipment",
            Self::Mount => "mount",
            Self::Operator => "operator",
            Self::Cut => "cut",
            Self::Shipment => "shipment",
        }
    }

    /// The kind that a stored word names, if any.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.word().replace('_', " "))
    }
}

/// Which ledger it is. It goes into the hash of every entry, so that no entry fits another ledger.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Identity {
    /// Format number.
    pub format: u32,
    /// Name for people.
    pub name: String,
    /// Hash of name and time of creation.
    pub id: Hash,
}

impl Identity {
    /// The identity of a new ledger.
    #[must_use]
    pub fn new(name: &str, time_us: i64) -> Self {
        Self {
            format: FORMAT,
            name: name.to_owned(),
            id: Hash::of_meaning(&("barwright ledger", name, time_us)),
        }
    }
}

/// One entry of the ledger.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Number, from 1 without gaps.
    pub seq: i64,
    /// When, in microseconds since 1970-01-01 UTC, by the clock of whoever wrote it.
    pub time_us: i64,
    /// Who wrote it.
    pub author: String,
    /// What it records.
    pub kind: Kind,
    /// What it is about: a bar (heat/bar), an order, a line, a document.
    pub subject: String,
    /// Line concerned; empty for none.
    pub line: String,
    /// What it says; see [`crate::record`].
    pub content: serde_json::Value,
    /// BLAKE3 hash of the stored text of `content`.
    pub content_hash: Hash,
    /// Hash of the entry before it, [`no_parent`] for the first.
    pub parent_hash: Hash,
    /// Hash of this entry.
    pub hash: Hash,
}

impl Entry {
    /// The time as UTC date and time of day, to the second.
    #[must_use]
    pub fn date(&self) -> String {
        date(self.time_us)
    }
}

/// The parent of the first entry: 64 zeros.
#[must_use]
pub fn no_parent() -> Hash {
    Hash("0".repeat(64))
}

/// An entry as stored: kind and content are the very texts that were hashed.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow)]
pub(crate) struct Row {
    pub seq: i64,
    pub time_us: i64,
    pub author: String,
    pub kind: String,
    pub subject: String,
    pub line: String,
    pub content: String,
    pub content_hash: String,
    pub parent_hash: String,
    pub hash: String,
}

impl Row {
    /// BLAKE3 hash of the canonical text: a JSON array of, in this order, the words "barwright
    /// ledger entry", format, name and id of the ledger, and all fields of the entry but content and hash
    /// (content goes in by its hash), without white space.
    pub fn compute_hash(&self, ledger: &Identity) -> String {
        let fields = (
            "barwright ledger entry",
            ledger.format,
            &ledger.name,
            &ledger.id,
            self.seq,
            self.time_us,
            &self.author,
            &self.kind,
            &self.subject,
            &self.line,
            &self.content_hash,
            &self.parent_hash,
        );
        let mut text = Vec::with_capacity(512);
        serde_json::to_writer(&mut text, &fields).expect("texts and numbers are plain data");
        Hash::of(&text).0
    }

    /// BLAKE3 hash of the content's text.
    pub fn compute_content_hash(&self) -> String {
        Hash::of(self.content.as_bytes()).0
    }

    /// What states need of it beside its content.
    pub fn stamp(&self) -> Stamp<'_> {
        Stamp { seq: self.seq, time_us: self.time_us, line: &self.line }
    }

    /// All its fields, in order of the table's columns.
    pub fn values(&self) -> Vec<Value> {
        values![
            self.seq,
            self.time_us,
            &self.author,
            &self.kind,
            &self.subject,
            &self.line,
            &self.content,
            &self.content_hash,
            &self.parent_hash,
            &self.hash,
        ]
    }

    /// The facts it states.
    pub fn facts(&self) -> Result<Facts> {
        let unreadable =
            |what: String| LedgerError::Unreadable { seq: self.seq, kind: self.kind.clone(), what };
        let kind = Kind::from_word(&self.kind)
            .ok_or_else(|| unreadable("this program does not know the kind".into()))?;
        Facts::from_text(kind, &self.content).map_err(|e| unreadable(e.to_string()))
    }

    /// The entry that this row stores.
    pub fn into_entry(self) -> Result<Entry> {
        let unreadable =
            |what: String| LedgerError::Unreadable { seq: self.seq, kind: self.kind.clone(), what };
        let kind = Kind::from_word(&self.kind)
            .ok_or_else(|| unreadable("this program does not know the kind".into()))?;
        let content = serde_json::from_str(&self.content)
            .map_err(|e| unreadable(format!("its content is not JSON: {e}")))?;
        Ok(Entry {
            seq: self.seq,
            time_us: self.time_us,
            author: self.author,
            kind,
            subject: self.subject,
            line: self.line,
            content,
            content_hash: Hash(self.content_hash),
            parent_hash: Hash(self.parent_hash),
            hash: Hash(self.hash),
        })
    }
}

/// The end of a ledger at some time: what papers print, so that a later ledger can be held to it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Head {
    /// Which ledger.
    pub ledger: Identity,
    /// Number of the last entry; 0 for none.
    pub seq: i64,
    /// Its time, in microseconds since 1970-01-01 UTC; 0 for none.
    pub time_us: i64,
    /// Its hash, [`no_parent`] for none.
    pub hash: Hash,
}

impl fmt::Display for Head {
    /// One line for papers: ledger, number, UTC date and the whole hash.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = &self.ledger.name;
        if self.seq == 0 {
            return write!(f, "ledger {name}, no entry yet");
        }
        let date = date(self.time_us);
        write!(f, "ledger {name}, entry {} of {date}, hash {}", self.seq, self.hash)
    }
}

/// UTC date and time of day, to the second.
#[must_use]
pub fn date(time_us: i64) -> String {
    match jiff::Timestamp::from_microsecond(time_us) {
        Ok(t) => t.strftime("%Y-%m-%d %H:%M:%S UTC").to_string(),
        Err(_) => format!("{time_us} µs"),
    }
}

/// Demands a time that can be written as a date.
pub(crate) fn demand_time(time_us: i64) -> Result<()> {
    jiff::Timestamp::from_microsecond(time_us)
        .map(|_| ())
        .map_err(|_| LedgerError::Time { time_us })
}
