//! CSV files, row by row.

use std::cell::Cell;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::rc::Rc;

use super::map::{CsvLayout, ImportMap};
use super::place::{Found, Row};
use super::{Intake, Shots};
use crate::error::{CaptureError, Result};

/// Longest row that is read, in bytes: what is longer is no table, or its quotes do not close.
const LONGEST_ROW: usize = 32 << 20;

/// How the rows of a text file are written.
#[derive(Debug, Clone, Copy)]
pub(super) struct Text {
    pub delimiter: char,
    pub decimal_comma: bool,
    pub header_rows: u32,
}

/// A text file, read row by row.
pub(super) struct Table {
    path: PathBuf,
    reader: csv::Reader<Bounded<File>>,
    /// Bytes read from the file for the row at hand.
    for_row: Rc<Cell<usize>>,
    record: csv::StringRecord,
    decimal_comma: bool,
    /// Names of the columns; empty without a header.
    pub names: Vec<String>,
    line: u64,
}

impl Table {
    /// Opens a file and reads its header.
    pub fn open(path: &Path, text: Text) -> Result<Self> {
        let file = File::open(path).map_err(|e| CaptureError::reading(path, e))?;
        let for_row = Rc::new(Cell::new(0));
        let bounded = Bounded { inner: file, for_row: Rc::clone(&for_row) };
        let reader = csv::ReaderBuilder::new()
            .delimiter(u8::try_from(text.delimiter).unwrap_or(b','))
            .has_headers(false)
            .flexible(true)
            .buffer_capacity(1 << 16)
            .from_reader(bounded);
        let mut table = Self {
            path: path.to_owned(),
            reader,
            for_row,
            record: csv::StringRecord::new(),
            decimal_comma: text.decimal_comma,
            names: Vec::new(),
            line: 0,
        };
        for _ in 0..text.header_rows {
            if !table.next()? {
                return Err(CaptureError::corrupt(path, "it ends within its header"));
            }
        }
        if text.header_rows > 0 {
            table.names = table.record.iter().map(|n| n.trim().to_owned()).collect();
        }
        Ok(table)
    }

    /// Reads the next row; says whether there was one.
    pub fn next(&mut self) -> Result<bool> {
        self.for_row.set(0);
        let got = self.reader.read_record(&mut self.record).map_err(|e| self.failed(e))?;
        if let Some(place) = self.record.position() {
            self.line = place.line();
        }
        Ok(got)
    }

    /// Fields of the row at hand.
    pub fn fields(&self) -> usize {
        self.record.len()
    }

    fn failed(&self, error: csv::Error) -> CaptureError {
        let line = error.position().map_or(self.line + 1, csv::Position::line);
        match error.into_kind() {
            csv::ErrorKind::Io(e) if e.kind() != std::io::ErrorKind::InvalidData => {
                CaptureError::reading(&self.path, e)
            }
            csv::ErrorKind::Io(e) => self.at(line, "the row", e.to_string()),
            csv::ErrorKind::Utf8 { err, .. } => {
                let message = format!("field {} is not UTF-8", err.field() + 1);
                self.at(line, "the row", message)
            }
            other => self.at(line, "the row", format!("{other:?}")),
        }
    }

    fn at(&self, line: u64, column: &str, message: String) -> CaptureError {
        CaptureError::Line { path: self.path.clone(), line, column: column.to_owned(), message }
    }

    /// The error for the row at hand.
    pub fn wrong_row(&self, message: String) -> CaptureError {
        self.at(self.line, "the row", message)
    }

    fn field(&self, column: usize) -> Result<&str> {
        self.record.get(column).map(str::trim).ok_or_else(|| {
            self.wrong_row(format!("it has {} fields, {} is needed", self.fields(), column + 1))
        })
    }

    fn parse(&self, column: usize, text: &str) -> Result<f64> {
        let parsed = if self.decimal_comma {
            // A point beside decimal commas would be one of thousands: 1.234 is then no number.
            if text.contains('.') { None } else { text.replace(',', ".").parse().ok() }
        } else {
            text.parse().ok()
        };
        parsed.filter(|x: &f64| x.is_finite()).ok_or_else(|| {
            let cure = if !self.decimal_comma && text.contains(',') {
                "; csv.decimal_comma is not set"
            } else if self.decimal_comma && text.contains('.') {
                "; csv.decimal_comma is set"
            } else {
                ""
            };
            self.wrong(column, format!("{text:?} is not a number{cure}"))
        })
    }

    /// Samples from a column to the end of the row.
    pub fn samples(&self, first: usize, out: &mut Vec<f64>) -> Result<()> {
        out.clear();
        for column in first..self.fields() {
            out.push(self.parse(column, self.field(column)?)?);
        }
        Ok(())
    }
}

impl Row for Table {
    fn number(&self, column: usize) -> Result<Option<f64>> {
        match self.field(column)? {
            "" => Ok(None),
            text => self.parse(column, text).map(Some),
        }
    }

    fn text(&self, column: usize) -> Result<String> {
        self.field(column).map(str::to_owned)
    }

    fn wrong(&self, column: usize, message: String) -> CaptureError {
        let name = match self.names.get(column) {
            Some(name) => format!("column {} ({name})", column + 1),
            None => format!("column {}", column + 1),
        };
        self.at(self.line, &name, message)
    }
}

/// Reads shots from a CSV file.
pub(super) fn read<F: FnMut(&Shots) -> Result<()>>(
    path: &Path,
    map: &ImportMap,
    layout: &CsvLayout,
    intake: &mut Intake<'_, F>,
) -> Result<()> {
    let text = Text {
        delimiter: layout.delimiter,
        decimal_comma: layout.decimal_comma,
        header_rows: layout.header_rows,
    };
    let mut table = Table::open(path, text)?;
    let mut known: Option<(Found, usize, usize)> = None;
    let mut theirs = Vec::new();
    let mut shot = 0;
    while table.next()? {
        let (found, first, fields) = match &known {
            Some(known) => known,
            None => {
                let names = table.names.clone();
                let found =
                    Found::find(map, "csv.columns", &layout.columns, &names, table.fields())?;
                let first = found.first_sample.unwrap_or(0);
                let here = table.fields().saturating_sub(first);
                let count = map.samples.count.map_or(here, |n| n as usize);
                if here != count {
                    let wanted = format!("line {} has {here}", table.line);
                    return Err(map.wrong("samples.count", count, wanted));
                }
                intake.begin(count)?;
                known.insert((found, first, table.fields()))
            }
        };
        if table.fields() != *fields {
            return Err(table.wrong_row(format!(
                "it has {} fields, the first shot has {fields}",
                table.fields()
            )));
        }
        table.samples(*first, &mut theirs)?;
        let place = intake.resolver.place(found, &table, shot)?;
        intake.shot(&place, &theirs)?;
        shot += 1;
    }
    Ok(())
}

/// A reader that refuses rows without end.
struct Bounded<R> {
    inner: R,
    for_row: Rc<Cell<usize>>,
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let n = self.inner.read(buffer)?;
        self.for_row.set(self.for_row.get() + n);
        if self.for_row.get() > LONGEST_ROW {
            let text = format!("it is longer than {LONGEST_ROW} bytes: no table, or an open quote");
            return Err(std::io::Error::new(std::io::ErrorKind::InvalidData, text));
        }
        Ok(n)
    }
}
