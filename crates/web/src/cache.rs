//! Documents as last read: a file is read again only when it was written again.

use std::any::Any;
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::SystemTime;

use crate::files::FileError;

/// A document that may be absent or unusable.
#[derive(Debug)]
pub enum Doc<T> {
    /// There is no such file.
    Absent,
    /// The file is there, but says nothing usable.
    Bad(Arc<FileError>),
    /// The document.
    Here(Arc<T>),
}

impl<T> Clone for Doc<T> {
    fn clone(&self) -> Self {
        match self {
            Self::Absent => Self::Absent,
            Self::Bad(e) => Self::Bad(Arc::clone(e)),
            Self::Here(t) => Self::Here(Arc::clone(t)),
        }
    }
}

impl<T> Doc<T> {
    /// The document, where it is usable.
    pub fn here(&self) -> Option<&T> {
        match self {
            Self::Here(t) => Some(t),
            _ => None,
        }
    }

    /// Why it is unusable, where it is.
    pub fn error(&self) -> Option<&FileError> {
        match self {
            Self::Bad(e) => Some(e),
            _ => None,
        }
    }
}

/// When a file was written and how long it is.
type Stamp = (SystemTime, u64);

struct Kept {
    stamp: Stamp,
    value: Arc<dyn Any + Send + Sync>,
}

/// What was read of files, by path. Clones share it.
#[derive(Clone, Default)]
pub struct Cache(Arc<Mutex<HashMap<PathBuf, Kept>>>);

impl Cache {
    /// The content of a file as `read` makes it, read again only when the file changed.
    pub fn get<T: Send + Sync + 'static>(
        &self,
        path: &Path,
        read: impl FnOnce() -> Result<T, FileError>,
    ) -> Doc<T> {
        let Some(stamp) = stamp(path) else {
            self.0.lock().unwrap_or_else(PoisonError::into_inner).remove(path);
            return match read() {
                Err(FileError::Absent { .. }) => Doc::Absent,
                Err(e) => Doc::Bad(Arc::new(e)),
                Ok(t) => Doc::Here(Arc::new(t)),
            };
        };
        if let Some(doc) = self.kept(path, stamp) {
            return doc;
        }
        // Read without the lock: a slow file does not hold up other pages.
        let doc = match read() {
            Err(FileError::Absent { .. }) => return Doc::Absent,
            Err(e) => Doc::Bad(Arc::new(e)),
            Ok(t) => Doc::Here(Arc::new(t)),
        };
        let kept = Kept { stamp, value: Arc::new(doc.clone()) };
        self.0.lock().unwrap_or_else(PoisonError::into_inner).insert(path.to_owned(), kept);
        doc
    }

    fn kept<T: Send + Sync + 'static>(&self, path: &Path, stamp: Stamp) -> Option<Doc<T>> {
        let kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let found = kept.get(path).filter(|k| k.stamp == stamp)?;
        found.value.downcast_ref::<Doc<T>>().cloned()
    }
}

fn stamp(path: &Path) -> Option<Stamp> {
    let about = std::fs::metadata(path).ok()?;
    Some((about.modified().ok()?, about.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Property: what was read is kept until the file changes, and a change is always seen.
    #[test]
    fn a_file_is_read_again_when_it_was_written_again() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.txt");
        let cache = Cache::default();
        let read = || crate::files::read_text(&path);
        assert!(matches!(cache.get(&path, read), Doc::Absent));
        std::fs::write(&path, "one").unwrap();
        assert_eq!(cache.get(&path, read).here().unwrap(), "one");
        let never = || -> Result<String, FileError> { panic!("it was kept") };
        assert_eq!(cache.get(&path, never).here().unwrap(), "one");
        std::fs::write(&path, "longer").unwrap();
        assert_eq!(cache.get(&path, read).here().unwrap(), "longer");
        std::fs::remove_file(&path).unwrap();
        assert!(matches!(cache.get(&path, read), Doc::Absent));
    }
}
