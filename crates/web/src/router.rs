//! Addresses and what answers them. What changes something is a POST of somebody who signed in.

use std::sync::Arc;

use axum::{
    Extension, Form, Json, Router,
    extract::{Path, Query, Request, State},
    http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header},
    middleware::{self, Next},
    response::{
        IntoResponse, Redirect, Response,
        sse::{Event, KeepAlive, Sse},
    },
    routing::{get, post},
};
use barwright_ledger::BarKey;
use futures_util::StreamExt;
use maud::Markup;
use serde::Deserialize;
use tokio::sync::Semaphore;
use tokio_stream::wrappers::BroadcastStream;
use tower_http::{compression::CompressionLayer, set_header::SetResponseHeaderLayer};
use tower_sessions::Session;

use crate::{
    access::{self, Access, Reach, Viewer},
    acting,
    asking::{self, By, Question},
    assets,
    cache::Cache,
    deciding::Draft,
    folder::JobFolder,
    look::segment,
    lot::Lot,
    ordering::{self, Looked},
    pages::{self, deciding::Refusal},
    receive::{News, Newsroom},
    record::Ledger,
    trying::Asked,
    working::{Seen, What, WorkError, Works},
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
    /// Who may see it.
    access: Access,
    /// Work that takes long.
    works: Works,
    /// Whose turn it is to change documents.
    changing: Arc<Semaphore>,
    /// Whose turn it is to compute.
    computing: Arc<Semaphore>,
}

impl Site {
    /// Reads the lot and makes a page of it, off the threads that answer.
    async fn page(
        &self,
        viewer: Viewer,
        make: impl FnOnce(&Lot) -> Option<Markup> + Send + 'static,
    ) -> Response {
        let ledger = Ledger::read(&self.folder).await;
        let site = self.clone();
        let made = tokio::task::spawn_blocking(move || {
            let mut lot = Lot::read(&site.folder, &site.cache, ledger, viewer);
            lot.work = site.works.seen();
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

/// The pages of a job folder, for this machine.
pub fn router(folder: JobFolder) -> Router {
    router_for(folder, None, Reach::Loopback)
}

/// The pages of a job folder, and of the lines that shots are received from. `reach`: who can reach
/// them.
pub fn router_for(folder: JobFolder, news: Option<Newsroom>, reach: Reach) -> Router {
    let access = Access::new(folder.clone(), reach);
    let site = Site {
        folder,
        cache: Cache::default(),
        news,
        access: access.clone(),
        works: Works::default(),
        changing: Arc::new(Semaphore::new(1)),
        computing: Arc::new(Semaphore::new(1)),
    };
    let plain = |make: fn(&Lot) -> Markup| {
        get(move |State(site): State<Site>, Extension(viewer): Extension<Viewer>| async move {
            site.page(viewer, move |lot| Some(make(lot))).await
        })
    };
    let header = |name: HeaderName, value: &'static str| {
        SetResponseHeaderLayer::overriding(name, HeaderValue::from_static(value))
    };
    Router::new()
        .route("/", plain(pages::home::page))
        .route("/order", plain(pages::order::page))
        .route(pages::ordering::ADDRESS, get(write_order).post(keep_order))
        .route(pages::ordering::LOOK, post(look_at_order))
        .route("/technique", plain(pages::technique::page))
        .route(pages::approval::ADDRESS, post(approve))
        .route("/proof", plain(pages::proof::page))
        .route(
            pages::working::address(What::Technique),
            post(|State(site): State<Site>, Extension(viewer): Extension<Viewer>| {
                begin_work(site, viewer, What::Technique)
            }),
        )
        .route(
            pages::working::address(What::Proof),
            post(|State(site): State<Site>, Extension(viewer): Extension<Viewer>| {
                begin_work(site, viewer, What::Proof)
            }),
        )
        .route(pages::working::STANDS, get(work))
        .route(pages::working::STOP, post(stop_work))
        .route(pages::trying::ADDRESS, get(change))
        .route("/reference", plain(pages::reference::page))
        .route("/level", plain(pages::level::page))
        .route("/checks", plain(pages::checks::page))
        .route("/trends", plain(pages::trends::page))
        .route("/bars", get(bars))
        .route("/bars/{name}", get(bar))
        .route("/bars/{name}/decide", post(decide))
        .route("/bars/{name}/stretch", get(stretch))
        .route("/line", get(line))
        .route("/line/news", get(line_news))
        .route("/ledger", plain(pages::ledger::page))
        .route(pages::asking::ADDRESS, get(ledger_bars))
        .route("/ledger/bars/{heat}/{bar}", get(ledger_bar))
        .route(pages::asking::CHANGES, get(ledger_changes))
        .route("/papers", plain(pages::papers::page))
        .route("/papers/{file}", get(paper))
        .route("/assets/{*name}", get(asset))
        .fallback(|State(site): State<Site>, Extension(viewer): Extension<Viewer>| async move {
            site.page(viewer, |_| None).await
        })
        .with_state(site)
        .merge(access::routes().with_state(access.clone()))
        .layer(middleware::from_fn_with_state(access.clone(), access::guard))
        .layer(access.sessions())
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

#[derive(Deserialize)]
struct OfState {
    state: Option<String>,
}

async fn bars(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Query(asked): Query<OfState>,
) -> Response {
    site.page(viewer, move |lot| Some(pages::bars::page(lot, asked.state.as_deref()))).await
}

/// A change of the technique tried: the page, or its answer alone. One is computed at a time, so that
/// many who drag do not hold up the pages of others.
async fn change(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Query(asked): Query<Asked>,
) -> Response {
    let _turn = site.computing.acquire().await;
    site.page(viewer, move |lot| match asked.part {
        Some(_) => pages::trying::part(lot, &asked),
        None => Some(pages::trying::page(lot, &asked)),
    })
    .await
}

async fn bar(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Path(name): Path<String>,
) -> Response {
    site.page(viewer, move |lot| pages::bar::page(lot, &name, None)).await
}

#[derive(Deserialize)]
struct AskedBars {
    by: Option<String>,
    #[serde(default)]
    value: String,
    #[serde(default)]
    after: String,
}

async fn ledger_bars(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Query(asked): Query<AskedBars>,
) -> Response {
    let by = asked.by.as_deref().and_then(By::of);
    let question = Question { by, value: asked.value, after: asked.after };
    let answer = asking::bars(&site.folder, &question).await;
    site.page(viewer, move |lot| Some(pages::asking::bars(lot, &question, &answer))).await
}

async fn ledger_bar(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Path((heat, bar)): Path<(String, String)>,
) -> Response {
    let key = BarKey::new(heat, bar);
    let story = asking::story(&site.folder, &key).await;
    site.page(viewer, move |lot| Some(pages::asking::story(lot, &key, &story))).await
}

#[derive(Deserialize)]
struct AskedChanges {
    #[serde(default)]
    by: String,
}

async fn ledger_changes(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Query(asked): Query<AskedChanges>,
) -> Response {
    let found = asking::changes(&site.folder, &asked.by).await;
    site.page(viewer, move |lot| Some(pages::asking::changes(lot, &asked.by, &found))).await
}

async fn line(State(site): State<Site>, Extension(viewer): Extension<Viewer>) -> Response {
    let lines = site.news.as_ref().map(|news| {
        let names = news.lines().into_iter().map(|l| l.line);
        names.map(|line| (line.clone(), news.past(&line))).collect::<Vec<_>>()
    });
    site.page(viewer, move |lot| Some(pages::line::page(lot, lines.as_deref()))).await
}

/// News as they come. A listener that falls behind misses some and is told the state.
/// Ends with the session of who listens.
async fn line_news(State(site): State<Site>, session: Session) -> Response {
    let Some(news) = site.news else {
        return StatusCode::NOT_FOUND.into_response();
    };
    let state = news.clone();
    let access = site.access;
    let heard = BroadcastStream::new(news.listen()).take_while(move |_| {
        let (access, session) = (access.clone(), session.clone());
        async move { access.still_stands(&session).await }
    });
    let events = heard.flat_map(move |heard| {
        let news = match heard {
            Ok(news) => vec![news],
            Err(_) => state.lines().into_iter().map(News::Progress).collect(),
        };
        futures_util::stream::iter(news.into_iter().map(|n| Event::default().json_data(n)))
    });
    Sse::new(events).keep_alive(KeepAlive::default()).into_response()
}

#[derive(Deserialize)]
struct Approve {
    technique: String,
}

/// Approves the technique that the form was shown with, in the name of who signed in.
async fn approve(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Form(form): Form<Approve>,
) -> Response {
    let done = match viewer.name() {
        Some(person) => acting::approve_technique(&site.folder, person, &form.technique).await,
        None => Err(acting::ActError::Stranger),
    };
    match done {
        Ok(_) => Redirect::to("/technique").into_response(),
        Err(e) => {
            let hint = e.hint().map_or_else(String::new, |hint| format!(" What helps: {hint}."));
            let page = pages::sign_in::refused("Not approved", &format!("{e}.{hint}"));
            (e.status(), page).into_response()
        }
    }
}

/// Begins work that takes long, in the name of who signed in.
async fn begin_work(site: Site, viewer: Viewer, what: What) -> Response {
    let _turn = site.changing.acquire().await;
    let Some(person) = viewer.name() else {
        let page = pages::sign_in::refused("Not begun", "Nobody signed in.");
        return (StatusCode::FORBIDDEN, page).into_response();
    };
    match site.works.begin(&site.folder, what, person).await {
        Ok(()) => Redirect::to(back_of(what)).into_response(),
        Err(e) => {
            let status = match &e {
                WorkError::Busy(_) => StatusCode::CONFLICT,
                WorkError::Barred(_) => StatusCode::FORBIDDEN,
                _ => StatusCode::INTERNAL_SERVER_ERROR,
            };
            let hint = e.hint().map_or_else(String::new, |hint| format!(" What helps: {hint}."));
            let page = pages::sign_in::refused("Not begun", &format!("{e}.{hint}"));
            (status, page).into_response()
        }
    }
}

fn back_of(what: What) -> &'static str {
    match what {
        What::Technique => "/technique",
        What::Proof => "/proof",
    }
}

/// How the work that takes long stands; null where there was none.
async fn work(State(site): State<Site>) -> Json<Option<Seen>> {
    Json(site.works.seen())
}

/// Stops it. Whoever may begin such work may stop it.
async fn stop_work(State(site): State<Site>, Extension(viewer): Extension<Viewer>) -> Response {
    if viewer.name().is_none() {
        return StatusCode::FORBIDDEN.into_response();
    }
    let back = site.works.seen().map_or("/", |seen| back_of(seen.what));
    site.works.stop();
    Redirect::to(back).into_response()
}

async fn write_order(State(site): State<Site>, Extension(viewer): Extension<Viewer>) -> Response {
    site.page(viewer, |lot| Some(pages::ordering::page(lot, None))).await
}

/// Looks at an order while it is written; keeps nothing.
async fn look_at_order(Form(draft): Form<ordering::Draft>) -> Json<Looked> {
    Json(Looked::at(&draft))
}

/// Keeps an order in the name of who signed in. What cannot be kept comes back as it was sent.
async fn keep_order(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Form(draft): Form<ordering::Draft>,
) -> Response {
    let _turn = site.changing.acquire().await;
    let done = match viewer.name() {
        Some(person) => acting::keep_order(&site.folder, person, &draft).await,
        None => Err(acting::ActError::Stranger),
    };
    match done {
        Ok(_) => Redirect::to("/order").into_response(),
        Err(e) => {
            let status = e.status();
            let hint = e.hint().map_or_else(String::new, |hint| format!("; {hint}"));
            let why = format!("{e}{hint}");
            let page = move |lot: &Lot| Some(pages::ordering::page(lot, Some((&draft, &why))));
            (status, site.page(viewer, page).await).into_response()
        }
    }
}

#[derive(Deserialize)]
struct Stretch {
    from_m: f64,
    to_m: f64,
}

/// A stretch of a bar unrolled, as a picture.
async fn stretch(
    State(site): State<Site>,
    Path(name): Path<String>,
    Query(asked): Query<Stretch>,
) -> Response {
    let drawn = tokio::task::spawn_blocking(move || {
        pages::bar::stretch(&site.folder, &site.cache, &name, [asked.from_m, asked.to_m])
    });
    match drawn.await {
        Ok(Some(svg)) => ([(header::CONTENT_TYPE, "image/svg+xml")], svg).into_response(),
        _ => StatusCode::NOT_FOUND.into_response(),
    }
}

/// Changes the verdict of a bar in the name of who signed in. What cannot be used comes back in the
/// form as it was sent.
async fn decide(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Path(name): Path<String>,
    Form(draft): Form<Draft>,
) -> Response {
    // One after the other: of two forms shown with the same judgement the second is overtaken.
    let _turn = site.changing.acquire().await;
    let done = match viewer.name() {
        Some(person) => acting::decide(&site.folder, person, &name, &draft).await,
        None => Err(acting::ActError::Stranger),
    };
    match done {
        Ok(_) => Redirect::to(&format!("/bars/{}", segment(&name))).into_response(),
        Err(e) => {
            let status = e.status();
            let hint = e.hint().map_or_else(String::new, |hint| format!("; {hint}"));
            let refusal = Refusal { draft, why: format!("{e}{hint}") };
            let page = move |lot: &Lot| pages::bar::page(lot, &name, Some(&refusal));
            (status, site.page(viewer, page).await).into_response()
        }
    }
}

async fn asset(Path(name): Path<String>, headers: HeaderMap) -> Response {
    assets::file(&name, &headers)
}

/// A paper. The name is only compared with those in the folder, never made into a path.
async fn paper(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Path(file): Path<String>,
) -> Response {
    let folder = site.folder.clone();
    let content = tokio::task::spawn_blocking(move || {
        let asked = file.strip_suffix(".pdf")?;
        let name = folder.papers().ok()?.into_iter().find(|name| name == asked)?;
        std::fs::read(folder.paper_path(&name)).ok()
    })
    .await;
    match content {
        Ok(Some(bytes)) => ([(header::CONTENT_TYPE, "application/pdf")], bytes).into_response(),
        _ => site.page(viewer, |_| None).await,
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
