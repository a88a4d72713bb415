//! Everything that pages list, as typed tables for other programs: full precision, units in the names of the
//! columns, one definition for the values, the header, the dictionary and the metadata.
//!
//! A file of `tables/` has the tables of one subject. Each table is a list of columns, and a column is its
//! key, unit, meaning and the function that takes its value out of a row, so that none of them can be
//! forgotten or said twice. Words are those of the documents, never of the reader's language.

mod bars;
mod cell;
mod checks;
mod cuts;
mod dictionary;
mod entries;
mod folder;
mod judged;
mod level;
mod order;
mod people;
mod proof;
mod reference;
mod technique;
mod trends;
mod write;

use crate::{
    cache::{Cache, Doc},
    folder::JobFolder,
    lot::Lot,
    manner::Manner,
    record::{Ledger, Said},
};

pub use cell::{Cell, shifted};
pub use dictionary::{dictionary_csv, dictionary_page};
pub use write::{Format, TableError};

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Whole numbers: counts and numbers of things.
    Whole,
    /// Numbers of double precision.
    Number,
    /// Text.
    Text,
    /// True or false.
    Truth,
    /// A time, UTC, to the microsecond.
    Time,
    /// A day.
    Date,
}

impl Kind {
    /// In a word, as the dictionary says it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Whole => "whole number",
            Self::Number => "number",
            Self::Text => "text",
            Self::Truth => "true or false",
            Self::Time => "time",
            Self::Date => "date",
        }
    }
}

/// A column without its values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct About {
    /// Its name, with the unit at its end where it has one.
    pub key: &'static str,
    /// Its unit, with what a dB is relative to; empty for none.
    pub unit: &'static str,
    /// What it holds.
    pub kind: Kind,
    /// What it means.
    pub meaning: &'static str,
}

/// A table.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// Its name, as files carry it.
    pub name: &'static str,
    /// What it lists, for people.
    pub title: &'static str,
    /// What a row stands for.
    pub row: &'static str,
    /// Its columns.
    pub columns: Vec<About>,
    /// Its rows, each with a cell for each column.
    pub rows: Vec<Vec<Cell>>,
    /// Why there are no rows, where what they come from is not there yet.
    pub absent: Option<String>,
}

/// Why a table has no rows.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Why {
    /// What they come from is not there yet.
    Absent(String),
    /// What they come from cannot be trusted: then there is no table.
    Damaged(String),
}

type Rows<R> = Result<Vec<R>, Why>;

/// A column with the function that takes its value out of a row.
struct Column<R> {
    about: About,
    cell: fn(&R) -> Cell,
}

const fn column<R>(about: About, cell: fn(&R) -> Cell) -> Column<R> {
    Column { about, cell }
}

macro_rules! kinds {
    ($($name:ident $kind:ident),*) => {$(
        const fn $name<R>(key: &'static str, meaning: &'static str, cell: fn(&R) -> Cell) -> Column<R> {
            column(About { key, unit: "", kind: Kind::$kind, meaning }, cell)
        }
    )*};
}
kinds!(whole Whole, text Text, truth Truth, time Time, date Date);

const fn number<R>(
    key: &'static str,
    unit: &'static str,
    meaning: &'static str,
    cell: fn(&R) -> Cell,
) -> Column<R> {
    column(About { key, unit, kind: Kind::Number, meaning }, cell)
}

/// Columns with the rows that they make.
struct Made {
    columns: Vec<About>,
    rows: Result<Vec<Vec<Cell>>, Why>,
}

fn made<R, const N: usize>(rows: Rows<R>, columns: [Column<R>; N]) -> Made {
    let of = |row: &R| columns.iter().map(|c| (c.cell)(row)).collect();
    Made {
        rows: rows.map(|rows| rows.iter().map(of).collect()),
        columns: columns.iter().map(|c| c.about).collect(),
    }
}

/// A table that can be asked for.
#[derive(Clone, Copy)]
pub struct Listed {
    /// Its name, as files carry it.
    pub name: &'static str,
    /// What a row stands for.
    pub row: &'static str,
    title: fn() -> &'static str,
    make: fn(&Lot) -> Made,
}

impl Listed {
    /// What it lists, in the language at hand.
    #[must_use]
    pub fn title(&self) -> &'static str {
        (self.title)()
    }

    fn of(&self, lot: &Lot) -> Result<Table, TableError> {
        let made = (self.make)(lot);
        let (rows, absent) = match made.rows {
            Ok(rows) => (rows, None),
            Err(Why::Absent(why)) => (Vec::new(), Some(why)),
            Err(Why::Damaged(why)) => return Err(TableError::Damaged { table: self.name, why }),
        };
        let Self { name, row, .. } = *self;
        Ok(Table { name, title: self.title(), row, columns: made.columns, rows, absent })
    }
}

/// Name of the dictionary's file.
pub const DICTIONARY: &str = "dictionary.csv";

/// Every table, in the order of a job.
#[must_use]
pub fn all() -> Vec<Listed> {
    [
        order::ALL.as_slice(),
        technique::ALL.as_slice(),
        proof::ALL.as_slice(),
        reference::ALL.as_slice(),
        level::ALL.as_slice(),
        checks::ALL.as_slice(),
        trends::ALL.as_slice(),
        bars::ALL.as_slice(),
        judged::ALL.as_slice(),
        cuts::ALL.as_slice(),
        entries::ALL.as_slice(),
        people::ALL.as_slice(),
        folder::ALL.as_slice(),
    ]
    .concat()
}

/// The table of a name.
#[must_use]
pub fn named(name: &str) -> Option<Listed> {
    all().into_iter().find(|listed| listed.name == name)
}

/// The table of a lot, in the words of the documents.
pub(crate) fn of_lot(listed: &Listed, lot: &Lot) -> Result<Table, TableError> {
    Manner::default().with(|| listed.of(lot))
}

/// Columns of every table, without a job.
fn columns() -> Vec<Table> {
    let nothing = Lot::read(
        &JobFolder::new(std::path::PathBuf::new().join("\0")),
        &Cache::default(),
        Ledger::Absent,
        crate::access::Viewer::Anybody,
    );
    let empty = |listed: &Listed| {
        let made = (listed.make)(&nothing);
        let Listed { name, row, .. } = *listed;
        Table {
            name,
            title: listed.title(),
            row,
            columns: made.columns,
            rows: vec![],
            absent: None,
        }
    };
    Manner::default().with(|| all().iter().map(empty).collect())
}

/// Documents of a job folder and what its ledger says, read once for as many tables as are wanted.
pub struct Source(Lot);

impl Source {
    /// Reads a job folder. What is missing or unusable is said by the tables that need it. Blocks on files,
    /// and asks the ledger with a runtime of its own: not to be called from inside of one.
    ///
    /// # Errors
    /// When the system gives no runtime.
    pub fn read(folder: &JobFolder) -> std::io::Result<Self> {
        let runtime = tokio::runtime::Runtime::new()?;
        let ledger = runtime.block_on(Ledger::read(folder));
        let viewer = crate::access::Viewer::Anybody;
        Ok(Self(Lot::read(folder, &Cache::default(), ledger, viewer)))
    }

    /// A table.
    ///
    /// # Errors
    /// [`TableError::Damaged`] where a document that it needs, or the ledger, cannot be trusted: half a table
    /// would look whole.
    pub fn table(&self, listed: &Listed) -> Result<Table, TableError> {
        of_lot(listed, &self.0)
    }
}

/// A document that must be there.
fn need<'a, T>(doc: &'a Doc<T>, what: &str) -> Result<&'a T, Why> {
    match doc {
        Doc::Here(here) => Ok(here),
        Doc::Absent => Err(Why::Absent(format!("there is no {what} yet"))),
        Doc::Bad(e) => Err(Why::Damaged(e.to_string())),
    }
}

/// What the ledger says, where it is whole.
fn said(lot: &Lot) -> Result<&Said, Why> {
    let said = match &lot.ledger {
        Ledger::Absent => return Err(Why::Absent("there is no ledger yet".into())),
        Ledger::Bad { what, .. } => {
            return Err(Why::Damaged(format!("the ledger does not answer: {what}")));
        }
        Ledger::Here(said) => said,
    };
    match said.verification.as_ref().and_then(|v| v.first_fault.as_ref()) {
        Some(fault) => {
            Err(Why::Damaged(format!("the ledger is not as it was written: {}", fault.what)))
        }
        None => Ok(said),
    }
}

/// Demands that every folder of documents could be listed.
fn listed(lot: &Lot) -> Result<(), Why> {
    lot.unlisted.first().map_or(Ok(()), |e| Err(Why::Damaged(e.to_string())))
}
