//! Who had which role when, and which key signed for whom. Pure: entries in, register out.
//!
//! Only entries count whose author might write them then ([`crate::rights`]); the others are listed
//! as [`Uncounted`]. Questions name an entry: the answer is what holds after it. Who may write entry
//! `n` is asked at `n - 1`.
//!
//! While a ledger has no counted entry about a person, roles are not kept: everybody may write
//! everything. The first person must be able to keep people, and somebody always must be.
//!
//! A withdrawn entry takes its role or key away from the correction on and gives back none: who
//! lost a role stays without until a new entry.

use std::collections::BTreeMap;

use crate::{
    entry::{Entry, Kind},
    error::Result,
    expiry::Expiry,
    keys::PublicKey,
    record::{CorrectionFacts, Facts, KeyEvent, KeyFacts, PersonFacts, Role},
    rights::{self, KEEPERS},
};

/// Most characters of a person's name.
pub const LONGEST_NAME: usize = 64;

/// What holds from an entry on; the last one at or before the entry asked for counts.
#[derive(Debug, Clone)]
pub(crate) struct History<T>(Vec<(i64, T)>);

impl<T> Default for History<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<T> History<T> {
    /// From entry `seq` on, later than all before.
    pub fn push(&mut self, seq: i64, what: T) {
        self.0.push((seq, what));
    }

    /// What holds after entry `at`, and since which.
    pub fn at(&self, at: i64) -> Option<&(i64, T)> {
        let later = self.0.partition_point(|(seq, _)| *seq <= at);
        self.0.get(later.checked_sub(1)?)
    }
}

/// The people of a ledger and their keys, over all its entries.
#[derive(Debug, Clone, Default)]
pub struct People {
    /// By name; nothing where the entry was withdrawn.
    persons: BTreeMap<String, History<Option<PersonFacts>>>,
    keys: BTreeMap<String, Key>,
    kept_since: Option<i64>,
    uncounted: Vec<Uncounted>,
}

/// A key over its life.
#[derive(Debug, Clone)]
pub struct Key {
    /// Whose it is.
    pub person: String,
    /// The key.
    pub public: PublicKey,
    /// Number of the entry from which on it signs.
    pub from: i64,
    /// Number of the entry from which on it signs no more, and why.
    pub end: Option<(i64, KeyEnd)>,
}

/// Why a key signs no more.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum KeyEnd {
    /// Another key took its place.
    Replaced(String),
    /// It was revoked, for this reason.
    Revoked(String),
    /// The entry that made it was withdrawn.
    Withdrawn,
}

/// An entry about people or keys that does not count.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Uncounted {
    /// Its number.
    pub seq: i64,
    /// Why.
    pub why: Refused,
}

/// Why an entry about people or keys does not count, or must not be written.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Refused {
    /// Its author has no role for it.
    #[error(transparent)]
    Denied(#[from] Denied),
    /// The name cannot be a person's.
    #[error("{name:?} cannot be a person's name: {what}")]
    Name {
        /// The name.
        name: String,
        /// What is wrong.
        what: &'static str,
    },
    /// Nobody would be left who may keep people.
    #[error(
        "after this nobody could keep people: {person} would be neither quality nor level 3, and nobody else is"
    )]
    NoKeeper {
        /// Whom it is about.
        person: String,
    },
    /// Somebody without a role cannot have a key.
    #[error("{person} has no role here")]
    NoRole {
        /// Who.
        person: String,
    },
    /// The entry's key is not what it says.
    #[error("key {key}: {what}")]
    BadKey {
        /// Its name.
        key: String,
        /// What does not agree.
        what: String,
    },
    /// A key is made once.
    #[error("key {key} was recorded before, by entry {seq}")]
    KeyKnown {
        /// Its name.
        key: String,
        /// The entry.
        seq: i64,
    },
    /// No such key signs.
    #[error("no key {key} of {person} signs here")]
    NoSuchKey {
        /// Its name.
        key: String,
        /// Whose it should be.
        person: String,
    },
}

impl Refused {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<&'static str> {
        Some(match self {
            Self::Denied(_) => "have somebody of these roles do it",
            Self::Name { .. } => "take a short name, as entries carry it for an author",
            Self::NoKeeper { .. } => "give somebody else the role of quality or level 3 first",
            Self::NoRole { .. } => "add the person with a role first",
            Self::BadKey { .. } | Self::KeyKnown { .. } => "make a new key",
            Self::NoSuchKey { .. } => "see the list of keys",
        })
    }
}

/// Somebody has no role for what they want to write.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "{person} may not write this ({kind}): that takes {}, {}",
    rights::either(needed),
    had(roles)
)]
pub struct Denied {
    /// Who.
    pub person: String,
    /// What.
    pub kind: Kind,
    /// The roles they have.
    pub roles: Vec<Role>,
    /// The roles one of which they need.
    pub needed: &'static [Role],
}

fn had(roles: &[Role]) -> String {
    if roles.is_empty() {
        return "and this name has no role here".into();
    }
    let words: Vec<&str> = roles.iter().map(|role| role.words()).collect();
    format!("and they are {}", words.join(", "))
}

impl People {
    /// The register of a ledger: all its entries, or those of the kinds person, key and correction,
    /// in order.
    ///
    /// # Errors
    /// [`crate::LedgerError::Unreadable`] for an entry of these kinds whose content does not fit.
    pub fn of(entries: &[Entry]) -> Result<Self> {
        let mut people = Self::default();
        for entry in entries {
            if matches!(entry.kind, Kind::Person | Kind::Key | Kind::Correction) {
                people.take(entry)?;
            }
        }
        Ok(people)
    }

    /// The register with one more entry.
    pub(crate) fn with(&self, entry: &Entry) -> Result<Self> {
        let mut more = self.clone();
        more.take(entry)?;
        Ok(more)
    }

    fn take(&mut self, entry: &Entry) -> Result<()> {
        let facts = entry.facts()?;
        let checked = self.allowed(entry).map_err(Refused::from).and_then(|()| self.admit(&facts));
        match (checked, facts) {
            // Corrections of other things are none of this register's business.
            (Err(_), Facts::Correction(_)) => {}
            (Err(why), _) => self.uncounted.push(Uncounted { seq: entry.seq, why }),
            (Ok(()), Facts::Person(facts)) => {
                self.kept_since.get_or_insert(entry.seq);
                let person = facts.person.clone();
                self.persons.entry(person).or_default().push(entry.seq, Some(facts));
            }
            (Ok(()), Facts::Key(facts)) => self.take_key(entry.seq, facts),
            (Ok(()), Facts::Correction(facts)) => self.withdraw(entry.seq, &facts),
            (Ok(()), _) => {}
        }
        Ok(())
    }

    fn take_key(&mut self, seq: i64, facts: KeyFacts) {
        let end = |key: Option<&mut Key>, why| {
            if let Some(key) = key {
                key.end.get_or_insert((seq, why));
            }
        };
        if let KeyEvent::Revoked(reason) = facts.event {
            return end(self.keys.get_mut(&facts.key), KeyEnd::Revoked(reason));
        }
        let Ok(public) = PublicKey::from_hex(&facts.public) else { return };
        if let KeyEvent::Replaces(old) = &facts.event {
            end(self.keys.get_mut(old), KeyEnd::Replaced(facts.key.clone()));
        }
        let key = Key { person: facts.person, public, from: seq, end: None };
        self.keys.insert(facts.key, key);
    }

    fn withdraw(&mut self, seq: i64, facts: &CorrectionFacts) {
        if !facts.withdraws {
            return;
        }
        for history in self.persons.values_mut() {
            if history.at(seq).is_some_and(|(from, _)| *from == facts.corrects) {
                history.push(seq, None);
            }
        }
        for key in self.keys.values_mut().filter(|key| key.from == facts.corrects) {
            key.end.get_or_insert((seq, KeyEnd::Withdrawn));
        }
    }

    /// Whether the register can take this next: facts about a person or a key, or a correction. The
    /// author is another question: [`People::may`].
    ///
    /// # Errors
    /// Why not.
    pub fn admit(&self, facts: &Facts) -> std::result::Result<(), Refused> {
        const END: i64 = i64::MAX;
        match facts {
            Facts::Person(facts) => {
                demand_name(&facts.person)?;
                self.demand_keeper(&facts.person, &facts.roles)
            }
            Facts::Key(facts) => self.admit_key(facts),
            Facts::Correction(facts) if facts.withdraws => {
                let of = |history: &History<_>| {
                    history.at(END).is_some_and(|(from, _)| *from == facts.corrects)
                };
                match self.persons.iter().find(|(_, history)| of(history)) {
                    Some((person, _)) => self.demand_keeper(person, &[]),
                    None => Ok(()),
                }
            }
            _ => Ok(()),
        }
    }

    /// Demands that somebody keeps people once this person has these roles.
    fn demand_keeper(&self, person: &str, roles: &[Role]) -> std::result::Result<(), Refused> {
        let keeps = |roles: &[Role]| roles.iter().any(|role| KEEPERS.contains(role));
        let others = self.persons(i64::MAX).any(|(_, p)| p.person != person && keeps(&p.roles));
        if others || keeps(roles) {
            return Ok(());
        }
        Err(Refused::NoKeeper { person: person.to_owned() })
    }

    fn admit_key(&self, facts: &KeyFacts) -> std::result::Result<(), Refused> {
        const END: i64 = i64::MAX;
        let key = facts.key.clone();
        let missing =
            |key: &str| Refused::NoSuchKey { key: key.to_owned(), person: facts.person.clone() };
        if let KeyEvent::Revoked(_) = facts.event {
            let known = self.keys.get(&key).is_some_and(|known| known.person == facts.person);
            return if known { Ok(()) } else { Err(missing(&key)) };
        }
        let public = PublicKey::from_hex(&facts.public)
            .map_err(|e| Refused::BadKey { key: key.clone(), what: e.to_string() })?;
        if public.id() != key {
            let what = format!("its public key is that of key {}", public.id());
            return Err(Refused::BadKey { key, what });
        }
        if let Some(known) = self.keys.get(&key) {
            return Err(Refused::KeyKnown { key, seq: known.from });
        }
        if self.are_kept(END) && self.roles(&facts.person, END).is_empty() {
            return Err(Refused::NoRole { person: facts.person.clone() });
        }
        match &facts.event {
            KeyEvent::Replaces(old) if self.signer(old, END) != Some(&facts.person) => {
                Err(missing(old))
            }
            _ => Ok(()),
        }
    }

    /// Whether roles are kept after entry `at`. Before, everybody may write everything.
    #[must_use]
    pub fn are_kept(&self, at: i64) -> bool {
        self.kept_since.is_some_and(|since| since <= at)
    }

    /// What is on record of a person after entry `at`.
    #[must_use]
    pub fn person(&self, name: &str, at: i64) -> Option<&PersonFacts> {
        self.persons.get(name)?.at(at)?.1.as_ref()
    }

    /// Everybody on record after entry `at`, by name, with the number of the entry that says so;
    /// those who left are among them, without roles.
    pub fn persons(&self, at: i64) -> impl Iterator<Item = (i64, &PersonFacts)> {
        self.persons.values().filter_map(move |history| {
            let (seq, facts) = history.at(at)?;
            Some((*seq, facts.as_ref()?))
        })
    }

    /// The roles of a person after entry `at`; none for somebody who is not on record.
    #[must_use]
    pub fn roles(&self, name: &str, at: i64) -> &[Role] {
        self.person(name, at).map_or(&[], |facts| &facts.roles)
    }

    /// Whether a person may write the next entry after `at`, if it is of this kind.
    ///
    /// # Errors
    /// [`Denied`], with the roles it takes.
    pub fn may(&self, name: &str, kind: Kind, at: i64) -> std::result::Result<(), Denied> {
        let roles = self.roles(name, at);
        if !self.are_kept(at) || roles.iter().any(|role| rights::may(*role, kind)) {
            return Ok(());
        }
        Err(Denied {
            person: name.to_owned(),
            kind,
            roles: roles.to_vec(),
            needed: rights::holders(kind),
        })
    }

    /// Whether an entry's author might write it, by its kind.
    ///
    /// # Errors
    /// [`Denied`].
    pub fn allowed(&self, entry: &Entry) -> std::result::Result<(), Denied> {
        self.may(&entry.author, entry.kind, entry.seq - 1)
    }

    /// Whether a person may write the next entry after `at`, if it says this.
    ///
    /// # Errors
    /// [`Denied`], with the roles it takes.
    pub fn may_state(&self, name: &str, facts: &Facts, at: i64) -> std::result::Result<(), Denied> {
        let (roles, needed) = (self.roles(name, at), rights::holders_of(facts));
        if !self.are_kept(at) || roles.iter().any(|role| needed.contains(role)) {
            return Ok(());
        }
        Err(Denied { person: name.to_owned(), kind: facts.kind(), roles: roles.to_vec(), needed })
    }

    /// Whether entries after `at` must be signed where they say what needs it: somebody's key signs.
    /// After the last one was revoked, which was signed itself, a first one can be made again.
    #[must_use]
    pub fn are_keyed(&self, at: i64) -> bool {
        self.keys.keys().any(|key| self.signer(key, at).is_some())
    }

    /// A key by name, over its whole life.
    #[must_use]
    pub fn key(&self, name: &str) -> Option<&Key> {
        self.keys.get(name)
    }

    /// All keys by name.
    pub fn keys(&self) -> impl Iterator<Item = (&str, &Key)> {
        self.keys.iter().map(|(name, key)| (name.as_str(), key))
    }

    /// For whom a key signs after entry `at`: nobody before it was made, after it was replaced or
    /// revoked, and while its person has no role.
    #[must_use]
    pub fn signer(&self, key: &str, at: i64) -> Option<&str> {
        let key = self.keys.get(key)?;
        let lives = key.from <= at && key.end.as_ref().is_none_or(|(seq, _)| at < *seq);
        let stands = !self.are_kept(at) || !self.roles(&key.person, at).is_empty();
        (lives && stands).then_some(key.person.as_str())
    }

    /// Entries about people and keys that do not count.
    #[must_use]
    pub fn uncounted(&self) -> &[Uncounted] {
        &self.uncounted
    }

    /// Certifications that do not hold on a day, of the people on record after entry `at`: those
    /// that ended, and those that a role needs and nobody recorded.
    #[must_use]
    pub fn expired(&self, on: jiff::civil::Date, at: i64) -> Vec<Expiry> {
        self.persons(at).filter_map(|(_, facts)| Expiry::of_person(facts, on)).collect()
    }
}

/// Demands a name that reads as itself wherever it is printed.
fn demand_name(name: &str) -> std::result::Result<(), Refused> {
    let what = if name.trim().is_empty() {
        "it is empty"
    } else if name.trim() != name {
        "it begins or ends with white space"
    } else if name.chars().count() > LONGEST_NAME {
        "it is longer than 64 characters"
    } else if !name.chars().all(|c| c.is_alphanumeric() || " .-_'".contains(c)) {
        "it has other characters than letters, digits, spaces and . - _ '"
    } else {
        return Ok(());
    };
    Err(Refused::Name { name: name.to_owned(), what })
}
