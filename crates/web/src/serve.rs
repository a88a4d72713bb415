//! The service: where it listens, and how it ends.

use std::future::Future;
use std::net::SocketAddr;

use tokio::net::TcpListener;

use crate::{
    folder::JobFolder,
    receive::Newsroom,
    router::{router, router_with},
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
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            Self::Open { .. } => Some(
                "use 127.0.0.1; the pages know no users, so whoever reaches them can read the whole job folder",
            ),
            Self::Listen { source, .. } => match source.kind() {
                std::io::ErrorKind::AddrInUse => {
                    Some("another program uses this port: choose another with --address")
                }
                std::io::ErrorKind::PermissionDenied => Some("choose a port above 1023"),
                _ => None,
            },
            Self::Broken { .. } => None,
        }
    }
}

/// Serves the pages of a job folder on this machine only, until interrupted.
///
/// # Errors
/// [`ServeError::Open`] for an address that is not loopback, [`ServeError::Listen`] where the
/// address is taken or refused.
pub async fn serve(folder: JobFolder, address: SocketAddr) -> Result<(), ServeError> {
    if !address.ip().is_loopback() {
        return Err(ServeError::Open { address });
    }
    serve_anywhere(folder, address).await
}

/// As [`serve`], with the lines that shots are received from, until it is dropped.
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
    let listener = listen(address).await?;
    axum::serve(listener, router_with(folder, Some(news)))
        .await
        .map_err(|source| ServeError::Broken { source })
}

/// As [`serve`], for an address that other machines may reach. Whoever reaches it can read the
/// whole job folder.
///
/// # Errors
/// As [`serve`], without [`ServeError::Open`].
pub async fn serve_anywhere(folder: JobFolder, address: SocketAddr) -> Result<(), ServeError> {
    let listener = listen(address).await?;
    let interrupted = async {
        if tokio::signal::ctrl_c().await.is_err() {
            // Without the signal the service ends with the program.
            std::future::pending::<()>().await;
        }
    };
    serve_on(folder, listener, interrupted).await
}

async fn listen(address: SocketAddr) -> Result<TcpListener, ServeError> {
    TcpListener::bind(address).await.map_err(|source| ServeError::Listen { address, source })
}

/// Serves on a listener until `end` is over; requests under way are answered first.
///
/// # Errors
/// [`ServeError::Broken`].
pub async fn serve_on(
    folder: JobFolder,
    listener: TcpListener,
    end: impl Future<Output = ()> + Send + 'static,
) -> Result<(), ServeError> {
    axum::serve(listener, router(folder))
        .with_graceful_shutdown(end)
        .await
        .map_err(|source| ServeError::Broken { source })
}
