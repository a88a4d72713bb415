//! The typesetter: a world of templates, one data file and the pictures, all in memory.

use std::{collections::BTreeMap, sync::LazyLock};

use serde_json::Value;
use typst::{
    Library, LibraryExt, World,
    diag::{FileError, FileResult, SourceDiagnostic},
    foundations::{Bytes, Datetime, Duration, Smart},
    syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot},
    text::{Font, FontBook},
    utils::LazyHash,
};
use typst_kit::fonts::FontStore;
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, Timestamp};

use super::{ReportError, Result};
use crate::text;

static FONTS: LazyLock<FontStore> = LazyLock::new(|| {
    let mut store = FontStore::new();
    store.extend(typst_kit::fonts::embedded());
    store
});

static LIBRARY: LazyLock<LazyHash<Library>> =
    LazyLock::new(|| LazyHash::new(<Library as LibraryExt>::default()));

/// A paper to be set.
pub(super) struct Paper {
    /// Name of the template's file, which is also the paper's name in errors.
    pub name: &'static str,
    /// The template.
    pub template: &'static str,
    /// What it shows, under `data`.
    pub data: Value,
    /// SVG pictures by name.
    pub pictures: Vec<(&'static str, String)>,
}

/// Sets a paper as PDF bytes. `made_at` is RFC 3339.
pub(super) fn set(mut paper: Paper, made_at: &str) -> Result<Vec<u8>> {
    let moment: jiff::Timestamp = made_at.parse().map_err(|e: jiff::Error| ReportError::Time {
        found: made_at.to_owned(),
        message: e.to_string(),
    })?;
    tame(&mut paper.data);
    let failed = |message: String| ReportError::Setting { paper: paper.name, message };

    let mut files = BTreeMap::from([
        ("data.json".to_owned(), paper.data.to_string()),
        ("common.typ".to_owned(), include_str!("../../templates/common.typ").to_owned()),
        (paper.name.to_owned(), paper.template.to_owned()),
    ]);
    for (name, svg) in &paper.pictures {
        files.insert(format!("{name}.svg"), svg.clone());
    }
    let main = file_id(paper.name).ok_or_else(|| failed("its name is no path".to_owned()))?;
    let files = files
        .into_iter()
        .filter_map(|(name, text)| Some((file_id(&name)?.into_raw().get(), text)))
        .collect();
    let shelf = Shelf { main, files };

    let document: PagedDocument =
        typst::compile(&shelf).output.map_err(|e| failed(messages(&e)))?;
    let options = PdfOptions {
        ident: Smart::Custom(format!("{} {made_at} {}", paper.name, paper.data)),
        creator: Smart::Custom(Some(format!("Barwright {}", env!("CARGO_PKG_VERSION")))),
        timestamp: stamp(moment),
        ..PdfOptions::default()
    };
    let bytes = typst_pdf::pdf(&document, &options).map_err(|e| failed(messages(&e)))?;
    // Memory of earlier papers is dropped after a few more, so that a long run does not grow.
    typst::comemo::evict(8);
    Ok(bytes)
}

fn messages(errors: &[SourceDiagnostic]) -> String {
    errors.iter().map(|e| e.message.as_str()).collect::<Vec<_>>().join("; ")
}

fn stamp(moment: jiff::Timestamp) -> Option<Timestamp> {
    let t = moment.to_zoned_datetime(jiff::tz::TimeZone::UTC);
    let part = |v: i8| u8::try_from(v).ok();
    Datetime::from_ymd_hms(
        i32::from(t.year()),
        part(t.month())?,
        part(t.day())?,
        part(t.hour())?,
        part(t.minute())?,
        part(t.second())?,
    )
    .map(Timestamp::new_utc)
}

fn file_id(name: &str) -> Option<FileId> {
    let path = VirtualPath::new(name).ok()?;
    Some(RootedPath::new(VirtualRoot::Project, path).intern())
}

/// Longest run without a place to break a line.
const LONGEST_WORD: usize = 36;

/// Makes every string of the data fit for paper: nothing hidden, no character that the embedded
/// type lacks without its number, and places to break overlong words.
fn tame(value: &mut Value) {
    match value {
        Value::String(s) => *s = tamed(s),
        Value::Array(list) => list.iter_mut().for_each(tame),
        Value::Object(map) => map.values_mut().for_each(tame),
        _ => {}
    }
}

fn tamed(words: &str) -> String {
    if words.is_ascii() && words.len() <= LONGEST_WORD && !words.contains(|c: char| c.is_control())
    {
        return words.to_owned();
    }
    let mut shown = String::with_capacity(words.len());
    for c in text::visible(words).chars() {
        if c.is_ascii() || in_the_type(c) {
            shown.push(c);
        } else {
            shown.push_str(&format!("‹U+{:04X}›", u32::from(c)));
        }
    }
    // Hashes are set whole, in a column that holds them.
    if shown.len() == 64 && shown.bytes().all(|b| b.is_ascii_hexdigit()) {
        return shown;
    }
    let mut out = String::with_capacity(shown.len());
    for word in shown.split_inclusive(' ') {
        if word.chars().count() <= LONGEST_WORD {
            out.push_str(word);
            continue;
        }
        for (i, c) in word.chars().enumerate() {
            if i > 0 && i % 12 == 0 {
                out.push('\u{200b}');
            }
            out.push(c);
        }
    }
    out
}

fn in_the_type(c: char) -> bool {
    let book: &FontBook = FONTS.book();
    (0..).map_while(|i| book.info(i)).any(|info| info.coverage.contains(u32::from(c)))
}

struct Shelf {
    main: FileId,
    files: BTreeMap<u16, String>,
}

impl Shelf {
    fn text(&self, id: FileId) -> FileResult<&String> {
        self.files
            .get(&id.into_raw().get())
            .ok_or_else(|| FileError::NotFound(id.vpath().get_without_slash().into()))
    }
}

impl World for Shelf {
    fn library(&self) -> &LazyHash<Library> {
        &LIBRARY
    }

    fn book(&self) -> &LazyHash<FontBook> {
        FONTS.book()
    }

    fn main(&self) -> FileId {
        self.main
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        self.text(id).map(|t| Source::new(id, t.clone()))
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        self.text(id).map(|t| Bytes::from_string(t.clone()))
    }

    fn font(&self, index: usize) -> Option<Font> {
        FONTS.font(index)
    }

    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Closed form: what the embedded type lacks is shown by its number, and nothing is lost.
    #[test]
    fn unknown_characters_are_named() {
        assert_eq!(tamed("Å µ ° ⌀"), "Å µ ° ⌀");
        assert_eq!(tamed("a鋼b"), "a‹U+92FC›b");
        assert_eq!(tamed("x\u{202e}y"), "x\u{fffd}y");
    }

    // Closed form: long words can be broken, hashes stay whole.
    #[test]
    fn long_words_break_and_hashes_do_not() {
        let long = "w".repeat(80);
        let set = tamed(&long);
        assert_eq!(set.replace('\u{200b}', ""), long);
        assert!(set.split('\u{200b}').all(|part| part.len() <= 12));
        let hash = "0123456789abcdef".repeat(4);
        assert_eq!(tamed(&hash), hash);
    }
}
