//! Shots on the wire: the announcement of a bar and the record batches that follow it.
//!
//! `docs/receiving.md` says the same for foreign clients. Samples are read where they lie in the
//! message, without a copy.

use std::ops::Range;

use arrow::array::{
    Array, FixedSizeListArray, Float32Array, Float64Array, PrimitiveArray, RecordBatch,
    UInt32Array, UInt64Array,
};
use arrow::datatypes::{
    ArrowPrimitiveType, DataType, Field, Float32Type, Int8Type, Int16Type, Schema,
};
use serde::{Deserialize, Serialize};

use crate::error::{CaptureError, Result};
use crate::shots::{Header, Samples, ShotRun, Signal};

/// Format number of announcements.
pub const FORMAT: u32 = 1;

/// What a client says of a bar before its first shot, as JSON in the stream's descriptor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Announcement {
    /// Format number, [`FORMAT`].
    pub format: u32,
    /// The line the bar runs through.
    pub line: String,
    /// What the shots are taken from and with.
    pub header: Header,
    /// What the electronics made of the sound.
    #[serde(default)]
    pub signal: Signal,
}

impl Announcement {
    /// Reads an announcement.
    ///
    /// # Errors
    /// [`CaptureError::Impossible`] for text that is no announcement, another format, or a bar
    /// whose name could not be a file's.
    pub fn read(json: &[u8]) -> Result<Self> {
        let own: Self = serde_json::from_slice(json)
            .map_err(|e| impossible("the announcement", e, "it must be the JSON of a bar"))?;
        if own.format != FORMAT {
            let expected = format!("this program reads format {FORMAT}");
            return Err(impossible("the announcement's format", own.format, &expected));
        }
        bar_name(&own.header.bar)?;
        let length_m = own.header.length_m;
        if !(length_m.is_finite() && length_m > 0.0 && length_m <= 100.0) {
            return Err(impossible(
                "length_m of the bar",
                format!("{length_m} m"),
                "it must lie above 0 and up to 100 m",
            ));
        }
        Ok(own)
    }
}

/// Demands a bar's name that can be part of a file's name: letters, digits, `-`, `_` and `.`, not
/// first a `.`, at most 64.
///
/// # Errors
/// [`CaptureError::Impossible`].
pub fn bar_name(bar: &str) -> Result<()> {
    let fits = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
    if (1..=64).contains(&bar.len()) && bar.chars().all(fits) && !bar.starts_with('.') {
        return Ok(());
    }
    Err(impossible(
        "the bar's name",
        format!("{bar:?}"),
        "it may have up to 64 letters, digits, '-', '_' and '.', the first no '.'",
    ))
}

/// Columns of a record batch for A-scans of `samples` samples of a kind (`Int8`, `Int16` or
/// `Float32`).
#[must_use]
pub fn schema(kind: DataType, samples: i32) -> Schema {
    let item = Field::new("item", kind, false);
    Schema::new(vec![
        Field::new("shot", DataType::UInt64, false),
        Field::new("beam", DataType::UInt32, false),
        Field::new("time_s", DataType::Float64, false),
        Field::new("z_m", DataType::Float64, false),
        Field::new("turn_rad", DataType::Float32, false),
        Field::new("ascan", DataType::FixedSizeList(item.into(), samples), false),
    ])
}

/// A record batch of shots, checked.
#[derive(Debug, Clone)]
pub struct WireBatch {
    samples_per_shot: usize,
    shot: UInt64Array,
    beam: UInt32Array,
    time_s: Float64Array,
    z_m: Float64Array,
    turn_rad: Vec<f32>,
    samples: Kind,
    /// Places that the wire does not carry.
    pass: Vec<u16>,
    clipped_s: Vec<[f32; 2]>,
}

#[derive(Debug, Clone)]
enum Kind {
    I8(PrimitiveArray<Int8Type>),
    I16(PrimitiveArray<Int16Type>),
    F32(PrimitiveArray<Float32Type>),
}

impl WireBatch {
    /// Checks a record batch. The column `turn_rad` may be absent: the bar then does not turn.
    ///
    /// # Errors
    /// [`CaptureError::Mismatch`] for a column that is absent, of another kind or with empty places,
    /// and for another number of samples than `samples`; [`CaptureError::Impossible`] where the
    /// shots' numbers do not rise.
    pub fn new(batch: &RecordBatch, samples: u32) -> Result<Self> {
        let shot: UInt64Array = column(batch, "shot", "UInt64")?;
        if let Some(i) = shot.values().windows(2).position(|w| w[1] <= w[0]) {
            return Err(impossible(
                "the number of a shot",
                format!("{} after {}", shot.value(i + 1), shot.value(i)),
                "numbers rise from shot to shot within a bar",
            ));
        }
        let turn_rad = match batch.schema().column_with_name("turn_rad") {
            Some(_) => column::<Float32Array>(batch, "turn_rad", "Float32")?.values().to_vec(),
            None => vec![0.0; batch.num_rows()],
        };
        let ascan: FixedSizeListArray = column(batch, "ascan", "FixedSizeList")?;
        let found = u32::try_from(ascan.value_length()).unwrap_or(0);
        if found != samples {
            return Err(CaptureError::Mismatch {
                what: "samples of a shot",
                found: format!("the batch has {found}"),
                wanted: format!("the technique records {samples}"),
            });
        }
        let n = batch.num_rows() * samples as usize;
        let from = usize::try_from(ascan.value_offset(0)).unwrap_or(0);
        let values = ascan.values().slice(from, n);
        let any = values.as_any();
        let samples_of = if let Some(a) = any.downcast_ref() {
            Kind::I16(whole::<Int16Type>(a)?)
        } else if let Some(a) = any.downcast_ref() {
            Kind::I8(whole::<Int8Type>(a)?)
        } else if let Some(a) = any.downcast_ref() {
            Kind::F32(whole::<Float32Type>(a)?)
        } else {
            return Err(wrong_kind("ascan", values.data_type(), "Int8, Int16 or Float32 samples"));
        };
        Ok(Self {
            samples_per_shot: samples as usize,
            beam: column(batch, "beam", "UInt32")?,
            time_s: column(batch, "time_s", "Float64")?,
            z_m: column(batch, "z_m", "Float64")?,
            turn_rad,
            samples: samples_of,
            pass: vec![0; batch.num_rows()],
            clipped_s: vec![[f32::NAN; 2]; batch.num_rows()],
            shot,
        })
    }

    /// Number of shots.
    #[must_use]
    pub fn len(&self) -> usize {
        self.shot.len()
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.shot.is_empty()
    }

    /// The client's numbers of the shots, rising.
    #[must_use]
    pub fn numbers(&self) -> &[u64] {
        self.shot.values()
    }

    /// The shots of a range, lent. Valid within `0..len()`.
    #[must_use]
    pub fn run(&self, range: Range<usize>) -> ShotRun<'_> {
        let n = self.samples_per_shot;
        let samples = range.start * n..range.end * n;
        ShotRun {
            samples_per_shot: n,
            pass: &self.pass[range.clone()],
            beam: &self.beam.values()[range.clone()],
            time_s: &self.time_s.values()[range.clone()],
            z_m: &self.z_m.values()[range.clone()],
            turn_rad: &self.turn_rad[range.clone()],
            clipped_s: &self.clipped_s[range],
            samples: match &self.samples {
                Kind::I8(s) => Samples::I8(&s.values()[samples]),
                Kind::I16(s) => Samples::I16(&s.values()[samples]),
                Kind::F32(s) => Samples::F32(&s.values()[samples]),
            },
        }
    }
}

fn column<A: Array + Clone + 'static>(
    batch: &RecordBatch,
    name: &'static str,
    wanted: &str,
) -> Result<A> {
    let Some(array) = batch.column_by_name(name) else {
        let columns: Vec<String> =
            batch.schema().fields().iter().map(|f| f.name().clone()).collect();
        return Err(CaptureError::Mismatch {
            what: "columns of the batch",
            found: format!("there are {}", columns.join(", ")),
            wanted: format!("{name} ({wanted}) is needed"),
        });
    };
    let array: &A =
        array.as_any().downcast_ref().ok_or_else(|| wrong_kind(name, array.data_type(), wanted))?;
    if array.null_count() > 0 {
        return Err(empty_places(name, array.null_count()));
    }
    Ok(array.clone())
}

fn whole<T: ArrowPrimitiveType>(samples: &PrimitiveArray<T>) -> Result<PrimitiveArray<T>> {
    match samples.null_count() {
        0 => Ok(samples.clone()),
        n => Err(empty_places("ascan", n)),
    }
}

fn empty_places(name: &'static str, count: usize) -> CaptureError {
    CaptureError::Mismatch {
        what: name,
        found: format!("{count} places are empty"),
        wanted: "every shot needs all of its values".into(),
    }
}

fn wrong_kind(name: &'static str, found: &DataType, wanted: &str) -> CaptureError {
    CaptureError::Mismatch {
        what: name,
        found: format!("the column is {found}"),
        wanted: format!("it must be {wanted}"),
    }
}

fn impossible(what: &str, value: impl std::fmt::Display, expected: &str) -> CaptureError {
    CaptureError::Impossible {
        what: what.to_owned(),
        value: value.to_string(),
        expected: expected.to_owned(),
    }
}
