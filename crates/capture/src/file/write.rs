//! Writing a capture.

use std::path::Path;
use std::sync::Arc;

use arrow::array::{
    ArrayRef, FixedSizeBinaryArray, Float32Array, Float64Array, RecordBatch, UInt16Array,
    UInt32Array,
};
use arrow::buffer::Buffer;
use arrow::datatypes::{DataType, Field};
use barwright_job::Hash;

use super::{CAPTURE, FILTER, GROUP_BYTES, HEADER};
use crate::error::{CaptureError, Result};
use crate::filter;
use crate::shots::{Header, Shots};
use crate::table::{TableWriter, column};

/// Writes shots to a capture file. Nothing appears under the file's name before
/// [`CaptureWriter::finish`]; a writer that is dropped leaves nothing behind.
pub struct CaptureWriter {
    table: TableWriter,
    samples_per_shot: usize,
    row_bytes: i32,
    rows_per_group: usize,
    /// Columns of the group in progress, without samples.
    pending: Shots,
    /// Filtered samples of the group in progress.
    packed: Vec<u8>,
}

impl CaptureWriter {
    /// Starts a capture.
    ///
    /// # Errors
    /// [`CaptureError::Impossible`] for a header whose record has no samples, too many (over
    /// 2^30), or a rate or full scale that is none; [`CaptureError::Io`] where the file cannot be
    /// made.
    pub fn create(path: &Path, header: &Header) -> Result<Self> {
        let record = &header.record;
        for (what, value) in
            [("sample_rate_hz", record.sample_rate_hz), ("full_scale_fsh", record.full_scale_fsh)]
        {
            if !(value.is_finite() && value > 0.0) {
                return Err(impossible(
                    format!("{what} of the capture's record"),
                    value,
                    "it must be finite and positive",
                ));
            }
        }
        let row_bytes = i32::try_from(record.samples)
            .ok()
            .and_then(|n| n.checked_mul(2))
            .filter(|&n| n > 0)
            .ok_or_else(|| {
                impossible(
                    "samples of the capture's record".into(),
                    record.samples,
                    "it must be from 1 to 2^30",
                )
            })?;
        let samples_per_shot = record.samples as usize;
        let text = serde_json::to_string(header)
            .map_err(|e| impossible("the capture's header".into(), e, "it must be JSON"))?;
        let table = TableWriter::create(
            path,
            &CAPTURE,
            columns(row_bytes),
            vec![(HEADER, text), (FILTER, filter::NAME.to_owned())],
            Some(("ascan", samples_per_shot * 2)),
        )?;
        Ok(Self {
            table,
            samples_per_shot,
            row_bytes,
            rows_per_group: (GROUP_BYTES / (samples_per_shot * 2)).max(1),
            pending: Shots::new(0),
            packed: Vec::new(),
        })
    }

    /// Appends shots.
    ///
    /// # Errors
    /// [`CaptureError::Mismatch`] for shots of another length than the header's record,
    /// [`CaptureError::Impossible`] for columns of unequal length, [`CaptureError::Io`] where
    /// writing fails.
    pub fn write(&mut self, shots: &Shots) -> Result<()> {
        self.check(shots)?;
        let mut from = 0;
        while from < shots.len() {
            let to = shots.len().min(from + self.rows_per_group - self.pending.len());
            self.append(shots, from, to);
            if self.pending.len() == self.rows_per_group {
                self.flush()?;
            }
            from = to;
        }
        Ok(())
    }

    /// Writes what is left, syncs the file, gives it its name and returns the BLAKE3 hash of its
    /// bytes.
    ///
    /// # Errors
    /// [`CaptureError::Io`] where writing, syncing or renaming fails.
    pub fn finish(mut self) -> Result<Hash> {
        self.flush()?;
        self.table.finish()
    }

    fn check(&self, shots: &Shots) -> Result<()> {
        if shots.samples_per_shot != self.samples_per_shot {
            return Err(CaptureError::Mismatch {
                what: "samples of a shot",
                found: format!("the shots have {}", shots.samples_per_shot),
                wanted: format!("the capture's record has {}", self.samples_per_shot),
            });
        }
        let n = shots.len();
        for (what, length, wanted) in [
            ("pass", shots.pass.len(), n),
            ("time_s", shots.time_s.len(), n),
            ("z_m", shots.z_m.len(), n),
            ("turn_rad", shots.turn_rad.len(), n),
            ("clipped_s", shots.clipped_s.len(), n),
            ("samples", shots.samples.len(), n * self.samples_per_shot),
        ] {
            if length != wanted {
                return Err(impossible(
                    format!("the length of the shots' {what}"),
                    length,
                    &format!("{n} shots need {wanted}"),
                ));
            }
        }
        Ok(())
    }

    fn append(&mut self, shots: &Shots, from: usize, to: usize) {
        let p = &mut self.pending;
        p.pass.extend_from_slice(&shots.pass[from..to]);
        p.beam.extend_from_slice(&shots.beam[from..to]);
        p.time_s.extend_from_slice(&shots.time_s[from..to]);
        p.z_m.extend_from_slice(&shots.z_m[from..to]);
        p.turn_rad.extend_from_slice(&shots.turn_rad[from..to]);
        p.clipped_s.extend_from_slice(&shots.clipped_s[from..to]);
        for i in from..to {
            filter::apply(shots.ascan(i), &mut self.packed);
        }
    }

    fn flush(&mut self) -> Result<()> {
        if self.pending.is_empty() {
            return Ok(());
        }
        let p = std::mem::replace(&mut self.pending, Shots::new(0));
        let packed = Buffer::from_vec(std::mem::take(&mut self.packed));
        let limit = |k: usize| Float32Array::from_iter_values(p.clipped_s.iter().map(|c| c[k]));
        let arrays: Vec<ArrayRef> = vec![
            Arc::new(limit(0)),
            Arc::new(limit(1)),
            Arc::new(UInt16Array::from(p.pass)),
            Arc::new(UInt32Array::from(p.beam)),
            Arc::new(Float64Array::from(p.time_s)),
            Arc::new(Float64Array::from(p.z_m)),
            Arc::new(Float32Array::from(p.turn_rad)),
            Arc::new(FixedSizeBinaryArray::new(self.row_bytes, packed.clone(), None)),
        ];
        let batch = RecordBatch::try_new(self.table.schema(), arrays)
            .expect("the arrays are those of the columns, of equal length");
        self.table.write_group(&batch)?;
        drop(batch);
        // The memory is taken back: fresh pages for every group would cost a fifth of the time.
        self.packed = packed.into_vec().unwrap_or_default();
        self.packed.clear();
        Ok(())
    }
}

fn columns(row_bytes: i32) -> Vec<Field> {
    use DataType::{FixedSizeBinary, Float32, Float64, UInt16, UInt32};
    vec![
        column(
            "clipped_from_s",
            Float32,
            "s",
            "first time from firing at which a source trace was at full scale; NaN where none was",
        ),
        column("clipped_to_s", Float32, "s", "last such time"),
        column("pass", UInt16, "1", "motion of the motion list, or pass"),
        column("beam", UInt32, "1", "beam by number"),
        column("time_s", Float64, "s", "time since the capture began"),
        column("z_m", Float64, "m", "place along the bar from its head end"),
        column("turn_rad", Float32, "rad", "turn of the bar, counter-clockwise"),
        column(
            "ascan",
            FixedSizeBinary(row_bytes),
            "32767 = full_scale_fsh of the header's record",
            "filtered 16-bit samples, see barwright.filter",
        ),
    ]
}

fn impossible(what: String, value: impl std::fmt::Display, expected: &str) -> CaptureError {
    CaptureError::Impossible { what, value: value.to_string(), expected: expected.to_owned() }
}
