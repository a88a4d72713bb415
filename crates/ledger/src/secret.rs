//! What people type to prove who they are, passphrases and passwords alike: its normal form, what is
//! too weak, and what checking it costs.
//!
//! The rules are those of NIST SP 800-63B-4 section 3.1.1 for a secret that stands alone: at least 15
//! characters, any characters, no composition rules, no expiry, no hints. Lists of leaked passwords
//! are not kept here; what is refused is named in [`Weak`].

use serde::{Deserialize, Serialize};
use unicode_normalization::UnicodeNormalization as _;
use zeroize::Zeroizing;

/// Fewest characters of a secret.
pub const SHORTEST: usize = 15;

/// Most bytes of a secret; longer ones are not worked on.
pub const LONGEST_BYTES: usize = 1024;

/// Fewest different characters of a secret.
const FEWEST_DIFFERENT: usize = 6;

/// Why a secret is not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Weak {
    /// Too few characters.
    #[error("{found} characters are too few; {SHORTEST} are the fewest")]
    Short {
        /// Its characters.
        found: usize,
    },
    /// Too long to be worked on.
    #[error("{bytes} bytes are too many; {LONGEST_BYTES} are the most")]
    Long {
        /// Its bytes.
        bytes: usize,
    },
    /// Few characters, over and over.
    #[error("it has only {found} different characters; {FEWEST_DIFFERENT} are the fewest")]
    Repeats {
        /// Its different characters.
        found: usize,
    },
    /// A word that everybody here can guess, and little else.
    #[error(
        "without the word {word:?} only {left} characters are left; {FEWEST_DIFFERENT} are the fewest"
    )]
    Guessed {
        /// The word.
        word: String,
        /// Characters that are left without it.
        left: usize,
    },
}

impl Weak {
    /// The cure in words.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Long { .. } => "a sentence is long enough",
            _ => "several words that have nothing to do with each other make a good one",
        }
    }
}

/// The normal form of what was typed (NFKC), so that one secret typed on two keyboards is one.
#[must_use]
pub fn normal(typed: &str) -> Zeroizing<String> {
    // Room for all of it first: a buffer that grows leaves copies behind.
    let mut text = Zeroizing::new(String::with_capacity(typed.len() * 4));
    text.extend(typed.nfkc());
    text
}

/// Demands that a new secret is good enough. `words`: what everybody here can guess, such as the
/// person's name.
///
/// # Errors
/// [`Weak`].
pub fn demand_good(secret: &str, words: &[&str]) -> Result<(), Weak> {
    if secret.len() > LONGEST_BYTES {
        return Err(Weak::Long { bytes: secret.len() });
    }
    let secret = normal(secret);
    let found = secret.chars().count();
    if found < SHORTEST {
        return Err(Weak::Short { found });
    }
    let different = secret.chars().collect::<std::collections::BTreeSet<_>>().len();
    if different < FEWEST_DIFFERENT {
        return Err(Weak::Repeats { found: different });
    }
    let lower = Zeroizing::new(secret.to_lowercase());
    for word in words.iter().chain(&["barwright", "password", "passphrase"]) {
        let word = word.to_lowercase();
        if word.is_empty() || !lower.contains(&word) {
            continue;
        }
        let left = Zeroizing::new(lower.replace(&word, "")).chars().count();
        if left < FEWEST_DIFFERENT {
            return Err(Weak::Guessed { word, left });
        }
    }
    Ok(())
}

/// What one trial costs, by Argon2id (RFC 9106).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cost {
    /// Memory, in KiB.
    pub memory_kib: u32,
    /// Passes over it.
    pub passes: u32,
    /// Lanes.
    pub lanes: u32,
}

impl Cost {
    /// What new files and passwords cost: the second choice of RFC 9106 section 4, for machines
    /// that do not have 2 GiB to spare.
    pub const NEW: Self = Self { memory_kib: 64 * 1024, passes: 3, lanes: 4 };

    /// The cheapest and the dearest cost that a file may ask for. Less than the first is no hurdle
    /// for who guesses; more than the second would let a file eat up memory and time.
    pub const BOUNDS: [Self; 2] = [
        Self { memory_kib: 16 * 1024, passes: 1, lanes: 1 },
        Self { memory_kib: 256 * 1024, passes: 16, lanes: 16 },
    ];

    /// Whether it lies within [`Cost::BOUNDS`].
    #[must_use]
    pub fn is_bounded(self) -> bool {
        let [low, high] = Self::BOUNDS;
        (low.memory_kib..=high.memory_kib).contains(&self.memory_kib)
            && (low.passes..=high.passes).contains(&self.passes)
            && (low.lanes..=high.lanes).contains(&self.lanes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Closed form: characters counted by hand, on both sides of each bound.
    #[test]
    fn bounds_hold_on_both_sides() {
        let long = |n: usize| "abcdefgh".chars().cycle().take(n).collect::<String>();
        for (secret, wanted) in [
            (long(14), Err(Weak::Short { found: 14 })),
            (long(15), Ok(())),
            (long(1024), Ok(())),
            (long(1025), Err(Weak::Long { bytes: 1025 })),
            ("abcde".repeat(4), Err(Weak::Repeats { found: 5 })),
            ("abcdef".repeat(4), Ok(())),
            // 15 characters of two bytes each are 15, not 30.
            ("äöüßéèêçñøåæœþ".into(), Err(Weak::Short { found: 14 })),
            ("äöüßéèêçñøåæœþð".into(), Ok(())),
            ("Shift-AShift-A12".into(), Err(Weak::Guessed { word: "shift-a".into(), left: 2 })),
            ("barwright-12345".into(), Ok(())),
            ("barwrightBARWRIGHT".into(), Err(Weak::Guessed { word: "barwright".into(), left: 0 })),
        ] {
            assert_eq!(demand_good(&secret, &["Shift-A", ""]), wanted, "{secret}");
        }
    }

    // Published: Unicode Standard Annex 15, the composed and the decomposed form are one.
    #[test]
    fn two_keyboards_type_one_secret() {
        assert_eq!(normal("Prüfer"), normal("Pru\u{308}fer"));
        assert_ne!(normal("Prüfer"), normal("Prufer"));
    }
}
