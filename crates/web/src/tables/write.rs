//! Tables as CSV and as Parquet.

use std::{collections::HashMap, sync::Arc};

use arrow::{
    array::{
        ArrayRef, BooleanArray, Date32Array, Float64Array, Int64Array, RecordBatch, StringArray,
        TimestampMicrosecondArray,
    },
    datatypes::{DataType, Field, Schema, TimeUnit},
    error::ArrowError,
};
use parquet::{
    arrow::ArrowWriter,
    basic::Compression,
    errors::ParquetError,
    file::{metadata::KeyValue, properties::WriterProperties},
};

use super::{About, Cell, Kind, Table, shifted};

/// Why there is no table.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TableError {
    /// What it comes from cannot be trusted, and half a table would look whole.
    #[error("table {table}: {why}")]
    Damaged {
        /// Its name.
        table: &'static str,
        /// What is wrong.
        why: String,
    },
    /// The writer of CSV refused.
    #[error("the table cannot be written as CSV")]
    Csv(#[from] csv::Error),
    /// The columns do not fit together.
    #[error("the table cannot be laid out")]
    Arrow(#[from] ArrowError),
    /// The writer of Parquet refused.
    #[error("the table cannot be written as Parquet")]
    Parquet(#[from] ParquetError),
}

impl TableError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            Self::Damaged { .. } => Some(
                "mend or make again what is damaged, or name the tables that do not rest on it",
            ),
            _ => None,
        }
    }
}

/// How a table is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Text, RFC 4180.
    Csv,
    /// Apache Parquet.
    Parquet,
}

impl Format {
    /// All.
    pub const ALL: [Self; 2] = [Self::Csv, Self::Parquet];

    /// Ending of its files, without the point.
    #[must_use]
    pub fn ending(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::Parquet => "parquet",
        }
    }

    /// The format of a file's name, with the name before the ending.
    #[must_use]
    pub fn of_file(file: &str) -> Option<(&str, Self)> {
        Self::ALL.into_iter().find_map(|format| {
            Some((file.strip_suffix(format.ending())?.strip_suffix('.')?, format))
        })
    }

    /// Media type of its files.
    #[must_use]
    pub fn media_type(self) -> &'static str {
        match self {
            Self::Csv => "text/csv; charset=utf-8; header=present",
            Self::Parquet => "application/vnd.apache.parquet",
        }
    }
}

impl Table {
    /// The table as a file of this format.
    ///
    /// # Errors
    /// [`TableError`] where the writer refuses.
    pub fn write(&self, format: Format) -> Result<Vec<u8>, TableError> {
        match format {
            Format::Csv => self.csv(),
            Format::Parquet => self.parquet(),
        }
    }

    fn csv(&self) -> Result<Vec<u8>, TableError> {
        let mut writer =
            csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
        writer.write_record(self.columns.iter().map(|c| c.key))?;
        for row in &self.rows {
            writer.write_record(row.iter().map(Cell::csv))?;
        }
        writer.into_inner().map_err(|e| csv::Error::from(e.into_error()).into())
    }

    fn parquet(&self) -> Result<Vec<u8>, TableError> {
        let fields: Vec<Field> = self.columns.iter().map(About::field).collect();
        let schema = Arc::new(Schema::new(fields));
        let arrays = self.columns.iter().enumerate().map(|(k, c)| self.array(k, c.kind));
        let batch = RecordBatch::try_new(schema.clone(), arrays.collect())?;
        let program = env!("CARGO_PKG_VERSION");
        let properties = WriterProperties::builder()
            .set_created_by(format!("barwright {program}"))
            .set_compression(Compression::LZ4_RAW)
            .build();
        let mut writer = ArrowWriter::try_new(Vec::new(), schema, Some(properties))?;
        writer.write(&batch)?;
        let about = [
            ("barwright_table", self.name),
            ("title", self.title),
            ("row", self.row),
            ("program", program),
        ];
        for (key, value) in about {
            writer.append_key_value_metadata(KeyValue::new(key.to_owned(), value.to_owned()));
        }
        Ok(writer.into_inner()?)
    }

    /// A column as an array; a cell of another kind counts as absent.
    fn array(&self, k: usize, kind: Kind) -> ArrayRef {
        macro_rules! of {
            ($array:ty, $cell:pat => $value:expr) => {{
                let cells = self.rows.iter().map(|row| match &row[k] {
                    $cell => Some($value),
                    _ => None,
                });
                cells.collect::<$array>()
            }};
        }
        match kind {
            Kind::Whole => Arc::new(of!(Int64Array, Cell::Whole(v) => *v)),
            Kind::Number => Arc::new(of!(Float64Array, Cell::Number(v) => *v)),
            Kind::Text => Arc::new(of!(StringArray, Cell::Text(v) => v.as_str())),
            Kind::Truth => Arc::new(of!(BooleanArray, Cell::Truth(v) => *v)),
            Kind::Time => {
                Arc::new(of!(TimestampMicrosecondArray, Cell::Time(v) => *v).with_timezone("UTC"))
            }
            Kind::Date => Arc::new(of!(Date32Array, Cell::Date(v) => days(*v))),
        }
    }
}

/// Days since 1970-01-01, as Parquet counts them.
fn days(date: jiff::civil::Date) -> i32 {
    let since = date.since(jiff::civil::date(1970, 1, 1));
    since.map_or(0, |span| span.get_days())
}

impl About {
    fn field(&self) -> Field {
        let kind = match self.kind {
            Kind::Whole => DataType::Int64,
            Kind::Number => DataType::Float64,
            Kind::Text => DataType::Utf8,
            Kind::Truth => DataType::Boolean,
            Kind::Time => DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into())),
            Kind::Date => DataType::Date32,
        };
        Field::new(self.key, kind, true).with_metadata(HashMap::from([
            ("unit".to_owned(), self.unit.to_owned()),
            ("meaning".to_owned(), self.meaning.to_owned()),
        ]))
    }
}

/// With what a spreadsheet takes a cell for a formula, or drops to find one behind it. The full-width forms
/// count as the plain ones in some languages.
const ACTING: [char; 11] = ['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠'];

impl Cell {
    /// The value as text: numbers with all their digits and a decimal point, times as RFC 3339 in UTC, absent
    /// as nothing. A text that a spreadsheet would take for a formula gets an apostrophe before it, and so
    /// does a text that begins with one: who takes one apostrophe off the text cells that have it gets every
    /// text as it was.
    #[must_use]
    pub fn csv(&self) -> String {
        match self {
            Self::Absent => String::new(),
            Self::Whole(v) => v.to_string(),
            Self::Number(v) => shifted(*v, 0),
            Self::Text(v) if v.starts_with(ACTING) || v.starts_with('\'') => format!("'{v}"),
            Self::Text(v) => v.clone(),
            Self::Truth(v) => v.to_string(),
            Self::Time(us) => jiff::Timestamp::from_microsecond(*us)
                .map_or_else(|_| String::new(), |t| format!("{t:.6}")),
            Self::Date(v) => v.to_string(),
        }
    }

    /// The value of a text of [`Self::csv`] in a column of this kind; none where it is no such value.
    #[must_use]
    pub fn of_csv(text: &str, kind: Kind) -> Option<Self> {
        if text.is_empty() {
            return Some(Self::Absent);
        }
        Some(match kind {
            Kind::Whole => Self::Whole(text.parse().ok()?),
            Kind::Number => Self::Number(text.parse::<f64>().ok().filter(|v| v.is_finite())?),
            Kind::Text => Self::Text(text.strip_prefix('\'').unwrap_or(text).to_owned()),
            Kind::Truth => Self::Truth(text.parse().ok()?),
            Kind::Time => Self::Time(text.parse::<jiff::Timestamp>().ok()?.as_microsecond()),
            Kind::Date => Self::Date(text.parse().ok()?),
        })
    }
}
