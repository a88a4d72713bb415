//! The table that says what each beam did at each millimetre of a screened bar, beside its echoes.

use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, RecordBatch, StringArray, UInt8Array, UInt32Array};
use arrow::datatypes::DataType;
use barwright_job::Hash;
use barwright_job::proof::FlawClass;
use barwright_job::screened::{BeamRun, LossCause};

use crate::echoes::TECHNIQUE;
use crate::error::Result;
use crate::table::{Kind, TableReader, TableWriter, column};

const INSPECTED: Kind = Kind { name: "inspected millimetres", format: 1 };

/// Rows of one row group.
const GROUP_ROWS: usize = 1 << 17;

/// Causes by number; 0 stands for inspected.
const CAUSES: [LossCause; 6] = [
    LossCause::End,
    LossCause::Coupling,
    LossCause::MissedCycle,
    LossCause::TooFast,
    LossCause::Clipped,
    LossCause::NotLevelled,
];

/// Writes the runs of millimetres; nothing appears under the name before it is whole. Returns the
/// BLAKE3 hash of the file's bytes.
///
/// # Errors
/// [`crate::CaptureError::Io`] where the file cannot be made or written.
pub fn write_inspected(path: &Path, technique: &Hash, runs: &[BeamRun]) -> Result<Hash> {
    use DataType::{UInt8, UInt32, Utf8};
    let columns = vec![
        column("beam", UInt32, "1", "beam by number"),
        column("class", UInt8, "0 volume, 1 surface", "flaw class the beam looked for"),
        column("from_mm", UInt32, "mm", "first millimetre from the head end"),
        column("to_mm", UInt32, "mm", "the millimetre after the last"),
        column(
            "lost",
            UInt8,
            "0 inspected, 1 end, 2 coupling, 3 missed cycle, 4 too fast, 5 clipped, 6 no level",
            "why they were not inspected",
        ),
        column("words", Utf8, "", "the same in words"),
    ];
    let values = vec![(TECHNIQUE, technique.0.clone())];
    let mut table = TableWriter::create(path, &INSPECTED, columns, values, None)?;
    for part in runs.chunks(GROUP_ROWS) {
        let class = |r: &BeamRun| u8::from(r.class == FlawClass::Crack);
        let words = |r: &BeamRun| r.lost.map_or("inspected", LossCause::words);
        let arrays: Vec<ArrayRef> = vec![
            Arc::new(UInt32Array::from_iter_values(part.iter().map(|r| r.beam))),
            Arc::new(UInt8Array::from_iter_values(part.iter().map(class))),
            Arc::new(UInt32Array::from_iter_values(part.iter().map(|r| r.from_mm))),
            Arc::new(UInt32Array::from_iter_values(part.iter().map(|r| r.to_mm))),
            Arc::new(UInt8Array::from_iter_values(part.iter().map(|r| number(r.lost)))),
            Arc::new(StringArray::from_iter_values(part.iter().map(words))),
        ];
        let batch = RecordBatch::try_new(table.schema(), arrays)
            .expect("the arrays are those of the columns, of equal length");
        table.write_group(&batch)?;
    }
    table.finish()
}

/// Reads the runs of millimetres.
///
/// # Errors
/// As [`crate::CaptureReader::open`].
pub fn read_inspected(path: &Path) -> Result<Vec<BeamRun>> {
    let table = TableReader::open(path, &INSPECTED)?;
    let mut runs = Vec::new();
    for i in 0..table.groups() {
        table.group(i, GROUP_ROWS, |batch| {
            let beam: &UInt32Array = table.column(batch, "beam")?;
            let class: &UInt8Array = table.column(batch, "class")?;
            let from_mm: &UInt32Array = table.column(batch, "from_mm")?;
            let to_mm: &UInt32Array = table.column(batch, "to_mm")?;
            let lost: &UInt8Array = table.column(batch, "lost")?;
            for k in 0..beam.len() {
                let cause = match lost.value(k) {
                    0 => None,
                    n => Some(*CAUSES.get(usize::from(n) - 1).ok_or_else(|| {
                        table.corrupt(format!("a cause is numbered {n}, not 0 to {}", CAUSES.len()))
                    })?),
                };
                runs.push(BeamRun {
                    beam: beam.value(k),
                    class: if class.value(k) == 0 { FlawClass::Disc } else { FlawClass::Crack },
                    from_mm: from_mm.value(k),
                    to_mm: to_mm.value(k),
                    lost: cause,
                });
            }
            Ok(())
        })?;
    }
    Ok(runs)
}

fn number(lost: Option<LossCause>) -> u8 {
    let at = lost.and_then(|l| CAUSES.iter().position(|&c| c == l));
    at.map_or(0, |i| i as u8 + 1)
}
