//! Where a ledger is kept: one SQLite file, asynchronous.
//!
//! Durability: write-ahead log with `synchronous=FULL`; an entry that [`Store::append`] returned is
//! on the disk. One connection writes, so writers in one program queue up in turn; writers in
//! several programs take turns by the file's lock. Each append is one immediate transaction that
//! reads the head, proves it, and adds its child; that parents are unique would refuse a fork
//! even without the lock.
//!
//! For a second home in PostgreSQL the statements can stay. What is SQLite's own is
//! `migrations/sqlite/0002_append_only.sql`, `BEGIN IMMEDIATE` (there: lock the head's row) and
//! the opening of files in [`mod@file`].

pub mod file;
mod read;

use sqlx::{Connection as _, Row as _, SqliteConnection, SqlitePool, sqlite::SqliteRow};

use crate::{
    entry::{Entry, Head, Identity, Row, demand_time, no_parent},
    error::{LedgerError, Result},
    record::{Record, mentions},
};
use file::Place;

/// A ledger, for asynchronous callers. Clones share the connections.
#[derive(Debug, Clone)]
pub struct Store {
    pub(crate) place: Place,
    pub(crate) identity: Identity,
    /// One connection; none where the ledger was opened for reading.
    pub(crate) writer: Option<SqlitePool>,
    pub(crate) readers: SqlitePool,
}

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
    /// Which ledger it is.
    #[must_use]
    pub fn identity(&self) -> &Identity {
        &self.identity
    }

    /// Whether it was opened for reading only.
    #[must_use]
    pub fn is_read_only(&self) -> bool {
        self.writer.is_none()
    }

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
        let Some(writer) = &self.writer else {
            return Err(LedgerError::ReadOnly { path: self.place.path.clone() });
        };
        for stamped in records {
            demand_time(stamped.time_us)?;
        }
        let mut connection = writer.acquire().await.map_err(|e| self.place.error(e))?;
        let added = self.add(&mut connection, records).await;
        if added.is_err() {
            // SQLite ends a transaction by itself on some errors (a full disk) without the pool
            // noticing: the next append gets a fresh connection.
            connection.close_on_drop();
        }
        added
    }

    async fn add(&self, on: &mut SqliteConnection, records: &[Stamped]) -> Result<Vec<Entry>> {
        let failed = |e| self.place.error(e);
        let mut transaction = on.begin_with("BEGIN IMMEDIATE").await.map_err(failed)?;
        let head = self.proved_head(&mut transaction).await?;
        let mut parent = (head.seq, head.hash.0);
        let mut added = Vec::with_capacity(records.len());
        for stamped in records {
            let row = self.child(&parent, stamped);
            insert(&mut transaction, &row).await.map_err(failed)?;
            parent = (row.seq, row.hash.clone());
            added.push(row.into_entry()?);
        }
        transaction.commit().await.map_err(failed)?;
        Ok(added)
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

    /// The head, after proving that the last entry is what its hash says.
    async fn proved_head(&self, connection: &mut SqliteConnection) -> Result<Head> {
        let last = sqlx::query("SELECT * FROM entry ORDER BY seq DESC LIMIT 1")
            .fetch_optional(connection)
            .await
            .map_err(|e| self.place.error(e))?;
        let row = last.as_ref().map(row).transpose();
        let row = row.map_err(|e| self.place.error(e))?;
        if let Some(row) = &row
            && (row.compute_content_hash() != row.content_hash
                || row.compute_hash(&self.identity) != row.hash)
        {
            return Err(LedgerError::ChainBroken { path: self.place.path.clone(), seq: row.seq });
        }
        Ok(self.head_of(row))
    }

    fn head_of(&self, last: Option<Row>) -> Head {
        let (seq, time_us, hash) = last.map_or_else(
            || (0, 0, no_parent()),
            |row| (row.seq, row.time_us, barwright_job::Hash(row.hash)),
        );
        Head { ledger: self.identity.clone(), seq, time_us, hash }
    }

    /// Ends all connections in good order and folds the log into the file, so that a closed ledger
    /// is one file. Dropping a store without it loses nothing.
    pub async fn close(&self) {
        // Readers first: the last connection folds the log, and a reading one could not.
        self.readers.close().await;
        if let Some(writer) = &self.writer {
            writer.close().await;
        }
    }
}

async fn insert(connection: &mut SqliteConnection, row: &Row) -> sqlx::Result<()> {
    sqlx::query(
        "INSERT INTO entry (seq, time_us, author, kind, subject, line, content, content_hash, \
         parent_hash, hash) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(row.seq)
    .bind(row.time_us)
    .bind(&row.author)
    .bind(&row.kind)
    .bind(&row.subject)
    .bind(&row.line)
    .bind(&row.content)
    .bind(&row.content_hash)
    .bind(&row.parent_hash)
    .bind(&row.hash)
    .execute(&mut *connection)
    .await?;
    let content = serde_json::from_str(&row.content).unwrap_or_default();
    for mention in mentions(&content) {
        sqlx::query("INSERT INTO mention (value, role, seq) VALUES ($1, $2, $3)")
            .bind(mention.value)
            .bind(mention.role)
            .bind(row.seq)
            .execute(&mut *connection)
            .await?;
    }
    Ok(())
}

/// A row as stored.
fn row(stored: &SqliteRow) -> sqlx::Result<Row> {
    Ok(Row {
        seq: stored.try_get("seq")?,
        time_us: stored.try_get("time_us")?,
        author: stored.try_get("author")?,
        kind: stored.try_get("kind")?,
        subject: stored.try_get("subject")?,
        line: stored.try_get("line")?,
        content: stored.try_get("content")?,
        content_hash: stored.try_get("content_hash")?,
        parent_hash: stored.try_get("parent_hash")?,
        hash: stored.try_get("hash")?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::BarKey;

    /// Truth: by construction, the file is forbidden to grow.
    #[test]
    fn a_full_disk_is_named_and_loses_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("ledger.db");
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let store = Store::create(&path, "works", 0).await.unwrap();
            let writer = store.writer.as_ref().unwrap();
            let pages: i64 =
                sqlx::query_scalar("PRAGMA page_count").fetch_one(writer).await.unwrap();
            let limit =
                |pages: i64| sqlx::AssertSqlSafe(format!("PRAGMA max_page_count = {pages}"));
            sqlx::query(limit(pages)).execute(writer).await.unwrap();
            let record = Record::retest(&BarKey::new("H7", "1"), &"a long reason ".repeat(40));
            let mut added = 0;
            let e = loop {
                match store.append(&record, "shift", added).await {
                    Ok(_) => added += 1,
                    Err(e) => break e,
                }
                assert!(added < 1000, "the limit never bit");
            };
            assert!(matches!(e, LedgerError::DiskFull { .. }), "{e:?}");
            let found = store.verify(None).await.unwrap();
            assert_eq!((i64::try_from(found.entries), found.first_fault), (Ok(added), None));
            // Room again (the limit went with its connection): the same store goes on.
            assert_eq!(store.append(&record, "shift", added).await.unwrap().seq, added + 1);
        });
    }
}
