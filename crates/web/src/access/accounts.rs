//! The accounts of a job folder: `accounts.json` beside the ledger, readable by its owner only.
//!
//! Passwords are kept as Argon2id hashes (PHC strings) and never enter the ledger; that an account was
//! opened, changed or closed does. Closed accounts stay in the file, so that closing the last one
//! does not open the pages to everybody.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use argon2::{
    Algorithm, Argon2, Params, Version,
    password_hash::{PasswordHasher as _, PasswordVerifier as _, phc::PasswordHash},
};
use barwright_job::{Hash, Sealed, limits::Limits, seal::Document};
use barwright_ledger::{
    record::AccessChange,
    secret::{self, Cost, Weak},
};
use serde::{Deserialize, Serialize};

use crate::{
    files::{self, FileError},
    folder::JobFolder,
};

/// Why an account cannot be made, changed or closed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum AccountError {
    /// The password is too weak.
    #[error("this password is not taken: {0}")]
    Weak(#[from] Weak),
    /// Nobody of this name can sign in.
    #[error("{person} has no open account")]
    NoAccount {
        /// Who.
        person: String,
    },
    /// The hash could not be worked out.
    #[error("the password cannot be worked on: {what}")]
    Hashing {
        /// What went wrong.
        what: String,
    },
}

impl AccountError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<&'static str> {
        Some(match self {
            Self::Weak(weak) => weak.hint(),
            Self::NoAccount { .. } => "`barwright people list` shows who can sign in",
            Self::Hashing { .. } => "free some memory",
        })
    }
}

/// Who can sign in.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Accounts {
    /// Hash of the password by name; none where the account was closed.
    accounts: BTreeMap<String, Option<String>>,
}

impl Document for Accounts {
    const KIND: &'static str = "accounts";
    const FORMAT: u32 = 1;

    fn check(&self, name: &str) -> barwright_job::Result<()> {
        let l = Limits { document: name };
        for (person, hash) in &self.accounts {
            if hash.as_ref().is_some_and(|hash| parse(hash).is_none()) {
                let expected = "it must be an Argon2id hash whose cost lies within bounds";
                return Err(l.impossible(&format!("body.accounts.{person}"), "none", expected));
            }
        }
        Ok(())
    }
}

/// A stored hash, if it is one of ours and its cost is bounded: a file must not eat up the memory.
fn parse(text: &str) -> Option<PasswordHash> {
    let hash = PasswordHash::new(text).ok()?;
    let params = Params::try_from(&hash).ok()?;
    let cost =
        Cost { memory_kib: params.m_cost(), passes: params.t_cost(), lanes: params.p_cost() };
    (hash.algorithm.as_str() == Algorithm::Argon2id.as_str() && cost.is_bounded()).then_some(hash)
}

fn hash(password: &str) -> Result<PasswordHash, AccountError> {
    let failed = |what: String| AccountError::Hashing { what };
    let Cost { memory_kib, passes, lanes } = Cost::NEW;
    let params = Params::new(memory_kib, passes, lanes, None).map_err(|e| failed(e.to_string()))?;
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
        .hash_password(secret::normal(password).as_bytes())
        .map_err(|e| failed(e.to_string()))
}

/// What passwords of unknown names are tried against, so that they take as long as known ones.
static NOBODY: LazyLock<Option<PasswordHash>> =
    LazyLock::new(|| hash("nobody has this account").ok());

impl Accounts {
    /// The accounts of a job folder; none where there is no file.
    ///
    /// # Errors
    /// The file's or the document's reason. Nobody must be let in then.
    pub fn read(folder: &JobFolder) -> Result<Self, FileError> {
        match files::read_sealed::<Self>(&folder.accounts_path()) {
            Ok(sealed) => Ok(sealed.body),
            Err(FileError::Absent { .. }) => Ok(Self::default()),
            Err(e) => Err(e),
        }
    }

    /// Writes the accounts, readable by their owner only.
    ///
    /// # Errors
    /// [`FileError::Write`]; the old file stands.
    pub fn write(&self, folder: &JobFolder) -> Result<(), FileError> {
        files::write_sealed(&folder.accounts_path(), &Sealed::seal(self.clone(), []))
    }

    /// Whether there never was an account.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.accounts.is_empty()
    }

    /// The names that can sign in.
    pub fn open(&self) -> impl Iterator<Item = &str> {
        self.accounts.iter().filter(|(_, hash)| hash.is_some()).map(|(name, _)| name.as_str())
    }

    /// Sets a password, and says what that changed.
    ///
    /// # Errors
    /// [`AccountError::Weak`].
    pub fn set_password(
        &mut self,
        person: &str,
        password: &str,
    ) -> Result<AccessChange, AccountError> {
        secret::demand_good(password, &[person])?;
        let hash = hash(password)?.to_string();
        match self.accounts.insert(person.to_owned(), Some(hash)) {
            Some(Some(_)) => Ok(AccessChange::PasswordChanged),
            _ => Ok(AccessChange::Opened),
        }
    }

    /// Closes an account.
    ///
    /// # Errors
    /// [`AccountError::NoAccount`].
    pub fn close(&mut self, person: &str) -> Result<AccessChange, AccountError> {
        match self.accounts.get_mut(person) {
            Some(hash @ Some(_)) => {
                *hash = None;
                Ok(AccessChange::Closed)
            }
            _ => Err(AccountError::NoAccount { person: person.to_owned() }),
        }
    }

    /// A mark of an open account that another password changes; sessions carry it.
    #[must_use]
    pub fn mark(&self, person: &str) -> Option<String> {
        let hash = self.accounts.get(person)?.as_ref()?;
        Some(Hash::of(hash.as_bytes()).0)
    }

    /// Whether this is the password of the open account of that name. Takes as long for names that
    /// nobody has.
    #[must_use]
    pub fn is_right(&self, person: &str, password: &str) -> bool {
        let known = self.accounts.get(person).and_then(Option::as_ref).and_then(|text| parse(text));
        let Some(against) = known.as_ref().or(NOBODY.as_ref()) else { return false };
        if password.len() > secret::LONGEST_BYTES {
            return false;
        }
        let right =
            Argon2::default().verify_password(secret::normal(password).as_bytes(), against).is_ok();
        right && known.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use barwright_job::DocumentError;

    const PASSWORD: &str = "seven bars of rain";

    // Own rules, by construction.
    #[test]
    fn an_account_opens_changes_and_closes() {
        let mut accounts = Accounts::default();
        assert!(accounts.is_empty() && accounts.mark("A").is_none());
        assert_eq!(accounts.set_password("A", PASSWORD).expect("good"), AccessChange::Opened);
        let first = accounts.mark("A");
        assert!(accounts.is_right("A", PASSWORD) && !accounts.is_right("A", "seven bars of Rain"));
        assert!(!accounts.is_right("B", PASSWORD));
        let change = accounts.set_password("A", PASSWORD).expect("good");
        assert_eq!(change, AccessChange::PasswordChanged);
        assert_ne!(accounts.mark("A"), first, "the same password again still ends sessions");
        assert!(matches!(accounts.set_password("A", "short"), Err(AccountError::Weak(_))));
        assert!(accounts.is_right("A", PASSWORD));
        assert_eq!(accounts.close("A").expect("open"), AccessChange::Closed);
        assert!(!accounts.is_right("A", PASSWORD) && accounts.mark("A").is_none());
        assert!(!accounts.is_empty(), "closing the last one must not open the pages");
        assert!(matches!(accounts.close("A"), Err(AccountError::NoAccount { .. })));
        assert_eq!(accounts.set_password("A", PASSWORD).expect("good"), AccessChange::Opened);
    }

    // Closed form: the cost of a trial is that of its hash's parameters, and they are equal.
    #[test]
    fn a_name_that_nobody_has_costs_as_much() {
        let nobody = Params::try_from(NOBODY.as_ref().expect("memory")).expect("ours");
        let known = Params::try_from(&hash(PASSWORD).expect("memory")).expect("ours");
        let cost = |p: &Params| (p.m_cost(), p.t_cost(), p.p_cost(), p.output_len());
        assert_eq!(cost(&nobody), cost(&known));
    }

    // Own rules: nothing of the file is trusted that would eat up memory or is no hash.
    #[test]
    fn hashes_out_of_bounds_are_refused() {
        let good = hash(PASSWORD).expect("memory").to_string();
        assert!(parse(&good).is_some());
        for (from, to) in [
            ("m=65536", "m=4000000"),
            ("m=65536", "m=8192"),
            ("t=3", "t=99"),
            ("argon2id", "argon2i"),
        ] {
            let changed = good.replace(from, to);
            assert_ne!(changed, good);
            assert!(parse(&changed).is_none(), "{changed}");
            let accounts = Accounts { accounts: [("A".to_owned(), Some(changed))].into() };
            let text = Sealed::seal(accounts, []).to_json();
            let e = Sealed::<Accounts>::from_json("accounts.json", &text).expect_err("refused");
            assert!(matches!(e, DocumentError::Impossible { .. }), "{e}");
        }
    }

    // Property of the system: nobody else reads the file.
    #[cfg(unix)]
    #[test]
    fn only_the_owner_reads_the_file() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().expect("a folder");
        let job = JobFolder::new(folder.path());
        let mut accounts = Accounts::read(&job).expect("none yet");
        accounts.set_password("A", PASSWORD).expect("good");
        accounts.write(&job).expect("room");
        let mode = job.accounts_path().metadata().expect("written").permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
        assert_eq!(Accounts::read(&job).expect("whole"), accounts);
        std::fs::write(job.accounts_path(), "{}").expect("room");
        assert!(Accounts::read(&job).is_err(), "a damaged file must not read as none");
    }
}
