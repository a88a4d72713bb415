//! Where a ledger is kept, asynchronous: one SQLite file, or a PostgreSQL database that several
//! lines write to at once. The tables and the statements are the same.
//!
//! Durability: SQLite's write-ahead log with `synchronous=FULL`, PostgreSQL with its default
//! `synchronous_commit`; an entry that [`Store::append`] returned is on the disk. Each append is one
//! transaction that others that write wait for (`db.rs`): it reads the head, proves it, adds
//! its child and brings the states up to date (`derive.rs`). That parents are unique would refuse a
//! fork even without the lock.
//!
//! Where to start: `append` (writing), `read` (entries), [`questions`] (bars), `prove`
//! (verification), `file` and `server` (opening), `schema` (tables).

mod append;
mod copy;
mod derive;
pub mod file;
mod home;
mod place;
mod prove;
pub mod questions;
mod read;
mod schema;
mod server;

pub use append::Stamped;
pub use copy::Salvaged;
pub use home::Home;

use std::sync::{Arc, Mutex};

use barwright_job::Hash;

use crate::{
    db::Pool,
    entry::{Head, Identity, Row, no_parent},
    error::{LedgerError, Result},
    people::People,
};
use place::Place;

/// A ledger, for asynchronous callers. Clones share the connections.
#[derive(Debug, Clone)]
pub struct Store {
    pub(crate) place: Place,
    pub(crate) identity: Identity,
    /// None where the ledger was opened for reading.
    pub(crate) writer: Option<Pool>,
    pub(crate) readers: Pool,
    /// The register of people, and the entry up to which it was read.
    people: Arc<Mutex<(i64, Arc<People>)>>,
}

impl Store {
    fn new(place: Place, identity: Identity, writer: Option<Pool>, readers: Pool) -> Self {
        Self { place, identity, writer, readers, people: Arc::default() }
    }

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

    /// Ends all connections in good order. A file's log is folded into it, so that a closed ledger
    /// is one file. Dropping a store without it loses nothing.
    pub async fn close(&self) {
        // Readers first: the last connection folds the log, and a reading one could not.
        self.readers.close().await;
        if let Some(writer) = &self.writer {
            writer.close().await;
        }
    }

    fn writer(&self) -> Result<&Pool> {
        self.writer.as_ref().ok_or_else(|| LedgerError::ReadOnly { path: self.place.path.clone() })
    }

    fn head_of(&self, last: Option<Row>) -> Head {
        let (seq, time_us, hash) =
            last.map_or_else(|| (0, 0, no_parent()), |row| (row.seq, row.time_us, Hash(row.hash)));
        Head { ledger: self.identity.clone(), seq, time_us, hash }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{BarKey, Record};

    /// Truth: by construction, the file is forbidden to grow.
    #[test]
    fn a_full_disk_is_named_and_loses_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("ledger.db");
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let store = Store::create(&path, "works", 0).await.unwrap();
            let Some(Pool::Sqlite(writer)) = store.writer.as_ref() else {
                panic!("a file is written by SQLite");
            };
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
