//! Words in the reader's language.
//!
//! English stands in the code where it is used and is the key of a catalogue, as in GNU gettext; the macros
//! of `barwright-phrase` look it up here. A catalogue is a PO file, so that any translator's tool opens it;
//! `texts/barwright.pot` lists every text. A language holds on one thread for the work it is put around,
//! as a style of figures does. What documents quote is said as it was written.

use std::{borrow::Cow, cell::Cell, collections::HashMap, sync::LazyLock};

use polib::po_file;

use crate::text::escape_onto;

/// Every text that the pages and pictures say, to begin a catalogue with.
pub const LIST: &str = include_str!("../texts/barwright.pot");

/// The text whose translation is the language's own name.
const NAME: &str = "The name of this language in itself";

/// Texts of one language.
#[derive(Debug, PartialEq, Eq)]
pub struct Catalogue {
    /// Its tag (BCP 47), as `de` or `pt-BR`.
    pub tag: String,
    texts: HashMap<String, String>,
}

/// Why a catalogue cannot be used.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum TextsError {
    /// A line that is none of a PO file.
    #[error("line {line} is no line of a PO file: {text}")]
    Line {
        /// Its number, from 1.
        line: usize,
        /// What stands there, shortened.
        text: String,
    },
    /// The file as a whole.
    #[error("not readable as a PO file: {0}")]
    File(String),
    /// The head names no language.
    #[error(
        "the head names no language (a line \"Language: de\\n\", a tag of letters, digits and hyphens)"
    )]
    NoLanguage,
    /// A translation that leaves a part out or names one that is not there.
    #[error("the translation of \"{key}\" has the parts {found}, the text has {wanted}")]
    Parts {
        /// The text.
        key: String,
        /// Parts of the translation.
        found: String,
        /// Parts of the text.
        wanted: String,
    },
}

impl Catalogue {
    /// Reads a PO file. Texts that are not translated, or marked as doubtful (`fuzzy`), are said in English.
    ///
    /// # Errors
    /// [`TextsError`]: no PO file, no language, or a translation whose parts are not those of its text.
    pub fn read(po: &str) -> Result<Self, TextsError> {
        // The library trusts the shape of lines, and needs of the comments only the flags.
        let mut lines = String::with_capacity(po.len());
        let mut begun = false;
        for (k, line) in po.lines().map(str::trim).enumerate() {
            if line.starts_with('#') && !line.starts_with("#, ") {
                continue;
            }
            let string = line.strip_prefix("msg").map_or((begun, line), |rest| {
                (true, rest.split_once(' ').map_or("", |(_, string)| string))
            });
            let fits = match string {
                _ if line.is_empty() || line.starts_with('#') => true,
                (true, s) => s.len() > 1 && s.starts_with('"') && s.ends_with('"'),
                _ => false,
            };
            if !fits {
                let text = line.chars().take(60).collect();
                return Err(TextsError::Line { line: k + 1, text });
            }
            begun = begun || line.starts_with("msg");
            lines.push_str(line);
            lines.push('\n');
        }
        let file = po_file::parse_from_reader(lines.as_bytes())
            .map_err(|e| TextsError::File(e.to_string()))?;
        let tag = file.metadata.language.trim().replace('_', "-");
        let is_tag = |tag: &str| tag.chars().all(|c| c.is_ascii_alphanumeric() || c == '-');
        if tag.is_empty() || tag.len() > 35 || !is_tag(&tag) {
            return Err(TextsError::NoLanguage);
        }
        let mut texts = HashMap::new();
        for message in file.messages().filter(|m| !m.flags().is_fuzzy()) {
            let (key, text) = (message.msgid(), message.msgstr().unwrap_or_default());
            if text.is_empty() {
                continue;
            }
            let (wanted, found) = (parts(key), parts(text));
            if wanted != found {
                let list = |parts: Vec<&str>| match parts.len() {
                    0 => "none".to_owned(),
                    _ => parts.iter().map(|p| format!("{{{p}}}")).collect::<Vec<_>>().join(" "),
                };
                let (found, wanted) = (list(found), list(wanted));
                return Err(TextsError::Parts { key: key.to_owned(), found, wanted });
            }
            // Without parts it is said as it stands here.
            let text = if wanted.is_empty() { words(text) } else { text.to_owned() };
            texts.insert(key.to_owned(), text);
        }
        Ok(Self { tag, texts })
    }

    /// Its name in itself, where the catalogue gives it; else its tag.
    #[must_use]
    pub fn name(&self) -> &str {
        self.texts.get(NAME).unwrap_or(&self.tag)
    }

    /// How many texts are translated.
    #[must_use]
    pub fn len(&self) -> usize {
        self.texts.len()
    }

    /// Whether none is.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.texts.is_empty()
    }
}

/// A piece of a message.
enum Piece<'a> {
    Words(Cow<'a, str>),
    Part(&'a str),
}

/// The pieces of a message: words, and names in single braces; a doubled brace is one of the words.
fn pieces(message: &str) -> Vec<Piece<'_>> {
    let mut pieces = Vec::new();
    let mut words = String::new();
    let mut rest = message;
    while let Some(at) = rest.find(['{', '}']) {
        words.push_str(&rest[..at]);
        let brace = &rest[at..=at];
        let after = &rest[at + 1..];
        if let Some(twice) = after.strip_prefix(brace) {
            words.push_str(brace);
            rest = twice;
        } else if let Some((name, after)) = after.split_once('}').filter(|_| brace == "{") {
            pieces.push(Piece::Words(std::mem::take(&mut words).into()));
            pieces.push(Piece::Part(name));
            rest = after;
        } else {
            words.push_str(brace);
            rest = after;
        }
    }
    words.push_str(rest);
    pieces.push(Piece::Words(words.into()));
    pieces
}

/// The words of a message that has no parts.
fn words(message: &str) -> String {
    let word = |piece| match piece {
        Piece::Words(words) => words,
        Piece::Part(name) => Cow::Borrowed(name),
    };
    pieces(message).into_iter().map(word).collect()
}

/// Names of the parts of a message, in the order of the alphabet.
fn parts(message: &str) -> Vec<&str> {
    let mut names: Vec<&str> = pieces(message)
        .into_iter()
        .filter_map(|piece| match piece {
            Piece::Part(name) => Some(name),
            Piece::Words(_) => None,
        })
        .collect();
    names.sort_unstable();
    names
}

/// A language of the pages: English, or that of a catalogue.
pub type Language = Option<&'static Catalogue>;

thread_local! {
    static SPOKEN: Cell<Language> = const { Cell::new(None) };
}

struct Restore(Language);

impl Drop for Restore {
    fn drop(&mut self) {
        SPOKEN.set(self.0);
    }
}

/// Does some work in a language.
pub fn with<T>(language: Language, work: impl FnOnce() -> T) -> T {
    let _restore = Restore(SPOKEN.replace(language));
    work()
}

/// The language that holds here and now.
#[must_use]
pub fn language() -> Language {
    SPOKEN.get()
}

/// Its tag.
#[must_use]
pub fn tag() -> &'static str {
    language().map_or("en", |c| &c.tag)
}

fn translated(key: &str) -> Option<&'static str> {
    language().and_then(|c| c.texts.get(key)).map(String::as_str)
}

/// How many texts there are.
#[must_use]
pub fn count() -> usize {
    po_file::parse_from_reader(LIST.as_bytes()).map_or(0, |list| list.count())
}

/// Texts that are looked up outside of this program's code, in files of an ending (`.js`: scripts of the
/// pages; `.typ`: templates of papers), with what is said in the language at hand; none in English.
pub fn of_files(ending: &str) -> impl Iterator<Item = (&'static str, &'static str)> {
    static KEYS: LazyLock<Vec<(String, String)>> = LazyLock::new(|| {
        let listed = po_file::parse_from_reader(LIST.as_bytes()).ok();
        let messages = listed.iter().flat_map(|list| list.messages());
        messages.map(|m| (m.msgid().to_owned(), m.source().to_owned())).collect()
    });
    let here = move |places: &str| places.lines().any(|place| place.ends_with(ending));
    KEYS.iter()
        .filter(move |(_, places)| language().is_some() && here(places))
        .filter_map(|(key, _)| Some((key.as_str(), translated(key)?)))
}

/// A text without parts; `english` is said where no catalogue has its `key`.
#[must_use]
pub fn plain(key: &str, english: &'static str) -> &'static str {
    translated(key).unwrap_or(english)
}

fn put<'a>(
    key: &'a str,
    named: impl Fn(&str) -> Option<&'a str>,
    words: impl Fn(&str, &mut String),
) -> String {
    let mut said = String::with_capacity(2 * key.len());
    for piece in pieces(translated(key).unwrap_or(key)) {
        match piece {
            Piece::Words(text) => words(&text, &mut said),
            Piece::Part(name) => said.push_str(named(name).unwrap_or_default()),
        }
    }
    said
}

fn find<'a>(parts: &'a [(&str, String)], name: &str) -> Option<&'a str> {
    parts.iter().find(|(known, _)| *known == name).map(|(_, part)| part.as_str())
}

/// A text with its parts put in.
#[must_use]
pub fn filled(key: &str, parts: &[(&str, String)]) -> String {
    put(key, |name| find(parts, name), |words, said| said.push_str(words))
}

/// A text with parts that are markup, as markup: the words of the text are escaped, its parts are not.
#[must_use]
pub fn marked(key: &str, parts: &[(&str, String)]) -> String {
    put(key, |name| find(parts, name), |words, said| escape_onto(said, words))
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "msgid \"\"\nmsgstr \"\"\n\"Language: de\\n\"\n\"Content-Type: text/plain; charset=UTF-8\\n\"\n\n";

    fn read(entries: &str) -> Result<Catalogue, TextsError> {
        Catalogue::read(&format!("{HEAD}{entries}"))
    }

    fn german() -> &'static Catalogue {
        let po = "#: a.rs\nmsgid \"{n} bars of {lot} <held>\"\nmsgstr \"In {lot} {n} Stäbe <gehalten>\"\n\n\
                  #, fuzzy\nmsgid \"Lot\"\nmsgstr \"Los?\"\n\nmsgid \"Line\"\nmsgstr \"Linie\"\n\n\
                  msgid \"Bar\"\nmsgstr \"\"\n\nmsgid \"a {{brace}}\"\nmsgstr \"{{}} eine\"\n";
        Box::leak(Box::new(read(po).expect("a catalogue")))
    }

    #[test]
    fn a_language_holds_for_its_work_and_english_elsewhere() {
        let parts = [("n", "3".to_owned()), ("lot", "<b>L</b>".to_owned())];
        let key = "{n} bars of {lot} <held>";
        with(Some(german()), || {
            assert_eq!(tag(), "de");
            assert_eq!(filled(key, &parts), "In <b>L</b> 3 Stäbe <gehalten>");
            // The words are escaped, the parts are markup already.
            assert_eq!(marked(key, &parts), "In <b>L</b> 3 Stäbe &lt;gehalten&gt;");
            assert_eq!(plain("Line", "Line"), "Linie");
            assert_eq!(plain("a {{brace}}", "a {brace}"), "{} eine");
            // Doubtful, empty and unknown ones stay English.
            assert_eq!(
                [plain("Lot", "Lot"), plain("Bar", "Bar"), plain("x", "x")],
                ["Lot", "Bar", "x"]
            );
        });
        assert_eq!((tag(), plain("Line", "Line")), ("en", "Line"));
        assert_eq!(filled(key, &parts), "3 bars of <b>L</b> <held>");
    }

    #[test]
    fn a_catalogue_that_would_lose_a_part_is_refused() {
        let lost = read("msgid \"{n} bars\"\nmsgstr \"Stäbe\"\n").expect_err("a part is lost");
        assert_eq!(
            lost.to_string(),
            "the translation of \"{n} bars\" has the parts none, the text has {n}"
        );
        assert!(read("msgid \"{n} bars\"\nmsgstr \"{m} Stäbe\"\n").is_err());
        assert!(read("msgid \"bars\"\nmsgstr \"{n} Stäbe\"\n").is_err());
    }

    #[test]
    fn what_is_no_po_file_is_refused_with_its_line() {
        for (po, line) in [
            ("msgid \"", 1),
            ("\"words\"\n", 1),
            ("#\n\nmsgid \"\"\nmsgstr\n", 4),
            ("msgid \"\"\nmsgstr \"\"\nhello", 3),
            ("\u{1F600}", 1),
        ] {
            let Err(TextsError::Line { line: found, .. }) = Catalogue::read(po) else {
                panic!("{po:?} is read");
            };
            assert_eq!(found, line, "{po:?}");
        }
        assert!(Catalogue::read("").is_err());
        let nameless = "msgid \"\"\nmsgstr \"\"\n\"MIME-Version: 1.0\\n\"\n";
        assert_eq!(Catalogue::read(nameless), Err(TextsError::NoLanguage));
        let strange = "msgid \"\"\nmsgstr \"\"\n\"Language: <b>\\n\"\n";
        assert_eq!(Catalogue::read(strange), Err(TextsError::NoLanguage));
        // Any text at all is read or refused, never more.
        for cut in 0..HEAD.len() {
            let _ = std::hint::black_box(Catalogue::read(&HEAD[..cut]));
        }
    }

    // The list itself is a catalogue with nothing translated, but for its language.
    #[test]
    fn the_list_begins_a_catalogue() {
        assert_eq!(Catalogue::read(LIST), Err(TextsError::NoLanguage));
        let begun = LIST.replacen("\"MIME-Version", "\"Language: de\\n\"\n\"MIME-Version", 1);
        assert!(Catalogue::read(&begun).expect("a catalogue").is_empty());
    }
}
