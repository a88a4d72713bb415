//! The data dictionary, out of the definitions of the columns themselves.

use std::fmt::Write as _;

use super::{About, Cell, Format, Kind, Table, TableError, columns};

/// Every column of every table as a table of its own, in CSV.
///
/// # Errors
/// [`TableError`] where the writer refuses.
pub fn dictionary_csv() -> Result<Vec<u8>, TableError> {
    let about = |key, meaning| About { key, unit: "", kind: Kind::Text, meaning };
    let tables = columns();
    let rows = tables.iter().flat_map(|table| {
        let of = |c: &About| {
            let words =
                [table.name, c.key, c.kind.word(), c.unit, c.meaning, table.title, table.row];
            words.map(Cell::from).to_vec()
        };
        table.columns.iter().map(of).collect::<Vec<_>>()
    });
    Table {
        name: "dictionary",
        title: "Data dictionary",
        row: "column of a table",
        rows: rows.collect(),
        columns: vec![
            about("table", "name of the table"),
            about("column", "key of the column"),
            about("kind", "what it holds"),
            about("unit", "its unit; empty for none"),
            about("meaning", "what it means"),
            about("title", "what the table lists"),
            about("row", "what a row of the table stands for"),
        ],
        absent: None,
    }
    .write(Format::Csv)
}

/// The same as a page of the documentation.
#[must_use]
pub fn dictionary_page() -> String {
    let mut page = String::from(HEAD);
    for table in columns() {
        let _ = write!(
            page,
            "\n## {}\n\n{}. A row for each {}.\n\n| column | holds | unit | means |\n| --- | --- | --- | --- |\n",
            table.name, table.title, table.row
        );
        for c in &table.columns {
            let _ =
                writeln!(page, "| `{}` | {} | {} | {} |", c.key, c.kind.word(), c.unit, c.meaning);
        }
    }
    page
}

const HEAD: &str = "\
# Data dictionary

Everything that the pages list, as tables with full precision. `barwright export tables` writes them into a
folder (`exports/tables` in the job folder, or `--to FOLDER`), as CSV or with `--format parquet` as Parquet; the page
*Papers* offers each at `/tables/NAME.csv` and `/tables/NAME.parquet`. This list is made from the same
definitions as the tables, and stands beside them as `dictionary.csv`.

- The unit stands at the end of a column's name, and in full below. A dB says what it is relative to.
- Beams, probes, elements, gates, firings and passes count from 0 as in the documents. Words are those of the
  documents, in English.
- Lengths along a bar count from its head end. Places in the section: x to the right, y up, seen against travel,
  see [coordinates](coordinates.md).
- A table whose documents are not there yet has its columns and no row. One whose documents are damaged, or whose
  ledger does not prove, is not written at all: half a table would look whole.

**CSV** is RFC 4180 in UTF-8: commas, quotes where needed, CR LF, one row of names first. The decimal mark is a
point; a number is the double nearest to that of the document in its unit, with all its digits. Times are RFC 3339 in UTC with microseconds, days `YYYY-MM-DD`, truth
`true` or `false`. An empty cell means that nothing is known.

So that no name acts in a spreadsheet, a *text* that begins with `=`, `+`, `-`, `@`, their full-width forms, a tab
or a line break gets an apostrophe before it, and so does a text that begins with an apostrophe: take one
apostrophe off each text that begins with one and every text is as it was. Numbers are never touched.
Spreadsheets may still take a text of digits (a bar `0007`) for a number: import it as text.

**Parquet** has whole numbers as INT64, numbers as DOUBLE, texts as UTF-8, truth as BOOLEAN, times as TIMESTAMP in
microseconds UTC, days as DATE; what is not known is null. No apostrophe is added. Unit and meaning of a column
are in its metadata, name and title of the table in those of the file. `checks/lists_reader.py` reads both forms
with foreign readers.
";
