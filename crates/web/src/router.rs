//! Addresses and what answers them. Everything is read-only.

use axum::{
    Router,
    extract::{Path, Query, Request, State},
    http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header},
    middleware::{self, Next},
    response::{
        IntoResponse, Response,
        sse::{Event, KeepAlive, Sse},
    },
    routing::get,
};
use futures_util::StreamExt;
use maud::Markup;
use serde::Deserialize;
use tokio_stream::wrappers::BroadcastStream;
use tower_http::{compression::CompressionLayer, set_header::SetResponseHeaderLayer};

use crate::{
    assets,
    cache::Cache,
    folder::JobFolder,
    lot::Lot,
    pages,
    receive::{News, Newsroom},
    record::Ledger,
};

/// Nothing but the program's own files; no inline script or style; in nobody's frame.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; \
     font-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";

#[derive(Clone)]
struct Site {
    folder: JobFolder,
    cache: Cache,
    /// What happens on the lines, where this program receives shots.
    news: Option<Newsroom>,
}

impl Site {
    /// Reads the lot and makes a page of it, off the threads that answer.
    async fn page(&self, make: impl FnOnce(&Lot) -> Option<Markup> + Send + 'static) -> Response {
        let ledger = Ledger::read(&self.folder).await;
        let site = self.clone();
        let made = tokio::task::spawn_blocking(move || {
            let lot = Lot::read(&site.folder, &site.cache, ledger);
            match make(&lot) {
                Some(page) => page.into_response(),
                None => (StatusCode::NOT_FOUND, pages::missing::page(&lot)).into_response(),
            }
        });
        made.await.unwrap_or_else(|_| {
            (StatusCode::INTERNAL_SERVER_ERROR, pages::missing::broken()).into_response()
        })
    }
}

/// The pages of a job folder.
pub fn router(folder: JobFolder) -> Router {
    router_with(folder, None)
}

/// The pages of a job folder, and of the lines that shots are received from.
pub fn router_with(folder: JobFolder, news: Option<Newsroom>) -> Router {
    let site = Site { folder, cache: Cache::default(), news };
    let plain = |make: fn(&Lot) -> Markup| {
        get(
            move |State(site): State<Site>| async move { site.page(move |lot| Some(make(lot))).await },
        )
    };
    let header = |name: HeaderName, value: &'static str| {
        SetResponseHeaderLayer::overriding(name, HeaderValue::from_static(value))
    };
    Router::new()
        .route("/", plain(pages::home::page))
        .route("/order", plain(pages::order::page))
        .route("/technique", plain(pages::technique::page))
        .route("/proof", plain(pages::proof::page))
        .route("/reference", plain(pages::reference::page))
        .route("/level", plain(pages::level::page))
        .route("/checks", plain(pages::checks::page))
        .route("/trends", plain(pages::trends::page))
        .route("/bars", get(bars))
        .route("/bars/{name}", get(bar))
        .route("/line", get(line))
        .route("/line/news", get(line_news))
        .route("/ledger", plain(pages::ledger::page))
        .route("/papers", plain(pages::papers::page))
        .route("/papers/{file}", get(paper))
        .route("/assets/{*name}", get(asset))
        .fallback(|State(site): State<Site>| async move { site.page(|_| None).await })
        .with_state(site)
        .layer(CompressionLayer::new())
        .layer(header(header::CONTENT_SECURITY_POLICY, POLICY))
        .layer(header(header::X_CONTENT_TYPE_OPTIONS, "nosniff"))
        .layer(header(header::X_FRAME_OPTIONS, "DENY"))
        .layer(header(header::REFERRER_POLICY, "no-referrer"))
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

#[derive(Deserialize)]
struct Asked {
    state: Option<String>,
}

async fn bars(State(site): State<Site>, Query(asked): Query<Asked>) -> Response {
    site.page(move |lot| Some(pages::bars::page(lot, asked.state.as_deref()))).await
}

async fn bar(State(site): State<Site>, Path(name): Path<String>) -> Response {
    site.page(move |lot| pages::bar::page(lot, &name)).await
}

async fn line(State(site): State<Site>) -> Response {
    let lines = site.news.as_ref().map(|news| {
        let names = news.lines().into_iter().map(|l| l.line);
        names.map(|line| (line.clone(), news.past(&line))).collect::<Vec<_>>()
    });
    site.page(move |lot| Some(pages::line::page(lot, lines.as_deref()))).await
}

/// News as they come. A listener that falls behind misses some and is told the state.
async fn line_news(State(site): State<Site>) -> Response {
    let Some(news) = site.news else {
        return StatusCode::NOT_FOUND.into_response();
    };
    let state = news.clone();
    let events = BroadcastStream::new(news.listen()).flat_map(move |heard| {
        let news = match heard {
            Ok(news) => vec![news],
            Err(_) => state.lines().into_iter().map(News::Progress).collect(),
        };
        futures_util::stream::iter(news.into_iter().map(|n| Event::default().json_data(n)))
    });
    Sse::new(events).keep_alive(KeepAlive::default()).into_response()
}

async fn asset(Path(name): Path<String>, headers: HeaderMap) -> Response {
    assets::file(&name, &headers)
}

/// A paper. The name is only compared with those in the folder, never made into a path.
async fn paper(State(site): State<Site>, Path(file): Path<String>) -> Response {
    let folder = site.folder.clone();
    let content = tokio::task::spawn_blocking(move || {
        let asked = file.strip_suffix(".pdf")?;
        let name = folder.papers().ok()?.into_iter().find(|name| name == asked)?;
        std::fs::read(folder.paper_path(&name)).ok()
    })
    .await;
    match content {
        Ok(Some(bytes)) => ([(header::CONTENT_TYPE, "application/pdf")], bytes).into_response(),
        _ => site.page(|_| None).await,
    }
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
