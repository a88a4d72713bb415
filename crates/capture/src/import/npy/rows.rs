//! The places beside an NPY file: rows of a CSV file, of another NPY file, or none.

use std::path::Path;

use super::array::Array;
use crate::error::{CaptureError, Result};
use crate::import::csv::{Table, Text};
use crate::import::map::{ImportMap, Places};
use crate::import::place::{Found, Place, Row};
use crate::import::{Intake, Shots};

/// The rows with the places of shots.
pub(super) enum PlaceRows {
    /// None: the motion tells.
    None,
    Text(Box<Table>, Option<Found>, Box<ImportMap>),
    Numbers(Box<Array>, Found),
}

impl PlaceRows {
    pub fn open(path: &Path, map: &ImportMap, places: Option<&Places>, shots: u64) -> Result<Self> {
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

    pub fn next<F: FnMut(&Shots) -> Result<()>>(
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
    pub fn end(&mut self, shots: u64) -> Result<()> {
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
