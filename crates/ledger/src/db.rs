//! One statement on either database. The text is the same for both: placeholders `$1`, plain
//! types, `ON CONFLICT`.

use std::ops::{Deref, DerefMut};

use sqlx::{
    AssertSqlSafe, FromRow, PgPool, Postgres, Sqlite, SqliteConnection, SqlitePool, Transaction,
    pool::PoolConnection, postgres::PgRow, sqlite::SqliteRow,
};

/// Values of one row that a statement takes at most: SQLite allows 32 766, PostgreSQL 65 535.
const MOST_VALUES: usize = 16_000;

/// A value bound to a placeholder.
#[derive(Debug, Clone)]
pub(crate) enum Value {
    Int(Option<i64>),
    Text(Option<String>),
    Real(f64),
}

impl From<i64> for Value {
    fn from(v: i64) -> Self {
        Self::Int(Some(v))
    }
}

impl From<Option<i64>> for Value {
    fn from(v: Option<i64>) -> Self {
        Self::Int(v)
    }
}

impl From<f64> for Value {
    fn from(v: f64) -> Self {
        Self::Real(v)
    }
}

impl From<&str> for Value {
    fn from(v: &str) -> Self {
        Self::Text(Some(v.to_owned()))
    }
}

impl From<String> for Value {
    fn from(v: String) -> Self {
        Self::Text(Some(v))
    }
}

impl From<&String> for Value {
    fn from(v: &String) -> Self {
        Self::Text(Some(v.clone()))
    }
}

impl From<Option<String>> for Value {
    fn from(v: Option<String>) -> Self {
        Self::Text(v)
    }
}

/// The values of a statement, in order of its placeholders.
macro_rules! values {
    ($($value:expr),* $(,)?) => { vec![$($crate::db::Value::from($value)),*] };
}
pub(crate) use values;

/// A type that rows of both databases can be read as.
pub(crate) trait Read:
    for<'r> FromRow<'r, SqliteRow> + for<'r> FromRow<'r, PgRow> + Send + Unpin
{
}

impl<T> Read for T where
    T: for<'r> FromRow<'r, SqliteRow> + for<'r> FromRow<'r, PgRow> + Send + Unpin
{
}

/// The same lines for either database.
macro_rules! either {
    ($on:expr, Pool, $inner:ident => $body:expr) => {
        match $on {
            Pool::Sqlite($inner) => $body,
            Pool::Postgres($inner) => $body,
        }
    };
    ($on:expr, Tx, $inner:ident => $body:expr) => {
        match $on {
            Tx::Sqlite($inner) => $body,
            Tx::Writing($inner) => $body,
            Tx::Postgres($inner) => $body,
        }
    };
}

/// Binds values to a query, whichever database it is for.
macro_rules! bind {
    ($query:expr, $values:expr) => {{
        let mut query = $query;
        for value in $values {
            query = match value {
                Value::Int(v) => query.bind(v),
                Value::Text(v) => query.bind(v),
                Value::Real(v) => query.bind(v),
            };
        }
        query
    }};
}

/// Connections to either database.
#[derive(Debug, Clone)]
pub(crate) enum Pool {
    Sqlite(SqlitePool),
    Postgres(PgPool),
}

impl Pool {
    pub async fn rows<T: Read>(
        &self,
        sql: &'static str,
        values: Vec<Value>,
    ) -> sqlx::Result<Vec<T>> {
        either!(self, Pool, pool => bind!(sqlx::query_as(sql), values).fetch_all(pool).await)
    }

    pub async fn row<T: Read>(
        &self,
        sql: &'static str,
        values: Vec<Value>,
    ) -> sqlx::Result<Option<T>> {
        either!(self, Pool, pool => bind!(sqlx::query_as(sql), values).fetch_optional(pool).await)
    }

    /// The number in the only column of the only row; none for NULL or no row.
    pub async fn number(&self, sql: &'static str, values: Vec<Value>) -> sqlx::Result<Option<i64>> {
        Ok(self.row::<(Option<i64>,)>(sql, values).await?.and_then(|(n,)| n))
    }

    /// Begins a transaction that writes: others that write wait for its end.
    pub async fn begin(&self) -> sqlx::Result<Tx> {
        match self {
            Self::Sqlite(pool) => Ok(Tx::Writing(Writing::begin(pool).await?)),
            Self::Postgres(pool) => {
                let mut tx = pool.begin().await?;
                sqlx::query("LOCK TABLE entry IN SHARE ROW EXCLUSIVE MODE")
                    .execute(&mut *tx)
                    .await?;
                Ok(Tx::Postgres(tx))
            }
        }
    }

    /// Begins a transaction that reads: it sees one state of the ledger throughout.
    pub async fn snapshot(&self) -> sqlx::Result<Tx> {
        match self {
            Self::Sqlite(pool) => Ok(Tx::Sqlite(pool.begin().await?)),
            Self::Postgres(pool) => Ok(Tx::Postgres(
                pool.begin_with("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY").await?,
            )),
        }
    }

    pub async fn close(&self) {
        either!(self, Pool, pool => pool.close().await);
    }
}

/// A transaction that writes to a file. SQLite ends one by itself on some errors (a full disk)
/// without the pool noticing: one that does not come to its end takes its connection with it.
pub(crate) struct Writing {
    connection: PoolConnection<Sqlite>,
    committed: bool,
}

impl Writing {
    async fn begin(pool: &SqlitePool) -> sqlx::Result<Self> {
        let mut begun = Self { connection: pool.acquire().await?, committed: false };
        sqlx::query("BEGIN IMMEDIATE").execute(&mut *begun.connection).await?;
        Ok(begun)
    }

    async fn commit(mut self) -> sqlx::Result<()> {
        sqlx::query("COMMIT").execute(&mut *self.connection).await?;
        self.committed = true;
        Ok(())
    }
}

impl Drop for Writing {
    fn drop(&mut self) {
        if !self.committed {
            self.connection.close_on_drop();
        }
    }
}

impl Deref for Writing {
    type Target = SqliteConnection;

    fn deref(&self) -> &SqliteConnection {
        &self.connection
    }
}

impl DerefMut for Writing {
    fn deref_mut(&mut self) -> &mut SqliteConnection {
        &mut self.connection
    }
}

/// A transaction on either database.
pub(crate) enum Tx {
    /// One that reads a file.
    Sqlite(Transaction<'static, Sqlite>),
    Writing(Writing),
    Postgres(Transaction<'static, Postgres>),
}

impl Tx {
    pub async fn rows<T: Read>(
        &mut self,
        sql: &'static str,
        values: Vec<Value>,
    ) -> sqlx::Result<Vec<T>> {
        either!(self, Tx, tx => bind!(sqlx::query_as(sql), values).fetch_all(&mut **tx).await)
    }

    pub async fn row<T: Read>(
        &mut self,
        sql: &'static str,
        values: Vec<Value>,
    ) -> sqlx::Result<Option<T>> {
        either!(self, Tx, tx => bind!(sqlx::query_as(sql), values).fetch_optional(&mut **tx).await)
    }

    /// Runs a statement and returns the number of rows it touched.
    pub async fn run(&mut self, sql: &'static str, values: Vec<Value>) -> sqlx::Result<u64> {
        either!(self, Tx, tx => {
            let done = bind!(sqlx::query(sql), values).execute(&mut **tx).await?;
            Ok(done.rows_affected())
        })
    }

    /// Adds rows to a table, many with one statement. `into`: table and columns, as in
    /// `"piece (heat, bar)"`; `then`: what follows the values, as `ON CONFLICT`.
    pub async fn insert(
        &mut self,
        into: &'static str,
        rows: Vec<Vec<Value>>,
        then: &'static str,
    ) -> sqlx::Result<()> {
        let Some(columns) = rows.first().map(Vec::len) else {
            return Ok(());
        };
        let mut rows = rows.into_iter().peekable();
        while rows.peek().is_some() {
            let some: Vec<Vec<Value>> = rows.by_ref().take(MOST_VALUES / columns).collect();
            let sql = AssertSqlSafe(insert_text(into, columns, some.len(), then));
            // A text that differs from call to call would only crowd the cache of statements.
            let values = some.into_iter().flatten();
            either!(self, Tx, tx => {
                bind!(sqlx::query(sql), values).persistent(false).execute(&mut **tx).await?;
            });
        }
        Ok(())
    }

    pub async fn commit(self) -> sqlx::Result<()> {
        either!(self, Tx, tx => tx.commit().await)
    }
}

fn insert_text(into: &str, columns: usize, rows: usize, then: &str) -> String {
    let mut sql = format!("INSERT INTO {into} VALUES ");
    for row in 0..rows {
        sql.push_str(if row == 0 { "(" } else { ", (" });
        for column in 1..=columns {
            let comma = if column == 1 { "" } else { ", " };
            sql.push_str(&format!("{comma}${}", row * columns + column));
        }
        sql.push(')');
    }
    if !then.is_empty() {
        sql.push(' ');
        sql.push_str(then);
    }
    sql
}
