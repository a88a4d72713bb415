//! Tokens of other programs: `tokens.json` of the job folder, readable by its owner only.
//!
//! A token is 256 random bits, shown once when it is made; the file keeps its BLAKE3 hash. That one was made or
//! ended is entered in the ledger, in the name of the person that it stands for.

use std::collections::BTreeMap;

use barwright_job::{Hash, Sealed, limits::Limits, seal::Document};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use zeroize::Zeroizing;

use crate::{
    files::{self, FileError},
    folder::JobFolder,
};

/// What begins every token, so that one that lies about is known for what it is.
const BEGINS: &str = "barwright-";
/// Longest name of a token.
const LONGEST_NAME: usize = 64;

/// What a token lets a program do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Scope {
    /// Read status, order, bars and holds.
    Read,
    /// Write the order, as the roles of its person allow.
    Order,
    /// Fetch papers.
    Papers,
}

impl Scope {
    /// As it is written.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Read => "read",
            Self::Order => "order",
            Self::Papers => "papers",
        }
    }
}

/// A token, without itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Token {
    /// Who answers for it: its entries are written in this name.
    pub person: String,
    /// What it lets a program do.
    pub scopes: Vec<Scope>,
    /// BLAKE3 hash of the token.
    pub hash: Hash,
    /// Last day that it holds, UTC.
    pub until: Date,
}

/// Who makes a call.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Holder {
    /// Who answers for it.
    pub person: String,
    /// What the token allows.
    pub scopes: Vec<Scope>,
}

/// The tokens of a job folder, by name.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tokens {
    tokens: BTreeMap<String, Token>,
}

/// Why a token cannot be made or ended.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[non_exhaustive]
pub enum TokenError {
    /// A name that cannot be one.
    #[error("{name:?} is no name of a token: 1 to {LONGEST_NAME} letters, digits, points, hyphens")]
    Name {
        /// The name.
        name: String,
    },
    /// There is one already.
    #[error("there is a token {name} already")]
    Taken {
        /// The name.
        name: String,
    },
    /// There is none.
    #[error("there is no token {name}")]
    Absent {
        /// The name.
        name: String,
    },
    /// It would end before it begins.
    #[error("{until} is past")]
    Past {
        /// The last day asked for.
        until: Date,
    },
    /// The system gives no random numbers.
    #[error("the system gives no random numbers: {what}")]
    Random {
        /// What it says.
        what: String,
    },
}

impl TokenError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            Self::Taken { .. } => Some("end it first, or choose another name"),
            Self::Absent { .. } => Some("`barwright tokens list` shows them"),
            Self::Name { .. } | Self::Past { .. } | Self::Random { .. } => None,
        }
    }
}

impl Document for Tokens {
    const KIND: &'static str = "tokens";
    const FORMAT: u32 = 1;

    fn check(&self, name: &str) -> barwright_job::Result<()> {
        let l = Limits { document: name };
        for (token, kept) in &self.tokens {
            let is_hash =
                kept.hash.0.len() == 64 && kept.hash.0.bytes().all(|b| b.is_ascii_hexdigit());
            if !is_hash {
                let key = format!("body.tokens.{token}.hash");
                return Err(l.impossible(&key, &kept.hash.0, "it must be a BLAKE3 hash"));
            }
        }
        Ok(())
    }
}

impl Tokens {
    /// The tokens of a job folder; none where there is no file.
    ///
    /// # Errors
    /// The file's or the document's reason. No call must pass then.
    pub fn read(folder: &JobFolder) -> Result<Self, FileError> {
        match files::read_sealed::<Self>(&folder.tokens_path()) {
            Ok(sealed) => Ok(sealed.body),
            Err(FileError::Absent { .. }) => Ok(Self::default()),
            Err(e) => Err(e),
        }
    }

    /// Writes the tokens, readable by their owner only.
    ///
    /// # Errors
    /// [`FileError::Write`]; the old file stands.
    pub fn write(&self, folder: &JobFolder) -> Result<(), FileError> {
        files::write_sealed(&folder.tokens_path(), &Sealed::seal(self.clone(), []))
    }

    /// All tokens by name.
    pub fn list(&self) -> impl Iterator<Item = (&str, &Token)> {
        self.tokens.iter().map(|(name, token)| (name.as_str(), token))
    }

    /// Makes a token and returns it. It is not kept: who asked for it must.
    ///
    /// # Errors
    /// [`TokenError`].
    pub fn make(
        &mut self,
        name: &str,
        person: &str,
        scopes: &[Scope],
        (today, until): (Date, Date),
    ) -> Result<Zeroizing<String>, TokenError> {
        let fits = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-');
        if name.is_empty() || name.len() > LONGEST_NAME || !name.chars().all(fits) {
            return Err(TokenError::Name { name: name.to_owned() });
        }
        if self.tokens.contains_key(name) {
            return Err(TokenError::Taken { name: name.to_owned() });
        }
        if until < today {
            return Err(TokenError::Past { until });
        }
        let mut bits = Zeroizing::new([0_u8; 32]);
        getrandom::fill(bits.as_mut_slice())
            .map_err(|e| TokenError::Random { what: e.to_string() })?;
        let digits: Zeroizing<String> = Zeroizing::new(blake3::Hash::from(*bits).to_string());
        let token = Zeroizing::new(format!("{BEGINS}{}", digits.as_str()));
        let mut scopes = scopes.to_vec();
        scopes.sort_unstable();
        scopes.dedup();
        let hash = Hash::of(token.as_bytes());
        let kept = Token { person: person.to_owned(), scopes, hash, until };
        self.tokens.insert(name.to_owned(), kept);
        Ok(token)
    }

    /// Ends a token and returns what it was.
    ///
    /// # Errors
    /// [`TokenError::Absent`].
    pub fn end(&mut self, name: &str) -> Result<Token, TokenError> {
        self.tokens.remove(name).ok_or_else(|| TokenError::Absent { name: name.to_owned() })
    }

    /// Who shows a token, if it is one of these and holds today.
    #[must_use]
    pub fn holder(&self, shown: &str, today: Date) -> Option<Holder> {
        // Hashes are compared, so that the time tells nothing of the token.
        let shown = blake3::hash(shown.as_bytes());
        let is_shown =
            |token: &&Token| blake3::Hash::from_hex(&token.hash.0).is_ok_and(|hash| hash == shown);
        let token = self.tokens.values().find(is_shown).filter(|token| today <= token.until)?;
        Some(Holder { person: token.person.clone(), scopes: token.scopes.clone() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    const TODAY: Date = date(2026, 11, 27);

    // Own rules, by construction.
    #[test]
    fn a_token_holds_until_its_day_and_until_it_is_ended() {
        let mut tokens = Tokens::default();
        let until = date(2026, 12, 31);
        let made = tokens.make("mill", "P1", &[Scope::Order, Scope::Read], (TODAY, until));
        let made = made.expect("made");
        assert!(made.starts_with(BEGINS) && made.len() == BEGINS.len() + 64);
        let holder = tokens.holder(&made, TODAY).expect("in force");
        assert_eq!(
            (holder.person.as_str(), holder.scopes),
            ("P1", vec![Scope::Read, Scope::Order])
        );
        assert!(tokens.holder(&made, until).is_some());
        assert!(tokens.holder(&made, date(2027, 1, 1)).is_none(), "past its day");
        for wrong in ["", "barwright-", &made[1..], &made.to_uppercase()] {
            assert!(tokens.holder(wrong, TODAY).is_none(), "{wrong}");
        }
        let text = Sealed::seal(tokens.clone(), []).to_json();
        assert!(!text.contains(&made[BEGINS.len()..]), "the file must not hold the token");
        assert_eq!(Sealed::<Tokens>::from_json("tokens.json", &text).expect("ours").body, tokens);
        assert_eq!(tokens.end("mill").expect("there").person, "P1");
        assert!(tokens.holder(&made, TODAY).is_none());
        assert!(matches!(tokens.end("mill"), Err(TokenError::Absent { .. })));
    }

    #[test]
    fn what_cannot_be_a_token_is_refused() {
        let mut tokens = Tokens::default();
        let mut make = |name: &str, until| tokens.make(name, "P1", &[Scope::Read], (TODAY, until));
        assert!(matches!(make("", TODAY), Err(TokenError::Name { .. })));
        assert!(matches!(make("a b", TODAY), Err(TokenError::Name { .. })));
        assert!(matches!(make("a", date(2026, 11, 26)), Err(TokenError::Past { .. })));
        assert!(make("a", TODAY).is_ok());
        assert!(matches!(make("a", TODAY), Err(TokenError::Taken { .. })));
        let two = (make("b", TODAY).expect("made"), make("c", TODAY).expect("made"));
        assert_ne!(two.0, two.1);
    }
}
