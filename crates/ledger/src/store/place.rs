//! Where a ledger is, and how the troubles of that place are told.

use std::{path::PathBuf, time::Duration};

use crate::{
    entry::FORMAT,
    error::{LedgerError, Result},
};

/// How long another program may keep the ledger for itself before an append gives up.
pub(super) const PATIENCE: Duration = Duration::from_secs(10);

/// A file, or a database on a server, and how its errors are told.
#[derive(Debug, Clone)]
pub(crate) struct Place {
    /// The file, or the address without a password.
    pub path: PathBuf,
    pub patience: Duration,
}

impl Place {
    pub fn new(path: PathBuf) -> Self {
        Self { path, patience: PATIENCE }
    }

    /// The answer of a database, its error told as this place's.
    pub fn answer<T>(&self, answer: sqlx::Result<T>) -> Result<T> {
        answer.map_err(|e| self.error(e))
    }

    pub fn corrupt(&self, what: &str) -> LedgerError {
        LedgerError::Corrupt { path: self.path.clone(), what: what.to_owned() }
    }

    pub fn io(&self, what: &impl ToString) -> LedgerError {
        LedgerError::Io { path: self.path.clone(), what: what.to_string() }
    }

    pub fn file_error(&self, e: &std::io::Error) -> LedgerError {
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

    pub fn migrate_error(&self, e: sqlx::migrate::MigrateError) -> LedgerError {
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

    /// Tells the database's errors apart.
    pub fn error(&self, e: sqlx::Error) -> LedgerError {
        let path = self.path.clone();
        match &e {
            sqlx::Error::Database(d) => {
                if let Some(code) = d.code() {
                    let postgres = d.try_downcast_ref::<sqlx::postgres::PgDatabaseError>();
                    let told = match postgres {
                        Some(_) => self.of_postgres(&code, &e),
                        None => self.of_sqlite(&code, &e),
                    };
                    return told.unwrap_or_else(|| self.io(&e));
                }
                self.io(&e)
            }
            sqlx::Error::PoolTimedOut => {
                LedgerError::Locked { path, waited_s: self.patience.as_secs() }
            }
            sqlx::Error::ColumnDecode { .. } | sqlx::Error::ColumnNotFound(_) => {
                self.corrupt(&e.to_string())
            }
            _ => self.io(&e),
        }
    }

    /// By SQLite's primary result codes (sqlite.org/rescode.html).
    fn of_sqlite(&self, code: &str, e: &sqlx::Error) -> Option<LedgerError> {
        let path = self.path.clone();
        let code: u32 = code.parse().ok()?;
        Some(match code & 0xff {
            // SQLITE_BUSY, SQLITE_LOCKED
            5 | 6 => LedgerError::Locked { path, waited_s: self.patience.as_secs() },
            // SQLITE_PERM, SQLITE_READONLY
            3 | 8 => LedgerError::ReadOnly { path },
            // SQLITE_FULL
            13 => LedgerError::DiskFull { path },
            // SQLITE_CORRUPT, SQLITE_NOTADB; 522 is a read beyond the end of the file
            11 | 26 => self.corrupt(&e.to_string()),
            10 if code == 522 => self.corrupt(&e.to_string()),
            // SQLITE_ERROR: the statements are fixed, so that a missing table is the file's fault
            1 => self.corrupt(&e.to_string()),
            _ => return None,
        })
    }

    /// By SQLSTATE (PostgreSQL manual, appendix A).
    fn of_postgres(&self, code: &str, e: &sqlx::Error) -> Option<LedgerError> {
        let path = self.path.clone();
        Some(match code {
            // lock_not_available, query_canceled by a time limit
            "55P03" | "57014" => LedgerError::Locked { path, waited_s: self.patience.as_secs() },
            // read_only_sql_transaction, insufficient_privilege
            "25006" | "42501" => LedgerError::ReadOnly { path },
            // disk_full
            "53100" => LedgerError::DiskFull { path },
            // undefined_table, invalid_catalog_name: no ledger there
            "42P01" | "3D000" => LedgerError::Absent { path },
            // invalid_password, invalid_authorization_specification
            "28P01" | "28000" => LedgerError::Refused { path, what: e.to_string() },
            // data_corrupted, index_corrupted
            "XX001" | "XX002" => self.corrupt(&e.to_string()),
            _ => return None,
        })
    }
}
