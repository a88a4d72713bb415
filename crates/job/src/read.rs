//! Reading the documents that people write.

use serde::de::DeserializeOwned;

use crate::error::{DocumentError, Result};

/// Parses a TOML document into `T`.
///
/// # Errors
/// [`DocumentError::Malformed`] with line, column, key path and, for an unknown key, the nearest
/// known one.
pub fn toml<T: DeserializeOwned>(document: &str, text: &str) -> Result<T> {
    let deserializer = ::toml::Deserializer::parse(text)
        .map_err(|e| malformed(document, text, e.span(), String::new(), e.message()))?;
    serde_path_to_error::deserialize(deserializer).map_err(|e| {
        let key = e.path().to_string();
        let inner = e.inner();
        let key = if key == "." { String::new() } else { key };
        malformed(document, text, inner.span(), key, inner.message())
    })
}

fn malformed(
    document: &str,
    text: &str,
    span: Option<std::ops::Range<usize>>,
    key: String,
    message: &str,
) -> DocumentError {
    let (line, column) = place(text, span.map_or(0, |s| s.start));
    let message = message.lines().collect::<Vec<_>>().join(" ");
    DocumentError::Malformed {
        document: document.to_owned(),
        line,
        column,
        key,
        hint: nearest_hint(&message),
        message,
    }
}

/// Line and column, both from 1, of a byte offset.
#[must_use]
pub fn place(text: &str, offset: usize) -> (usize, usize) {
    let before = text.get(..offset).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().map_or(0, |l| l.chars().count()) + 1;
    (line, column)
}

/// For serde's "unknown field `x`, expected one of `a`, `b`": the nearest of the expected names.
fn nearest_hint(message: &str) -> String {
    if !message.starts_with("unknown field") && !message.starts_with("unknown variant") {
        return String::new();
    }
    let mut quoted = message.split('`').skip(1).step_by(2);
    let Some(unknown) = quoted.next() else {
        return String::new();
    };
    quoted
        .map(|known| (strsim::jaro_winkler(unknown, known), known))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, known)| format!("did you mean `{known}`?"))
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Outer {
        #[allow(dead_code)]
        bar: Bar,
    }

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Bar {
        #[allow(dead_code)]
        diameter_mm: f64,
    }

    #[test]
    fn a_wrong_type_names_line_column_and_key() {
        let e = toml::<Outer>("o.toml", "[bar]\ndiameter_mm = \"forty\"\n").expect_err("a string");
        let DocumentError::Malformed { line, column, key, .. } = e else { panic!("{e}") };
        assert_eq!((line, column, key.as_str()), (2, 15, "bar.diameter_mm"));
    }

    #[test]
    fn an_unknown_key_names_the_nearest_known_one() {
        let e = toml::<Outer>("o.toml", "[bar]\ndiametre_mm = 4.0\n").expect_err("unknown key");
        assert_eq!(e.hint().as_deref(), Some("did you mean `diameter_mm`?"));
    }

    #[test]
    fn broken_toml_names_the_line() {
        let e = toml::<Outer>("o.toml", "[bar]\ndiameter_mm = = 4\n").expect_err("syntax");
        assert!(matches!(e, DocumentError::Malformed { line: 2, .. }), "{e}");
    }
}
