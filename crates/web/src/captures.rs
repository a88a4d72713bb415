//! The captures of a job folder: what each was taken for, and whether it can be used now.

use barwright_capture::{CaptureKind, CaptureReader, Header};
use barwright_job::Hash;
use barwright_phrase::say;

use crate::{
    cache::{Cache, Doc},
    files::FileError,
    folder::JobFolder,
    lot::Lot,
};

/// What is told of a capture without reading its shots.
#[derive(Debug)]
pub struct Told {
    /// Its header.
    pub header: Header,
    /// Number of its shots.
    pub shots: u64,
    /// When it was written, where the system says so.
    pub written: Option<jiff::Timestamp>,
}

impl Told {
    /// When it was written, UTC, to the minute.
    pub fn written(&self) -> Option<String> {
        Some(self.written?.strftime("%Y-%m-%d %H:%M UTC").to_string())
    }
}

/// A capture of the folder.
pub struct Capture {
    /// Its name, which is that of its file.
    pub name: String,
    /// What is told of it.
    pub told: Doc<Told>,
}

/// All captures of a folder by name. Of each only the footer is read, once.
///
/// # Errors
/// [`FileError::Read`] where the folder cannot be listed.
pub fn captures(folder: &JobFolder, cache: &Cache) -> Result<Vec<Capture>, FileError> {
    let told = |name: &str| {
        let path = folder.capture_path(name);
        cache.get(&path, || {
            let read = |e| FileError::Read { path: path.clone(), source: std::io::Error::other(e) };
            let reader = CaptureReader::open(&path).map_err(read)?;
            let at = std::fs::metadata(&path).and_then(|about| about.modified()).ok();
            Ok(Told {
                header: reader.header().clone(),
                shots: reader.shots(),
                written: at.and_then(|at| jiff::Timestamp::try_from(at).ok()),
            })
        })
    };
    Ok(folder.captures()?.into_iter().map(|name| Capture { told: told(&name), name }).collect())
}

/// Why a capture cannot be used for something now; nothing where it can.
pub fn unfit(lot: &Lot, told: &Told, wanted: CaptureKind) -> Option<&'static str> {
    let header = &told.header;
    let technique = lot.technique.here().map(|t| &t.hash);
    let level = lot.level.here().map(|l| &l.hash);
    let levelled = matches!(wanted, CaptureKind::Check | CaptureKind::Production);
    let same = |a: Option<&Hash>, b: Option<&Hash>| a.is_some() && a == b;
    if header.kind != wanted {
        Some(purpose(header.kind))
    } else if !same(Some(&header.technique), technique) {
        Some(say!("made with another technique"))
    } else if levelled && !same(header.level.as_ref(), level) {
        Some(say!("made with another level"))
    } else {
        None
    }
}

/// What a capture was taken for, in words.
pub fn purpose(kind: CaptureKind) -> &'static str {
    match kind {
        CaptureKind::Reference => say!("the reference bar through its motion list"),
        CaptureKind::Check => say!("passes of the reference bar at line speed"),
        CaptureKind::Production => say!("a bar at line speed"),
        CaptureKind::Still => say!("a block or bar that does not move"),
    }
}
