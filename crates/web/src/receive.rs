//! The ingest service: acquisition systems stream shots, bars are screened while they run.
//!
//! Shots come as Arrow record batches over Arrow Flight. What the service acknowledges is on the
//! disk, in the journal of the bar; whatever ends the program, the next start finds it there. A bar
//! in progress has a journal and no document; [`settle`](mod@settle) makes the documents of a
//! journal, and does it alike for a bar that ended well and for one that broke off.
//!
//! `docs/receiving.md` says how a client speaks to it.

mod bar;
mod line;
pub mod messages;
mod news;
mod service;
pub mod settle;

use std::future::Future;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use barwright_evaluate::screen::Retention;
use tokio::net::TcpListener;
use tokio_stream::wrappers::TcpListenerStream;
use tonic::transport::{Identity, Server, ServerTlsConfig};

pub use line::{Line, recover};
pub use messages::{MessageError, MessageOptions, Publisher};
pub use news::{LineState, News, Newsroom};

use crate::folder::JobFolder;

/// Largest message that is taken, in bytes.
const LARGEST_MESSAGE: usize = 64 << 20;
/// What may be under way to one client before it must wait, in bytes.
const WINDOW: u32 = 32 << 20;

/// How the service receives.
#[derive(Debug, Clone)]
pub struct Options {
    /// What is kept of a bar's samples.
    pub retention: Retention,
    /// Silence after which a bar in progress is given up.
    pub patience: Duration,
    /// A token that clients must show.
    pub token: Option<String>,
    /// Certificate and private key, PEM.
    pub tls: Option<(String, String)>,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            retention: Retention::default(),
            patience: Duration::from_secs(60),
            token: None,
            tls: None,
        }
    }
}

/// Why shots cannot be received.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReceiveError {
    /// The address can be reached from other machines, and nothing keeps strangers away.
    #[error("{address} can be reached from other machines, and no token is asked for")]
    Open {
        /// The address asked for.
        address: SocketAddr,
    },
    /// A line was named twice, or two lines share a folder.
    #[error("two lines share the {what} {name}")]
    Shared {
        /// `name` or `folder`.
        what: &'static str,
        /// What they share.
        name: String,
    },
    /// The system refused the address.
    #[error("cannot listen on {address}: {source}")]
    Listen {
        /// The address asked for.
        address: SocketAddr,
        /// The reason.
        source: std::io::Error,
    },
    /// The service could not begin or broke off.
    #[error("the service broke off: {source}")]
    Broken {
        /// The reason.
        source: tonic::transport::Error,
    },
    /// A document of a line's folder is missing or unusable.
    #[error("line {line}: {source}")]
    Document {
        /// The line.
        line: String,
        /// The reason.
        source: crate::files::FileError,
    },
    /// A journal or a table beside it could not be read or written.
    #[error("line {line}: {source}")]
    Capture {
        /// The line.
        line: String,
        /// The reason.
        source: barwright_capture::CaptureError,
    },
    /// A bar could not be judged.
    #[error("line {line}: {source}")]
    Evaluate {
        /// The line.
        line: String,
        /// The reason.
        source: barwright_evaluate::EvaluateError,
    },
}

impl ReceiveError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Open { .. } => {
                Some("use 127.0.0.1, or give --token-file and, off this machine, --tls-cert".into())
            }
            Self::Shared { .. } => {
                Some("give every line a name and a job folder of its own".into())
            }
            Self::Listen { source, .. } if source.kind() == std::io::ErrorKind::AddrInUse => {
                Some("another program uses this port: choose another with --address".into())
            }
            Self::Listen { .. } | Self::Broken { .. } => None,
            Self::Document { source, .. } => source.hint(),
            Self::Capture { source, .. } => source.hint(),
            Self::Evaluate { source, .. } => source.hint(),
        }
    }
}

/// Receives on an address until `end` is over. Bars in progress are then given up and held.
///
/// # Errors
/// [`ReceiveError::Open`] for an address that is not loopback without a token;
/// [`ReceiveError::Listen`] where it is taken or refused; [`ReceiveError::Broken`].
pub async fn receive(
    lines: Vec<Arc<Line>>,
    address: SocketAddr,
    options: Options,
    news: Newsroom,
    end: impl Future<Output = ()> + Send + 'static,
) -> Result<(), ReceiveError> {
    if !address.ip().is_loopback() && options.token.is_none() {
        return Err(ReceiveError::Open { address });
    }
    let listener = TcpListener::bind(address)
        .await
        .map_err(|source| ReceiveError::Listen { address, source })?;
    receive_on(lines, listener, options, news, end).await
}

/// As [`receive`], on a listener.
///
/// # Errors
/// [`ReceiveError::Broken`].
pub async fn receive_on(
    lines: Vec<Arc<Line>>,
    listener: TcpListener,
    options: Options,
    news: Newsroom,
    end: impl Future<Output = ()> + Send + 'static,
) -> Result<(), ReceiveError> {
    let broken = |source| ReceiveError::Broken { source };
    let mut server = Server::builder()
        .initial_stream_window_size(WINDOW)
        .initial_connection_window_size(2 * WINDOW)
        .http2_keepalive_interval(Some(Duration::from_secs(10)))
        .tcp_nodelay(true);
    if let Some((certificate, key)) = &options.tls {
        let identity = Identity::from_pem(certificate, key);
        server = server.tls_config(ServerTlsConfig::new().identity(identity)).map_err(broken)?;
    }
    let watch: Vec<_> = lines
        .iter()
        .map(|line| tokio::spawn(line::give_up_silent(Arc::clone(line), options.patience)))
        .collect();
    let (stop, stopping) = tokio::sync::watch::channel(false);
    let service = service::service(lines.clone(), &options, news, stopping, LARGEST_MESSAGE);
    let incoming = TcpListenerStream::new(listener);
    // Kept here until all is over: streams would take its end for a stop.
    let stop = Arc::new(stop);
    let signal = Arc::clone(&stop);
    let end = async move {
        end.await;
        // Streams under way break off their bars; an error says that there are none.
        let _ = signal.send(true);
    };
    let served = server
        .add_service(service)
        .serve_with_incoming_shutdown(incoming, end)
        .await
        .map_err(broken);
    watch.iter().for_each(tokio::task::JoinHandle::abort);
    for line in lines {
        line.stop().await;
    }
    served
}

/// A line with its job folder, ready to receive; bars that an earlier run left behind are settled
/// first.
///
/// # Errors
/// [`ReceiveError::Shared`] where lines share a name or a folder; what [`recover`] says.
pub fn lines(
    named: Vec<(String, JobFolder)>,
    news: &Newsroom,
    retention: Retention,
) -> Result<Vec<Arc<Line>>, ReceiveError> {
    let mut out: Vec<Arc<Line>> = Vec::new();
    for (name, folder) in named {
        let root = folder.root().canonicalize().unwrap_or_else(|_| folder.root().to_owned());
        if out.iter().any(|l| l.name() == name) {
            return Err(ReceiveError::Shared { what: "name", name });
        }
        if out.iter().any(|l| l.root() == root) {
            let name = root.display().to_string();
            return Err(ReceiveError::Shared { what: "folder", name });
        }
        out.push(Arc::new(Line::new(name, folder, root, news.clone(), retention)));
    }
    Ok(out)
}
