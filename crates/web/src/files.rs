//! Reading and writing whole documents: never half a file, and three different errors for a file
//! that is absent, damaged or too new.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use barwright_job::{DocumentError, Sealed, seal::Document};

/// Why a document could not be read or written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FileError {
    /// There is no such file.
    #[error("{}: there is no such file", path.display())]
    Absent {
        /// The path asked for.
        path: PathBuf,
    },
    /// The operating system refused to read.
    #[error("{}: cannot be read", path.display())]
    Read {
        /// The path asked for.
        path: PathBuf,
        /// The reason.
        source: std::io::Error,
    },
    /// The operating system refused to write; whatever stood there before still stands.
    #[error("{}: cannot be written; what stood there before is untouched", path.display())]
    Write {
        /// The path asked for.
        path: PathBuf,
        /// The reason.
        source: std::io::Error,
    },
    /// The text is not a usable document.
    #[error("{source}")]
    Document {
        /// The reason, with line and key.
        source: DocumentError,
        /// The text, for showing the line.
        text: String,
    },
}

impl FileError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Absent { .. } => Some(
                "check the path; `barwright help steps` says which step makes which file".into(),
            ),
            Self::Write { source, .. } if source.kind() == std::io::ErrorKind::StorageFull => {
                Some("free some space on the disk, or choose another folder".into())
            }
            Self::Write { .. } => Some("choose a folder you may write to".into()),
            Self::Document { source, .. } => source.hint(),
            Self::Read { .. } => None,
        }
    }
}

/// Name of a file for messages: its path as given.
fn name(path: &Path) -> String {
    path.display().to_string()
}

/// The text of a file.
///
/// # Errors
/// [`FileError::Absent`] or [`FileError::Read`].
pub fn read_text(path: &Path) -> Result<String, FileError> {
    std::fs::read_to_string(path).map_err(|source| match source.kind() {
        std::io::ErrorKind::NotFound => FileError::Absent { path: path.to_owned() },
        _ => FileError::Read { path: path.to_owned(), source },
    })
}

/// A written document, read by its own reader (`Order::from_toml` and the like).
///
/// # Errors
/// The file's or the document's reason.
pub fn read_written<T>(
    path: &Path,
    parse: impl Fn(&str, &str) -> barwright_job::Result<T>,
) -> Result<T, FileError> {
    let text = read_text(path)?;
    parse(&name(path), &text).map_err(|source| FileError::Document { source, text })
}

/// A derived document.
///
/// # Errors
/// The file's or the document's reason.
pub fn read_sealed<T: Document>(path: &Path) -> Result<Sealed<T>, FileError> {
    read_written(path, Sealed::<T>::from_json)
}

/// Makes the folders above a file that somebody else will write.
///
/// # Errors
/// [`FileError::Write`] when they cannot be made.
pub fn make_room(path: &Path) -> Result<(), FileError> {
    std::fs::create_dir_all(folder_of(path))
        .map_err(|source| FileError::Write { path: path.to_owned(), source })
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Writes a file so that a reader finds either the old content or the new, never a part: a
/// temporary file beside it, synced, then renamed.
///
/// # Errors
/// [`FileError::Write`]; the old content stands.
pub fn write(path: &Path, content: &[u8]) -> Result<(), FileError> {
    put(prepare(path, content)?)
}

/// Writes files that belong together: all contents are on the disk before the first takes its
/// name, so that what can fail fails while the old files still stand.
///
/// # Errors
/// [`FileError::Write`] with the first file that could not be written.
pub fn write_together(files: &[(PathBuf, Vec<u8>)]) -> Result<(), FileError> {
    let ready: Vec<Ready> =
        files.iter().map(|(path, content)| prepare(path, content)).collect::<Result<_, _>>()?;
    ready.into_iter().try_for_each(put)
}

/// A content on the disk that has not yet taken its name.
struct Ready {
    file: tempfile::NamedTempFile,
    path: PathBuf,
}

fn prepare(path: &Path, content: &[u8]) -> Result<Ready, FileError> {
    let attempt = || -> std::io::Result<Ready> {
        let folder = folder_of(path);
        std::fs::create_dir_all(folder)?;
        if path.is_dir() {
            return Err(std::io::ErrorKind::IsADirectory.into());
        }
        let mut file = tempfile::Builder::new().prefix(".writing-").tempfile_in(folder)?;
        file.write_all(content)?;
        file.as_file().sync_all()?;
        Ok(Ready { file, path: path.to_owned() })
    };
    attempt().map_err(|source| FileError::Write { path: path.to_owned(), source })
}

fn put(ready: Ready) -> Result<(), FileError> {
    let Ready { file, path } = ready;
    match file.persist(&path) {
        Ok(_) => Ok(()),
        Err(e) => Err(FileError::Write { path, source: e.error }),
    }
}

/// Writes a derived document.
///
/// # Errors
/// [`FileError::Write`]; the old content stands.
pub fn write_sealed<T: Document>(path: &Path, document: &Sealed<T>) -> Result<(), FileError> {
    write(path, document.to_json().as_bytes())
}
/// What stood in a place before it was written, to be put back where what belongs to it fails.
pub(crate) struct Before {
    /// The place.
    pub path: PathBuf,
    bytes: Option<Vec<u8>>,
}

impl Before {
    /// What stands there now.
    ///
    /// # Errors
    /// [`FileError::Read`].
    pub fn at(path: PathBuf) -> Result<Self, FileError> {
        match std::fs::read(&path) {
            Ok(bytes) => Ok(Self { path, bytes: Some(bytes) }),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(Self { path, bytes: None }),
            Err(source) => Err(FileError::Read { path, source }),
        }
    }

    /// Puts it back, or takes away what stands where nothing did.
    ///
    /// # Errors
    /// [`FileError::Write`].
    pub fn put_back(self) -> Result<(), FileError> {
        match self.bytes {
            Some(bytes) => write(&self.path, &bytes),
            None => match std::fs::remove_file(&self.path) {
                Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(()),
                done => done.map_err(|source| FileError::Write { path: self.path, source }),
            },
        }
    }
}
