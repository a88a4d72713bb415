//! A private key at rest: a small sealed JSON document, encrypted with a passphrase.
//!
//! Argon2id (RFC 9106) makes a key of the passphrase, with salt and cost as stated in the document;
//! XChaCha20-Poly1305 seals the 32 bytes of the private key under it. Name, public key, cost and
//! salt are the associated data, so that none of them can be exchanged without the passphrase. The document's
//! own hash tells a damaged file from a wrong passphrase; it is no secret and protects against accidents only.

use argon2::{Algorithm, Argon2, Params, Version};
use barwright_job::{DocumentError, Hash, Sealed, limits::Limits, seal::Document};
use chacha20poly1305::{
    KeyInit as _, XChaCha20Poly1305, XNonce,
    aead::{Aead as _, Payload},
};
use serde::{Deserialize, Serialize};
use zeroize::Zeroizing;

use super::{KeyError, PublicKey, SigningKey, hex, random, unhex};
use crate::secret::{self, Cost, Weak};

/// Why a key file cannot be written or opened.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum KeyFileError {
    /// The file is damaged, too new, of another kind, or asks for a cost out of bounds.
    #[error(transparent)]
    Document(#[from] DocumentError),
    /// The passphrase does not open it.
    #[error("{file}: the passphrase does not open the key of {person}")]
    WrongPassphrase {
        /// Name of the file.
        file: String,
        /// Whose key it says to hold.
        person: String,
    },
    /// A passphrase that is too weak for a new file.
    #[error("this passphrase is not taken: {0}")]
    Weak(#[from] Weak),
    /// No random numbers.
    #[error(transparent)]
    Key(#[from] KeyError),
    /// The memory that the cost asks for is not to be had.
    #[error("the passphrase cannot be worked on: {what}")]
    Derivation {
        /// What the derivation said.
        what: String,
    },
}

impl KeyFileError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Document(e) => match e {
                DocumentError::Corrupt { .. } => {
                    Some("take a copy of the file, or make a new key that replaces this one".into())
                }
                other => other.hint(),
            },
            Self::WrongPassphrase { .. } => Some(
                "type it again; a forgotten one cannot be found out: make a new key that replaces this one"
                    .into(),
            ),
            Self::Weak(weak) => Some(weak.hint().into()),
            Self::Key(e) => e.hint().map(str::to_owned),
            Self::Derivation { .. } => Some("free some memory".into()),
        }
    }
}

/// The content of a key file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct KeyFile {
    person: String,
    public: String,
    function: String,
    cost: Cost,
    salt: String,
    cipher: String,
    nonce: String,
    sealed: String,
}

const FUNCTION: &str = "argon2id version 19";
const CIPHER: &str = "xchacha20-poly1305";

impl Document for KeyFile {
    const KIND: &'static str = "signing key";
    const FORMAT: u32 = 1;

    fn check(&self, name: &str) -> barwright_job::Result<()> {
        let l = Limits { document: name };
        for (key, found, wanted) in
            [("body.function", &self.function, FUNCTION), ("body.cipher", &self.cipher, CIPHER)]
        {
            if found != wanted {
                return Err(l.impossible(key, found, wanted));
            }
        }
        let [low, high] = Cost::BOUNDS;
        let c = self.cost;
        for (key, found, low, high, unit) in [
            ("body.cost.memory_kib", c.memory_kib, low.memory_kib, high.memory_kib, "KiB"),
            ("body.cost.passes", c.passes, low.passes, high.passes, "passes"),
            ("body.cost.lanes", c.lanes, low.lanes, high.lanes, "lanes"),
        ] {
            l.within(key, f64::from(found), f64::from(low), f64::from(high), unit)?;
        }
        Ok(())
    }
}

impl KeyFile {
    /// What cannot be exchanged without the passphrase.
    fn associated(&self) -> Hash {
        Hash::of_meaning(&(
            "barwright signing key",
            &self.person,
            &self.public,
            &self.function,
            self.cost,
            &self.salt,
        ))
    }

    fn cipher(&self, passphrase: &str) -> Result<XChaCha20Poly1305, KeyFileError> {
        let failed = |e: argon2::Error| KeyFileError::Derivation { what: e.to_string() };
        let salt: [u8; 16] = unhex(&self.salt)
            .ok_or_else(|| KeyFileError::Derivation { what: "its salt is no salt".into() })?;
        let Cost { memory_kib, passes, lanes } = self.cost;
        let params = Params::new(memory_kib, passes, lanes, Some(32)).map_err(failed)?;
        let mut key = Zeroizing::new([0; 32]);
        Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
            .hash_password_into(secret::normal(passphrase).as_bytes(), &salt, &mut *key)
            .map_err(failed)?;
        Ok(XChaCha20Poly1305::new((&*key).into()))
    }
}

impl SigningKey {
    /// The text of a file that holds this key under a passphrase; no two texts are alike.
    ///
    /// # Errors
    /// [`KeyFileError::Weak`], [`KeyFileError::Key`] without random numbers.
    pub fn to_file_text(&self, passphrase: &str) -> Result<String, KeyFileError> {
        secret::demand_good(passphrase, &[&self.person])?;
        self.sealed_at(passphrase, Cost::NEW)
    }

    fn sealed_at(&self, passphrase: &str, cost: Cost) -> Result<String, KeyFileError> {
        let nonce = random::<24>()?;
        let mut file = KeyFile {
            person: self.person.clone(),
            public: self.public(),
            function: FUNCTION.into(),
            cost,
            salt: hex(&*random::<16>()?),
            cipher: CIPHER.into(),
            nonce: hex(&*nonce),
            sealed: String::new(),
        };
        let seed = self.seed();
        let associated = file.associated().0;
        let payload = Payload { msg: &*seed, aad: associated.as_bytes() };
        let sealed = file
            .cipher(passphrase)?
            .encrypt(&XNonce::from(*nonce), payload)
            .map_err(|e| KeyFileError::Derivation { what: e.to_string() })?;
        file.sealed = hex(&sealed);
        Ok(Sealed::seal(file, []).to_json())
    }

    /// The key of a file. `name` is the file's, for messages.
    ///
    /// # Errors
    /// [`KeyFileError::Document`] for a damaged, foreign or too new file or a cost out of bounds,
    /// [`KeyFileError::WrongPassphrase`] (a file that somebody changed and hashed anew reads the same).
    pub fn from_file_text(name: &str, text: &str, passphrase: &str) -> Result<Self, KeyFileError> {
        let file = Sealed::<KeyFile>::from_json(name, text)?.body;
        let corrupt = |what: &str| {
            KeyFileError::from(DocumentError::Corrupt {
                document: name.to_owned(),
                message: what.to_owned(),
            })
        };
        let nonce: [u8; 24] = unhex(&file.nonce).ok_or_else(|| corrupt("its nonce is no nonce"))?;
        let sealed: [u8; 48] =
            unhex(&file.sealed).ok_or_else(|| corrupt("its sealed key has another length"))?;
        let associated = file.associated().0;
        let payload = Payload { msg: &sealed, aad: associated.as_bytes() };
        let opened = file.cipher(passphrase)?.decrypt(&XNonce::from(nonce), payload);
        let opened = Zeroizing::new(opened.map_err(|_| KeyFileError::WrongPassphrase {
            file: name.to_owned(),
            person: file.person.clone(),
        })?);
        let seed: &[u8; 32] =
            opened.as_slice().try_into().map_err(|_| corrupt("its key has another length"))?;
        let key = Self::from_seed(file.person, seed);
        if key.public() != file.public {
            return Err(corrupt("its public key is not that of its private key"));
        }
        Ok(key)
    }
}

/// Whose key a file says to hold, and its public key, without the passphrase: good for telling
/// files apart, not for trust.
///
/// # Errors
/// [`KeyFileError::Document`], [`KeyFileError::Key`].
pub fn says(name: &str, text: &str) -> Result<(String, PublicKey), KeyFileError> {
    let file = Sealed::<KeyFile>::from_json(name, text)?.body;
    let public = PublicKey::from_hex(&file.public)?;
    Ok((file.person, public))
}
