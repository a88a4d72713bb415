//! The journal of a bar in progress: what has been acknowledged is in it, whatever happens.
//!
//! A journal is a file of frames, each with the BLAKE3 hash of itself and of all before it. A frame
//! that was not written whole is found on reading, and ends the journal there. The frames are: the
//! announcement; runs of shots, as peaks and kept A-scans; raw samples, where all are kept; the
//! bar's end. `docs/receiving.md` describes the bytes.

mod frame;
mod tables;

use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use arrow::array::RecordBatch;
use barwright_job::{Finding, Hash};
use serde::{Deserialize, Serialize};

use crate::error::{CaptureError, Result};
use crate::kept::KeptAscan;
use crate::peaks::Peaks;
use crate::wire::Announcement;
use frame::{Chain, Head, Kind, MAGIC};

/// Shots that a frame of the journal holds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Run {
    /// The client's number of the shot that follows the run's last.
    pub next_shot: u64,
    /// Peaks of every shot and gate.
    pub peaks: Peaks,
    /// A-scans to keep.
    pub kept: Vec<KeptAscan>,
}

/// How a bar ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct End {
    /// Its length in metres, where it was measured after the announcement.
    pub length_m: Option<f64>,
    /// Why the screening ended before the bar did.
    pub broken_off: Option<String>,
    /// What was noticed on the way to the journal.
    #[serde(default)]
    pub findings: Vec<Finding>,
}

/// A frame of a journal.
#[derive(Debug, Clone, PartialEq)]
pub enum Frame {
    /// What the client said of the bar: the first frame.
    Announcement(Box<Announcement>),
    /// Shots.
    Run(Run),
    /// Shots as they came, where all samples are kept; they belong to the run before.
    Samples(RecordBatch),
    /// The bar's end: the last frame.
    End(End),
}

/// Writes a journal.
#[derive(Debug)]
pub struct Journal {
    path: PathBuf,
    file: File,
    chain: Chain,
    /// Bytes that are whole frames.
    good: u64,
}

impl Journal {
    /// Starts a journal; the announcement is on the disk when this returns.
    ///
    /// # Errors
    /// [`CaptureError::Io`] where the file exists already or cannot be written.
    pub fn create(path: &Path, announcement: &Announcement) -> Result<Self> {
        let file =
            File::options().write(true).create_new(true).open(path).map_err(|source| {
                CaptureError::Io { path: path.into(), doing: "create", source }
            })?;
        let journal = Self::begin(path, file, announcement)?;
        // The name is on the disk only when the folder is.
        #[cfg(unix)]
        if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
            File::open(folder)
                .and_then(|f| f.sync_all())
                .map_err(|e| CaptureError::writing(path, e))?;
        }
        Ok(journal)
    }

    fn begin(path: &Path, mut file: File, announcement: &Announcement) -> Result<Self> {
        file.write_all(MAGIC).map_err(|e| CaptureError::writing(path, e))?;
        let good = MAGIC.len() as u64;
        let mut own = Self { path: path.to_owned(), file, chain: Chain::new(), good };
        let text = serde_json::to_vec(announcement).expect("an announcement is JSON");
        own.frame(Kind::Announcement, &text)?;
        own.sync()?;
        Ok(own)
    }

    /// Appends a run of shots; it is durable after the next [`Journal::sync`].
    ///
    /// # Errors
    /// [`CaptureError::Io`] where writing fails; the journal then ends with the frame before.
    pub fn run(&mut self, run: &Run) -> Result<()> {
        let bytes = tables::pack(run);
        self.frame(Kind::Run, &bytes)
    }

    /// Appends shots as they came.
    ///
    /// # Errors
    /// As [`Journal::run`].
    pub fn samples(&mut self, batch: &RecordBatch) -> Result<()> {
        let bytes = tables::ipc(batch);
        self.frame(Kind::Samples, &bytes)
    }

    /// Appends the bar's end and brings it to the disk.
    ///
    /// # Errors
    /// As [`Journal::run`].
    pub fn end(mut self, end: &End) -> Result<()> {
        let text = serde_json::to_vec(end).expect("numbers and text are JSON");
        self.frame(Kind::End, &text)?;
        self.sync()
    }

    /// Brings all frames to the disk.
    ///
    /// # Errors
    /// [`CaptureError::Io`].
    pub fn sync(&mut self) -> Result<()> {
        self.file.sync_data().map_err(|e| CaptureError::writing(&self.path, e))
    }

    fn frame(&mut self, kind: Kind, payload: &[u8]) -> Result<()> {
        let head = self.chain.seal(kind, payload);
        let written =
            self.file.write_all(&head.bytes()).and_then(|()| self.file.write_all(payload));
        match written {
            Ok(()) => {
                self.chain = Chain::after(&head);
                self.good += (Head::BYTES + payload.len()) as u64;
                Ok(())
            }
            Err(source) => {
                // Half a frame would end the journal for every frame after it. Where even this
                // fails, reading finds the half frame.
                let _ = self.file.set_len(self.good);
                let _ = self.file.seek(SeekFrom::Start(self.good));
                Err(CaptureError::writing(&self.path, source))
            }
        }
    }
}

/// Reads a journal frame by frame, up to its end or to where it was torn.
#[derive(Debug)]
pub struct JournalReader {
    frames: Frames,
    /// The bar the journal is of.
    pub announcement: Announcement,
}

/// The frames of a journal from a place on.
#[derive(Debug)]
struct Frames {
    path: PathBuf,
    file: std::io::BufReader<File>,
    chain: Chain,
    left: u64,
    torn: Option<u64>,
}

impl JournalReader {
    /// Opens a journal and reads its announcement.
    ///
    /// # Errors
    /// [`CaptureError::Absent`], [`CaptureError::Io`]; [`CaptureError::Corrupt`] where not even the
    /// announcement is whole, so that nothing can have been acknowledged.
    pub fn open(path: &Path) -> Result<Self> {
        let file = File::open(path).map_err(|e| CaptureError::reading(path, e))?;
        let left = file.metadata().map_err(|e| CaptureError::reading(path, e))?.len();
        let mut file = std::io::BufReader::with_capacity(1 << 20, file);
        let mut magic = [0; MAGIC.len()];
        if left < magic.len() as u64 || file.read_exact(&mut magic).is_err() || &magic != MAGIC {
            return Err(CaptureError::corrupt(path, "it does not begin as a journal does"));
        }
        let mut frames = Frames {
            path: path.to_owned(),
            file,
            chain: Chain::new(),
            left: left - magic.len() as u64,
            torn: None,
        };
        match frames.next()? {
            Some(Frame::Announcement(a)) => Ok(Self { frames, announcement: *a }),
            _ => Err(CaptureError::corrupt(path, "its announcement is not whole")),
        }
    }

    /// Bytes after the last whole frame, once the reading has come to them.
    #[must_use]
    pub fn torn_bytes(&self) -> Option<u64> {
        self.frames.torn
    }

    /// Hash of all frames read so far.
    #[must_use]
    pub fn hash(&self) -> Hash {
        self.frames.chain.hash()
    }

    /// The next frame; absent at the end, whole or torn.
    ///
    /// # Errors
    /// [`CaptureError::Io`] where reading fails, [`CaptureError::Corrupt`] for a whole frame that
    /// holds something else than it says.
    pub fn next_frame(&mut self) -> Result<Option<Frame>> {
        self.frames.next()
    }
}

impl Frames {
    fn next(&mut self) -> Result<Option<Frame>> {
        if self.torn.is_some() || self.left == 0 {
            return Ok(None);
        }
        let before = self.left;
        let Some((head, payload)) = self.sealed()? else {
            self.torn = Some(before);
            return Ok(None);
        };
        self.chain = Chain::after(&head);
        self.left -= (Head::BYTES + payload.len()) as u64;
        let wrong = |what: String| CaptureError::corrupt(&self.path, what);
        let json = |e: serde_json::Error| wrong(format!("a frame is not what it says: {e}"));
        Ok(Some(match head.kind {
            Kind::Announcement => {
                Frame::Announcement(serde_json::from_slice(&payload).map_err(json)?)
            }
            Kind::End => Frame::End(serde_json::from_slice(&payload).map_err(json)?),
            Kind::Run => Frame::Run(tables::unpack(&payload).map_err(wrong)?),
            Kind::Samples => Frame::Samples(tables::from_ipc(&payload).map_err(wrong)?),
        }))
    }

    /// The next frame's bytes, where they are whole.
    fn sealed(&mut self) -> Result<Option<(Head, Vec<u8>)>> {
        let mut bytes = [0; Head::BYTES];
        if self.left < bytes.len() as u64 {
            return Ok(None);
        }
        self.file.read_exact(&mut bytes).map_err(|e| CaptureError::reading(&self.path, e))?;
        let Some(head) = Head::read(&bytes) else {
            return Ok(None);
        };
        if u64::from(head.length) > self.left - bytes.len() as u64 {
            return Ok(None);
        }
        let mut payload = vec![0; head.length as usize];
        self.file.read_exact(&mut payload).map_err(|e| CaptureError::reading(&self.path, e))?;
        Ok((self.chain.seal(head.kind, &payload) == head).then_some((head, payload)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn announcement() -> Announcement {
        let json = r#"{"format": 1, "line": "line 1", "header": {"kind": "production",
            "technique": "t", "level": null, "bar": "1", "heat": "H", "length_m": 1.0, "record":
            {"first_sample_s": 0.0, "sample_rate_hz": 5e7, "samples": 8, "full_scale_fsh": 4.0},
            "gains_db": [], "origin": "test"}}"#;
        Announcement::read(json.as_bytes()).expect("an announcement")
    }

    // Truth: what the system says of a full disk, as Linux offers it for tests.
    #[test]
    #[cfg(target_os = "linux")]
    fn a_full_disk_is_told_and_nothing_is_counted() {
        let path = Path::new("/dev/full");
        let file = File::options().write(true).open(path).expect("Linux has it");
        let full = Journal::begin(path, file, &announcement()).expect_err("full");
        assert!(
            matches!(&full, CaptureError::Io { source, .. }
                if source.kind() == std::io::ErrorKind::StorageFull),
            "{full}"
        );
    }
}
