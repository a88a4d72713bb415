//! Who may see the pages: accounts, signing in, and what every request must show.
//!
//! Without any account the pages are open for reading to whoever reaches them, which is this machine
//! unless somebody chose otherwise, and nobody changes anything by page. With accounts every
//! page needs a sign-in. An account says only who somebody is; what they may change is said by
//! their roles in the ledger.

pub mod accounts;
mod attempts;
mod origin;
mod sessions;
mod sign_in;

use barwright_phrase::say;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::{
    extract::{ConnectInfo, Request, State},
    http::{Method, StatusCode, header},
    middleware::Next,
    response::{IntoResponse, Redirect, Response},
};
use serde::{Deserialize, Serialize};
use tokio::sync::Semaphore;
use tower_sessions::{
    Expiry, Session, SessionManagerLayer,
    cookie::{SameSite, time::Duration},
};

use crate::{files::FileError, folder::JobFolder, look, pages};
use accounts::Accounts;
use attempts::Attempts;
use sessions::Sessions;
pub use sign_in::routes;

/// A session ends after so long without a page.
const IDLE: Duration = Duration::minutes(30);
/// And after so long in any case: a shift with its handover.
const LONGEST_S: i64 = 12 * 3600;
/// Passwords that are worked on at a time: each takes the memory of its cost.
const AT_A_TIME: usize = 2;
/// Where a session keeps who signed in.
const KEY: &str = "signed-in";

/// Who can reach the pages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// This machine only.
    Loopback,
    /// Other machines, who must sign in.
    Network,
    /// Other machines, who may read everything while there is no account.
    OpenNetwork,
}

/// Who looks at a page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Viewer {
    /// Somebody, where there is no account.
    Anybody,
    /// Somebody who did not sign in, on the page for doing so.
    Stranger,
    /// Somebody who signed in.
    Person(String),
}

impl Viewer {
    /// The name, where somebody signed in.
    pub fn name(&self) -> Option<&str> {
        match self {
            Self::Person(name) => Some(name),
            _ => None,
        }
    }
}

/// Address that a request comes from, where it is known.
#[derive(Debug, Clone, Copy)]
struct Client(Option<IpAddr>);

/// What decides over access.
#[derive(Clone)]
pub struct Access {
    folder: JobFolder,
    reach: Reach,
    attempts: Arc<Attempts>,
    at_a_time: Arc<Semaphore>,
}

/// What a session keeps.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct SignedIn {
    person: String,
    /// Mark of the account at the time of signing in: another one ends the session.
    mark: String,
    since_s: i64,
}

/// Where a request stands.
enum Standing {
    Viewer(Viewer),
    /// Must sign in first.
    Out,
    /// There is no account, and reading was not opened.
    Closed,
    /// The accounts cannot be read, so nobody is let in.
    Unreadable(FileError),
}

impl Access {
    pub fn new(folder: JobFolder, reach: Reach) -> Self {
        let attempts = Arc::default();
        Self { folder, reach, attempts, at_a_time: Arc::new(Semaphore::new(AT_A_TIME)) }
    }

    /// Sessions in memory: they end with the program.
    pub fn sessions(&self) -> SessionManagerLayer<Sessions> {
        let secure = self.reach != Reach::Loopback;
        SessionManagerLayer::new(Sessions::default())
            // The prefix makes browsers refuse the cookie unless it is secure and of this host alone.
            .with_name(if secure { "__Host-barwright" } else { "barwright" })
            .with_secure(secure)
            .with_http_only(true)
            .with_same_site(SameSite::Strict)
            .with_expiry(Expiry::OnInactivity(IDLE))
            .with_always_save(true)
    }

    async fn accounts(&self) -> Result<Accounts, FileError> {
        let folder = self.folder.clone();
        // Read each time, so that a change acts at once; it is a few hundred bytes.
        tokio::task::spawn_blocking(move || Accounts::read(&folder)).await.unwrap_or_else(|_| {
            let path = self.folder.accounts_path();
            Err(FileError::Read { path, source: std::io::Error::other(say!("reading broke off")) })
        })
    }

    async fn standing(&self, session: &Session) -> Standing {
        let accounts = match self.accounts().await {
            Ok(accounts) => accounts,
            Err(e) => return Standing::Unreadable(e),
        };
        if accounts.is_empty() {
            return match self.reach {
                Reach::Network => Standing::Closed,
                Reach::Loopback | Reach::OpenNetwork => Standing::Viewer(Viewer::Anybody),
            };
        }
        let Ok(Some(signed_in)) = session.get::<SignedIn>(KEY).await else {
            return Standing::Out;
        };
        let lasts = (0..LONGEST_S).contains(&(now_s() - signed_in.since_s));
        if !lasts || accounts.mark(&signed_in.person).as_ref() != Some(&signed_in.mark) {
            // What cannot be forgotten ends by its age.
            let _ = session.flush().await;
            return Standing::Out;
        }
        Standing::Viewer(Viewer::Person(signed_in.person))
    }

    /// Whether somebody who signed in still may look, for answers that take long.
    pub async fn still_stands(&self, session: &Session) -> bool {
        matches!(self.standing(session).await, Standing::Viewer(_))
    }
}

/// Lets a request pass, with its [`Viewer`], or says what is missing.
pub async fn guard(
    State(access): State<Access>,
    session: Session,
    mut request: Request,
    next: Next,
) -> Response {
    let path = request.uri().path().to_owned();
    if path.strip_prefix("/assets/").is_some_and(|name| !name.is_empty()) {
        return next.run(request).await;
    }
    let reads = matches!(*request.method(), Method::GET | Method::HEAD);
    if !reads && !origin::is_own(request.headers()) {
        return refused(
            StatusCode::FORBIDDEN,
            say!("This did not come from these pages"),
            say!(
                "A page of somebody else asked for it, or the browser did not say where it comes from."
            ),
        );
    }
    let viewer = match access.standing(&session).await {
        Standing::Viewer(viewer) => viewer,
        Standing::Out if path == sign_in::ADDRESS => Viewer::Stranger,
        Standing::Out if !reads || path == "/line/news" => {
            return refused(
                StatusCode::UNAUTHORIZED,
                say!("Sign in first"),
                say!("The session has ended."),
            );
        }
        Standing::Out => {
            let to = request.uri().path_and_query().map_or("/", |p| p.as_str());
            let to = format!("{}?to={}", sign_in::ADDRESS, look::segment(to));
            return Redirect::to(&to).into_response();
        }
        Standing::Closed => {
            return refused(
                StatusCode::FORBIDDEN,
                say!("Nobody can sign in yet"),
                "These pages can be reached from other machines, and there is no account. On the machine they \
                 come from, `barwright people password NAME` makes one.",
            );
        }
        Standing::Unreadable(e) => {
            let hint = e.hint().map_or_else(String::new, |hint| say!(" What helps: {hint}."));
            return refused(
                StatusCode::SERVICE_UNAVAILABLE,
                say!("The accounts cannot be read"),
                &say!("So nobody is let in. {e}.{hint}"),
            );
        }
    };
    let from = request.extensions().get::<ConnectInfo<SocketAddr>>().map(|c| c.0.ip());
    request.extensions_mut().insert(Client(from));
    request.extensions_mut().insert(viewer);
    let mut answer = next.run(request).await;
    // What was seen while signed in is not shown again from memory after signing out.
    answer
        .headers_mut()
        .entry(header::CACHE_CONTROL)
        .or_insert(axum::http::HeaderValue::from_static("no-store"));
    answer
}

fn refused(status: StatusCode, title: &str, why: &str) -> Response {
    (status, pages::sign_in::refused(title, why)).into_response()
}

fn now_s() -> i64 {
    jiff::Timestamp::now().as_second()
}
