//! One statement on either database. The text is the same for both: placeholders `$1`, plain
//! types, `ON CONFLICT`.

use std::ops::{Deref, DerefMut};

use sqlx::{
    AssertSqlSafe, FromRow, PgPool, Postgres, Sqlite, SqliteConnection, SqlitePool, Transaction,
    pool::PoolConnection, postgres::PgRow, sqlite::SqliteRow,
};

/// Rows that one statement adds or finds at most. SQLite looks placeholders up one by one, so that its time
/// to read a statement grows with their square.
const MOST_ROWS: usize = 32;

/// A value bound to a placeholder.
#[derive(Debug, Clone)]
pub(crate) enum Value {
    Int(Option<i64>),
    Text(Option<String>),
    Real(f64),
}

impl Value {
    /// Adds the value as the databases cast it to text; nothing for none.
    pub fn write(&self, to: &mut String) {
        match self {
            Self::Int(Some(v)) => to.push_str(&v.to_string()),
            Self::Text(Some(v)) => to.push_str(v),
            Self::Real(v) => to.push_str(&v.to_string()),
            Self::Int(None) | Self::Text(None) => {}
        }
    }
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

    /// Rows found by many keys. `find` ends with the columns of a key, as in
    /// `"SELECT piece FROM piece WHERE (heat, bar)"`; each key is found once however often it is
    /// given at once. Rows are in no order.
    pub async fn rows_of<T: Read>(
        &self,
        find: &'static str,
        keys: Vec<Vec<Value>>,
    ) -> sqlx::Result<Vec<T>> {
        let mut found = vec![];
        for (text, values) in portions(keys) {
            let sql = AssertSqlSafe(format!("{find} IN (VALUES {text})"));
            let rows: Vec<T> = either!(self, Pool, pool => {
                bind!(sqlx::query_as(sql), values).fetch_all(pool).await?
            });
            found.extend(rows);
        }
        Ok(found)
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
        for (text, values) in portions(rows) {
            let sql = AssertSqlSafe(format!("INSERT INTO {into} VALUES {text} {then}"));
            either!(self, Tx, tx => {
                bind!(sqlx::query(sql), values).execute(&mut **tx).await?;
            });
        }
        Ok(())
    }

    pub async fn commit(self) -> sqlx::Result<()> {
        either!(self, Tx, tx => tx.commit().await)
    }
}

/// Rows in portions for one statement each: the placeholders, and the values. Their numbers are
/// powers of two: few texts, whose statements stay prepared.
fn portions(rows: Vec<Vec<Value>>) -> impl Iterator<Item = (String, Vec<Value>)> {
    let columns = rows.first().map_or(0, Vec::len);
    let mut left = rows.len();
    let mut values = rows.into_iter().flatten();
    std::iter::from_fn(move || {
        let some = (1 << left.checked_ilog2()?).min(MOST_ROWS);
        left -= some;
        Some((placeholders(columns, some), values.by_ref().take(some * columns).collect()))
    })
}

fn placeholders(columns: usize, rows: usize) -> String {
    let row = |row: usize| {
        let row: Vec<String> = (1..=columns).map(|c| format!("${}", row * columns + c)).collect();
        format!("({})", row.join(", "))
    };
    (0..rows).map(row).collect::<Vec<_>>().join(", ")
}
