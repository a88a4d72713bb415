//! Shots and echoes for other programs: CSV, and Parquet without a filter.
//!
//! `docs/imports.md` describes the files. None appears under its name before it is whole.

use std::io::Write;
use std::path::Path;
use std::sync::Arc;

use arrow::array::{
    ArrayRef, Float32Array, Float64Array, Int16Array, ListArray, RecordBatch, UInt16Array,
    UInt32Array,
};
use arrow::buffer::{OffsetBuffer, ScalarBuffer};
use arrow::datatypes::{DataType, Field, FieldRef};
use barwright_job::{Hash, screened::EchoMark};

use crate::echoes::each_echoes;
use crate::error::{CaptureError, Result};
use crate::file::{CaptureReader, HEADER};
use crate::hash::NewFile;
use crate::shots::{CaptureKind, Header, Shots};
use crate::table::{Kind, TableWriter, column};

const SHOTS: Kind = Kind { name: "shots", format: 1 };

/// How samples are written to Parquet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SampleType {
    /// 16-bit integers: 32767 stands for the record's `full_scale_fsh`. Nothing is rounded.
    #[default]
    Int16,
    /// Single precision, fractions of full screen height.
    Float32,
}

/// Writes a capture's shots to a CSV file: a header row, then a row a shot, lengths in m, times in s,
/// samples as 16-bit integers. Returns the number of shots.
///
/// # Errors
/// As [`CaptureReader`]; [`CaptureError::Io`] where the file cannot be written.
pub fn export_csv(reader: CaptureReader, path: &Path) -> Result<u64> {
    let samples = reader.header().record.samples;
    let mut out = NewText::create(path)?;
    let names = ["pass", "beam", "time_s", "z_m", "turn_rad", "clipped_from_s", "clipped_to_s"];
    let line = names.iter().map(ToString::to_string).chain((0..samples).map(|k| format!("s{k}")));
    out.line(&line.collect::<Vec<_>>().join(","))?;
    let mut count = 0;
    let mut line = String::new();
    for shots in reader {
        let shots = shots?;
        for i in 0..shots.len() {
            use std::fmt::Write as _;
            line.clear();
            // The shortest text that reads back as the same number; writing to text cannot fail.
            let _ = write!(
                line,
                "{},{},{},{},{}",
                shots.pass[i], shots.beam[i], shots.time_s[i], shots.z_m[i], shots.turn_rad[i]
            );
            for limit in shots.clipped_s[i] {
                let _ = if limit.is_nan() { write!(line, ",") } else { write!(line, ",{limit}") };
            }
            for x in shots.ascan(i) {
                let _ = write!(line, ",{x}");
            }
            out.line(&line)?;
        }
        count += shots.len() as u64;
    }
    out.finish()?;
    Ok(count)
}

/// The mapping document with which a CSV export is read back, and which tells what a CSV cannot.
#[must_use]
pub fn csv_map(header: &Header) -> String {
    let kind = match header.kind {
        CaptureKind::Reference => "reference",
        CaptureKind::Check => "check",
        CaptureKind::Production => "production",
        CaptureKind::Still => "still",
    };
    // Text in JSON's quotes is text in TOML's.
    let quoted = |text: &str| serde_json::Value::from(text).to_string();
    let record = &header.record;
    format!(
        "# Reads the CSV file beside it back with `barwright capture import-shots`.\n\
         # Technique {}, level {}.\n\
         format = 1\n\n\
         [capture]\nkind = \"{kind}\"\nbar = {}\nheat = {}\nlength_mm = {}\norigin = {}\n\n\
         [csv.columns]\npass = \"pass\"\nbeam = \"beam\"\ntime_s = \"time_s\"\nz_m = \"z_m\"\n\
         turn_rad = \"turn_rad\"\nclipped_from_s = \"clipped_from_s\"\n\
         clipped_to_s = \"clipped_to_s\"\nfirst_sample = \"s0\"\n\n\
         [samples]\nfull_scale = 32767.0\nfull_scale_fsh_percent = {}\nsample_rate_mhz = {}\n\
         first_sample_us = {}\ncount = {}\n",
        header.technique.short(),
        header.level.as_ref().map_or("none", |l| l.short()),
        quoted(&header.bar),
        quoted(&header.heat),
        float(header.length_m * 1e3),
        quoted(&header.origin),
        float(record.full_scale_fsh * 100.0),
        float(record.sample_rate_hz / 1e6),
        float(record.first_sample_s * 1e6),
        record.samples,
    )
}

/// A number that TOML takes for a float.
fn float(x: f64) -> String {
    format!("{x:?}")
}

/// Writes a text file whole, such as [`csv_map`].
///
/// # Errors
/// [`CaptureError::Io`] where it cannot be written.
pub fn write_text(path: &Path, text: &str) -> Result<()> {
    let mut out = NewText::create(path)?;
    out.write(text.as_bytes())?;
    out.finish()
}

/// Writes a capture's shots to a Parquet file that needs no knowledge of ours: a row a shot, samples
/// as a list. Returns the hash of the file's bytes and the number of shots.
///
/// # Errors
/// As [`CaptureReader`]; [`CaptureError::Io`] where the file cannot be written.
pub fn export_parquet(
    reader: CaptureReader,
    path: &Path,
    samples: SampleType,
) -> Result<(Hash, u64)> {
    use DataType::{Float32, Float64, Int16, UInt16, UInt32};
    let header = reader.header().clone();
    let (kind, unit, meaning) = match samples {
        SampleType::Int16 => (
            Int16,
            "32767 = full_scale_fsh of the header's record",
            "samples at the record's times",
        ),
        SampleType::Float32 => {
            (Float32, "fraction of full screen height", "samples at the record's times")
        }
    };
    let item: FieldRef = Arc::new(Field::new("item", kind, false));
    let columns = vec![
        column("pass", UInt16, "1", "motion of the motion list, or pass"),
        column("beam", UInt32, "1", "beam by number"),
        column("time_s", Float64, "s", "time since the capture began"),
        column("z_m", Float64, "m", "place along the bar from its head end"),
        column("turn_rad", Float32, "rad", "turn of the bar, counter-clockwise"),
        column(
            "clipped_from_s",
            Float32,
            "s",
            "first time from firing at which a source trace was at full scale; NaN where none was",
        ),
        column("clipped_to_s", Float32, "s", "last such time"),
        column("ascan", DataType::List(item.clone()), unit, meaning),
    ];
    let text = serde_json::to_string(&header).expect("a header that was read can be written");
    let bytes = header.record.samples as usize * 4;
    let packed = Some(("ascan.list.item", bytes));
    let mut table = TableWriter::create(path, &SHOTS, columns, vec![(HEADER, text)], packed)?;
    let mut count = 0;
    for shots in reader {
        let shots = shots?;
        count += shots.len() as u64;
        let ascans = list(&shots, samples, header.record.full_scale_fsh, item.clone())?;
        let limit = |k: usize| Float32Array::from_iter_values(shots.clipped_s.iter().map(|c| c[k]));
        let clipped: [ArrayRef; 2] = [Arc::new(limit(0)), Arc::new(limit(1))];
        let [from, to] = clipped;
        let arrays: Vec<ArrayRef> = vec![
            Arc::new(UInt16Array::from(shots.pass)),
            Arc::new(UInt32Array::from(shots.beam)),
            Arc::new(Float64Array::from(shots.time_s)),
            Arc::new(Float64Array::from(shots.z_m)),
            Arc::new(Float32Array::from(shots.turn_rad)),
            from,
            to,
            Arc::new(ascans),
        ];
        let batch = RecordBatch::try_new(table.schema(), arrays)
            .expect("the arrays are those of the columns, of equal length");
        table.write_group(&batch)?;
    }
    Ok((table.finish()?, count))
}

/// A-scans as lists. A batch of a capture has 8 MiB of samples or one shot, so offsets of 32 bits do.
fn list(shots: &Shots, samples: SampleType, full_fsh: f64, item: FieldRef) -> Result<ListArray> {
    let n = shots.samples_per_shot;
    let offsets =
        (0..=shots.len()).map(|i| i32::try_from(i * n)).collect::<std::result::Result<Vec<_>, _>>();
    let offsets = offsets.map_err(|_| CaptureError::Impossible {
        what: "the samples of a batch".into(),
        value: shots.samples.len().to_string(),
        expected: "a list column holds up to 2^31".into(),
    })?;
    let values: ArrayRef = match samples {
        SampleType::Int16 => Arc::new(Int16Array::from(shots.samples.clone())),
        SampleType::Float32 => {
            let scale = full_fsh / f64::from(i16::MAX);
            let of = |&x: &i16| (f64::from(x) * scale) as f32;
            Arc::new(Float32Array::from_iter_values(shots.samples.iter().map(of)))
        }
    };
    let offsets = OffsetBuffer::new(ScalarBuffer::from(offsets));
    Ok(ListArray::new(item, offsets, values, None))
}

/// Writes a bar's echoes to a CSV file, a row an echo. Returns their number.
///
/// # Errors
/// As [`each_echoes`]; [`CaptureError::Io`] where the file cannot be written.
pub fn export_echoes(echoes: &Path, path: &Path) -> Result<u64> {
    let mut out = NewText::create(path)?;
    out.line("beam,gate,z_m,turn_rad,height_fsh,after_surface_s,mark")?;
    let mut count = 0;
    each_echoes(echoes, |group| {
        for e in group {
            let mark = match e.mark {
                EchoMark::Sound => "sound",
                EchoMark::Clipped => "clipped",
                EchoMark::CouplingLost => "coupling_lost",
            };
            out.line(&format!(
                "{},{},{},{},{},{},{mark}",
                e.beam, e.gate, e.z_m, e.turn_rad, e.height_fsh, e.after_surface_s
            ))?;
        }
        count += group.len() as u64;
        Ok(())
    })?;
    out.finish()?;
    Ok(count)
}

/// A text file that appears under its name only when it is whole.
struct NewText<'a> {
    path: &'a Path,
    buffered: std::io::BufWriter<NewFile>,
}

impl<'a> NewText<'a> {
    fn create(path: &'a Path) -> Result<Self> {
        let file = NewFile::create(path)?;
        Ok(Self { path, buffered: std::io::BufWriter::with_capacity(1 << 16, file) })
    }

    fn write(&mut self, bytes: &[u8]) -> Result<()> {
        self.buffered.write_all(bytes).map_err(|e| CaptureError::writing(self.path, e))
    }

    fn line(&mut self, text: &str) -> Result<()> {
        self.write(text.as_bytes())?;
        self.write(b"\n")
    }

    fn finish(self) -> Result<()> {
        let file = self
            .buffered
            .into_inner()
            .map_err(|e| CaptureError::writing(self.path, e.into_error()))?;
        file.finish().map(|_| ())
    }
}
