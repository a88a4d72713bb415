//! Creating and opening the file of a ledger, and telling its troubles apart.

use std::{
    fs,
    path::{Path, PathBuf},
    time::Duration,
};

use barwright_job::Hash;
use sqlx::{
    SqlitePool,
    sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous},
};

use super::Store;
use crate::{
    entry::{FORMAT, Identity, demand_time},
    error::{LedgerError, Result},
};

static MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!("./migrations/sqlite");

/// How long another program may keep the file before an append gives up.
const PATIENCE: Duration = Duration::from_secs(10);

/// A file, and how its errors are told.
#[derive(Debug, Clone)]
pub(crate) struct Place {
    pub path: PathBuf,
    pub patience: Duration,
}

impl Store {
    /// Makes a new, empty ledger. `name` is for people; name and time make its identity.
    ///
    /// # Errors
    /// [`LedgerError::Exists`] where there is any file, [`LedgerError::Time`],
    /// [`LedgerError::ReadOnly`] where the folder cannot be written, [`LedgerError::DiskFull`].
    pub async fn create(path: impl AsRef<Path>, name: &str, time_us: i64) -> Result<Self> {
        demand_time(time_us)?;
        let place = Place::new(path.as_ref());
        // Takes the name, so that of two programs only one creates.
        if let Err(e) = fs::OpenOptions::new().write(true).create_new(true).open(&place.path) {
            return Err(place.file_error(&e));
        }
        let created = place.fill(&Identity::new(name, time_us)).await;
        if let Err(e) = created {
            // Only this call's own, still empty ledger is cleared away.
            let _ = fs::remove_file(&place.path);
            return Err(e);
        }
        Self::open(path).await
    }

    /// Opens a ledger. A file marked read-only is opened for reading.
    ///
    /// # Errors
    /// [`LedgerError::Absent`], [`LedgerError::Corrupt`] (also for any other file),
    /// [`LedgerError::TooNew`], [`LedgerError::Locked`].
    pub async fn open(path: impl AsRef<Path>) -> Result<Self> {
        Self::open_patiently(path.as_ref(), PATIENCE).await
    }

    /// Opens a ledger, waiting that long for other programs.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub async fn open_patiently(path: &Path, patience: Duration) -> Result<Self> {
        let place = Place { patience, ..Place::new(path) };
        if place.marked_read_only()? {
            return Self::open_read_only(path).await;
        }
        let readers = place.pool(place.options().read_only(true), 4);
        let identity = place.identity(&readers).await?;
        let writer = place.pool(place.writing(), 1);
        MIGRATIONS.run(&writer).await.map_err(|e| place.migrate_error(e))?;
        Ok(Self { place, identity, writer: Some(writer), readers })
    }

    /// Opens a ledger for reading: nothing is ever written to the file.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub async fn open_read_only(path: impl AsRef<Path>) -> Result<Self> {
        let place = Place::new(path.as_ref());
        // Nobody writes a file that is marked read-only, so that no lock and no shared index file
        // are needed, which an archive could not provide. A log beside it must be read, though.
        let frozen = place.marked_read_only()? && !place.has_log();
        let readers = place.pool(place.options().read_only(true).immutable(frozen), 4);
        let identity = place.identity(&readers).await?;
        Ok(Self { place, identity, writer: None, readers })
    }
}

impl Place {
    fn new(path: &Path) -> Self {
        Self { path: path.to_owned(), patience: PATIENCE }
    }

    fn marked_read_only(&self) -> Result<bool> {
        let metadata = fs::metadata(&self.path).map_err(|e| self.file_error(&e))?;
        if !metadata.is_file() {
            return Err(self.corrupt("it is not a file"));
        }
        if metadata.len() == 0 {
            return Err(self.corrupt("the file is empty"));
        }
        Ok(metadata.permissions().readonly())
    }

    fn has_log(&self) -> bool {
        let mut log = self.path.clone().into_os_string();
        log.push("-wal");
        fs::metadata(log).is_ok_and(|log| log.len() > 0)
    }

    fn options(&self) -> SqliteConnectOptions {
        SqliteConnectOptions::new()
            .filename(&self.path)
            .create_if_missing(false)
            .busy_timeout(self.patience)
    }

    fn writing(&self) -> SqliteConnectOptions {
        self.options().journal_mode(SqliteJournalMode::Wal).synchronous(SqliteSynchronous::Full)
    }

    fn pool(&self, options: SqliteConnectOptions, connections: u32) -> SqlitePool {
        SqlitePoolOptions::new().max_connections(connections).connect_lazy_with(options)
    }

    /// Writes schema and identity into an empty file.
    async fn fill(&self, identity: &Identity) -> Result<()> {
        let pool = self.pool(self.writing(), 1);
        MIGRATIONS.run(&pool).await.map_err(|e| self.migrate_error(e))?;
        let mut transaction = pool.begin().await.map_err(|e| self.error(e))?;
        for (key, value) in [
            ("format", identity.format.to_string()),
            ("name", identity.name.clone()),
            ("id", identity.id.0.clone()),
        ] {
            sqlx::query("INSERT INTO meta (key, value) VALUES ($1, $2)")
                .bind(key)
                .bind(value)
                .execute(&mut *transaction)
                .await
                .map_err(|e| self.error(e))?;
        }
        transaction.commit().await.map_err(|e| self.error(e))?;
        pool.close().await;
        Ok(())
    }

    /// Reads the identity, and with it whether this is a ledger of a known format.
    async fn identity(&self, pool: &SqlitePool) -> Result<Identity> {
        let rows: Vec<(String, String)> = sqlx::query_as("SELECT key, value FROM meta")
            .fetch_all(pool)
            .await
            .map_err(|e| self.error(e))?;
        let value = |key: &str| {
            rows.iter()
                .find(|(k, _)| k == key)
                .map(|(_, value)| value.clone())
                .ok_or_else(|| self.corrupt(&format!("it does not say its {key}")))
        };
        let format = value("format")?;
        let format: u32 = format
            .parse()
            .map_err(|_| self.corrupt(&format!("its format is {format:?}, not a number")))?;
        if format > FORMAT {
            return Err(LedgerError::TooNew {
                path: self.path.clone(),
                found: format,
                known: FORMAT,
            });
        }
        Ok(Identity { format, name: value("name")?, id: Hash(value("id")?) })
    }

    pub fn corrupt(&self, what: &str) -> LedgerError {
        LedgerError::Corrupt { path: self.path.clone(), what: what.to_owned() }
    }

    fn io(&self, what: &impl ToString) -> LedgerError {
        LedgerError::Io { path: self.path.clone(), what: what.to_string() }
    }

    fn file_error(&self, e: &std::io::Error) -> LedgerError {
        use std::io::ErrorKind as K;
        let path = self.path.clone();
        match e.kind() {
            K::NotFound => LedgerError::Absent { path },
            K::AlreadyExists => LedgerError::Exists { path },
            K::PermissionDenied | K::ReadOnlyFilesystem => LedgerError::ReadOnly { path },
            K::StorageFull | K::QuotaExceeded => LedgerError::DiskFull { path },
            _ => self.io(e),
        }
    }

    fn migrate_error(&self, e: sqlx::migrate::MigrateError) -> LedgerError {
        use sqlx::migrate::MigrateError as M;
        match e {
            M::Execute(e) | M::ExecuteMigration(e, _) => self.error(e),
            M::VersionMissing(found) => LedgerError::TooNew {
                path: self.path.clone(),
                found: u32::try_from(found).unwrap_or(u32::MAX),
                known: FORMAT,
            },
            M::VersionMismatch(version) => {
                self.corrupt(&format!("step {version} of its schema is not as written"))
            }
            e => self.io(&e),
        }
    }

    /// Tells the database's errors apart by SQLite's primary result codes
    /// (sqlite.org/rescode.html).
    pub fn error(&self, e: sqlx::Error) -> LedgerError {
        let path = self.path.clone();
        let code = match &e {
            sqlx::Error::Database(d) => d.code().and_then(|code| code.parse::<u32>().ok()),
            sqlx::Error::PoolTimedOut => {
                return LedgerError::Locked { path, waited_s: self.patience.as_secs() };
            }
            sqlx::Error::ColumnDecode { .. } | sqlx::Error::ColumnNotFound(_) => {
                return self.corrupt(&e.to_string());
            }
            _ => None,
        };
        match code.map(|code| code & 0xff) {
            // SQLITE_BUSY, SQLITE_LOCKED
            Some(5 | 6) => LedgerError::Locked { path, waited_s: self.patience.as_secs() },
            // SQLITE_PERM, SQLITE_READONLY
            Some(3 | 8) => LedgerError::ReadOnly { path },
            // SQLITE_FULL
            Some(13) => LedgerError::DiskFull { path },
            // SQLITE_CORRUPT, SQLITE_NOTADB; 522 is a read beyond the end of the file
            Some(11 | 26) => self.corrupt(&e.to_string()),
            Some(10) if code == Some(522) => self.corrupt(&e.to_string()),
            // SQLITE_ERROR: the statements are fixed, so that a missing table is the file's fault
            Some(1) => self.corrupt(&e.to_string()),
            _ => self.io(&e),
        }
    }
}
