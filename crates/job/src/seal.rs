//! Derived documents: sealed JSON with format, origin and hash.
//!
//! A sealed document is one JSON object: `document` (its kind), `format`, `program`, `made_from`
//! (hashes of what it came from, by role), `body`, and `hash`, the BLAKE3 hash of the canonical
//! text: the same object without `hash`, keys sorted, no white space.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize, de::DeserializeOwned};

use crate::error::{DocumentError, Result};

/// A BLAKE3 hash, 64 hexadecimal digits.
#[derive(
    Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct Hash(pub String);

impl Hash {
    /// Hash of some bytes.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        Self(blake3::hash(bytes).to_hex().to_string())
    }

    /// Hash of the meaning of a written document: of its compact JSON with sorted keys, so that
    /// comments and layout do not matter.
    #[must_use]
    pub fn of_meaning<T: Serialize>(document: &T) -> Self {
        let value =
            serde_json::to_value(document).expect("documents are plain data with string keys");
        Self::of(canonical(value).as_bytes())
    }

    /// The first twelve digits, for people.
    #[must_use]
    pub fn short(&self) -> &str {
        self.0.get(..12).unwrap_or(&self.0)
    }
}

impl std::fmt::Display for Hash {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

/// A kind of derived document.
pub trait Document: Serialize + DeserializeOwned {
    /// Its name in the `document` member.
    const KIND: &'static str;
    /// The latest format this program writes and reads.
    const FORMAT: u32;

    /// Whether what the document says can be; called by every reader.
    ///
    /// # Errors
    /// [`DocumentError::Impossible`] with the key and the number.
    fn check(&self, _name: &str) -> Result<()> {
        Ok(())
    }
}

/// A derived document with its seal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Sealed<T> {
    /// Kind of the document.
    pub document: String,
    /// Format number of the kind.
    pub format: u32,
    /// Version of the program that wrote it.
    pub program: String,
    /// Hashes of what it came from, by role (`order`, `station`, `technique`, ...).
    pub made_from: BTreeMap<String, Hash>,
    /// The content.
    pub body: T,
    /// BLAKE3 hash of the canonical text without this member.
    pub hash: Hash,
}

impl<T: Document> Sealed<T> {
    /// Seals a body with the hashes of what it came from.
    #[must_use]
    pub fn seal(body: T, made_from: impl IntoIterator<Item = (&'static str, Hash)>) -> Self {
        let mut sealed = Self {
            document: T::KIND.to_owned(),
            format: T::FORMAT,
            program: env!("CARGO_PKG_VERSION").to_owned(),
            made_from: made_from.into_iter().map(|(k, v)| (k.to_owned(), v)).collect(),
            body,
            hash: Hash(String::new()),
        };
        sealed.hash = hash_of(&sealed.to_value());
        sealed
    }

    /// The document as its reader will find it. By way of the text, since a 32-bit float has
    /// fewer digits there than the 64-bit float it would become directly.
    fn to_value(&self) -> serde_json::Value {
        serde_json::from_str(&self.to_json()).expect("what was just written is JSON")
    }

    /// The text to store: indented JSON with a final line feed.
    #[must_use]
    pub fn to_json(&self) -> String {
        let mut text =
            serde_json::to_string_pretty(self).expect("documents are plain data with string keys");
        text.push('\n');
        text
    }

    /// Reads a sealed document and proves that it is whole.
    ///
    /// # Errors
    /// [`DocumentError::Corrupt`] when the text does not parse or its hash does not agree,
    /// [`DocumentError::TooNew`] for a later format, [`DocumentError::WrongKind`] for another
    /// kind.
    pub fn from_json(name: &str, text: &str) -> Result<Self> {
        let corrupt =
            |message: String| DocumentError::Corrupt { document: name.to_owned(), message };
        let value: serde_json::Value =
            serde_json::from_str(text).map_err(|e| corrupt(format!("not JSON: {e}")))?;
        let kind = value.get("document").and_then(|v| v.as_str()).unwrap_or("nameless document");
        if kind != T::KIND {
            return Err(DocumentError::WrongKind {
                document: name.to_owned(),
                found: kind.to_owned(),
                wanted: T::KIND.to_owned(),
            });
        }
        let found = value.get("format").and_then(serde_json::Value::as_u64).unwrap_or(0);
        let found = u32::try_from(found).unwrap_or(u32::MAX);
        if found > T::FORMAT {
            return Err(DocumentError::TooNew {
                document: name.to_owned(),
                kind: kind.to_owned(),
                found,
                known: T::FORMAT,
            });
        }
        let stored = value.get("hash").and_then(|v| v.as_str()).unwrap_or("").to_owned();
        let computed = hash_of(&value);
        if stored != computed.0 {
            return Err(corrupt(format!(
                "its content hashes to {}, it says {}",
                computed.short(),
                Hash(stored).short()
            )));
        }
        let sealed: Self = serde_path_to_error::deserialize(value)
            .map_err(|e| corrupt(format!("{} at {}", e.inner(), e.path())))?;
        sealed.body.check(name)?;
        Ok(sealed)
    }

    /// Demands that this document was made from the given one.
    ///
    /// # Errors
    /// [`DocumentError::Mismatch`] otherwise.
    pub fn demand(&self, name: &str, role: &str, wanted: &Hash) -> Result<()> {
        match self.made_from.get(role) {
            Some(found) if found == wanted => Ok(()),
            found => Err(DocumentError::Mismatch {
                document: name.to_owned(),
                role: role.to_owned(),
                found: found.map_or("nothing", Hash::short).to_owned(),
                wanted: wanted.short().to_owned(),
            }),
        }
    }
}

/// The canonical text: compact, keys sorted. Sorted here, because some other crate of a program may
/// have `serde_json` keep keys in the order in which they came.
fn canonical(mut value: serde_json::Value) -> String {
    value.sort_all_objects();
    value.to_string()
}

/// Hash of the canonical text of a document.
fn hash_of(value: &serde_json::Value) -> Hash {
    let mut value = value.clone();
    if let Some(map) = value.as_object_mut() {
        map.remove("hash");
    }
    Hash::of(canonical(value).as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
    struct Note {
        numbers: Vec<f64>,
        short: Vec<f32>,
    }

    impl Document for Note {
        const KIND: &'static str = "note";
        const FORMAT: u32 = 1;
    }

    proptest::proptest! {
        #[test]
        fn a_sealed_document_survives_the_round_trip(numbers: Vec<f64>, short: Vec<f32>) {
            let numbers = numbers.into_iter().filter(|x| x.is_finite()).collect();
            let short = short.into_iter().filter(|x| x.is_finite()).collect();
            let sealed = Sealed::seal(Note { numbers, short }, [("order", Hash::of(b"o"))]);
            let back = Sealed::<Note>::from_json("note", &sealed.to_json());
            proptest::prop_assert_eq!(back, Ok(sealed));
        }
    }

    // Closed form: the hash is that of the text with sorted keys, however the keys came.
    #[test]
    fn the_order_of_keys_does_not_matter() {
        #[derive(Serialize)]
        struct Late {
            z: u8,
            a: [Inner; 1],
        }
        #[derive(Serialize)]
        struct Inner {
            y: u8,
            b: u8,
        }
        let found = Hash::of_meaning(&Late { z: 1, a: [Inner { y: 2, b: 3 }] });
        assert_eq!(found, Hash::of(br#"{"a":[{"b":3,"y":2}],"z":1}"#));
    }

    #[test]
    fn a_changed_digit_is_corrupt() {
        let text = Sealed::seal(Note { numbers: vec![1.25], short: vec![] }, [])
            .to_json()
            .replace("1.25", "1.26");
        let e = Sealed::<Note>::from_json("n.json", &text).expect_err("changed");
        assert!(matches!(e, DocumentError::Corrupt { .. }), "{e}");
    }

    #[test]
    fn a_later_format_is_too_new_not_corrupt() {
        let text = Sealed::seal(Note { numbers: vec![], short: vec![] }, [])
            .to_json()
            .replace("\"format\": 1", "\"format\": 2");
        let e = Sealed::<Note>::from_json("n.json", &text).expect_err("newer");
        assert!(matches!(e, DocumentError::TooNew { found: 2, known: 1, .. }), "{e}");
    }
}
