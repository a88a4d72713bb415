//! The mapping document: where things stand in a file of another system. Written by people, in TOML.

mod check;

use std::{borrow::Cow, collections::BTreeMap};

use barwright_job::limits::Limits;
use barwright_job::{DocumentError, Sealed, Technique, level::Level, read};
use schemars::JsonSchema;
use serde::Deserialize;

use crate::error::{CaptureError, Result};
use crate::shots::{CaptureKind, Header};

/// Format number of a mapping document.
pub const FORMAT: u32 = 1;

/// A mapping document.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ImportMap {
    /// Its name, for messages.
    #[serde(skip)]
    document: String,
    /// Format number, 1.
    pub format: u32,
    /// What the file is a capture of.
    #[serde(default)]
    pub capture: Named,
    /// The file is CSV, laid out so.
    pub csv: Option<CsvLayout>,
    /// The file is NPY, laid out so.
    pub npy: Option<NpyLayout>,
    /// What a sample stands for, and when it was taken.
    pub samples: SampleScale,
    /// Their beams and ours.
    #[serde(default)]
    pub beams: BeamNumbers,
    /// How the bar moved, as far as no column tells.
    #[serde(default)]
    pub motion: Motion,
}

/// What a file is a capture of.
#[derive(Debug, Clone, PartialEq, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Named {
    /// What it was taken for; a production capture if absent.
    pub kind: Option<CaptureKind>,
    /// The bar.
    pub bar: Option<String>,
    /// Its heat; the order's if absent.
    pub heat: Option<String>,
    /// Its length in mm.
    pub length_mm: Option<f64>,
    /// Where the shots come from, in words.
    pub origin: Option<String>,
}

/// Layout of a CSV file.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CsvLayout {
    /// What stands between two fields; one character.
    #[serde(default = "comma")]
    pub delimiter: char,
    /// Whether a comma stands between whole and fraction.
    #[serde(default)]
    pub decimal_comma: bool,
    /// Rows before the first shot; the last of them names the columns.
    #[serde(default = "one_row")]
    pub header_rows: u32,
    /// The columns.
    pub columns: Columns,
}

fn comma() -> char {
    ','
}

fn one_row() -> u32 {
    1
}

/// Layout of an NPY file.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NpyLayout {
    /// What each axis is, outermost first.
    pub axes: Vec<Axis>,
    /// A second file with a row for each place along the shot axis.
    pub places: Option<Places>,
}

/// An axis of an NPY file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Axis {
    /// One shot after another (or one cycle, where there is an axis of beams).
    Shot,
    /// One beam after another, from 0.
    Beam,
    /// One sample after another.
    Sample,
}

/// The file with the places of an NPY file's shots.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Places {
    /// Its name, beside the NPY file; `{name}` stands for the NPY file's own, without its ending.
    pub file: String,
    /// As [`CsvLayout::delimiter`].
    #[serde(default = "comma")]
    pub delimiter: char,
    /// As [`CsvLayout::decimal_comma`].
    #[serde(default)]
    pub decimal_comma: bool,
    /// As [`CsvLayout::header_rows`].
    #[serde(default = "one_row")]
    pub header_rows: u32,
    /// The columns; by number in an NPY file of axes row and column.
    pub columns: Columns,
}

/// Where things stand in a row. The key says the unit.
#[derive(Debug, Clone, PartialEq, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Columns {
    /// Beam, by their number or name.
    pub beam: Option<Column>,
    /// Motion of the motion list, or pass.
    pub pass: Option<Column>,
    /// Time in s.
    pub time_s: Option<Column>,
    /// Time in ms.
    pub time_ms: Option<Column>,
    /// Time in µs.
    pub time_us: Option<Column>,
    /// Place along the bar in m.
    pub z_m: Option<Column>,
    /// Place along the bar in mm.
    pub z_mm: Option<Column>,
    /// Turn in rad, counter-clockwise.
    pub turn_rad: Option<Column>,
    /// Turn in degrees, counter-clockwise.
    pub turn_deg: Option<Column>,
    /// First time from firing at which a source was at full scale, in s; an empty field if none was.
    pub clipped_from_s: Option<Column>,
    /// Last such time.
    pub clipped_to_s: Option<Column>,
    /// The first sample; the others follow it.
    pub first_sample: Option<Column>,
}

/// A column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Column {
    /// By its name in the header.
    Name(String),
    /// By its number, from 1.
    Number(usize),
}

impl JsonSchema for Column {
    fn schema_name() -> Cow<'static, str> {
        "Column".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "description": "A column's name, or its number from 1.",
            "anyOf": [{ "type": "string" }, { "type": "integer", "minimum": 1 }]
        })
    }
}

impl<'de> Deserialize<'de> for Column {
    fn deserialize<D: serde::Deserializer<'de>>(
        deserializer: D,
    ) -> std::result::Result<Self, D::Error> {
        struct Either;
        impl serde::de::Visitor<'_> for Either {
            type Value = Column;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("a column's name, or its number from 1")
            }
            fn visit_str<E: serde::de::Error>(self, name: &str) -> std::result::Result<Column, E> {
                Ok(Column::Name(name.to_owned()))
            }
            fn visit_i64<E: serde::de::Error>(self, n: i64) -> std::result::Result<Column, E> {
                usize::try_from(n)
                    .ok()
                    .filter(|&n| n > 0)
                    .map(Column::Number)
                    .ok_or_else(|| E::invalid_value(serde::de::Unexpected::Signed(n), &self))
            }
            fn visit_u64<E: serde::de::Error>(self, n: u64) -> std::result::Result<Column, E> {
                usize::try_from(n)
                    .ok()
                    .filter(|&n| n > 0)
                    .map(Column::Number)
                    .ok_or_else(|| E::invalid_value(serde::de::Unexpected::Unsigned(n), &self))
            }
        }
        deserializer.deserialize_any(Either)
    }
}

/// What a sample stands for, and when it was taken.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SampleScale {
    /// The value, above `zero`, that stands for full scale.
    pub full_scale: f64,
    /// The value of silence: 128 for unsigned 8 bit.
    #[serde(default)]
    pub zero: f64,
    /// Height that full scale stands for, in percent of full screen height; that of the
    /// technique's record if absent.
    pub full_scale_fsh_percent: Option<f64>,
    /// Sampling rate in MHz.
    pub sample_rate_mhz: f64,
    /// Time of the first sample from firing, in µs.
    pub first_sample_us: f64,
    /// Samples of an A-scan; as many as the file has if absent.
    pub count: Option<u32>,
    /// Whether the samples may be brought to the record's times by interpolation.
    #[serde(default)]
    pub resample: bool,
    /// Whether they carry the technique's gain against depth; otherwise it is laid on.
    #[serde(default = "yes")]
    pub gain_curve_applied: bool,
}

fn yes() -> bool {
    true
}

/// Their beams and ours.
#[derive(Debug, Clone, PartialEq, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BeamNumbers {
    /// All shots are of this beam of ours.
    pub fixed: Option<u32>,
    /// The number with which theirs begin; ours begin with 0.
    #[serde(default)]
    pub counted_from: u32,
    /// Their number or name -> our number, where they do not simply count.
    pub map: Option<BTreeMap<String, u32>>,
}

/// How the bar moved, as far as no column tells.
#[derive(Debug, Clone, PartialEq, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Motion {
    /// Time from one shot (or cycle, where there is an axis of beams) to the next, in µs.
    pub interval_us: Option<f64>,
    /// Place of the bar at time 0, in mm from its head end.
    pub start_mm: Option<f64>,
    /// Speed in m/s from there.
    #[serde(default)]
    pub speed_m_s: f64,
    /// Turn of the bar in degrees.
    #[serde(default)]
    pub turn_deg: f64,
    /// Whether times count from the first shot, whatever the column begins with.
    #[serde(default)]
    pub time_from_first_shot: bool,
}

impl ImportMap {
    /// Reads and checks a mapping document; `name` stands in messages.
    ///
    /// # Errors
    /// Malformed text, an unknown key, a later format, or a value that cannot be.
    pub fn from_toml(name: &str, text: &str) -> barwright_job::Result<Self> {
        let mut map: Self = read::toml(name, text)?;
        map.document = name.to_owned();
        map.check()?;
        Ok(map)
    }

    /// The header of the capture to be made. `named` goes before what the document says.
    ///
    /// # Errors
    /// [`CaptureError::Map`] where nothing says bar or length; [`CaptureError::Impossible`] for a
    /// bar's name that cannot be.
    pub fn header(
        &self,
        named: &Named,
        order_heat: &str,
        technique: &Sealed<Technique>,
        level: Option<&Sealed<Level>>,
        file: &str,
    ) -> Result<Header> {
        let c = &self.capture;
        let text = |a: &Option<String>, b: &Option<String>| a.clone().or_else(|| b.clone());
        let bar = text(&named.bar, &c.bar)
            .ok_or_else(|| self.wrong("capture.bar", "absent", "it or --bar must say the bar"))?;
        crate::wire::bar_name(&bar)?;
        let length_mm = named.length_mm.or(c.length_mm).ok_or_else(|| {
            self.wrong("capture.length_mm", "absent", "it or --length-mm must say the length")
        })?;
        Limits { document: "the command line" }.within(
            "--length-mm",
            length_mm,
            1.0,
            100e3,
            "mm",
        )?;
        Ok(Header {
            kind: named.kind.or(c.kind).unwrap_or(CaptureKind::Production),
            technique: technique.hash.clone(),
            level: level.map(|l| l.hash.clone()),
            bar,
            heat: text(&named.heat, &c.heat).unwrap_or_else(|| order_heat.to_owned()),
            length_m: length_mm * 1e-3,
            record: technique.body.record,
            gains_db: match level {
                Some(level) => level.body.beams.iter().map(|b| b.gain_db).collect(),
                None => technique.body.beams.iter().map(|b| b.gain_db).collect(),
            },
            origin: text(&named.origin, &c.origin)
                .unwrap_or_else(|| format!("imported from {file}")),
        })
    }

    /// The error for one key.
    pub(super) fn wrong(
        &self,
        key: &str,
        value: impl ToString,
        expected: impl Into<String>,
    ) -> CaptureError {
        self.document_error(key, value, expected).into()
    }

    fn document_error(
        &self,
        key: &str,
        value: impl ToString,
        expected: impl Into<String>,
    ) -> DocumentError {
        Limits { document: &self.document }.impossible(key, value, expected)
    }
}
