//! What shall compute.

use std::fmt;
use std::str::FromStr;

/// What shall compute exact fields.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Choice {
    /// A device where there is one, else the processors.
    #[default]
    Auto,
    /// The processors.
    Cpu,
    /// A device; the processors, with a word of it, where there is none or it fails.
    Gpu,
}

impl Choice {
    /// All choices, in the order of their words.
    pub const ALL: [Self; 3] = [Self::Auto, Self::Cpu, Self::Gpu];

    /// The word on the command line.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Auto => "auto",
            Self::Cpu => "cpu",
            Self::Gpu => "gpu",
        }
    }
}

impl fmt::Display for Choice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

impl FromStr for Choice {
    type Err = String;

    /// # Errors
    /// A sentence with the words there are.
    fn from_str(word: &str) -> Result<Self, String> {
        Self::ALL
            .into_iter()
            .find(|c| c.word() == word)
            .ok_or_else(|| format!("no device is called '{word}'; say auto, cpu or gpu"))
    }
}
