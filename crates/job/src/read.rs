//! Reading the documents that people write.

use ::toml::de::{DeTable, DeValue};
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

/// Demands that no value of a document is still `blank`, as templates have them.
///
/// # Errors
/// [`DocumentError::Unfilled`] with every such key and its line. Text that cannot be parsed passes:
/// whoever reads it says why.
pub fn demand_filled(document: &str, text: &str, blank: &str) -> Result<()> {
    let Ok(table) = DeTable::parse(text) else {
        return Ok(());
    };
    let mut keys = Vec::new();
    let whole = DeValue::Table(table.into_inner());
    walk(&whole, "", &mut |key, value, span| {
        if value.as_str() == Some(blank) {
            keys.push((place(text, span.start).0, key.to_owned()));
        }
    });
    keys.sort();
    if keys.is_empty() {
        return Ok(());
    }
    Err(DocumentError::Unfilled { document: document.to_owned(), keys })
}

/// Adds the line of the key to the name of the document, where the key stands in the text, or else
/// the line of what it should stand in.
#[must_use]
pub fn at_line(error: DocumentError, text: &str) -> DocumentError {
    let DocumentError::Impossible { document, key, value, expected } = error else {
        return error;
    };
    let line = line_of(text, &key);
    let document = line.map_or_else(|| document.clone(), |line| format!("{document}:{line}"));
    DocumentError::Impossible { document, key, value, expected }
}

/// Line, from 1, of a key such as `zone[1].class[0].up_to_mm`; of the nearest table above it where
/// the key itself is absent.
fn line_of(text: &str, key: &str) -> Option<usize> {
    let table = DeTable::parse(text).ok()?;
    let mut starts = Vec::new();
    let whole = DeValue::Table(table.into_inner());
    walk(&whole, "", &mut |found, _, span| starts.push((found.to_owned(), span.start)));
    let mut wanted = key;
    loop {
        if let Some((_, start)) = starts.iter().find(|(found, _)| found == wanted) {
            return Some(place(text, *start).0);
        }
        wanted = &wanted[..wanted.rfind(['.', '['])?];
    }
}

/// Visits every value of a document with its dotted key.
fn walk(
    value: &DeValue<'_>,
    key: &str,
    visit: &mut impl FnMut(&str, &DeValue<'_>, std::ops::Range<usize>),
) {
    match value {
        DeValue::Table(table) => {
            for (name, inner) in table {
                let name = name.get_ref();
                let key = if key.is_empty() { name.to_string() } else { format!("{key}.{name}") };
                visit(&key, inner.get_ref(), inner.span());
                walk(inner.get_ref(), &key, visit);
            }
        }
        DeValue::Array(list) => {
            for (i, inner) in list.iter().enumerate() {
                let key = format!("{key}[{i}]");
                visit(&key, inner.get_ref(), inner.span());
                walk(inner.get_ref(), &key, visit);
            }
        }
        _ => {}
    }
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
