//! Tables of trials, CSV.

use std::{collections::HashMap, path::Path};

use barwright_job::pod::{Censored, Trial};

use crate::failure::Failure;

/// Longest table, in bytes.
const LONGEST: u64 = 64 << 20;

/// Names of the columns.
pub struct Columns<'a> {
    pub size: &'a str,
    pub response: &'a str,
    /// Names the flaw; none where every line is a flaw of its own.
    pub target: Option<&'a str>,
}

/// A table, with the bytes that it was read from.
struct Table {
    head: Vec<String>,
    /// Lines of the file, from 1, with their fields.
    rows: Vec<(u64, csv::StringRecord)>,
    bytes: Vec<u8>,
}

fn failed(path: &Path, why: impl std::fmt::Display) -> Failure {
    Failure::new(format!("{}: {why}", path.display()))
}

fn read(path: &Path) -> Result<Table, Failure> {
    let size = std::fs::metadata(path).map_err(|e| failed(path, e))?.len();
    if size > LONGEST {
        return Err(failed(path, format!("{size} bytes; a table of trials has at most {LONGEST}")));
    }
    let bytes = std::fs::read(path).map_err(|e| failed(path, e))?;
    // Spreadsheets begin their files with a mark of the byte order.
    let text = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes);
    let mut reader =
        csv::ReaderBuilder::new().trim(csv::Trim::All).comment(Some(b'#')).from_reader(text);
    let head = reader.headers().map_err(|e| failed(path, e))?.iter().map(str::to_owned).collect();
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|e| failed(path, e))?;
        rows.push((record.position().map_or(0, csv::Position::line), record));
    }
    Ok(Table { head, rows, bytes })
}

impl Table {
    fn place(&self, path: &Path, column: &str) -> Result<usize, Failure> {
        self.head.iter().position(|name| name == column).ok_or_else(|| {
            failed(path, format!("there is no column {column:?}"))
                .hint(Some(format!("the columns are {}", self.head.join(", "))))
        })
    }
}

fn number(path: &Path, line: u64, column: &str, field: Option<&str>) -> Result<f64, Failure> {
    let field = field.unwrap_or_default();
    field.parse().ok().filter(|v: &f64| v.is_finite()).ok_or_else(|| {
        failed(path, format!("line {line}, {column}: {field:?} is no number"))
            .hint(Some("decimals have a point; leave out lines without a value".into()))
    })
}

/// The trials of a table, and its bytes. `limits`: heights at or below the first are lost, at or above the second
/// clipped.
pub fn trials(
    path: &Path,
    columns: &Columns<'_>,
    limits: [Option<f64>; 2],
) -> Result<(Vec<Trial>, Vec<u8>), Failure> {
    let table = read(path)?;
    let size = table.place(path, columns.size)?;
    let response = table.place(path, columns.response)?;
    let target = columns.target.map(|name| table.place(path, name)).transpose()?;
    let mut known: HashMap<String, u32> = HashMap::new();
    let mut trials = Vec::with_capacity(table.rows.len());
    for (line, record) in &table.rows {
        let of = |column, place| number(path, *line, column, record.get(place));
        let height = of(columns.response, response)?;
        let name = match target {
            Some(place) => record.get(place).unwrap_or_default().to_owned(),
            None => line.to_string(),
        };
        let next = u32::try_from(known.len()).unwrap_or(u32::MAX);
        let censored = match limits {
            [Some(lost), _] if height <= lost => Censored::Below,
            [_, Some(clipped)] if height >= clipped => Censored::Above,
            _ => Censored::None,
        };
        trials.push(Trial {
            target: *known.entry(name).or_insert(next),
            size: of(columns.size, size)?,
            response: height,
            censored,
        });
    }
    Ok((trials, table.bytes))
}

/// The numbers of one column.
pub fn column(path: &Path, name: &str) -> Result<Vec<f64>, Failure> {
    let table = read(path)?;
    let place = table.place(path, name)?;
    table.rows.iter().map(|(line, record)| number(path, *line, name, record.get(place))).collect()
}
