//! Facts about people: roles, keys, who may sign in, who approved, who runs a line.

use barwright_job::{Hash, Sealed, Technique};
use serde::{Deserialize, Serialize};

use super::{Facts, Origin, Record};
use crate::entry::Kind;

/// What a person answers for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Runs a line: levels, checks, screens.
    Inspector,
    /// Level 2 of ISO 9712: judges and decides.
    Level2,
    /// Level 3 of ISO 9712: approves techniques.
    Level3,
    /// Quality: orders retests, corrects, ships.
    Quality,
    /// Reads everything, changes nothing.
    Auditor,
}

/// A person's role and certification, from this entry on. The latest entry of a name counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PersonFacts {
    /// Short name, as entries carry it for an author.
    pub person: String,
    /// Roles; none for somebody who left.
    pub roles: Vec<Role>,
    /// Last day of the certification, absent where the role needs none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certified_until: Option<jiff::civil::Date>,
    /// Number of the certificate; empty for none.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub certificate: String,
}

/// What happened to a key.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum KeyEvent {
    /// It signs from here on.
    Made,
    /// It signs from here on in place of an older key of the same person, which does so no more.
    Replaces(String),
    /// It signs no more; for this reason (lost, stolen, person left).
    Revoked(String),
}

/// A signing key of a person.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeyFacts {
    /// Its name: the first 16 hexadecimal digits of the BLAKE3 hash of the public key.
    pub key: String,
    /// Whose it is.
    pub person: String,
    /// Ed25519 public key (RFC 8032), 64 hexadecimal digits.
    pub public: String,
    /// What happened.
    pub event: KeyEvent,
}

/// A change of who may sign in to the pages. Passwords and their hashes are never recorded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AccessFacts {
    /// Whose access.
    pub person: String,
    /// What changed.
    pub change: AccessChange,
}

/// What changed about signing in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AccessChange {
    /// A password was set for the first time.
    Opened,
    /// The password was changed.
    PasswordChanged,
    /// The person can no longer sign in.
    Closed,
    /// A program was given a token that stands for the person.
    TokenMade,
    /// Such a token was ended.
    TokenEnded,
}

/// A document that was approved.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ApprovalFacts {
    /// The document, as `document`.
    #[serde(flatten)]
    pub origin: Origin,
    /// Kind of the document (technique).
    pub what: String,
    /// Who approved it.
    pub person: String,
    /// In what role.
    pub role: Role,
}

impl ApprovalFacts {
    /// Hash of the approved document.
    #[must_use]
    pub fn document(&self) -> &Hash {
        &self.origin.document
    }
}

/// Somebody who took over a line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OperatorFacts {
    /// Who runs the line from here on.
    pub person: String,
}

impl Record {
    /// A person's role and certification.
    #[must_use]
    pub fn person(facts: PersonFacts) -> Self {
        Self::new(facts.person.clone(), "", Facts::Person(facts))
    }

    /// A signing key that was made, replaced or revoked.
    #[must_use]
    pub fn key(facts: KeyFacts) -> Self {
        Self::new(facts.person.clone(), "", Facts::Key(facts))
    }

    /// A change of who may sign in to the pages.
    #[must_use]
    pub fn access(person: &str, change: AccessChange) -> Self {
        let facts = AccessFacts { person: person.to_owned(), change };
        Self::new(person, "", Facts::Access(facts))
    }

    /// A technique that was approved by a person in a role.
    #[must_use]
    pub fn approval(technique: &Sealed<Technique>, person: &str, role: Role) -> Self {
        Self::new(
            &technique.body.order,
            "",
            Facts::Approval(ApprovalFacts {
                origin: technique.into(),
                what: Kind::Technique.word().to_owned(),
                person: person.to_owned(),
                role,
            }),
        )
    }
}
