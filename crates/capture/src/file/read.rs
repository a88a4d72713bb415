//! Reading a capture.

use std::path::Path;

use arrow::array::{
    Array, FixedSizeBinaryArray, Float32Array, Float64Array, RecordBatch, UInt16Array, UInt32Array,
};
use barwright_job::Hash;

use super::{CAPTURE, FILTER, GROUP_BYTES, HEADER};
use crate::error::Result;
use crate::shots::{Header, Shots};
use crate::table::TableReader;
use crate::{filter, hash};

/// Bytes of samples that are decoded at a time.
const DECODED_BYTES: usize = 1 << 20;

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

    fn group(&self, index: usize) -> Result<Shots> {
        let samples = self.header.record.samples as usize;
        let mut shots = Shots::new(samples);
        // At most a group's worth, whatever the footer says: the rows have yet to be seen.
        let room = self.table.rows_of(index).saturating_mul(samples).min(GROUP_BYTES / 2);
        shots.samples.reserve(room);
        let at_a_time = (DECODED_BYTES / (2 * samples.max(1))).max(1);
        self.table.group(index, at_a_time, |batch| self.append(batch, &mut shots))?;
        Ok(shots)
    }

    fn append(&self, batch: &RecordBatch, shots: &mut Shots) -> Result<()> {
        let t = &self.table;
        let packed: &FixedSizeBinaryArray = t.column(batch, "ascan")?;
        if usize::try_from(packed.value_length()) != Ok(2 * shots.samples_per_shot) {
            return Err(t.corrupt(format!(
                "its A-scans have {} bytes, its header says {} samples",
                packed.value_length(),
                shots.samples_per_shot
            )));
        }
        let from: &Float32Array = t.column(batch, "clipped_from_s")?;
        let to: &Float32Array = t.column(batch, "clipped_to_s")?;
        let clipped = from.values().iter().zip(to.values());
        shots.clipped_s.extend(clipped.map(|(&a, &b)| [a, b]));
        shots.pass.extend_from_slice(t.column::<UInt16Array>(batch, "pass")?.values());
        shots.beam.extend_from_slice(t.column::<UInt32Array>(batch, "beam")?.values());
        shots.time_s.extend_from_slice(t.column::<Float64Array>(batch, "time_s")?.values());
        shots.z_m.extend_from_slice(t.column::<Float64Array>(batch, "z_m")?.values());
        shots.turn_rad.extend_from_slice(t.column::<Float32Array>(batch, "turn_rad")?.values());
        for i in 0..packed.len() {
            filter::undo(packed.value(i), &mut shots.samples);
        }
        Ok(())
    }
}

impl Iterator for CaptureReader {
    type Item = Result<Shots>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.next >= self.table.groups() {
            return None;
        }
        let result = self.group(self.next);
        // After damage there is nothing more that could be relied on.
        self.next = match result {
            Ok(_) => self.next + 1,
            Err(_) => self.table.groups(),
        };
        Some(result)
    }
}
