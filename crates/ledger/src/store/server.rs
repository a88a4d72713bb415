//! A ledger in a PostgreSQL database: for a plant whose lines write at once.

use std::path::PathBuf;

use sqlx::{
    Connection as _, PgConnection, PgPool,
    postgres::{PgConnectOptions, PgPoolOptions},
};

use super::{Store, place::Place, schema};
use crate::{
    db::Pool,
    entry::{Identity, demand_time},
    error::{LedgerError, Result},
};

/// Connections that read, and that write: those that write queue up for the head anyway.
const READERS: u32 = 4;
const WRITERS: u32 = 2;

impl Store {
    /// Makes a new, empty ledger in a database that has none. `address`: as
    /// `postgres://name@host/database` (PostgreSQL manual, section 34.1.1.2).
    ///
    /// # Errors
    /// [`LedgerError::Exists`] where the database has a ledger, [`LedgerError::Time`],
    /// [`LedgerError::Refused`], [`LedgerError::ReadOnly`], [`LedgerError::Io`] where no server
    /// answers.
    pub async fn create_on_server(address: &str, name: &str, time_us: i64) -> Result<Self> {
        Self::create_on_server_as(address, &Identity::new(name, time_us), time_us).await
    }

    /// Makes an empty ledger of a given identity, to be filled with that ledger's entries.
    pub(crate) async fn create_on_server_as(
        address: &str,
        identity: &Identity,
        time_us: i64,
    ) -> Result<Self> {
        demand_time(time_us)?;
        let server = Server::new(address)?;
        server.reach().await?;
        let pool = Pool::Postgres(server.pool(1));
        let created = match schema::identity(&pool, &server.place).await {
            Err(LedgerError::Absent { .. }) => schema::fill(&pool, &server.place, identity).await,
            Ok(_) => Err(LedgerError::Exists { path: server.place.path.clone() }),
            Err(e) => Err(e),
        };
        pool.close().await;
        created?;
        Self::open_on_server(address).await
    }

    /// Opens the ledger of a database.
    ///
    /// # Errors
    /// [`LedgerError::Absent`], [`LedgerError::Corrupt`], [`LedgerError::TooNew`],
    /// [`LedgerError::Refused`], [`LedgerError::Io`] where no server answers.
    pub async fn open_on_server(address: &str) -> Result<Self> {
        let server = Server::new(address)?;
        server.reach().await?;
        let writer = Pool::Postgres(server.pool(WRITERS));
        let identity = schema::identity(&writer, &server.place).await?;
        schema::bring_up(&writer, &server.place).await?;
        let readers = Pool::Postgres(server.pool(READERS));
        let store = Self::new(server.place, identity, Some(writer), readers);
        store.derive_where_needed().await?;
        Ok(store)
    }
}

/// The database of a ledger.
struct Server {
    place: Place,
    options: PgConnectOptions,
}

impl Server {
    fn new(address: &str) -> Result<Self> {
        let place = Place::new(PathBuf::from(shown(address)));
        let options: PgConnectOptions = address.parse().map_err(|e| place.io(&e))?;
        let patience = format!("{}ms", place.patience.as_millis());
        let options = options.application_name("barwright").options([("lock_timeout", patience)]);
        Ok(Self { place, options })
    }

    /// Connects once: a pool would try again and again, and then say no more than that it waited.
    async fn reach(&self) -> Result<()> {
        let reached = PgConnection::connect_with(&self.options).await;
        let connection = self.place.answer(reached)?;
        self.place.answer(connection.close().await)
    }

    fn pool(&self, connections: u32) -> PgPool {
        PgPoolOptions::new()
            .max_connections(connections)
            .acquire_timeout(self.place.patience)
            .connect_lazy_with(self.options.clone())
    }
}

/// An address without name, password and options: what errors and papers show.
pub(super) fn shown(address: &str) -> String {
    let shown = match (address.find("://"), address.rfind('@')) {
        (Some(scheme), Some(at)) if at > scheme => {
            format!("{}{}", &address[..scheme + 3], &address[at + 1..])
        }
        _ => address.to_owned(),
    };
    shown.split('?').next().unwrap_or_default().to_owned()
}
