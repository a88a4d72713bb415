//! What a house keeps of its own beside the jobs: languages of the pages, and how papers look.
//!
//! The folder `house` of the job, or the one that `--house` names: `house.toml`, catalogues in `texts`,
//! templates in `papers`, a logo. All of it may be absent.

use std::path::{Path, PathBuf};

use barwright_job::{DocumentError, read};
use barwright_report::{
    papers::{HousePapers, Logo, ReportError, Sheet},
    texts::{Catalogue, Language, TextsError},
};
use serde::Deserialize;

use crate::{
    files::{self, FileError},
    folder::JobFolder,
    manner::{ENGLISH, Languages},
};

/// The file that says how a house wants its papers.
const FILE: &str = "house.toml";
/// Its format.
const FORMAT: u32 = 1;

/// What the house folder holds.
#[derive(Debug, Clone, Copy, Default)]
pub struct House {
    /// Languages of the pages besides English, by their tags.
    pub languages: Languages,
    /// Language of the papers.
    pub paper_language: Language,
    /// How papers look; the program's own way where the house says nothing.
    pub papers: Option<&'static HousePapers>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    format: u32,
    #[serde(default)]
    papers: WrittenPapers,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenPapers {
    #[serde(default)]
    sheet: WrittenSheet,
    #[serde(default)]
    heading: String,
    logo: Option<String>,
    language: Option<String>,
}

#[derive(Debug, Default, Deserialize)]
enum WrittenSheet {
    #[default]
    A4,
    Letter,
}

/// Longest heading of papers, in characters: it has one line.
const LONGEST_HEADING: usize = 80;
/// Largest logo, in bytes.
const LARGEST_LOGO: u64 = 2 << 20;

impl Written {
    fn parse(name: &str, text: &str) -> barwright_job::Result<Self> {
        let written: Self = read::toml(name, text)?;
        let impossible = |key: &str, value: String, expected: String| {
            let document = name.to_owned();
            let e = DocumentError::Impossible { document, key: key.to_owned(), value, expected };
            read::at_line(e, text)
        };
        if written.format != FORMAT {
            return Err(impossible("format", written.format.to_string(), FORMAT.to_string()));
        }
        let papers = &written.papers;
        if papers.heading.chars().count() > LONGEST_HEADING {
            let expected = format!("at most {LONGEST_HEADING} characters");
            return Err(impossible("papers.heading", papers.heading.clone(), expected));
        }
        if let Some(logo) = &papers.logo
            && (Path::new(logo).components().count() != 1
                || !(logo.ends_with(".svg") || logo.ends_with(".png")))
        {
            let expected = "the name of an SVG or PNG file in the house folder".to_owned();
            return Err(impossible("papers.logo", logo.clone(), expected));
        }
        Ok(written)
    }
}

/// Why the house folder cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum HouseError {
    /// A file that cannot be read.
    #[error(transparent)]
    File(#[from] FileError),
    /// A catalogue that cannot be used.
    #[error("{}: {source}", path.display())]
    Texts {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: TextsError,
    },
    /// A template under a name that no paper has.
    #[error("{}: {source}", path.display())]
    Template {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: ReportError,
    },
    /// The papers are to be in a language that has no catalogue.
    #[error("{}: papers.language is {tag:?}, and texts/ has no catalogue of it", path.display())]
    NoLanguage {
        /// The file that asks for it.
        path: PathBuf,
        /// The language.
        tag: String,
    },
    /// A logo that is too large.
    #[error("{}: {size} bytes; a logo has at most {LARGEST_LOGO}", path.display())]
    Logo {
        /// The file.
        path: PathBuf,
        /// Its size.
        size: u64,
    },
    /// Two catalogues of one language.
    #[error("{} and {} are both for the language {tag}", first.display(), second.display())]
    Twice {
        /// The language.
        tag: String,
        /// One file.
        first: PathBuf,
        /// The other.
        second: PathBuf,
    },
}

impl HouseError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::File(e) => e.hint(),
            Self::Texts { source: TextsError::Parts { .. }, .. } => Some(
                "a translation keeps every part in braces, in any order; mark it `#, fuzzy` until it does"
                    .to_owned(),
            ),
            Self::Texts { .. } => Some("mend the file, or take it out of the folder".to_owned()),
            Self::Template { source, .. } => source.hint(),
            Self::NoLanguage { .. } => Some(
                "put the catalogue into texts/, or leave papers.language out for English".to_owned(),
            ),
            Self::Logo { .. } => Some("make it smaller; SVG is sharp at every size".to_owned()),
            Self::Twice { .. } => Some("take one of them out of the folder".to_owned()),
        }
    }
}

impl House {
    /// Reads the house folder of a job. What is read stays in memory until the program ends.
    ///
    /// # Errors
    /// [`HouseError`]: a file that cannot be read or used; the path is named.
    pub fn read(job: &JobFolder) -> Result<Self, HouseError> {
        let mut found: Vec<(PathBuf, Catalogue)> = Vec::new();
        for path in of_ending(&job.house().join("texts"), "po")? {
            let po = files::read_text(&path)?;
            let catalogue = Catalogue::read(&po)
                .map_err(|source| HouseError::Texts { path: path.clone(), source })?;
            if let Some((first, _)) = found.iter().find(|(_, c)| c.tag == catalogue.tag) {
                let first = first.clone();
                return Err(HouseError::Twice { tag: catalogue.tag, first, second: path });
            }
            found.push((path, catalogue));
        }
        found.sort_by(|a, b| a.1.tag.cmp(&b.1.tag));
        let languages: Vec<Catalogue> = found.into_iter().map(|(_, catalogue)| catalogue).collect();
        let languages: Languages = languages.leak();
        let (papers, tag) = papers(&job.house())?;
        let paper_language = match tag {
            Some(tag) if tag != ENGLISH => Some(
                languages
                    .iter()
                    .find(|c| c.tag == tag)
                    .ok_or_else(|| HouseError::NoLanguage { path: job.house().join(FILE), tag })?,
            ),
            _ => None,
        };
        let papers = (papers != HousePapers::default()).then(|| &*Box::leak(Box::new(papers)));
        Ok(Self { languages, paper_language, papers })
    }
}

/// How the papers look, and the language they are to be in.
fn papers(folder: &Path) -> Result<(HousePapers, Option<String>), HouseError> {
    let written = match files::read_written(&folder.join(FILE), Written::parse) {
        Ok(written) => written.papers,
        Err(FileError::Absent { .. }) => WrittenPapers::default(),
        Err(e) => return Err(e.into()),
    };
    let mut papers = HousePapers {
        sheet: match written.sheet {
            WrittenSheet::A4 => Sheet::A4,
            WrittenSheet::Letter => Sheet::Letter,
        },
        heading: written.heading,
        logo: written.logo.map(|name| logo(&folder.join(name))).transpose()?,
        ..HousePapers::default()
    };
    for path in of_ending(&folder.join("papers"), "typ")? {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let template = files::read_text(&path)?;
        papers.take(&name, template).map_err(|source| HouseError::Template { path, source })?;
    }
    Ok((papers, written.language))
}

fn logo(path: &Path) -> Result<Logo, HouseError> {
    let failed = |source: std::io::Error| match source.kind() {
        std::io::ErrorKind::NotFound => FileError::Absent { path: path.to_owned() },
        _ => FileError::Read { path: path.to_owned(), source },
    };
    let size = std::fs::metadata(path).map_err(failed)?.len();
    if size > LARGEST_LOGO {
        return Err(HouseError::Logo { path: path.to_owned(), size });
    }
    let bytes = std::fs::read(path).map_err(failed)?;
    Ok(match path.extension() {
        Some(ending) if ending == "svg" => Logo::Svg(bytes),
        _ => Logo::Png(bytes),
    })
}

/// The files of a folder with an ending, in the order of their names; none where the folder is absent.
fn of_ending(folder: &Path, ending: &str) -> Result<Vec<PathBuf>, FileError> {
    let failed = |source| FileError::Read { path: folder.to_owned(), source };
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(failed(e)),
    };
    let mut paths = Vec::new();
    for entry in entries {
        let path = entry.map_err(failed)?.path();
        if path.extension().is_some_and(|e| e == ending) {
            paths.push(path);
        }
    }
    paths.sort();
    Ok(paths)
}
