//! Signing keys of people: Ed25519 (RFC 8032).
//!
//! A person's [`SigningKey`] stays in a file of that person, encrypted with a passphrase
//! ([`mod@file`]); the ledger keeps its [`PublicKey`] only. Which key signs for whom, and since when, is
//! not said here but by the entries: [`crate::people`].

pub mod file;

use std::fmt;

use ed25519_dalek::{Signature, Signer as _, VerifyingKey};
use zeroize::Zeroizing;

/// Digits of a key's name.
const NAME_DIGITS: usize = 16;

/// Why a key or a signature cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum KeyError {
    /// The text is not a public key.
    #[error("this is no public key: {what}")]
    NoPublicKey {
        /// What does not agree.
        what: String,
    },
    /// The text is not a signature.
    #[error("this is no signature: {what}")]
    NoSignature {
        /// What does not agree.
        what: String,
    },
    /// The signature is not that of this message by this key.
    #[error("the signature is not by key {key}, or the message was changed")]
    Differs {
        /// Name of the key asked for.
        key: String,
    },
    /// The system gave no random numbers.
    #[error("the system gives no random numbers: {what}")]
    NoRandomness {
        /// What the system said.
        what: String,
    },
}

impl KeyError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<&'static str> {
        Some(match self {
            Self::NoPublicKey { .. } => "a public key is 64 lower-case hexadecimal digits",
            Self::NoSignature { .. } => "a signature is 128 lower-case hexadecimal digits",
            Self::Differs { .. } => "trust what is signed only after a good signature",
            Self::NoRandomness { .. } => return None,
        })
    }
}

/// A private key with the name of its person. Its bytes are wiped when it is dropped.
pub struct SigningKey {
    person: String,
    key: ed25519_dalek::SigningKey,
}

impl SigningKey {
    /// A new key from the system's random numbers.
    ///
    /// # Errors
    /// [`KeyError::NoRandomness`].
    pub fn make(person: impl Into<String>) -> Result<Self, KeyError> {
        Ok(Self::from_seed(person, &*random::<32>()?))
    }

    /// The key of a seed (RFC 8032 section 5.1.5: the private key).
    fn from_seed(person: impl Into<String>, seed: &[u8; 32]) -> Self {
        Self { person: person.into(), key: ed25519_dalek::SigningKey::from_bytes(seed) }
    }

    fn seed(&self) -> Zeroizing<[u8; 32]> {
        Zeroizing::new(self.key.to_bytes())
    }

    /// Whose it is.
    #[must_use]
    pub fn person(&self) -> &str {
        &self.person
    }

    /// Its name: that of its public key.
    #[must_use]
    pub fn id(&self) -> String {
        self.public_key().id()
    }

    /// Its public key, 64 hexadecimal digits.
    #[must_use]
    pub fn public(&self) -> String {
        self.public_key().to_hex()
    }

    /// Its public key.
    #[must_use]
    pub fn public_key(&self) -> PublicKey {
        PublicKey(self.key.verifying_key())
    }

    /// The signature of a message, 128 hexadecimal digits (RFC 8032 section 5.1.6). The same key
    /// and message give the same signature.
    #[must_use]
    pub fn sign(&self, message: &[u8]) -> String {
        hex(&self.key.sign(message).to_bytes())
    }
}

impl fmt::Debug for SigningKey {
    /// Says whose it is, never what it is.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("SigningKey")
            .field("person", &self.person)
            .field("id", &self.id())
            .finish_non_exhaustive()
    }
}

/// A public key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PublicKey(VerifyingKey);

impl PublicKey {
    /// The key of 64 lower-case hexadecimal digits; a key has one writing only.
    ///
    /// # Errors
    /// [`KeyError::NoPublicKey`] for other text, and for the few points of small order, which
    /// would take signatures of nobody.
    pub fn from_hex(text: &str) -> Result<Self, KeyError> {
        let no = |what: &str| KeyError::NoPublicKey { what: what.to_owned() };
        let bytes: [u8; 32] = unhex(text).ok_or_else(|| no(&not_hex(text, 64)))?;
        let key = VerifyingKey::from_bytes(&bytes).map_err(|_| no("not a point of the curve"))?;
        if key.is_weak() {
            return Err(no("a point of small order"));
        }
        Ok(Self(key))
    }

    /// 64 hexadecimal digits.
    #[must_use]
    pub fn to_hex(&self) -> String {
        hex(self.0.as_bytes())
    }

    /// Its name: the first 16 hexadecimal digits of the BLAKE3 hash of its 32 bytes.
    #[must_use]
    pub fn id(&self) -> String {
        let mut name = blake3::hash(self.0.as_bytes()).to_hex().to_string();
        name.truncate(NAME_DIGITS);
        name
    }

    /// Demands that a signature is that of this message by this key, strictly: a signature has one
    /// form, and no key or commitment of small order is taken.
    ///
    /// # Errors
    /// [`KeyError::NoSignature`] for text that is none, [`KeyError::Differs`] otherwise.
    pub fn verify(&self, message: &[u8], signature: &str) -> Result<(), KeyError> {
        let bytes: [u8; 64] = unhex(signature)
            .ok_or_else(|| KeyError::NoSignature { what: not_hex(signature, 128) })?;
        self.0
            .verify_strict(message, &Signature::from_bytes(&bytes))
            .map_err(|_| KeyError::Differs { key: self.id() })
    }
}

/// Random bytes of the system.
fn random<const N: usize>() -> Result<Zeroizing<[u8; N]>, KeyError> {
    let mut bytes = Zeroizing::new([0; N]);
    getrandom::fill(&mut *bytes).map_err(|e| KeyError::NoRandomness { what: e.to_string() })?;
    Ok(bytes)
}

fn hex(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let digit = |b: u8| char::from(DIGITS[usize::from(b)]);
    bytes.iter().flat_map(|b| [digit(b >> 4), digit(b & 15)]).collect()
}

/// The bytes of lower-case hexadecimal digits; nothing for other text or another length.
fn unhex<const N: usize>(text: &str) -> Option<[u8; N]> {
    let digit = |c: u8| match c {
        b'0'..=b'9' => Some(c - b'0'),
        b'a'..=b'f' => Some(c - b'a' + 10),
        _ => None,
    };
    let (pairs, rest) = text.as_bytes().as_chunks::<2>();
    if pairs.len() != N || !rest.is_empty() {
        return None;
    }
    let mut bytes = [0; N];
    for (byte, [high, low]) in bytes.iter_mut().zip(pairs) {
        *byte = (digit(*high)? << 4) | digit(*low)?;
    }
    Some(bytes)
}

fn not_hex(text: &str, wanted: usize) -> String {
    match text.len() {
        n if n == wanted => "a character is no lower-case hexadecimal digit".into(),
        n => format!("{n} characters, not {wanted}"),
    }
}

#[cfg(test)]
mod tests;
