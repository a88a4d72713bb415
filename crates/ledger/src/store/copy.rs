//! Copies of a ledger: from one home into the other, to an open text, as a backup, and out of a
//! damaged file. Entries keep their hashes, so that a copy is held to the same printed heads.

use std::{
    fs,
    mem::take,
    path::{Path, PathBuf},
};

use barwright_job::Hash;
use serde::{Deserialize, Serialize};

use super::{Home, Store, append::named_by, file};
use crate::{
    db::{Pool, Tx, Value, values},
    entry::{Head, Identity, Row},
    error::{LedgerError, Result},
    verify::{Fault, Looked, Verification, Walk},
};

const PAGE: i64 = 2000;

/// Format of the open text that this program writes, and the latest it reads.
const TEXT_FORMAT: u32 = 1;

/// Signatures of a page of entries: number, key, signature.
type Signed = Vec<(i64, String, String)>;

/// Entries that wait to be written together, with what they name.
#[derive(Default)]
struct Batch {
    rows: Vec<Row>,
    named: Vec<Vec<Value>>,
    signed: Signed,
}

impl Batch {
    fn push(&mut self, row: Row, looked: &Looked, signed: Option<(i64, String, String)>) {
        self.named.extend(looked.facts.iter().flat_map(|facts| named_by(row.seq, facts)));
        self.rows.push(row);
        self.signed.extend(signed);
    }

    fn is_full(&self) -> bool {
        self.rows.len() as i64 >= PAGE
    }
}

/// The first line of an open text.
#[derive(Debug, Serialize, Deserialize)]
struct First {
    barwright_ledger_text: u32,
    ledger: Identity,
}

/// A line of an open text: an entry as stored.
#[derive(Debug, Serialize, Deserialize)]
struct Line {
    seq: i64,
    time_us: i64,
    author: String,
    kind: String,
    subject: String,
    line: String,
    /// The text that was hashed, as it is.
    content: String,
    content_hash: String,
    parent_hash: String,
    hash: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    key: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    signature: Option<String>,
}

/// The last line of an open text: without it the text was cut short.
#[derive(Debug, Serialize, Deserialize)]
struct Last {
    end: i64,
    hash: Hash,
}

impl Line {
    fn new(row: Row, signed: Option<(String, String)>) -> Self {
        let (key, signature) = signed.unzip();
        Self {
            seq: row.seq,
            time_us: row.time_us,
            author: row.author,
            kind: row.kind,
            subject: row.subject,
            line: row.line,
            content: row.content,
            content_hash: row.content_hash,
            parent_hash: row.parent_hash,
            hash: row.hash,
            key,
            signature,
        }
    }

    fn split(self) -> (Row, Option<(i64, String, String)>) {
        let signed = match (self.key, self.signature) {
            (Some(key), Some(signature)) => Some((self.seq, key, signature)),
            _ => None,
        };
        let row = Row {
            seq: self.seq,
            time_us: self.time_us,
            author: self.author,
            kind: self.kind,
            subject: self.subject,
            line: self.line,
            content: self.content,
            content_hash: self.content_hash,
            parent_hash: self.parent_hash,
            hash: self.hash,
        };
        (row, signed)
    }
}

/// What was saved from a damaged file.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Salvaged {
    /// Entries up to the fault: they are in the new ledger.
    pub kept: u64,
    /// The last of them.
    pub head: Head,
    /// The fault; none where the whole chain could be read.
    pub first_fault: Option<Fault>,
    /// Lines of entries beyond the fault that can still be read, in the form of the open text.
    /// Nothing vouches for them, and none is in the new ledger.
    pub loose: Vec<String>,
}

impl Store {
    /// Copies this ledger to where there is none and proves the copy.
    ///
    /// # Errors
    /// [`LedgerError::Exists`]; [`LedgerError::Faulty`] where this ledger is not whole; as
    /// [`Store::append`]. Of a file nothing is left then; what was copied into a database stays.
    pub async fn copy_to(&self, home: &Home) -> Result<Verification> {
        let copy = Self::create_same(home, &self.identity).await?;
        let copied = copy.fill_from(self).await;
        copy.close().await;
        if copied.is_err() {
            clear(home);
        }
        copied
    }

    async fn create_same(home: &Home, identity: &Identity) -> Result<Self> {
        match home {
            Home::File(path) => Self::create_as(path, identity, 0).await,
            Home::Server(address) => Self::create_on_server_as(address, identity, 0).await,
        }
    }

    async fn fill_from(&self, from: &Self) -> Result<Verification> {
        from.demand_whole().await?;
        self.take_rows_of(&from.readers).await?;
        self.demand_whole().await
    }

    async fn demand_whole(&self) -> Result<Verification> {
        let found = self.verify(None).await?;
        match found.first_fault {
            None => Ok(found),
            Some(fault) => Err(LedgerError::Faulty {
                path: self.place.path.clone(),
                seq: fault.seq,
                what: fault.what,
            }),
        }
    }

    /// Takes all rows of another database, as they are, into this empty ledger. States are not
    /// kept where an entry cannot be read: the verification tells which.
    pub(super) async fn take_rows_of(&self, from: &Pool) -> Result<()> {
        let place = &self.place;
        let mut read = place.answer(from.snapshot().await)?;
        let mut after = 0;
        loop {
            let (rows, signed) = self.rows_after(&mut read, after).await?;
            let Some(last) = rows.last().map(|row| row.seq) else {
                break;
            };
            let named = "SELECT value, role, seq FROM mention WHERE seq > $1 AND seq <= $2";
            let named: Vec<(String, String, i64)> =
                place.answer(read.rows(named, values![after, last]).await)?;
            let mut tx = place.answer(self.writer()?.begin().await)?;
            self.insert_rows(&mut tx, &rows).await?;
            let named = named.into_iter().map(|(value, role, seq)| values![value, role, seq]);
            self.insert_named(&mut tx, named.collect()).await?;
            self.insert_signatures(&mut tx, signed).await?;
            place.answer(tx.commit().await)?;
            after = last;
        }
        match self.derive_anew().await {
            Err(LedgerError::Unreadable { .. }) => Ok(()),
            derived => derived,
        }
    }

    async fn rows_after(&self, tx: &mut Tx, after: i64) -> Result<(Vec<Row>, Signed)> {
        let page = "SELECT * FROM entry WHERE seq > $1 ORDER BY seq LIMIT $2";
        let rows: Vec<Row> = self.place.answer(tx.rows(page, values![after, PAGE]).await)?;
        let last = rows.last().map_or(after, |row| row.seq);
        let signed = "SELECT seq, key, signature FROM signature WHERE seq > $1 AND seq <= $2";
        // A ledger of the first format has no such table.
        let signed = match tx.rows(signed, values![after, last]).await {
            Ok(signed) => signed,
            Err(e) if matches!(tx, Tx::Sqlite(_)) && e.to_string().contains("no such table") => {
                vec![]
            }
            Err(e) => return Err(self.place.error(e)),
        };
        Ok((rows, signed))
    }

    /// The whole ledger as an open text, line by line: JSON, one entry a line, between a first line
    /// with the identity and a last one with the head. `each` takes a line without its end.
    ///
    /// # Errors
    /// When the ledger cannot be read, and what `each` says.
    pub async fn write_text(
        &self,
        mut each: impl FnMut(&str) -> std::io::Result<()>,
    ) -> Result<Head> {
        let mut write = |line: String| each(&line).map_err(|e| self.place.io(&e));
        let ledger = self.identity.clone();
        write(text(&First { barwright_ledger_text: TEXT_FORMAT, ledger }))?;
        let mut tx = self.place.answer(self.readers.snapshot().await)?;
        let (mut head, mut after) = (self.head_of(None), 0);
        loop {
            let (rows, signed) = self.rows_after(&mut tx, after).await?;
            let Some(last) = rows.last() else {
                break;
            };
            after = last.seq;
            head = self.head_of(Some(last.clone()));
            let mut signed = signed.into_iter().peekable();
            for row in rows {
                let own = signed.next_if(|(seq, ..)| *seq == row.seq).map(|(_, k, s)| (k, s));
                write(text(&Line::new(row, own)))?;
            }
        }
        write(text(&Last { end: head.seq, hash: head.hash.clone() }))?;
        Ok(head)
    }

    /// Reads an open text to where there is no ledger, proving every entry on the way.
    ///
    /// # Errors
    /// [`LedgerError::Text`] names the line that does not fit; as [`Store::copy_to`].
    pub async fn read_text(
        home: &Home,
        lines: impl Iterator<Item = std::io::Result<String>>,
    ) -> Result<Verification> {
        let mut lines = lines.enumerate().map(|(i, line)| (i as u64 + 1, line));
        let identity = first_line(lines.next())?;
        let copy = Self::create_same(home, &identity).await?;
        let read = copy.fill_from_text(lines).await;
        copy.close().await;
        if read.is_err() {
            clear(home);
        }
        read
    }

    async fn fill_from_text(
        &self,
        lines: impl Iterator<Item = (u64, std::io::Result<String>)>,
    ) -> Result<Verification> {
        let fault = |line, what: String| LedgerError::Text { line, what };
        let mut walk = Walk::new(&self.identity, None);
        let (mut batch, mut end) = (Batch::default(), None);
        for (number, line) in lines {
            let text = line.map_err(|e| fault(number, e.to_string()))?;
            if end.is_some() {
                return Err(fault(number, "there is more after the last line".into()));
            }
            if let Ok(last) = serde_json::from_str::<Last>(&text) {
                end = Some((number, last));
                continue;
            }
            let line: Line =
                serde_json::from_str(&text).map_err(|e| fault(number, e.to_string()))?;
            let (row, own) = line.split();
            let looked = Looked::at(&row, &self.identity);
            walk.step(&row, &looked, true).map_err(|f| fault(number, f.what))?;
            batch.push(row, &looked, own);
            if batch.is_full() {
                self.add(take(&mut batch)).await?;
            }
        }
        self.add(batch).await?;
        let found = walk.end(None, 0);
        let (number, last) = end.ok_or_else(|| {
            fault(found.entries + 2, "the text ends here, its last line is missing".into())
        })?;
        if (last.end, &last.hash) != (found.head.seq, &found.head.hash) {
            return Err(fault(number, format!("the head is said to be entry {}", last.end)));
        }
        self.derive_anew().await?;
        self.demand_whole().await
    }

    async fn add(&self, batch: Batch) -> Result<()> {
        let mut tx = self.place.answer(self.writer()?.begin().await)?;
        self.insert_rows(&mut tx, &batch.rows).await?;
        self.insert_named(&mut tx, batch.named).await?;
        self.insert_signatures(&mut tx, batch.signed).await?;
        self.place.answer(tx.commit().await)
    }

    /// A copy of this ledger in a file, while others go on writing, and the proof of the copy. It
    /// is a ledger itself: to restore it, copy it to where it belongs.
    ///
    /// # Errors
    /// [`LedgerError::Exists`] where there is a file, [`LedgerError::DiskFull`],
    /// [`LedgerError::Faulty`] where this ledger is not whole: the copy is kept then, beside the
    /// name asked for, with `.faulty` after it.
    pub async fn back_up(&self, path: &Path) -> Result<Verification> {
        let taken = fs::OpenOptions::new().write(true).create_new(true).open(path);
        taken.map_err(|e| file::error_at(path, &e))?;
        let made = match &self.readers {
            Pool::Sqlite(pool) => {
                let into = path.to_string_lossy().into_owned();
                // The name is taken: an empty file is written over.
                let done = sqlx::query("VACUUM INTO $1").bind(into).execute(pool).await;
                self.place.answer(done.map(|_| ()))
            }
            Pool::Postgres(_) => {
                file::remove(path);
                match Self::create_as(path, &self.identity, 0).await {
                    Ok(copy) => {
                        let taken = copy.take_rows_of(&self.readers).await;
                        copy.close().await;
                        taken
                    }
                    Err(e) => Err(e),
                }
            }
        };
        if let Err(e) = made {
            file::remove(path);
            return Err(e);
        }
        let copy = Self::open_read_only(path).await?;
        let proved = copy.demand_whole().await;
        copy.close().await;
        if matches!(proved, Err(LedgerError::Faulty { .. })) {
            let mut aside = path.as_os_str().to_owned();
            aside.push(".faulty");
            fs::rename(path, PathBuf::from(aside)).map_err(|e| file::error_at(path, &e))?;
        }
        proved
    }

    /// Saves what can be saved from a damaged file: the entries up to the first fault go into a new
    /// ledger of the same identity, later ones that can be read are told. The damaged file is only
    /// read.
    ///
    /// # Errors
    /// [`LedgerError::Corrupt`] where not even the identity can be read, [`LedgerError::Exists`]
    /// where there is a file at `into`.
    pub async fn salvage(damaged: &Path, into: &Path) -> Result<Salvaged> {
        let (readers, identity, place) = file::open_damaged(damaged).await?;
        let new = Self::create_as(into, &identity, 0).await?;
        let mut walk = Walk::new(&identity, None);
        let (mut first_fault, mut loose) = (None, vec![]);
        let mut batch = Batch::default();
        let last = "SELECT MAX(seq) FROM mention";
        let mut misses = 0;
        let known = readers.number(last, vec![]).await.ok().flatten();
        for seq in 1.. {
            let one = "SELECT * FROM entry WHERE seq = $1";
            let row: sqlx::Result<Option<Row>> = readers.row(one, values![seq]).await;
            let signed = "SELECT key, signature FROM signature WHERE seq = $1";
            let signed: Option<(String, String)> =
                readers.row(signed, values![seq]).await.unwrap_or_default();
            match row {
                Ok(Some(row)) => {
                    misses = 0;
                    if first_fault.is_none() {
                        let looked = Looked::at(&row, &identity);
                        match walk.step(&row, &looked, true) {
                            Ok(()) => {
                                let signed = signed.map(|(k, s)| (seq, k, s));
                                batch.push(row, &looked, signed);
                                if batch.is_full() {
                                    new.add(take(&mut batch)).await?;
                                }
                                continue;
                            }
                            Err(fault) => first_fault = Some(fault),
                        }
                    }
                    let line = Line::new(row, signed);
                    loose.push(text(&line));
                }
                missing => {
                    misses += 1;
                    if first_fault.is_none()
                        && (known.is_some_and(|k| seq <= k) || missing.is_err())
                    {
                        let e = missing.err().map(|e| place.error(e).to_string());
                        first_fault = Some(Fault {
                            seq,
                            kind: crate::verify::FaultKind::Unreadable,
                            what: e.unwrap_or_else(|| format!("entry {seq} is missing")),
                        });
                    }
                    // Beyond what the look-up table knows, a long gap is the end.
                    if known.is_none_or(|k| seq > k) && misses > PAGE {
                        break;
                    }
                }
            }
        }
        readers.close().await;
        new.add(batch).await?;
        let found = walk.end(first_fault, 0);
        new.derive_anew().await?;
        new.close().await;
        Ok(Salvaged {
            kept: found.entries,
            head: found.head,
            first_fault: found.first_fault,
            loose,
        })
    }
}

/// Clears away a file that was not finished.
fn clear(home: &Home) {
    if let Home::File(path) = home {
        file::remove(path);
    }
}

fn text(line: &impl Serialize) -> String {
    serde_json::to_string(line).expect("a line is plain data")
}

fn first_line(line: Option<(u64, std::io::Result<String>)>) -> Result<Identity> {
    let fault = |what: String| LedgerError::Text { line: 1, what };
    let (_, text) = line.ok_or_else(|| fault("it is empty".into()))?;
    let text = text.map_err(|e| fault(e.to_string()))?;
    let first: First = serde_json::from_str(&text).map_err(|e| fault(e.to_string()))?;
    if first.barwright_ledger_text > TEXT_FORMAT || first.ledger.format > crate::entry::FORMAT {
        return Err(LedgerError::TooNew {
            path: "the text".into(),
            found: first.barwright_ledger_text.max(first.ledger.format),
            known: TEXT_FORMAT,
        });
    }
    Ok(first.ledger)
}
