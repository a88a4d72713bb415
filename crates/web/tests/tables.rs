//! Tables of everything that pages list. Truth: the documents themselves, read as plain JSON; round trips;
//! properties.
#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};

use crate::support;
use crate::support::everything::everything;
use arrow::{
    array::{
        Array, BooleanArray, Date32Array, Float64Array, Int64Array, RecordBatch, StringArray,
        TimestampMicrosecondArray,
    },
    datatypes::SchemaRef,
};
use axum::{
    body::{Body, to_bytes},
    http::{Request, StatusCode, header},
};
use barwright_job::judgement::Verdict;
use barwright_web::{
    JobFolder, files, router,
    tables::{self, Cell, Format, Kind, Source, Table, TableError},
};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use proptest::prelude::*;
use serde_json::Value;
use tower::ServiceExt as _;

fn wait<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Runtime::new().unwrap().block_on(work)
}

fn table(source: &Source, name: &str) -> Table {
    source.table(&tables::named(name).unwrap()).unwrap()
}

fn all(folder: &JobFolder) -> Vec<Table> {
    let source = Source::read(folder).unwrap();
    tables::all().iter().map(|listed| source.table(listed).unwrap()).collect()
}

fn cell<'t>(table: &'t Table, row: usize, key: &str) -> &'t Cell {
    let k = table.columns.iter().position(|c| c.key == key);
    &table.rows[row][k.unwrap_or_else(|| panic!("{} has no {key}", table.name))]
}

fn kind_of(cell: &Cell) -> Option<Kind> {
    Some(match cell {
        Cell::Absent => return None,
        Cell::Whole(_) => Kind::Whole,
        Cell::Number(_) => Kind::Number,
        Cell::Text(_) => Kind::Text,
        Cell::Truth(_) => Kind::Truth,
        Cell::Time(_) => Kind::Time,
        Cell::Date(_) => Kind::Date,
    })
}

/// Ends of keys by unit.
fn ending(unit: &str) -> &'static str {
    match unit {
        "" | "1" => "",
        "mm" => "_mm",
        "m/s" => "_m_s",
        "°" => "_deg",
        "µs" => "_us",
        "s" => "_s",
        "MHz" => "_mhz",
        "1/m" => "_per_m",
        "m of value 1" => "_m",
        u if u.starts_with("dB") => "_db",
        u if u.starts_with("% of full screen") => "_fsh_percent",
        u if u.starts_with('%') => "_percent",
        u if u.starts_with("see") || u.starts_with("unit of") => "",
        other => panic!("no ending for the unit {other}"),
    }
}

// Own rules: every table has rows in a full folder, names are unique, a number says its unit and its key ends
// in it, and a cell is what its column says.
#[test]
fn every_table_is_what_its_columns_say() {
    let job = wait(everything());
    let mut names = Vec::new();
    for t in all(&job.folder) {
        assert!(!names.contains(&t.name), "{} twice", t.name);
        names.push(t.name);
        let is_name =
            |s: &str| s.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
        assert!(is_name(t.name), "{}", t.name);
        // The fixture's order sells any length, its technique weighed no other, its level is explained by nothing.
        let few = ["ordered_lengths", "cut_lengths"];
        assert_eq!(t.rows.is_empty(), few.contains(&t.name), "{}: {:?}", t.name, t.absent);
        assert_eq!(t.absent, None, "{}", t.name);
        for (k, c) in t.columns.iter().enumerate() {
            assert!(is_name(c.key) && !c.meaning.is_empty(), "{} {}", t.name, c.key);
            assert!(t.columns[..k].iter().all(|other| other.key != c.key), "{} {}", t.name, c.key);
            assert_eq!(c.kind == Kind::Number, !c.unit.is_empty(), "{} {}", t.name, c.key);
            assert!(c.key.ends_with(ending(c.unit)), "{} {}: {}", t.name, c.key, c.unit);
        }
        for row in &t.rows {
            assert_eq!(row.len(), t.columns.len(), "{}", t.name);
            for (cell, c) in row.iter().zip(&t.columns) {
                let kind = kind_of(cell);
                assert!(kind.is_none_or(|k| k == c.kind), "{} {}: {cell:?}", t.name, c.key);
                assert!(!matches!(cell, Cell::Text(text) if text.is_empty()), "{}", t.name);
            }
        }
    }
}

/// Every judgement as plain JSON.
fn judgements(folder: &JobFolder) -> Vec<Value> {
    let of = |bar: &String| {
        serde_json::from_str(&std::fs::read_to_string(folder.judgement_path(bar)).unwrap()).unwrap()
    };
    folder.judged_bars().unwrap().iter().map(of).collect()
}

// Truth: the documents as JSON. Rows are as many as their lists are long, and a value is the double nearest to the
// document's own with its decimal point moved.
#[test]
fn rows_and_values_are_those_of_the_documents() {
    let job = wait(everything());
    let source = Source::read(&job.folder).unwrap();
    let judged = judgements(&job.folder);
    let count = |of: fn(&Value) -> &Value| -> usize {
        judged.iter().map(|j| of(&j["body"]).as_array().map_or(0, Vec::len)).sum()
    };
    let indications = table(&source, "indications");
    assert_eq!(indications.rows.len(), count(|b| &b["indications"]));
    assert_eq!(table(&source, "pieces").rows.len(), count(|b| &b["cut"]["pieces"]));
    assert_eq!(table(&source, "reasons").rows.len(), count(|b| &b["reasons"]));
    assert_eq!(table(&source, "decisions").rows.len(), count(|b| &b["decisions"]));
    let mut row = 0;
    for j in &judged {
        for i in j["body"]["indications"].as_array().unwrap() {
            assert_eq!(cell(&indications, row, "bar"), &Cell::from(j["body"]["bar"].as_str()));
            assert_eq!(cell(&indications, row, "indication"), &Cell::from(i["letter"].as_str()));
            assert_eq!(cell(&indications, row, "clipped"), &Cell::Truth(i["clipped"] == true));
            for (key, value, exponent) in [
                ("depth_mm", &i["depth_m"], "e3"),
                ("x_mm", &i["place"]["x"], "e3"),
                ("from_mm", &i["from_m"], "e3"),
                ("size_mm", &i["size_m"], "e3"),
                ("height_fsh_percent", &i["height_fsh"], "e2"),
                ("size_uncertainty_db", &i["size_uncertainty_db"], "e0"),
            ] {
                let moved =
                    format!("{}{exponent}", value.as_f64().unwrap()).parse::<f64>().unwrap();
                assert_eq!(cell(&indications, row, key), &Cell::Number(moved), "{key} {value}");
            }
            row += 1;
        }
    }
    let technique: Value =
        serde_json::from_str(&std::fs::read_to_string(job.folder.technique_path()).unwrap())
            .unwrap();
    let list = |key: &str| technique["body"][key].as_array().map_or(0, Vec::len);
    assert_eq!(table(&source, "beams").rows.len(), list("beams"));
    assert_eq!(table(&source, "plan_rules").rows.len(), list("limits"));
    let entries = table(&source, "ledger_entries");
    let last = entries.rows.len() - 1;
    assert_eq!(cell(&entries, last, "entry"), &Cell::from(entries.rows.len()));
    let steps = table(&source, "changeover_steps");
    let ring = (0..steps.rows.len()).find(|k| cell(&steps, *k, "step").csv() == "ring").unwrap();
    assert_eq!(cell(&steps, ring, "took_s"), &Cell::Number(61.5));
    assert_eq!(cell(&steps, ring, "done_at").csv(), "2026-01-12T06:31:01.500000Z");
    let bars = table(&source, "bars");
    let of =
        |bar: &str| (0..bars.rows.len()).find(|k| cell(&bars, *k, "bar").csv() == bar).unwrap();
    assert_eq!(cell(&bars, of("B001"), "standing").csv(), "released");
    assert_eq!(cell(&bars, of("B005"), "standing").csv(), "held");
    assert!(cell(&bars, of("B005"), "why_held").csv().contains("failed"));
    assert_eq!(cell(&bars, of("B007"), "verdict"), &Cell::Absent);
    let drift = table(&source, "drifts");
    assert!(cell(&drift, 0, "series").csv().starts_with("probe-4-wall"), "{:?}", drift.rows[0]);
}

fn read_csv(bytes: &[u8], table: &Table) -> Vec<Vec<Cell>> {
    let mut reader = csv::Reader::from_reader(bytes);
    let head: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
    assert_eq!(head, table.columns.iter().map(|c| c.key).collect::<Vec<_>>(), "{}", table.name);
    let cells = |record: csv::StringRecord| {
        let pairs = record.iter().zip(&table.columns);
        pairs.map(|(text, c)| Cell::of_csv(text, c.kind).unwrap()).collect::<Vec<_>>()
    };
    reader.records().map(|record| cells(record.unwrap())).collect()
}

fn read_parquet(bytes: Vec<u8>) -> (SchemaRef, Vec<RecordBatch>) {
    let builder = ParquetRecordBatchReaderBuilder::try_new(bytes::Bytes::from(bytes)).unwrap();
    let schema = builder.schema().clone();
    (schema, builder.build().unwrap().map(Result::unwrap).collect())
}

fn value(array: &dyn Array, row: usize) -> Cell {
    macro_rules! as_array {
        ($kind:ty) => {
            array.as_any().downcast_ref::<$kind>()
        };
    }
    if array.is_null(row) {
        Cell::Absent
    } else if let Some(a) = as_array!(Int64Array) {
        Cell::Whole(a.value(row))
    } else if let Some(a) = as_array!(Float64Array) {
        Cell::Number(a.value(row))
    } else if let Some(a) = as_array!(StringArray) {
        Cell::Text(a.value(row).to_owned())
    } else if let Some(a) = as_array!(BooleanArray) {
        Cell::Truth(a.value(row))
    } else if let Some(a) = as_array!(TimestampMicrosecondArray) {
        Cell::Time(a.value(row))
    } else {
        let days = array.as_any().downcast_ref::<Date32Array>().unwrap().value(row);
        let day = jiff::civil::date(1970, 1, 1);
        Cell::Date(day.checked_add(jiff::Span::new().days(days)).unwrap())
    }
}

// Truth: round trip, of every table, with hostile texts among them. No cell of text acts in a spreadsheet, and
// no number is made a text to that end.
#[test]
fn both_forms_give_every_value_back_and_none_acts() {
    let job = wait(everything());
    for t in all(&job.folder) {
        let text = t.write(Format::Csv).unwrap();
        assert_eq!(read_csv(&text, &t), t.rows, "{}", t.name);
        for (cell, c) in t.rows.iter().flat_map(|row| row.iter().zip(&t.columns)) {
            let written = cell.csv();
            let acts =
                written.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠']);
            assert!(!acts || c.kind == Kind::Number || c.kind == Kind::Whole, "{written}");
            assert!(c.kind == Kind::Text || !written.starts_with('\''), "{written}");
        }
        let (schema, batches) = read_parquet(t.write(Format::Parquet).unwrap());
        for (field, c) in schema.fields().iter().zip(&t.columns) {
            assert_eq!((field.name().as_str(), field.is_nullable()), (c.key, true));
            assert_eq!(field.metadata()["unit"], c.unit);
            assert_eq!(field.metadata()["meaning"], c.meaning);
        }
        assert_eq!(schema.metadata()["barwright_table"], t.name);
        let rows: Vec<Vec<Cell>> = batches
            .iter()
            .flat_map(|b| {
                (0..b.num_rows()).map(|r| b.columns().iter().map(|a| value(a, r)).collect())
            })
            .collect();
        assert_eq!(rows, t.rows, "{}", t.name);
    }
    let source = Source::read(&job.folder).unwrap();
    let kinds = table(&source, "indications").write(Format::Csv).unwrap();
    let kinds = String::from_utf8(kinds).unwrap();
    assert!(kinds.contains("\"'=HYPERLINK(\"\"http://example.org\"\";\"\"good\"\")\""), "{kinds}");
    // RFC 4180: lines end in CR LF.
    assert!(kinds.lines().next().is_some() && kinds.ends_with("\r\n"));
}

proptest! {
    // Truth: round trip of any value.
    #[test]
    fn any_cell_comes_back_from_its_text(
        text in "\\PC{1,20}|[=+@'\t\r\n-]{1,4}[a-z\"',;]{0,4}",
        number in proptest::num::f64::NORMAL | proptest::num::f64::SUBNORMAL | proptest::num::f64::ZERO,
        whole: i64,
        truth: bool,
        time_us in -62_000_000_000_000_000i64..253_000_000_000_000_000,
        day in -700_000i32..2_900_000,
    ) {
        let date = jiff::civil::date(1970, 1, 1).checked_add(jiff::Span::new().days(day));
        for (cell, kind) in [
            (Cell::Text(text), Kind::Text),
            (Cell::from(number), Kind::Number),
            (Cell::Whole(whole), Kind::Whole),
            (Cell::Truth(truth), Kind::Truth),
            (Cell::Time(time_us), Kind::Time),
            (Cell::Date(date.unwrap()), Kind::Date),
            (Cell::Absent, Kind::Text),
        ] {
            prop_assert_eq!(Cell::of_csv(&cell.csv(), kind), Some(cell));
        }
    }
}

#[test]
fn an_empty_folder_gives_columns_and_says_why_there_are_no_rows() {
    let job = support::empty();
    for t in all(&job.folder) {
        assert!(t.rows.is_empty() && !t.columns.is_empty(), "{}", t.name);
        assert!(
            t.absent.as_ref().is_some_and(|why| why.contains(" yet")),
            "{}: {:?}",
            t.name,
            t.absent
        );
        assert!(read_csv(&t.write(Format::Csv).unwrap(), &t).is_empty());
        let (schema, batches) = read_parquet(t.write(Format::Parquet).unwrap());
        assert_eq!(schema.fields().len(), t.columns.len());
        assert_eq!(batches.iter().map(RecordBatch::num_rows).sum::<usize>(), 0);
    }
}

#[test]
fn a_thousand_indications_are_a_thousand_rows() {
    let job = wait(support::full());
    let f = &job.folder;
    let technique = f.technique().unwrap();
    let level = f.level().unwrap();
    let (_, judgement) = support::fixture::bar(&technique, &level, "B003", Verdict::Reject, 1000);
    files::write_sealed(&f.judgement_path("B003"), &judgement).unwrap();
    let t = table(&Source::read(f).unwrap(), "indications");
    let own = (0..t.rows.len()).filter(|k| cell(&t, *k, "bar").csv() == "B003").count();
    assert_eq!(own, 1000);
    assert_eq!(read_csv(&t.write(Format::Csv).unwrap(), &t), t.rows);
}

// Own rule: half a table would look whole. What rests on a damaged document or ledger is refused by name, what
// does not is given.
#[test]
fn what_is_damaged_gives_no_table() {
    let job = wait(support::full());
    let f = &job.folder;
    files::write(&f.judgement_path("B002"), b"{\"document\": \"judgement\"}").unwrap();
    let source = Source::read(f).unwrap();
    let refused = |source: &Source, name: &str| match source.table(&tables::named(name).unwrap()) {
        Err(TableError::Damaged { table, why }) => {
            assert_eq!(table, name);
            why
        }
        other => panic!("{name}: {other:?}"),
    };
    for name in ["indications", "pieces", "reasons", "decisions", "findings"] {
        assert!(refused(&source, name).contains("B002.judgement.json"), "{name}");
    }
    let bars = table(&source, "bars");
    let damaged = (0..bars.rows.len()).find(|k| cell(&bars, *k, "bar").csv() == "B002").unwrap();
    assert_eq!(cell(&bars, damaged, "standing").csv(), "damaged");
    assert_eq!(cell(&bars, damaged, "kept_mm"), &Cell::Absent);

    std::fs::write(f.ledger_path(), "not a database, and long enough to be looked at").unwrap();
    for end in ["-wal", "-shm"] {
        let _ = std::fs::remove_file(format!("{}{end}", f.ledger_path().display()));
    }
    let source = Source::read(f).unwrap();
    for name in [
        "bars",
        "ledger_entries",
        "bar_states",
        "holds",
        "lines",
        "people",
        "trend_series",
        "papers",
    ] {
        assert!(refused(&source, name).contains("ledger"), "{name}");
    }
    assert!(!table(&source, "beams").rows.is_empty());
}

struct Answer {
    status: StatusCode,
    kind: String,
    body: Vec<u8>,
}

async fn get(folder: &JobFolder, address: &str, cookie: &str) -> Answer {
    let request = Request::get(address).header(header::COOKIE, cookie).body(Body::empty()).unwrap();
    let response = router(folder.clone()).oneshot(request).await.unwrap();
    let kind = response.headers().get(header::CONTENT_TYPE);
    let kind = kind.map_or("", |v| v.to_str().unwrap()).to_owned();
    let status = response.status();
    Answer { status, kind, body: to_bytes(response.into_body(), 1 << 24).await.unwrap().to_vec() }
}

#[tokio::test]
async fn the_papers_page_gives_every_table_in_both_forms() {
    let job = everything().await;
    let f = job.folder.clone();
    let page = get(&f, "/papers", "").await;
    let page = String::from_utf8(page.body).unwrap();
    let read = f.clone();
    let made = std::thread::spawn(move || all(&read)).join().unwrap();
    for t in &made {
        for format in Format::ALL {
            let address = format!("/tables/{}.{}", t.name, format.ending());
            assert!(page.contains(&format!("href=\"{address}\"")), "{address}");
            // How a reader likes figures and words changes no table.
            let taken = get(&f, &address, "figures=inch").await;
            assert_eq!(taken.status, StatusCode::OK, "{address}");
            assert_eq!(taken.kind, format.media_type(), "{address}");
            // Whether something is overdue depends on when one asks.
            if t.name != "lines" {
                assert_eq!(taken.body, t.write(format).unwrap(), "{address}");
            }
        }
    }
    assert_eq!(get(&f, "/tables/dictionary.csv", "").await.body, tables::dictionary_csv().unwrap());
    for file in ["nothing.csv", "beams", "beams.xlsx", "..%2Forder.toml", "beams.csv.csv", ".csv"] {
        let answer = get(&f, &format!("/tables/{file}"), "").await;
        assert_eq!(answer.status, StatusCode::NOT_FOUND, "{file}");
    }
    files::write(&f.level_path(), b"{}").unwrap();
    let refused = get(&f, "/tables/level_beams.csv", "").await;
    assert_eq!(refused.status, StatusCode::CONFLICT);
    assert!(String::from_utf8(refused.body).unwrap().contains("level.json"));
}

#[tokio::test]
async fn tables_are_given_to_whom_documents_are() {
    let job = support::full().await;
    let mut accounts = barwright_web::Accounts::default();
    accounts.set_password("quality desk", "seven bars of rain").unwrap();
    accounts.write(&job.folder).unwrap();
    let document = get(&job.folder, "/documents/order.toml", "").await.status;
    assert_ne!(document, StatusCode::OK);
    for file in ["beams.csv", "ledger_entries.parquet", "dictionary.csv"] {
        assert_eq!(
            get(&job.folder, &format!("/tables/{file}"), "").await.status,
            document,
            "{file}"
        );
    }
}

// Our own golden file, made from the definitions: BARWRIGHT_WRITE=1 writes it anew.
#[test]
fn the_dictionary_of_the_documentation_is_that_of_the_program() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/data-dictionary.md");
    let page = tables::dictionary_page();
    if std::env::var_os("BARWRIGHT_WRITE").is_some() {
        std::fs::write(&path, &page).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(kept == page, "docs/data-dictionary.md is old: write it anew with BARWRIGHT_WRITE=1");
}

// Truth: independent code. Both forms of every table, read by pyarrow, DuckDB and Python's own reader of CSV.
#[test]
fn foreign_readers_find_the_same_in_both_forms() {
    let Some(python) = std::env::var_os("BARWRIGHT_PYTHON") else {
        eprintln!("SKIPPED: BARWRIGHT_PYTHON names no Python with pyarrow");
        return;
    };
    let job = wait(everything());
    let out = job.folder.path("out");
    let mut written: Vec<(PathBuf, Vec<u8>)> =
        vec![(out.join(tables::DICTIONARY), tables::dictionary_csv().unwrap())];
    let made = all(&job.folder);
    for t in &made {
        for format in Format::ALL {
            let file = format!("{}.{}", t.name, format.ending());
            written.push((out.join(file), t.write(format).unwrap()));
        }
    }
    files::write_together(&written).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../checks/lists_reader.py");
    let read = std::process::Command::new(python).arg(script).arg(&out).output().unwrap();
    if read.status.code() == Some(3) {
        eprintln!("{}", String::from_utf8_lossy(&read.stderr));
        return;
    }
    assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    let said: Value = serde_json::from_slice(&read.stdout).unwrap();
    for t in &made {
        assert_eq!(said[t.name], t.rows.len(), "{}", t.name);
    }
}
