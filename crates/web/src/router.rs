//! Addresses and what answers them. What changes something is a POST of somebody who signed in.

use std::sync::Arc;

use axum::{
    Extension, Router,
    extract::{Request, State},
    http::{HeaderName, HeaderValue, StatusCode, header},
    middleware::{self, Next},
    response::{IntoResponse, Response},
};
use maud::Markup;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tower_http::{compression::CompressionLayer, set_header::SetResponseHeaderLayer};

use crate::{
    access::{self, Access, Reach, Viewer},
    cache::Cache,
    folder::JobFolder,
    house::House,
    lot::Lot,
    manner::{self, Manner},
    pages, plant,
    receive::Newsroom,
    record::Ledger,
    turn::Turn,
    working::Works,
};

mod changing;
mod looking;

/// Nothing but the program's own files; no inline script or style; in nobody's frame.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; \
     font-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";

#[derive(Clone)]
struct Site {
    folder: JobFolder,
    cache: Cache,
    /// What happens on the lines, where this program receives shots.
    news: Option<Newsroom>,
    /// Who may see it.
    access: Access,
    /// Work that takes long.
    works: Works,
    /// Whose turn it is to change documents.
    changing: Arc<Semaphore>,
    /// Whose turn it is to compute.
    computing: Arc<Semaphore>,
    /// Languages, and how papers look.
    house: House,
}

impl Site {
    /// Waits for one's turn at changing documents: before others of this service, and before other
    /// programs. Where the folder gives none, what is written there fails by itself.
    async fn turn(&self) -> (Option<OwnedSemaphorePermit>, Option<Turn>) {
        let here = self.changing.clone().acquire_owned().await.ok();
        let folder = self.folder.clone();
        let turn = tokio::task::spawn_blocking(move || folder.turn(|| ()));
        (here, turn.await.ok().and_then(Result::ok))
    }

    /// Reads the lot and makes a page of it, off the threads that answer.
    async fn page(
        &self,
        viewer: Viewer,
        make: impl FnOnce(&Lot) -> Option<Markup> + Send + 'static,
    ) -> Response {
        self.answer(viewer, |lot| make(lot).map(IntoResponse::into_response)).await
    }

    /// Reads the lot and makes an answer of it, off the threads that answer.
    async fn answer(
        &self,
        viewer: Viewer,
        make: impl FnOnce(&Lot) -> Option<Response> + Send + 'static,
    ) -> Response {
        let ledger = Ledger::read(&self.folder).await;
        let site = self.clone();
        let manner = Manner::here();
        let made = tokio::task::spawn_blocking(move || {
            let mut lot = Lot::read(&site.folder, &site.cache, ledger, viewer);
            lot.work = site.works.seen();
            lot.languages = site.house.languages;
            manner.with(|| match make(&lot) {
                Some(answer) => answer,
                None => (StatusCode::NOT_FOUND, pages::missing::page(&lot)).into_response(),
            })
        });
        made.await.unwrap_or_else(|_| {
            (StatusCode::INTERNAL_SERVER_ERROR, pages::missing::broken()).into_response()
        })
    }
}

/// The pages of a job folder, for this machine.
pub fn router(folder: JobFolder) -> Router {
    router_for(folder, None, Reach::Loopback, House::default())
}

/// The pages of a job folder, and of the lines that shots are received from. `reach`: who can reach
/// them; `house`: its languages.
pub fn router_for(folder: JobFolder, news: Option<Newsroom>, reach: Reach, house: House) -> Router {
    let access = Access::new(folder.clone(), reach);
    let site = Site {
        folder,
        cache: Cache::default(),
        news,
        access: access.clone(),
        works: Works::default(),
        changing: Arc::new(Semaphore::new(1)),
        computing: Arc::new(Semaphore::new(1)),
        house,
    };
    let plant_calls = plant::routes(site.folder.clone(), site.cache.clone());
    let header = |name: HeaderName, value: &'static str| {
        SetResponseHeaderLayer::overriding(name, HeaderValue::from_static(value))
    };
    Router::new()
        .merge(looking::routes())
        .merge(changing::routes())
        .fallback(|State(site): State<Site>, Extension(viewer): Extension<Viewer>| async move {
            site.page(viewer, |_| None).await
        })
        .with_state(site)
        .merge(access::routes().with_state(access.clone()))
        .layer(middleware::from_fn_with_state(access.clone(), access::guard))
        .layer(access.sessions())
        .layer(middleware::from_fn_with_state(house.languages, manner::follow))
        .merge(plant_calls)
        .layer(CompressionLayer::new())
        .layer(header(header::CONTENT_SECURITY_POLICY, POLICY))
        .layer(header(header::X_CONTENT_TYPE_OPTIONS, "nosniff"))
        .layer(header(header::X_FRAME_OPTIONS, "DENY"))
        .layer(header(header::REFERRER_POLICY, "same-origin"))
        .layer(header(HeaderName::from_static("cross-origin-opener-policy"), "same-origin"))
        .layer(header(HeaderName::from_static("cross-origin-resource-policy"), "same-origin"))
        .layer(middleware::from_fn(own_name))
}

/// Answers only to an address or `localhost`: a foreign page that lets its own name point here
/// reads nothing.
async fn own_name(request: Request, next: Next) -> Response {
    let host = request.headers().get(header::HOST);
    if host.is_none_or(|h| h.to_str().is_ok_and(is_own)) {
        next.run(request).await
    } else {
        (StatusCode::MISDIRECTED_REQUEST, "ask by address, or as localhost").into_response()
    }
}

fn is_own(host: &str) -> bool {
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|b| b.is_ascii_digit()) => name,
        _ => host,
    };
    let bare = name.trim_start_matches('[').trim_end_matches(']');
    name.eq_ignore_ascii_case("localhost") || bare.parse::<std::net::IpAddr>().is_ok()
}

#[cfg(test)]
mod tests {
    use super::is_own;

    // Property: only names that cannot be pointed here by others are answered.
    #[test]
    fn only_addresses_and_localhost_are_own_names() {
        for own in
            ["localhost", "localhost:8642", "127.0.0.1:8642", "[::1]:8642", "[::1]", "10.1.2.3"]
        {
            assert!(is_own(own), "{own}");
        }
        for foreign in ["example.org", "localhost.example.org:8642", "127.0.0.1.example.org", ""] {
            assert!(!is_own(foreign), "{foreign}");
        }
    }
}
