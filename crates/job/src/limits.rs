//! The checks on single values that all written documents share.

use crate::error::{DocumentError, Result};

/// Collects what is impossible in one document, under its name.
#[derive(Debug, Clone, Copy)]
pub struct Limits<'a> {
    /// Name of the document, for messages.
    pub document: &'a str,
}

impl Limits<'_> {
    /// The error for one key.
    #[must_use]
    pub fn impossible(
        &self,
        key: &str,
        value: impl ToString,
        expected: impl Into<String>,
    ) -> DocumentError {
        DocumentError::Impossible {
            document: self.document.to_owned(),
            key: key.to_owned(),
            value: value.to_string(),
            expected: expected.into(),
        }
    }

    /// Demands a finite number within `[low, high]`.
    ///
    /// # Errors
    /// [`DocumentError::Impossible`] with the value.
    pub fn within(&self, key: &str, value: f64, low: f64, high: f64, unit: &str) -> Result<()> {
        if value.is_finite() && (low..=high).contains(&value) {
            Ok(())
        } else {
            Err(self.impossible(
                key,
                format!("{value} {unit}").trim_end(),
                format!("it must lie between {low} and {high} {unit}").trim_end(),
            ))
        }
    }

    /// Demands a finite number above zero.
    ///
    /// # Errors
    /// [`DocumentError::Impossible`] with the value.
    pub fn positive(&self, key: &str, value: f64, unit: &str) -> Result<()> {
        if value.is_finite() && value > 0.0 {
            Ok(())
        } else {
            Err(self.impossible(
                key,
                format!("{value} {unit}").trim_end(),
                "it must be finite and above zero",
            ))
        }
    }

    /// Demands a text that is not blank.
    ///
    /// # Errors
    /// [`DocumentError::Impossible`] when it is.
    pub fn named(&self, key: &str, value: &str) -> Result<()> {
        if value.trim().is_empty() {
            Err(self.impossible(key, "empty", "it must be given"))
        } else {
            Ok(())
        }
    }
}

impl Limits<'_> {
    /// Demands a format number this program knows.
    ///
    /// # Errors
    /// [`DocumentError::TooNew`] for a later format, [`DocumentError::Impossible`] for format 0.
    pub fn format(&self, kind: &str, found: u32, known: u32) -> Result<()> {
        if found > known {
            return Err(DocumentError::TooNew {
                document: self.document.to_owned(),
                kind: kind.to_owned(),
                found,
                known,
            });
        }
        if found == 0 {
            return Err(self.impossible("format", 0, format!("formats count from 1 to {known}")));
        }
        Ok(())
    }
}
