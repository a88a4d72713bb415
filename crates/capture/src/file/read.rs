//! Reading a capture.

use std::path::Path;

use arrow::array::{
    Array, FixedSizeBinaryArray, Float32Array, Float64Array, RecordBatch, UInt16Array, UInt32Array,
};
use barwright_job::Hash;

use super::{CAPTURE, FILTER, HEADER};
use crate::error::Result;
use crate::shots::{Header, Shots};
use crate::table::TableReader;
use crate::{filter, hash};

/// An open capture; iterates over its shots in batches of about 8 MiB of samples, in the order in
/// which they were written.
#[derive(Debug)]
pub struct CaptureReader {
    table: TableReader,
    header: Header,
    next: usize,
}

impl CaptureReader {
    /// Opens a capture and reads its header.
    ///
    /// # Errors
    /// [`crate::CaptureError::Absent`] without the file, [`crate::CaptureError::Corrupt`] for one that is cut
    /// short or changed or is not Parquet, [`crate::CaptureError::WrongKind`] for another Parquet file,
    /// [`crate::CaptureError::TooNew`] for a later format, [`crate::CaptureError::Io`] where reading fails.
    pub fn open(path: &Path) -> Result<Self> {
        let table = TableReader::open(path, &CAPTURE)?;
        let found = table.value(FILTER)?;
        if found != filter::NAME {
            return Err(table.corrupt(format!(
                "its filter is {found}; format {} has {}",
                CAPTURE.format,
                filter::NAME
            )));
        }
        let header = serde_json::from_str(table.value(HEADER)?)
            .map_err(|e| table.corrupt(format!("its header cannot be read: {e}")))?;
        Ok(Self { table, header, next: 0 })
    }

    /// What the capture is.
    #[must_use]
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// BLAKE3 hash of the file's bytes, as [`super::CaptureWriter::finish`] returned it; computed
    /// now, from the whole file.
    ///
    /// # Errors
    /// As [`crate::hash_file`].
    pub fn hash(&self) -> Result<Hash> {
        hash::hash_file(self.table.path())
    }

    /// Number of shots.
    #[must_use]
    pub fn shots(&self) -> u64 {
        self.table.rows()
    }

    /// Number of batches the iterator gives in all.
    #[must_use]
    pub fn batches(&self) -> usize {
        self.table.groups()
    }

    /// All shots at once, for small captures.
    ///
    /// # Errors
    /// As [`CaptureReader::open`], for any batch.
    pub fn read_all(path: &Path) -> Result<(Header, Shots)> {
        let reader = Self::open(path)?;
        let header = reader.header.clone();
        let mut all = Shots::new(header.record.samples as usize);
        for batch in reader {
            all.append(batch?);
        }
        Ok((header, all))
    }

    fn shots_of(&self, batch: &RecordBatch) -> Result<Shots> {
        let samples = self.header.record.samples as usize;
        let t = &self.table;
        let packed: &FixedSizeBinaryArray = t.column(batch, "ascan")?;
        if usize::try_from(packed.value_length()) != Ok(2 * samples) {
            return Err(t.corrupt(format!(
                "its A-scans have {} bytes, its header says {samples} samples",
                packed.value_length()
            )));
        }
        let from: &Float32Array = t.column(batch, "clipped_from_s")?;
        let to: &Float32Array = t.column(batch, "clipped_to_s")?;
        let mut shots = Shots {
            samples_per_shot: samples,
            pass: t.column::<UInt16Array>(batch, "pass")?.values().to_vec(),
            beam: t.column::<UInt32Array>(batch, "beam")?.values().to_vec(),
            time_s: t.column::<Float64Array>(batch, "time_s")?.values().to_vec(),
            z_m: t.column::<Float64Array>(batch, "z_m")?.values().to_vec(),
            turn_rad: t.column::<Float32Array>(batch, "turn_rad")?.values().to_vec(),
            clipped_s: from.values().iter().zip(to.values()).map(|(&a, &b)| [a, b]).collect(),
            samples: Vec::with_capacity(batch.num_rows() * samples),
        };
        for i in 0..packed.len() {
            filter::undo(packed.value(i), &mut shots.samples);
        }
        Ok(shots)
    }
}

impl Iterator for CaptureReader {
    type Item = Result<Shots>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.next >= self.table.groups() {
            return None;
        }
        let result = self.table.group(self.next).and_then(|b| self.shots_of(&b));
        // After damage there is nothing more that could be relied on.
        self.next = match result {
            Ok(_) => self.next + 1,
            Err(_) => self.table.groups(),
        };
        Some(result)
    }
}
