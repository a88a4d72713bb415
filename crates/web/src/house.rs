//! What a house keeps of its own beside the jobs: languages of the pages, and how papers look.
//!
//! The folder `house` of the job, or the one that `--house` names. All of it may be absent.

use std::path::{Path, PathBuf};

use barwright_report::texts::{Catalogue, TextsError};

use crate::{
    files::{self, FileError},
    folder::JobFolder,
    manner::Languages,
};

/// What the house folder holds.
#[derive(Debug, Clone, Copy, Default)]
pub struct House {
    /// Languages of the pages besides English, by their tags.
    pub languages: Languages,
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
        for path in catalogues(&job.house().join("texts"))? {
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
        Ok(Self { languages: languages.leak() })
    }
}

/// The PO files of a folder; none where it is absent.
fn catalogues(folder: &Path) -> Result<Vec<PathBuf>, FileError> {
    let failed = |source| FileError::Read { path: folder.to_owned(), source };
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(failed(e)),
    };
    let mut paths = Vec::new();
    for entry in entries {
        let path = entry.map_err(failed)?.path();
        if path.extension().is_some_and(|e| e == "po") {
            paths.push(path);
        }
    }
    paths.sort();
    Ok(paths)
}
