//! A ledger in a file of its own: SQLite.

use std::{fs, path::Path, time::Duration};

use sqlx::{
    SqlitePool,
    sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous},
};

use super::{
    Store,
    place::{PATIENCE, Place},
    schema,
};
use crate::{
    db::Pool,
    entry::{Identity, demand_time},
    error::Result,
};

/// Rows that are read before they are asked for: SQLite has a thread of its own, and handing rows
/// over one by one costs more than reading them.
const ROWS_AHEAD: usize = 4000;

// Hashes fall anywhere in an index, so that an entry touches pages far apart: with much of the
// index in memory and a longer log, each is read and written less often.

/// Memory for pages of the file: 64 MiB (SQLite counts kibibytes below nought).
const CACHE: &str = "-65536";

/// Pages of 4 KiB that the log gathers before they go into the file.
const LOG_PAGES: &str = "8000";

impl Store {
    /// Makes a new, empty ledger. `name` is for people; name and time make its identity.
    ///
    /// # Errors
    /// [`crate::LedgerError::Exists`] where there is any file, [`crate::LedgerError::Time`],
    /// [`crate::LedgerError::ReadOnly`] where the folder cannot be written, [`crate::LedgerError::DiskFull`].
    pub async fn create(path: impl AsRef<Path>, name: &str, time_us: i64) -> Result<Self> {
        Self::create_as(path.as_ref(), &Identity::new(name, time_us), time_us).await
    }

    /// Makes an empty ledger of a given identity, to be filled with that ledger's entries.
    pub(crate) async fn create_as(path: &Path, identity: &Identity, time_us: i64) -> Result<Self> {
        demand_time(time_us)?;
        let file = File::new(path, PATIENCE);
        // Takes the name, so that of two programs only one creates.
        if let Err(e) = fs::OpenOptions::new().write(true).create_new(true).open(path) {
            return Err(file.place.file_error(&e));
        }
        let pool = Pool::Sqlite(file.pool(file.writing(), 1));
        let filled = schema::fill(&pool, &file.place, identity).await;
        pool.close().await;
        if let Err(e) = filled {
            // Only this call's own, still empty ledger is cleared away.
            let _ = fs::remove_file(path);
            return Err(e);
        }
        Self::open(path).await
    }

    /// Opens a ledger. A file marked read-only is opened for reading.
    ///
    /// # Errors
    /// [`crate::LedgerError::Absent`], [`crate::LedgerError::Corrupt`] (also for any other file),
    /// [`crate::LedgerError::TooNew`], [`crate::LedgerError::Locked`].
    pub async fn open(path: impl AsRef<Path>) -> Result<Self> {
        Self::open_patiently(path.as_ref(), PATIENCE).await
    }

    /// Opens a ledger, waiting that long for other programs.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub async fn open_patiently(path: &Path, patience: Duration) -> Result<Self> {
        let file = File::new(path, patience);
        if file.marked_read_only()? {
            return Self::open_read_only(path).await;
        }
        let readers = Pool::Sqlite(file.pool(file.options().read_only(true), 4));
        let identity = schema::identity(&readers, &file.place).await?;
        let writer = Pool::Sqlite(file.pool(file.writing(), 1));
        schema::bring_up(&writer, &file.place).await?;
        let store = Self::new(file.place, identity, Some(writer), readers);
        store.derive_where_needed().await?;
        Ok(store)
    }

    /// Opens a ledger for reading: nothing is ever written to the file. One of an earlier format is
    /// read into memory, because its states are not kept in it.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub async fn open_read_only(path: impl AsRef<Path>) -> Result<Self> {
        let file = File::new(path.as_ref(), PATIENCE);
        // Nobody writes a file that is marked read-only, so that no lock and no shared index file
        // are needed, which an archive could not provide. A log beside it must be read, though.
        let frozen = file.marked_read_only()? && !file.has_log();
        let options = file.options().read_only(true).immutable(frozen);
        let readers = Pool::Sqlite(file.pool(options, 4));
        let identity = schema::identity(&readers, &file.place).await?;
        let place = file.place;
        if schema::is_current(&readers, &place).await? {
            return Ok(Self::new(place, identity, None, readers));
        }
        let memory = SqlitePoolOptions::new()
            .max_connections(1)
            .idle_timeout(None)
            .max_lifetime(None)
            .connect_lazy_with(SqliteConnectOptions::new().in_memory(true));
        let memory = Pool::Sqlite(memory);
        schema::fill(&memory, &place, &identity).await?;
        let mut copy = Self::new(place, identity, Some(memory.clone()), memory);
        copy.take_rows_of(&readers).await?;
        readers.close().await;
        copy.writer = None;
        Ok(copy)
    }
}

/// A damaged file, for reading as far as that goes.
pub(super) async fn open_damaged(path: &Path) -> Result<(Pool, Identity, Place)> {
    let file = File::new(path, PATIENCE);
    file.marked_read_only()?;
    let readers = Pool::Sqlite(file.pool(file.options().read_only(true), 1));
    let identity = schema::identity(&readers, &file.place).await?;
    Ok((readers, identity, file.place))
}

/// A failure of the file system at a path.
pub(super) fn error_at(path: &Path, e: &std::io::Error) -> crate::LedgerError {
    Place::new(path.to_owned()).file_error(e)
}

/// Clears away this program's own, unfinished file and what lies beside it.
pub(super) fn remove(path: &Path) {
    for end in ["", "-wal", "-shm"] {
        let mut name = path.as_os_str().to_owned();
        name.push(end);
        // What is not there need not go.
        let _ = fs::remove_file(name);
    }
}

/// The file of a ledger.
struct File {
    place: Place,
}

impl File {
    fn new(path: &Path, patience: Duration) -> Self {
        Self { place: Place { path: path.to_owned(), patience } }
    }

    fn marked_read_only(&self) -> Result<bool> {
        let metadata = fs::metadata(&self.place.path).map_err(|e| self.place.file_error(&e))?;
        if !metadata.is_file() {
            return Err(self.place.corrupt("it is not a file"));
        }
        if metadata.len() == 0 {
            return Err(self.place.corrupt("the file is empty"));
        }
        Ok(metadata.permissions().readonly())
    }

    fn has_log(&self) -> bool {
        let mut log = self.place.path.clone().into_os_string();
        log.push("-wal");
        fs::metadata(log).is_ok_and(|log| log.len() > 0)
    }

    fn options(&self) -> SqliteConnectOptions {
        SqliteConnectOptions::new()
            .filename(&self.place.path)
            .create_if_missing(false)
            .busy_timeout(self.place.patience)
            .row_buffer_size(ROWS_AHEAD)
    }

    fn writing(&self) -> SqliteConnectOptions {
        self.options()
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .pragma("cache_size", CACHE)
            .pragma("wal_autocheckpoint", LOG_PAGES)
    }

    fn pool(&self, options: SqliteConnectOptions, connections: u32) -> SqlitePool {
        SqlitePoolOptions::new().max_connections(connections).connect_lazy_with(options)
    }
}
