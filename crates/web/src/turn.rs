//! Whose turn it is to change the documents of a job folder: commands and pages take turns, so that
//! nothing is written by two between one's reading and writing. The folder itself is locked, so that nothing
//! lies about in it.

use std::{
    fs::{File, TryLockError},
    io,
    path::Path,
};

use crate::files::FileError;

/// A turn at changing a folder. It ends when this is dropped, or with the program, however that ends.
#[derive(Debug)]
pub struct Turn {
    /// None for a folder that is not there: then nobody can be in it.
    _held: Option<File>,
}

/// Takes a turn, once whoever has it has ended; `waiting` is told once where that takes long.
///
/// # Errors
/// [`FileError::Read`] where the folder gives no turns, as on some network shares.
pub(crate) fn take(folder: &Path, waiting: impl FnOnce()) -> Result<Turn, FileError> {
    if !folder.is_dir() {
        return Ok(Turn { _held: None });
    }
    let taken = || -> io::Result<File> {
        let file = File::open(folder)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                waiting();
                file.lock()?;
            }
            Err(TryLockError::Error(e)) => return Err(e),
        }
        Ok(file)
    };
    match taken() {
        Ok(file) => Ok(Turn { _held: Some(file) }),
        Err(source) => Err(FileError::Read { path: folder.to_owned(), source }),
    }
}

#[cfg(test)]
mod tests {
    use std::{
        sync::atomic::{AtomicU32, Ordering},
        time::Duration,
    };

    use super::*;

    // Property: never two at once, everybody comes to their turn, and who waits is told.
    #[test]
    fn turns_are_taken_one_after_the_other() {
        let folder = tempfile::tempdir().unwrap();
        let (inside, waited) = (AtomicU32::new(0), AtomicU32::new(0));
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| {
                    for _ in 0..5 {
                        let told = || {
                            waited.fetch_add(1, Ordering::SeqCst);
                        };
                        let turn = take(folder.path(), told).unwrap();
                        assert_eq!(inside.fetch_add(1, Ordering::SeqCst), 0, "two at once");
                        std::thread::sleep(Duration::from_millis(2));
                        inside.fetch_sub(1, Ordering::SeqCst);
                        drop(turn);
                    }
                });
            }
        });
        assert!(waited.load(Ordering::SeqCst) > 0, "nobody waited in twenty turns of four");
        assert!(take(&folder.path().join("gone"), || ()).is_ok(), "a folder that is not there");
    }
}
