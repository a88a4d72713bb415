//! The table of echoes beside a screened bar.

use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, Float32Array, Float64Array, RecordBatch, UInt8Array, UInt32Array};
use arrow::datatypes::DataType;
use barwright_job::Hash;
use barwright_job::screened::{Echo, EchoMark};

use crate::error::Result;
use crate::table::{Kind, TableReader, TableWriter, column};

const ECHOES: Kind = Kind { name: "echoes", format: 1 };

/// Metadata key of the technique's hash.
pub(crate) const TECHNIQUE: &str = "barwright.technique";

/// Rows of one row group: about 4 MB of echoes.
const GROUP_ROWS: usize = 1 << 17;

/// The echoes of a bar and the technique they were found with.
#[derive(Debug, Clone, PartialEq)]
pub struct EchoTable {
    /// Hash of the technique.
    pub technique: Hash,
    /// The echoes, in the order in which they were written.
    pub echoes: Vec<Echo>,
}

/// Writes a table of echoes run by run; nothing appears under its name before it is whole.
pub struct EchoWriter {
    table: TableWriter,
    pending: Vec<Echo>,
}

impl EchoWriter {
    /// Starts a table.
    ///
    /// # Errors
    /// [`crate::CaptureError::Io`] where the file cannot be made.
    pub fn create(path: &Path, technique: &Hash) -> Result<Self> {
        use DataType::{Float32, Float64, UInt8, UInt32};
        let columns = vec![
            column("beam", UInt32, "1", "beam by number"),
            column("gate", UInt8, "1", "gate, its place in the beam's list"),
            column("z_m", Float64, "m", "place along the bar from its head end"),
            column("turn_rad", Float32, "rad", "turn of the bar, counter-clockwise"),
            column(
                "height_fsh",
                Float32,
                "1",
                "peak of the envelope in the gate, fraction of full screen height",
            ),
            column(
                "after_surface_s",
                Float64,
                "s",
                "time of the peak after the surface; from firing for the surface gate",
            ),
            column("mark", UInt8, "0 sound, 1 clipped, 2 coupling lost", "what limits the reading"),
        ];
        let values = vec![(TECHNIQUE, technique.0.clone())];
        let table = TableWriter::create(path, &ECHOES, columns, values, None)?;
        Ok(Self { table, pending: Vec::new() })
    }

    /// Appends echoes.
    ///
    /// # Errors
    /// [`crate::CaptureError::Io`] where writing fails.
    pub fn write(&mut self, mut echoes: &[Echo]) -> Result<()> {
        while !echoes.is_empty() {
            let room = (GROUP_ROWS - self.pending.len()).min(echoes.len());
            let (now, later) = echoes.split_at(room);
            self.pending.extend_from_slice(now);
            echoes = later;
            if self.pending.len() == GROUP_ROWS {
                self.flush()?;
            }
        }
        Ok(())
    }

    /// Writes what is left and gives the file its name. Returns the BLAKE3 hash of its bytes.
    ///
    /// # Errors
    /// [`crate::CaptureError::Io`] where writing fails.
    pub fn finish(mut self) -> Result<Hash> {
        self.flush()?;
        self.table.finish()
    }

    fn flush(&mut self) -> Result<()> {
        let part = &self.pending;
        let arrays: Vec<ArrayRef> = vec![
            Arc::new(UInt32Array::from_iter_values(part.iter().map(|e| e.beam))),
            Arc::new(UInt8Array::from_iter_values(part.iter().map(|e| e.gate))),
            Arc::new(Float64Array::from_iter_values(part.iter().map(|e| e.z_m))),
            Arc::new(Float32Array::from_iter_values(part.iter().map(|e| e.turn_rad))),
            Arc::new(Float32Array::from_iter_values(part.iter().map(|e| e.height_fsh))),
            Arc::new(Float64Array::from_iter_values(part.iter().map(|e| e.after_surface_s))),
            Arc::new(UInt8Array::from_iter_values(part.iter().map(|e| number(e.mark)))),
        ];
        let batch = RecordBatch::try_new(self.table.schema(), arrays)
            .expect("the arrays are those of the columns, of equal length");
        self.table.write_group(&batch)?;
        self.pending.clear();
        Ok(())
    }
}

/// Writes a table of echoes that are all there. Returns the BLAKE3 hash of the file's bytes.
///
/// # Errors
/// As [`EchoWriter`].
pub fn write_echoes(path: &Path, technique: &Hash, echoes: &[Echo]) -> Result<Hash> {
    let mut writer = EchoWriter::create(path, technique)?;
    writer.write(echoes)?;
    writer.finish()
}

/// Reads a table of echoes.
///
/// # Errors
/// As [`crate::CaptureReader::open`].
pub fn read_echoes(path: &Path) -> Result<EchoTable> {
    let mut echoes = Vec::new();
    let technique = each_echoes(path, |group| {
        echoes.extend_from_slice(group);
        Ok(())
    })?;
    Ok(EchoTable { technique, echoes })
}

/// Reads a table of echoes and hands them on, a row group at a time, in the order in which they
/// were written. Returns the hash of the technique.
///
/// # Errors
/// As [`crate::CaptureReader::open`], and what `take` says.
pub fn each_echoes(path: &Path, mut take: impl FnMut(&[Echo]) -> Result<()>) -> Result<Hash> {
    let table = TableReader::open(path, &ECHOES)?;
    let mut echoes = Vec::new();
    for i in 0..table.groups() {
        echoes.clear();
        table.group(i, GROUP_ROWS, |batch| {
            let beam: &UInt32Array = table.column(batch, "beam")?;
            let gate: &UInt8Array = table.column(batch, "gate")?;
            let z_m: &Float64Array = table.column(batch, "z_m")?;
            let turn_rad: &Float32Array = table.column(batch, "turn_rad")?;
            let height_fsh: &Float32Array = table.column(batch, "height_fsh")?;
            let after_surface_s: &Float64Array = table.column(batch, "after_surface_s")?;
            let marks: &UInt8Array = table.column(batch, "mark")?;
            echoes.reserve(batch.num_rows());
            for k in 0..batch.num_rows() {
                let mark = marks.value(k);
                echoes.push(Echo {
                    beam: beam.value(k),
                    gate: gate.value(k),
                    z_m: z_m.value(k),
                    turn_rad: turn_rad.value(k),
                    height_fsh: height_fsh.value(k),
                    after_surface_s: after_surface_s.value(k),
                    mark: mark_of(mark).ok_or_else(|| {
                        table.corrupt(format!("an echo is marked {mark}, not 0 to 2"))
                    })?,
                });
            }
            Ok(())
        })?;
        take(&echoes)?;
    }
    Ok(Hash(table.value(TECHNIQUE)?.to_owned()))
}

pub(crate) fn number(mark: EchoMark) -> u8 {
    match mark {
        EchoMark::Sound => 0,
        EchoMark::Clipped => 1,
        EchoMark::CouplingLost => 2,
    }
}

pub(crate) fn mark_of(number: u8) -> Option<EchoMark> {
    [EchoMark::Sound, EchoMark::Clipped, EchoMark::CouplingLost].get(usize::from(number)).copied()
}
