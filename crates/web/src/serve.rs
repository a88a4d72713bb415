//! The service: where it listens, and how it ends.

use std::future::Future;
use std::net::SocketAddr;

use axum::Router;
use tokio::net::TcpListener;

use crate::{
    access::{Reach, accounts::Accounts},
    files::FileError,
    folder::JobFolder,
    house::{House, HouseError},
    receive::Newsroom,
    router::router_for,
};

/// Why the pages cannot be served.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ServeError {
    /// The address can be reached from other machines, and that was not asked for.
    #[error("{address} can be reached from other machines")]
    Open {
        /// The address asked for.
        address: SocketAddr,
    },
    /// The accounts cannot be read, so nobody could be let in.
    #[error("the accounts cannot be read: {source}")]
    Accounts {
        /// The reason.
        source: FileError,
    },
    /// The house folder cannot be used.
    #[error("the house folder cannot be used: {source}")]
    House {
        /// The reason.
        source: HouseError,
    },
    /// The system refused the address.
    #[error("cannot listen on {address}: {source}")]
    Listen {
        /// The address asked for.
        address: SocketAddr,
        /// The reason.
        source: std::io::Error,
    },
    /// The service broke off.
    #[error("the service broke off: {source}")]
    Broken {
        /// The reason.
        source: std::io::Error,
    },
}

impl ServeError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        let hint = match self {
            Self::House { source } => return source.hint(),
            Self::Open { .. } => Some(
                "use 127.0.0.1, or make accounts first: `barwright people password NAME`; without them whoever \
                 reaches the pages reads the whole job folder",
            ),
            Self::Accounts { .. } => Some("restore accounts.json from a copy"),
            Self::Listen { source, .. } => match source.kind() {
                std::io::ErrorKind::AddrInUse => {
                    Some("another program uses this port: choose another with --address")
                }
                std::io::ErrorKind::PermissionDenied => Some("choose a port above 1023"),
                _ => None,
            },
            Self::Broken { .. } => None,
        };
        hint.map(str::to_owned)
    }
}

/// Who can reach an address, if it may be served: other machines only where somebody can sign in, or
/// where `open` says that everybody may read.
fn reach(folder: &JobFolder, address: SocketAddr, open: bool) -> Result<Reach, ServeError> {
    if address.ip().is_loopback() {
        return Ok(Reach::Loopback);
    }
    if open {
        return Ok(Reach::OpenNetwork);
    }
    let accounts = Accounts::read(folder).map_err(|source| ServeError::Accounts { source })?;
    if accounts.is_empty() {
        return Err(ServeError::Open { address });
    }
    Ok(Reach::Network)
}

/// Serves the pages of a job folder until interrupted, at an address of this machine, or at one that
/// other machines reach where there are accounts or `open` is set.
///
/// # Errors
/// [`ServeError::Open`] for an address that is not loopback without either,
/// [`ServeError::Accounts`] for accounts that cannot be read then, [`ServeError::Listen`] where the address is
/// taken or refused.
pub async fn serve(folder: JobFolder, address: SocketAddr, open: bool) -> Result<(), ServeError> {
    let reach = reach(&folder, address, open)?;
    let house = house(&folder)?;
    let listener = listen(address).await?;
    let interrupted = async {
        if tokio::signal::ctrl_c().await.is_err() {
            // Without the signal the service ends with the program.
            std::future::pending::<()>().await;
        }
    };
    run(router_for(folder, None, reach, house), listener, interrupted).await
}

/// As [`serve`], with the lines that shots are received from, until it is dropped; on this machine
/// only.
///
/// # Errors
/// As [`serve`].
pub async fn serve_line(
    folder: JobFolder,
    address: SocketAddr,
    news: Newsroom,
) -> Result<(), ServeError> {
    if !address.ip().is_loopback() {
        return Err(ServeError::Open { address });
    }
    let house = house(&folder)?;
    let listener = listen(address).await?;
    let pages = router_for(folder, Some(news), Reach::Loopback, house);
    run(pages, listener, std::future::pending()).await
}

fn house(folder: &JobFolder) -> Result<House, ServeError> {
    House::read(folder).map_err(|source| ServeError::House { source })
}

async fn listen(address: SocketAddr) -> Result<TcpListener, ServeError> {
    TcpListener::bind(address).await.map_err(|source| ServeError::Listen { address, source })
}

/// Serves on a listener of this machine until `end` is over; requests under way are answered first.
///
/// # Errors
/// [`ServeError::House`], [`ServeError::Broken`].
pub async fn serve_on(
    folder: JobFolder,
    listener: TcpListener,
    end: impl Future<Output = ()> + Send + 'static,
) -> Result<(), ServeError> {
    let house = house(&folder)?;
    run(router_for(folder, None, Reach::Loopback, house), listener, end).await
}

async fn run(
    pages: Router,
    listener: TcpListener,
    end: impl Future<Output = ()> + Send + 'static,
) -> Result<(), ServeError> {
    // Addresses of clients, so that those who try passwords can be slowed.
    axum::serve(listener, pages.into_make_service_with_connect_info::<SocketAddr>())
        .with_graceful_shutdown(end)
        .await
        .map_err(|source| ServeError::Broken { source })
}
