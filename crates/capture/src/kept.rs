//! The A-scans that are kept with a screened bar.

use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, BinaryArray, Float32Array, Float64Array, RecordBatch, UInt32Array};
use arrow::datatypes::DataType;
use barwright_job::{Hash, technique::Record};

use crate::echoes::TECHNIQUE;
use crate::error::Result;
use crate::file::FILTER;
use crate::filter;
use crate::table::{Kind, TableReader, TableWriter, column};

const KEPT: Kind = Kind { name: "kept A-scans", format: 1 };

/// Metadata key of the record, JSON.
const RECORD: &str = "barwright.record";

/// Rows of one row group: some megabytes of whole A-scans.
const GROUP_ROWS: usize = 1 << 12;

/// An A-scan, or the part of one, that is kept for people to look at.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptAscan {
    /// Beam by number.
    pub beam: u32,
    /// Place along the bar, metres from the head end.
    pub z_m: f64,
    /// Turn of the bar in rad.
    pub turn_rad: f32,
    /// Time since the capture began, in seconds.
    pub time_s: f64,
    /// Time of the first sample from firing, in seconds.
    pub first_sample_s: f64,
    /// Samples at the record's rate; `i16::MAX` stands for its `full_scale_fsh`. At most 2^30.
    pub samples: Vec<i16>,
}

/// The kept A-scans of a bar, the technique they were taken with, and what was recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptAscans {
    /// Hash of the technique.
    pub technique: Hash,
    /// What was recorded of each shot: rate and full scale of the samples.
    pub record: Record,
    /// The A-scans, in the order in which they were written.
    pub ascans: Vec<KeptAscan>,
}

/// Writes kept A-scans; nothing appears under the name before it is whole. Returns the BLAKE3 hash
/// of the file's bytes.
///
/// # Errors
/// [`crate::CaptureError::Io`] where the file cannot be made or written.
pub fn write_kept(
    path: &Path,
    technique: &Hash,
    record: &Record,
    ascans: &[KeptAscan],
) -> Result<Hash> {
    use DataType::{Binary, Float32, Float64, UInt32};
    let columns = vec![
        column("beam", UInt32, "1", "beam by number"),
        column("z_m", Float64, "m", "place along the bar from its head end"),
        column("turn_rad", Float32, "rad", "turn of the bar, counter-clockwise"),
        column("time_s", Float64, "s", "time since the capture began"),
        column("first_sample_s", Float64, "s", "time of the first sample from firing"),
        column(
            "ascan",
            Binary,
            "32767 = full_scale_fsh of the record",
            "filtered 16-bit samples, see barwright.filter",
        ),
    ];
    let text = serde_json::to_string(record).expect("a record is plain numbers");
    let values =
        vec![(TECHNIQUE, technique.0.clone()), (RECORD, text), (FILTER, filter::NAME.to_owned())];
    let usual = ascans.first().map_or(1, |a| 2 * a.samples.len());
    let mut table = TableWriter::create(path, &KEPT, columns, values, Some(("ascan", usual)))?;
    for part in ascans.chunks(GROUP_ROWS) {
        let packed = part.iter().map(|a| {
            let mut bytes = Vec::new();
            filter::apply(&a.samples, &mut bytes);
            bytes
        });
        let arrays: Vec<ArrayRef> = vec![
            Arc::new(UInt32Array::from_iter_values(part.iter().map(|a| a.beam))),
            Arc::new(Float64Array::from_iter_values(part.iter().map(|a| a.z_m))),
            Arc::new(Float32Array::from_iter_values(part.iter().map(|a| a.turn_rad))),
            Arc::new(Float64Array::from_iter_values(part.iter().map(|a| a.time_s))),
            Arc::new(Float64Array::from_iter_values(part.iter().map(|a| a.first_sample_s))),
            Arc::new(BinaryArray::from_iter_values(packed)),
        ];
        let batch = RecordBatch::try_new(table.schema(), arrays)
            .expect("the arrays are those of the columns, of equal length");
        table.write_group(&batch)?;
    }
    table.finish()
}

/// Reads kept A-scans.
///
/// # Errors
/// As [`crate::CaptureReader::open`].
pub fn read_kept(path: &Path) -> Result<KeptAscans> {
    let table = TableReader::open(path, &KEPT)?;
    let record = serde_json::from_str(table.value(RECORD)?)
        .map_err(|e| table.corrupt(format!("its record cannot be read: {e}")))?;
    let mut ascans = Vec::new();
    for i in 0..table.groups() {
        table.group(i, GROUP_ROWS, |batch| {
            let beam: &UInt32Array = table.column(batch, "beam")?;
            let z_m: &Float64Array = table.column(batch, "z_m")?;
            let turn_rad: &Float32Array = table.column(batch, "turn_rad")?;
            let time_s: &Float64Array = table.column(batch, "time_s")?;
            let first_sample_s: &Float64Array = table.column(batch, "first_sample_s")?;
            let packed: &BinaryArray = table.column(batch, "ascan")?;
            for k in 0..batch.num_rows() {
                let mut samples = Vec::with_capacity(packed.value(k).len() / 2);
                filter::undo(packed.value(k), &mut samples);
                ascans.push(KeptAscan {
                    beam: beam.value(k),
                    z_m: z_m.value(k),
                    turn_rad: turn_rad.value(k),
                    time_s: time_s.value(k),
                    first_sample_s: first_sample_s.value(k),
                    samples,
                });
            }
            Ok(())
        })?;
    }
    Ok(KeptAscans { technique: Hash(table.value(TECHNIQUE)?.to_owned()), record, ascans })
}
