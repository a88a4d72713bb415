//! The typesetter: a world of templates, one data file and the pictures, all in memory.
//!
//! What no paper may lack is looked for in the set document, so that a template of the house cannot lose it.

use std::{collections::BTreeMap, sync::LazyLock};

use serde_json::Value;
use typst::{
    Library, LibraryExt, World, WorldExt as _,
    diag::{FileError, FileResult, SourceDiagnostic},
    foundations::{Bytes, Datetime, Duration, Label, Selector, Smart},
    introspection::Introspector as _,
    syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot},
    text::{Font, FontBook},
    utils::{LazyHash, PicoStr},
};
use typst_kit::fonts::FontStore;
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, Timestamp};

use super::{Issue, Logo, ReportError, Result, TEMPLATES, code, house, parts};
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
    /// What it shows, under `data`.
    pub data: Value,
    /// SVG pictures by name.
    pub pictures: Vec<(&'static str, String)>,
}

/// What every paper carries: the label that `common.typ` leaves, and the function that leaves it.
const CARRIED: [(&str, &str); 3] =
    [("cautions", "cautions()"), ("not-validated", "not-validated()"), ("evidence", "evidence()")];
/// What those papers carry that say in large words how things stand.
const STANDING: (&str, &str) = ("standing", "stamp()");
/// Papers without large words.
const UNSTAMPED: [&str; 1] = ["reference.typ"];

/// Sets a paper as PDF bytes.
pub(super) fn set(mut paper: Paper, issue: &Issue<'_>) -> Result<Vec<u8>> {
    let made_at = issue.made_at;
    let house = issue.house.unwrap_or(&house::PLAIN);
    let moment: jiff::Timestamp = made_at.parse().map_err(|e: jiff::Error| ReportError::Time {
        found: made_at.to_owned(),
        message: e.to_string(),
    })?;
    tame(&mut paper.data);
    let name = paper.name;
    let failed =
        |message: String| ReportError::Setting { paper: name, message, own: house.is_own() };

    let mut files = BTreeMap::new();
    for (file, own) in TEMPLATES.into_iter().filter(|(file, _)| *file == name || shared(file)) {
        let text = house.templates.get(file).map_or(own, String::as_str);
        files.insert(file.to_owned(), Bytes::from_string(text.to_owned()));
    }
    for (picture, svg) in paper.pictures {
        files.insert(format!("{picture}.svg"), Bytes::from_string(svg));
    }
    if let Some(ledger) = &issue.ledger {
        let code = code::of_head(ledger).map_err(|e| failed(e.to_string()))?;
        files.insert("ledger-head.svg".to_owned(), Bytes::from_string(code));
    }
    let (logo, bytes) = match &house.logo {
        Some(Logo::Svg(bytes)) => ("house-logo.svg", Some(bytes)),
        Some(Logo::Png(bytes)) => ("house-logo.png", Some(bytes)),
        None => ("", None),
    };
    paper.data["logo"] = logo.into();
    files.extend(bytes.map(|bytes| (logo.to_owned(), Bytes::new(bytes.clone()))));
    // A paper says which templates are not the program's own.
    for (file, text) in house.templates.iter().filter(|(file, _)| files.contains_key(*file)) {
        let line = parts::template_line(file, text);
        if let Some(lines) = paper.data["evidence"].as_array_mut() {
            lines.push(line);
        }
    }
    files.insert("data.json".to_owned(), Bytes::from_string(paper.data.to_string()));
    let main = file_id(name).ok_or_else(|| failed("its name is no path".to_owned()))?;
    let files = files
        .into_iter()
        .filter_map(|(file, bytes)| Some((file_id(&file)?.into_raw().get(), bytes)))
        .collect();
    let shelf = Shelf { main, files };

    let document: PagedDocument =
        typst::compile(&shelf).output.map_err(|e| failed(messages(&shelf, &e)))?;
    let standing = (!UNSTAMPED.contains(&name)).then_some(STANDING);
    for (label, missing) in CARRIED.into_iter().chain(standing) {
        if !carries(&document, label) {
            return Err(ReportError::Incomplete { paper: name, missing });
        }
    }
    let options = PdfOptions {
        ident: Smart::Custom(format!("{name} {made_at} {}", paper.data)),
        creator: Smart::Custom(Some(format!("Barwright {}", env!("CARGO_PKG_VERSION")))),
        timestamp: stamp(moment),
        ..PdfOptions::default()
    };
    let bytes = typst_pdf::pdf(&document, &options).map_err(|e| failed(messages(&shelf, &e)))?;
    // Memory of earlier papers is dropped after a few more, so that a long run does not grow.
    typst::comemo::evict(8);
    Ok(bytes)
}

/// Whether every paper draws on a file of the templates.
fn shared(file: &str) -> bool {
    ["common.typ", "words.typ"].contains(&file)
}

/// Whether something with a label stands in the document.
fn carries(document: &PagedDocument, label: &str) -> bool {
    let label = Label::new(PicoStr::intern(label));
    label.is_some_and(|l| document.introspector().query_first(&Selector::Label(l)).is_some())
}

/// What the typesetter said, each with its file and line where it has them.
fn messages(shelf: &Shelf, errors: &[SourceDiagnostic]) -> String {
    let place = |e: &SourceDiagnostic| {
        let id = e.span.id()?;
        let source = shelf.source(id).ok()?;
        let at = shelf.range(e.span)?.start;
        let line = source.lines().byte_to_line(at)? + 1;
        Some(format!("{} line {line}: ", id.vpath().get_without_slash()))
    };
    let told = errors.iter().map(|e| place(e).unwrap_or_default() + &e.message);
    told.collect::<Vec<_>>().join("; ")
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
    files: BTreeMap<u16, Bytes>,
}

impl Shelf {
    fn bytes(&self, id: FileId) -> FileResult<&Bytes> {
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
        let text = self.bytes(id)?.as_str().map_err(|_| FileError::InvalidUtf8)?.to_owned();
        Ok(Source::new(id, text))
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        self.bytes(id).cloned()
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
