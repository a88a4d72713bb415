//! NPY files: A-scans in any order of axes, and the places beside them.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use npyz::{DType, Endianness, NpyHeader, Order, TypeChar};

use super::csv::{Table, Text};
use super::map::{Axis, ImportMap, NpyLayout, Places};
use super::place::{Found, Place, Row};
use super::{Intake, Shots};
use crate::error::{CaptureError, Result};

/// Largest file that is read whole, in bytes.
const LARGEST_WHOLE: u64 = 2 << 30;

/// A type of number in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Number {
    I8,
    U8,
    I16,
    U16,
    I32,
    F32,
    F64,
}

impl Number {
    const fn bytes(self) -> usize {
        match self {
            Self::I8 | Self::U8 => 1,
            Self::I16 | Self::U16 => 2,
            Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    /// The number of little-endian bytes. Valid for as many bytes as it has.
    fn value(self, b: &[u8]) -> f64 {
        match self {
            Self::I8 => f64::from(b[0].cast_signed()),
            Self::U8 => f64::from(b[0]),
            Self::I16 => f64::from(i16::from_le_bytes([b[0], b[1]])),
            Self::U16 => f64::from(u16::from_le_bytes([b[0], b[1]])),
            Self::I32 => f64::from(i32::from_le_bytes([b[0], b[1], b[2], b[3]])),
            Self::F32 => f64::from(f32::from_le_bytes([b[0], b[1], b[2], b[3]])),
            Self::F64 => f64::from_le_bytes([b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7]]),
        }
    }
}

/// An open array, whose numbers are read where they are asked for.
struct Array {
    path: PathBuf,
    reader: BufReader<File>,
    start: u64,
    /// Place in the file that is read next, in numbers.
    next: u64,
    number: Number,
    swapped: bool,
    shape: Vec<u64>,
    /// Numbers from one entry of an axis to the next.
    strides: Vec<u64>,
    bytes: Vec<u8>,
}

impl Array {
    fn open(path: &Path) -> Result<Self> {
        let fail = |e| CaptureError::reading(path, e);
        let file = File::open(path).map_err(fail)?;
        let held = file.metadata().map_err(fail)?.len();
        let mut reader = BufReader::with_capacity(1 << 18, file);
        let header = NpyHeader::from_reader(&mut reader)
            .map_err(|e| CaptureError::corrupt(path, format!("no NPY header: {e}")))?;
        let dtype = header.dtype();
        let kind = match &dtype {
            DType::Plain(t) => match (t.type_char(), t.size_field()) {
                (TypeChar::Int, 1) => Some(Number::I8),
                (TypeChar::Uint, 1) => Some(Number::U8),
                (TypeChar::Int, 2) => Some(Number::I16),
                (TypeChar::Uint, 2) => Some(Number::U16),
                (TypeChar::Int, 4) => Some(Number::I32),
                (TypeChar::Float, 4) => Some(Number::F32),
                (TypeChar::Float, 8) => Some(Number::F64),
                _ => None,
            }
            .map(|number| (number, t.endianness() == Endianness::Big)),
            _ => None,
        };
        let Some((number, swapped)) = kind else {
            return Err(CaptureError::Impossible {
                what: format!("the type of number of {}", path.display()),
                value: dtype.descr(),
                expected: "int8, uint8, int16, uint16, int32, float32 and float64 are read".into(),
            });
        };
        let shape = header.shape().to_vec();
        let start = reader.stream_position().map_err(fail)?;
        let needed = shape.iter().try_fold(number.bytes() as u64, |n, &k| n.checked_mul(k));
        if needed != Some(held.saturating_sub(start)) {
            let held = held.saturating_sub(start);
            return Err(CaptureError::corrupt(
                path,
                format!("its shape {shape:?} does not fit its {held} bytes of numbers"),
            ));
        }
        let mut strides = vec![1; shape.len()];
        match header.order() {
            Order::C => (1..shape.len()).rev().for_each(|i| strides[i - 1] = strides[i] * shape[i]),
            Order::Fortran => {
                (1..shape.len()).for_each(|i| strides[i] = strides[i - 1] * shape[i - 1])
            }
        }
        Ok(Self {
            path: path.to_owned(),
            reader,
            start,
            next: 0,
            number,
            swapped,
            shape,
            strides,
            bytes: Vec::new(),
        })
    }

    /// Reads numbers that lie one after another.
    fn read(&mut self, from: u64, count: usize, out: &mut Vec<f64>) -> Result<()> {
        let size = self.number.bytes();
        let fail = |path: &Path, e| CaptureError::reading(path, e);
        if from != self.next {
            self.reader
                .seek(SeekFrom::Start(self.start + from * size as u64))
                .map_err(|e| fail(&self.path, e))?;
        }
        self.bytes.resize(count * size, 0);
        self.reader.read_exact(&mut self.bytes).map_err(|e| fail(&self.path, e))?;
        self.next = from + count as u64;
        if self.swapped {
            self.bytes.chunks_exact_mut(size).for_each(<[u8]>::reverse);
        }
        out.clear();
        out.extend(self.bytes.chunks_exact(size).map(|b| self.number.value(b)));
        Ok(())
    }
}

/// A-scans of an array, one by one.
struct Ascans {
    array: Array,
    /// Strides and lengths of shots, beams and samples.
    shots: (u64, u64),
    beams: Option<(u64, u64)>,
    samples: (u64, usize),
    /// All numbers, where an A-scan's do not lie one after another.
    whole: Option<Vec<f64>>,
}

impl Ascans {
    fn open(path: &Path, map: &ImportMap, layout: &NpyLayout) -> Result<Self> {
        let mut array = Array::open(path)?;
        if array.shape.len() != layout.axes.len() {
            let wanted = format!("{} has shape {:?}", path.display(), array.shape);
            return Err(map.wrong("npy.axes", format!("{} axes", layout.axes.len()), wanted));
        }
        let of = |axis| {
            let i = layout.axes.iter().position(|&a| a == axis)?;
            Some((array.strides[i], array.shape[i]))
        };
        let shots = of(Axis::Shot).unwrap_or((0, 1));
        let beams = of(Axis::Beam);
        let (stride, samples) = of(Axis::Sample).unwrap_or((1, 0));
        if samples == 0 || samples > 1 << 28 {
            let text = format!("its A-scans have {samples} samples, as npy.axes has it");
            return Err(CaptureError::corrupt(path, text));
        }
        let samples = (stride, samples as usize);
        let mut whole = None;
        if stride != 1 {
            let count = array.shape.iter().product::<u64>();
            let size = count.saturating_mul(8);
            if size > LARGEST_WHOLE {
                return Err(CaptureError::Impossible {
                    what: format!("the size of {} in memory", path.display()),
                    value: format!("{} MiB", size >> 20),
                    expected:
                        "a file whose last axis is not the sample is read whole, up to 2048 MiB; \
                               write it with the sample axis last"
                            .into(),
                });
            }
            let mut all = Vec::new();
            array.read(0, count as usize, &mut all)?;
            whole = Some(all);
        }
        Ok(Self { array, shots, beams, samples, whole })
    }

    /// One A-scan. Valid within the array's axes.
    fn read(&mut self, shot: u64, beam: u64, out: &mut Vec<f64>) -> Result<()> {
        let start = shot * self.shots.0 + beam * self.beams.map_or(0, |b| b.0);
        let (stride, count) = self.samples;
        match &self.whole {
            None => self.array.read(start, count, out)?,
            Some(all) => {
                out.clear();
                out.extend((0..count as u64).map(|k| all[(start + k * stride) as usize]));
            }
        }
        match out.iter().position(|x| !x.is_finite()) {
            None => Ok(()),
            Some(k) => {
                let at = format!("sample {k} of shot {shot} (counted from 0) is not finite");
                Err(CaptureError::corrupt(&self.array.path, at))
            }
        }
    }
}

/// Reads shots from an NPY file and the places beside it.
pub(super) fn read<F: FnMut(&Shots) -> Result<()>>(
    path: &Path,
    map: &ImportMap,
    layout: &NpyLayout,
    intake: &mut Intake<'_, F>,
) -> Result<()> {
    let mut ascans = Ascans::open(path, map, layout)?;
    intake.begin(ascans.samples.1)?;
    let shots = ascans.shots.1;
    let mut places = PlaceRows::open(path, map, layout.places.as_ref(), shots)?;
    let mut theirs = Vec::new();
    for shot in 0..shots {
        let place = places.next(intake, shot)?;
        match ascans.beams {
            None => {
                ascans.read(shot, 0, &mut theirs)?;
                intake.shot(&place, &theirs)?;
            }
            Some((_, beams)) => {
                for index in 0..beams {
                    // The axis counts from 0, their numbers from `counted_from`.
                    let theirs_number = index + u64::from(map.beams.counted_from);
                    let beam = intake
                        .resolver
                        .beam(&theirs_number.to_string())
                        .map_err(|why| map.wrong("npy.axes", format!("{beams} beams"), why))?;
                    ascans.read(shot, index, &mut theirs)?;
                    intake.shot(&Place { beam, ..place }, &theirs)?;
                }
            }
        }
    }
    places.end(shots)
}

/// The rows with the places of shots.
enum PlaceRows {
    /// None: the motion tells.
    None,
    Text(Box<Table>, Option<Found>, Box<ImportMap>),
    Numbers(Box<Array>, Found),
}

impl PlaceRows {
    fn open(path: &Path, map: &ImportMap, places: Option<&Places>, shots: u64) -> Result<Self> {
        let Some(places) = places else {
            return Ok(Self::None);
        };
        let stem = path.file_stem().unwrap_or_default().to_string_lossy();
        let beside = path.with_file_name(places.file.replace("{name}", &stem));
        let npy = beside.extension().is_some_and(|e| e.eq_ignore_ascii_case("npy"));
        if !npy {
            let text = Text {
                delimiter: places.delimiter,
                decimal_comma: places.decimal_comma,
                header_rows: places.header_rows,
            };
            let table = Table::open(&beside, text)?;
            return Ok(Self::Text(Box::new(table), None, Box::new(map.clone())));
        }
        let array = Array::open(&beside)?;
        let [rows, columns] = array.shape[..] else {
            let text = format!("its shape is {:?}, not rows and columns", array.shape);
            return Err(CaptureError::corrupt(&beside, text));
        };
        if rows != shots {
            return Err(other_count(&beside, rows, shots));
        }
        if array.strides[1] != 1 && columns != 1 {
            return Err(CaptureError::Impossible {
                what: format!("the order of axes of {}", beside.display()),
                value: "Fortran order".into(),
                expected: "places are read in C order (last axis fastest)".into(),
            });
        }
        let count = usize::try_from(columns).unwrap_or(usize::MAX);
        let found = Found::find(map, "npy.places.columns", &places.columns, &[], count)?;
        Ok(Self::Numbers(Box::new(array), found))
    }

    fn next<F: FnMut(&Shots) -> Result<()>>(
        &mut self,
        intake: &mut Intake<'_, F>,
        shot: u64,
    ) -> Result<Place> {
        match self {
            Self::None => intake.resolver.place(&Found::default(), &Nothing, shot),
            Self::Text(table, found, map) => {
                if !table.next()? {
                    return Err(table.wrong_row(format!(
                        "the file ends after {shot} rows; the NPY file has more shots"
                    )));
                }
                if found.is_none() {
                    let columns = map.npy.as_ref().and_then(|n| n.places.as_ref());
                    let columns = columns.map(|p| p.columns.clone()).unwrap_or_default();
                    let (names, fields) = (table.names.clone(), table.fields());
                    let at = "npy.places.columns";
                    *found = Some(Found::find(map, at, &columns, &names, fields)?);
                }
                let found = found.clone().unwrap_or_default();
                intake.resolver.place(&found, table.as_ref(), shot)
            }
            Self::Numbers(array, found) => {
                let columns = array.shape[1];
                let mut values = Vec::new();
                array.read(shot * columns, columns as usize, &mut values)?;
                let row = NumberRow { path: &array.path, shot, values };
                intake.resolver.place(found, &row, shot)
            }
        }
    }

    /// Demands that no places are left over.
    fn end(&mut self, shots: u64) -> Result<()> {
        match self {
            Self::Text(table, ..) => match table.next()? {
                false => Ok(()),
                true => Err(table.wrong_row(format!(
                    "there are more rows than the {shots} shots of the NPY file"
                ))),
            },
            _ => Ok(()),
        }
    }
}

fn other_count(path: &Path, rows: u64, shots: u64) -> CaptureError {
    CaptureError::Mismatch {
        what: "number of places",
        found: format!("{} has {rows} rows", path.display()),
        wanted: format!("the NPY file has {shots} shots"),
    }
}

/// A row of an NPY file.
struct NumberRow<'a> {
    path: &'a Path,
    shot: u64,
    values: Vec<f64>,
}

impl Row for NumberRow<'_> {
    fn number(&self, column: usize) -> Result<Option<f64>> {
        match self.values.get(column) {
            // A number that is none stands for an empty field.
            Some(x) if x.is_nan() => Ok(None),
            Some(x) if x.is_finite() => Ok(Some(*x)),
            _ => Err(self.wrong(column, "it is not finite".into())),
        }
    }

    fn text(&self, column: usize) -> Result<String> {
        match self.number(column)? {
            Some(x) => Ok(x.to_string()),
            None => Err(self.wrong(column, "it is not a number".into())),
        }
    }

    fn wrong(&self, column: usize, message: String) -> CaptureError {
        CaptureError::Line {
            path: self.path.to_owned(),
            line: self.shot + 1,
            column: format!("column {}", column + 1),
            message,
        }
    }
}

/// No row at all.
struct Nothing;

impl Row for Nothing {
    fn number(&self, _: usize) -> Result<Option<f64>> {
        Ok(None)
    }

    fn text(&self, _: usize) -> Result<String> {
        Ok(String::new())
    }

    fn wrong(&self, column: usize, message: String) -> CaptureError {
        CaptureError::Impossible {
            what: format!("column {}", column + 1),
            value: message,
            expected: "there are no columns".into(),
        }
    }
}
