//! The tables of a ledger, the same in both homes, and its identity in them.

use std::borrow::Cow;

use barwright_job::Hash;
use sqlx::{
    SqlSafeStr as _,
    migrate::{Migration, MigrationType, Migrator},
};

use super::place::Place;
use crate::{
    db::{Pool, values},
    entry::{FORMAT, Identity},
    error::{LedgerError, Result},
};

/// The steps that lead to today's tables. Released steps are never changed: a ledger that took one
/// remembers its text.
const STEPS: [(i64, &str, Text); 5] = [
    (1, "ledger", Text::Common(include_str!("../../migrations/common/0001_ledger.sql"))),
    (
        2,
        "append only",
        Text::Own {
            sqlite: include_str!("../../migrations/sqlite/0002_append_only.sql"),
            postgres: include_str!("../../migrations/postgres/0002_append_only.sql"),
        },
    ),
    (3, "signature", Text::Common(include_str!("../../migrations/common/0003_signature.sql"))),
    (
        4,
        "signature append only",
        Text::Own {
            sqlite: include_str!("../../migrations/sqlite/0004_signature_append_only.sql"),
            postgres: include_str!("../../migrations/postgres/0004_signature_append_only.sql"),
        },
    ),
    (5, "states", Text::Common(include_str!("../../migrations/common/0005_states.sql"))),
];

/// The statements of a step.
enum Text {
    Common(&'static str),
    /// Where the dialects differ.
    Own {
        sqlite: &'static str,
        postgres: &'static str,
    },
}

impl Text {
    fn sqlite(&self) -> &'static str {
        match self {
            Self::Common(sql) => sql,
            Self::Own { sqlite, .. } => sqlite,
        }
    }

    fn postgres(&self) -> &'static str {
        match self {
            Self::Common(sql) => sql,
            Self::Own { postgres, .. } => postgres,
        }
    }
}

fn steps(text: impl Fn(&Text) -> &'static str) -> Migrator {
    let steps = STEPS.iter().map(|(version, name, sql)| {
        let sql = text(sql).into_sql_str();
        Migration::new(*version, Cow::Borrowed(*name), MigrationType::Simple, sql, false)
    });
    Migrator { migrations: steps.collect::<Vec<_>>().into(), ..Migrator::DEFAULT }
}

/// Brings the tables up to today's.
pub(super) async fn bring_up(pool: &Pool, place: &Place) -> Result<()> {
    match pool {
        Pool::Sqlite(pool) => steps(Text::sqlite).run(pool).await,
        Pool::Postgres(pool) => steps(Text::postgres).run(pool).await,
    }
    .map_err(|e| place.migrate_error(e))
}

/// Writes tables and identity into an empty database.
pub(super) async fn fill(pool: &Pool, place: &Place, identity: &Identity) -> Result<()> {
    bring_up(pool, place).await?;
    let mut tx = place.answer(pool.begin().await)?;
    let rows = [
        ("format", identity.format.to_string()),
        ("name", identity.name.clone()),
        ("id", identity.id.0.clone()),
    ];
    let rows = rows.map(|(key, value)| values![key, value]).to_vec();
    place.answer(tx.insert("meta (key, value)", rows, "").await)?;
    place.answer(tx.insert("derived (key, value)", vec![super::derive::form()], "").await)?;
    place.answer(tx.commit().await)
}

/// Whether the tables are today's, states included.
pub(super) async fn is_current(pool: &Pool, place: &Place) -> Result<bool> {
    let taken = "SELECT COUNT(*) FROM _sqlx_migrations WHERE success";
    let steps = place.answer(pool.number(taken, vec![]).await)?.unwrap_or(0);
    let known = i64::try_from(STEPS.len()).unwrap_or(i64::MAX);
    if steps > known {
        return Err(LedgerError::TooNew {
            path: place.path.clone(),
            found: u32::try_from(steps).unwrap_or(u32::MAX),
            known: FORMAT,
        });
    }
    Ok(steps == known && super::derive::is_current(pool, place).await?)
}

/// Reads the identity, and with it whether this is a ledger of a known format.
pub(super) async fn identity(pool: &Pool, place: &Place) -> Result<Identity> {
    let rows: Vec<(String, String)> =
        place.answer(pool.rows("SELECT key, value FROM meta", vec![]).await)?;
    let value = |key: &str| {
        rows.iter()
            .find(|(k, _)| k == key)
            .map(|(_, value)| value.clone())
            .ok_or_else(|| place.corrupt(&format!("it does not say its {key}")))
    };
    let format = value("format")?;
    let format: u32 = format
        .parse()
        .map_err(|_| place.corrupt(&format!("its format is {format:?}, not a number")))?;
    if format > FORMAT {
        return Err(LedgerError::TooNew { path: place.path.clone(), found: format, known: FORMAT });
    }
    Ok(Identity { format, name: value("name")?, id: Hash(value("id")?) })
}
