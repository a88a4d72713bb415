//! Adding entries: all of a call, or none.

use super::{Store, derive::Keeper};
use crate::{
    db::{Tx, values},
    entry::{Entry, Row, demand_time},
    error::{LedgerError, Result},
    record::{Record, mentions},
};

/// A record with who writes it and when, for [`Store::append_all`].
#[derive(Debug, Clone, PartialEq)]
pub struct Stamped {
    /// What is recorded.
    pub record: Record,
    /// Who writes it.
    pub author: String,
    /// When, in microseconds since 1970-01-01 UTC.
    pub time_us: i64,
}

impl Store {
    /// Adds an entry and returns it once it is on the disk.
    ///
    /// `time_us` is in microseconds since 1970-01-01 UTC by the caller's clock.
    ///
    /// # Errors
    /// [`LedgerError::ReadOnly`], [`LedgerError::Locked`], [`LedgerError::DiskFull`],
    /// [`LedgerError::ChainBroken`], [`LedgerError::Time`]; nothing was added then.
    pub async fn append(&self, record: &Record, author: &str, time_us: i64) -> Result<Entry> {
        let stamped = Stamped { record: record.clone(), author: author.to_owned(), time_us };
        let mut added = self.append_all(std::slice::from_ref(&stamped)).await?;
        Ok(added.pop().expect("one record makes one entry"))
    }

    /// Adds several entries at once: all of them, or none. Faster than one by one, because the
    /// disk is waited for once.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub async fn append_all(&self, records: &[Stamped]) -> Result<Vec<Entry>> {
        let writer = self.writer()?;
        for stamped in records {
            demand_time(stamped.time_us)?;
        }
        let mut tx = self.place.answer(writer.begin().await)?;
        let mut parent = self.proved_head(&mut tx).await?;
        let mut rows = Vec::with_capacity(records.len());
        for stamped in records {
            let row = self.child(&parent, stamped);
            parent = (row.seq, row.hash.clone());
            rows.push(row);
        }
        self.insert(&mut tx, &rows).await?;
        let mut keeper = self.keeper(&mut tx).await?;
        for (row, stamped) in rows.iter().zip(records) {
            keeper.take(&mut tx, row.stamp(), &stamped.record.facts).await?;
        }
        keeper.write(&mut tx).await?;
        self.place.answer(tx.commit().await)?;
        rows.into_iter().map(Row::into_entry).collect()
    }

    pub(super) async fn keeper(&self, tx: &mut Tx) -> Result<Keeper<'_>> {
        Keeper::new(&self.place, tx).await
    }

    /// The row that follows a parent.
    fn child(&self, (seq, hash): &(i64, String), stamped: &Stamped) -> Row {
        let record = &stamped.record;
        let mut row = Row {
            seq: seq + 1,
            time_us: stamped.time_us,
            author: stamped.author.clone(),
            kind: record.kind().word().to_owned(),
            subject: record.subject.clone(),
            line: record.line.clone(),
            content: record.facts.to_content().to_string(),
            content_hash: String::new(),
            parent_hash: hash.clone(),
            hash: String::new(),
        };
        row.content_hash = row.compute_content_hash();
        row.hash = row.compute_hash(&self.identity);
        row
    }

    /// Number and hash of the head, after proving that the last entry is what its hash says.
    pub(super) async fn proved_head(&self, tx: &mut Tx) -> Result<(i64, String)> {
        let last = "SELECT * FROM entry ORDER BY seq DESC LIMIT 1";
        let row: Option<Row> = self.place.answer(tx.row(last, vec![]).await)?;
        if let Some(row) = &row
            && (row.compute_content_hash() != row.content_hash
                || row.compute_hash(&self.identity) != row.hash)
        {
            return Err(LedgerError::ChainBroken { path: self.place.path.clone(), seq: row.seq });
        }
        let head = self.head_of(row);
        Ok((head.seq, head.hash.0))
    }

    /// Writes rows as they are.
    pub(super) async fn insert_rows(&self, tx: &mut Tx, rows: &[Row]) -> Result<()> {
        let entries = rows.iter().map(Row::values).collect();
        let into = "entry (seq, time_us, author, kind, subject, line, content, content_hash, \
                    parent_hash, hash)";
        self.place.answer(tx.insert(into, entries, "").await)
    }

    /// Writes rows and what they name.
    pub(super) async fn insert(&self, tx: &mut Tx, rows: &[Row]) -> Result<()> {
        self.insert_rows(tx, rows).await?;
        let named = rows.iter().flat_map(|row| {
            let content = serde_json::from_str(&row.content).unwrap_or_default();
            let named = mentions(&content).into_iter();
            named.map(|mention| values![mention.value, mention.role, row.seq])
        });
        self.place.answer(tx.insert("mention (value, role, seq)", named.collect(), "").await)
    }

    pub(super) async fn insert_signatures(
        &self,
        tx: &mut Tx,
        signed: Vec<(i64, String, String)>,
    ) -> Result<()> {
        let rows = signed.into_iter().map(|(seq, key, signature)| values![seq, key, signature]);
        let into = "signature (seq, key, signature)";
        self.place.answer(tx.insert(into, rows.collect(), "").await)
    }
}
