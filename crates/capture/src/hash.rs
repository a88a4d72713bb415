//! BLAKE3 of files, and a file that hashes what is written to it.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

use barwright_job::Hash;
use tempfile::NamedTempFile;

use crate::error::{CaptureError, Result};

/// BLAKE3 hash of a file's bytes, read in one pass with bounded memory.
///
/// # Errors
/// [`CaptureError::Absent`] without the file, [`CaptureError::Io`] where reading fails.
pub fn hash_file(path: &Path) -> Result<Hash> {
    let file = File::open(path).map_err(|e| CaptureError::reading(path, e))?;
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(file).map_err(|e| CaptureError::reading(path, e))?;
    Ok(to_hash(&hasher))
}

pub(crate) fn to_hash(hasher: &blake3::Hasher) -> Hash {
    Hash(hasher.finalize().to_hex().to_string())
}

/// A file that appears under its name only when it is whole.
///
/// Bytes go to a temporary file in the same folder; [`NewFile::finish`] syncs and renames it.
/// Dropped before, it removes the temporary file and leaves an older file of the name alone.
#[derive(Debug)]
pub(crate) struct NewFile {
    path: PathBuf,
    temporary: NamedTempFile,
    whole: blake3::Hasher,
    part: blake3::Hasher,
    written: u64,
    part_start: u64,
    held: Option<Vec<u8>>,
}

/// A stretch of a file with the hash of its bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Part {
    pub start: u64,
    pub length: u64,
    pub hash: Hash,
}

impl NewFile {
    pub(crate) fn create(path: &Path) -> Result<Self> {
        let folder = folder(path);
        let mut builder = tempfile::Builder::new();
        builder.prefix(".barwright-").suffix(".part");
        // Temporary files are private by default; this one is to become an ordinary file.
        #[cfg(unix)]
        builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
        let temporary = builder.tempfile_in(folder).map_err(|source| CaptureError::Io {
            path: path.to_owned(),
            doing: "create",
            source,
        })?;
        Ok(Self {
            path: path.to_owned(),
            temporary,
            whole: blake3::Hasher::new(),
            part: blake3::Hasher::new(),
            written: 0,
            part_start: 0,
            held: None,
        })
    }

    /// The stretch written since the last call (or the start), with its hash.
    pub(crate) fn take_part(&mut self) -> Part {
        let part = Part {
            start: self.part_start,
            length: self.written - self.part_start,
            hash: to_hash(&self.part),
        };
        self.part_start = self.written;
        self.part.reset();
        part
    }

    /// From now on keeps what is written in memory: it is the footer.
    pub(crate) fn hold_footer(&mut self) {
        self.held = Some(Vec::new());
    }

    /// Writes the footer, where one was held, with its hash ahead of it, brings the bytes to the
    /// disk, gives the file its name and returns the hash of its bytes.
    pub(crate) fn finish(mut self) -> Result<Hash> {
        let sealed = match self.held.take() {
            Some(footer) => self
                .write_all(blake3::hash(&footer).as_bytes())
                .and_then(|()| self.write_all(&footer)),
            None => Ok(()),
        };
        let path = self.path;
        let fail = |e| CaptureError::writing(&path, e);
        sealed.map_err(fail)?;
        self.temporary.as_file().sync_all().map_err(fail)?;
        self.temporary.persist(&path).map_err(|e| fail(e.error))?;
        // The new name is on the disk only when the folder is.
        #[cfg(unix)]
        File::open(folder(&path)).and_then(|f| f.sync_all()).map_err(fail)?;
        Ok(to_hash(&self.whole))
    }
}

impl Write for NewFile {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        if let Some(held) = &mut self.held {
            held.extend_from_slice(bytes);
            return Ok(bytes.len());
        }
        let n = self.temporary.as_file_mut().write(bytes)?;
        self.whole.update(&bytes[..n]);
        self.part.update(&bytes[..n]);
        self.written += n as u64;
        Ok(n)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.temporary.as_file_mut().flush()
    }
}

fn folder(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}
