//! What only looks: pages, pictures, papers, news.

use axum::{
    Extension, Router,
    extract::{Path, Query, State},
    http::{HeaderMap, StatusCode, header},
    response::{
        IntoResponse, Response,
        sse::{Event, KeepAlive, Sse},
    },
    routing::get,
};
use barwright_ledger::BarKey;
use futures_util::StreamExt;
use maud::Markup;
use serde::Deserialize;
use tokio_stream::wrappers::BroadcastStream;
use tower_sessions::Session;

use super::Site;
use crate::{
    access::Viewer,
    asking::{self, By, Question},
    assets, downloads,
    look::segment,
    lot::Lot,
    manner::{self, Manner},
    pages,
    papers::diconde::exported,
    tables,
    trying::Asked,
};

pub fn routes() -> Router<Site> {
    let plain = |make: fn(&Lot) -> Markup| {
        get(move |State(site): State<Site>, Extension(viewer): Extension<Viewer>| async move {
            site.page(viewer, move |lot| Some(make(lot))).await
        })
    };
    Router::new()
        .route("/", plain(pages::home::page))
        .route("/order", plain(pages::order::page))
        .route("/technique", plain(pages::technique::page))
        .route("/proof", plain(pages::proof::page))
        .route(pages::trying::ADDRESS, get(change))
        .route("/reference", plain(pages::reference::page))
        .route("/level", plain(pages::level::page))
        .route(pages::changeover::ADDRESS, plain(pages::changeover::page))
        .route("/checks", plain(pages::checks::page))
        .route("/trends", plain(pages::trends::page))
        .route("/bars", get(bars))
        .route("/bars/{name}", get(bar))
        .route("/bars/{name}/stretch", get(stretch))
        .route("/bars/{name}/heard", get(heard))
        .route("/bars/{name}/object.dcm", get(object))
        .route("/line", get(line))
        .route("/line/news", get(line_news))
        .route("/ledger", plain(pages::ledger::page))
        .route(pages::asking::ADDRESS, get(ledger_bars))
        .route("/ledger/bars/{heat}/{bar}", get(ledger_bar))
        .route(pages::asking::CHANGES, get(ledger_changes))
        .route(pages::people::ADDRESS, plain(|lot| pages::people::page(lot, None)))
        .route("/papers", plain(pages::papers::page))
        .route("/papers/{file}", get(paper))
        .route("/documents/{*name}", get(document))
        .route("/tables/{file}", get(table))
        .route("/assets/{*name}", get(asset))
        .route(manner::ADDRESS, get(choose_manner))
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
struct AskedHeard {
    #[serde(default)]
    z_m: f64,
    #[serde(default)]
    across: f64,
    #[serde(default)]
    choice: usize,
    /// The answer alone, without a page around it.
    part: Option<String>,
}

async fn heard(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Path(name): Path<String>,
    Query(asked): Query<AskedHeard>,
) -> Response {
    let AskedHeard { z_m, across, choice, part } = asked;
    let asked = pages::heard::Asked { z_m, across, choice };
    if part.is_some() {
        // Follows a hand: the bar's own documents, without the ledger.
        let manner = Manner::here();
        let drawn = tokio::task::spawn_blocking(move || {
            manner.with(|| pages::heard::alone(&site.folder, &site.cache, &name, &asked))
        });
        return match drawn.await {
            Ok(Some(part)) => part.into_response(),
            _ => StatusCode::NOT_FOUND.into_response(),
        };
    }
    site.page(viewer, move |lot| pages::heard::page(lot, &name, &asked)).await
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

/// News as they come. A listener that falls behind misses some, is told so and looks anew.
/// Ends with the session of who listens.
async fn line_news(State(site): State<Site>, session: Session) -> Response {
    let Some(news) = site.news else {
        return StatusCode::NOT_FOUND.into_response();
    };
    let access = site.access;
    let heard = BroadcastStream::new(news.listen()).take_while(move |_| {
        let (access, session) = (access.clone(), session.clone());
        async move { access.still_stands(&session).await }
    });
    let events = heard.map(|heard| match heard {
        Ok(news) => Event::default().json_data(news),
        Err(_) => Ok(Event::default().event("missed").data("some")),
    });
    Sse::new(events).keep_alive(KeepAlive::default()).into_response()
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
    let manner = Manner::here();
    let drawn = tokio::task::spawn_blocking(move || {
        let window_m = [asked.from_m, asked.to_m];
        manner.with(|| pages::bar::stretch(&site.folder, &site.cache, &name, window_m))
    });
    match drawn.await {
        Ok(Some(svg)) => ([(header::CONTENT_TYPE, "image/svg+xml")], svg).into_response(),
        _ => StatusCode::NOT_FOUND.into_response(),
    }
}

async fn choose_manner(State(site): State<Site>, choice: Query<manner::Choice>) -> Response {
    manner::choose(site.house.languages, choice)
}

async fn asset(Path(name): Path<String>, headers: HeaderMap) -> Response {
    assets::file(&name, &headers)
}

/// A document or table of the folder, as a file.
async fn document(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Path(name): Path<String>,
) -> Response {
    let (folder, asked) = (site.folder.clone(), name.clone());
    let taken = tokio::task::spawn_blocking(move || downloads::taken(&folder, &asked)).await;
    match taken {
        Ok(Ok(Some(bytes))) => {
            let file = name.rsplit('/').next().unwrap_or(&name);
            let kind = mime_guess::from_path(file).first_or_octet_stream();
            let headers = [
                (header::CONTENT_TYPE, kind.to_string()),
                (header::CONTENT_DISPOSITION, attachment(file)),
            ];
            (headers, bytes).into_response()
        }
        _ => site.page(viewer, |_| None).await,
    }
}

/// A table of what the pages list, or their dictionary; in words why there is none.
async fn table(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Path(file): Path<String>,
) -> Response {
    if file == tables::DICTIONARY {
        return written(&file, tables::Format::Csv, tables::dictionary_csv());
    }
    let asked = tables::Format::of_file(&file);
    let asked = asked.and_then(|(name, format)| Some((tables::named(name)?, format)));
    let Some((listed, format)) = asked else {
        return site.page(viewer, |_| None).await;
    };
    site.answer(viewer, move |lot| {
        let made = tables::of_lot(&listed, lot).and_then(|table| table.write(format));
        Some(written(&file, format, made))
    })
    .await
}

fn written(
    file: &str,
    format: tables::Format,
    made: Result<Vec<u8>, tables::TableError>,
) -> Response {
    match made {
        Ok(bytes) => {
            let headers = [
                (header::CONTENT_TYPE, format.media_type().to_owned()),
                (header::CONTENT_DISPOSITION, attachment(file)),
            ];
            (headers, bytes).into_response()
        }
        Err(why) => (StatusCode::CONFLICT, why.to_string()).into_response(),
    }
}

/// The record of a bar as a DICOM object; in words why there is none. One is made at a time.
async fn object(State(site): State<Site>, Path(name): Path<String>) -> Response {
    let _turn = site.computing.acquire().await;
    let (folder, asked) = (site.folder.clone(), name.clone());
    // A ledger is read outside the service's own tasks.
    let made = tokio::task::spawn_blocking(move || {
        std::thread::spawn(move || exported(&folder, &asked)).join()
    });
    match made.await {
        Ok(Ok(Ok(made))) => {
            let headers = [
                (header::CONTENT_TYPE, "application/dicom".to_owned()),
                (header::CONTENT_DISPOSITION, attachment(&format!("bar-{name}.dcm"))),
            ];
            (headers, made.object.bytes).into_response()
        }
        Ok(Ok(Err(why))) => (StatusCode::CONFLICT, why.to_string()).into_response(),
        _ => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

/// To be kept as a file of this name (RFC 6266, with the name as RFC 5987 writes it).
fn attachment(file: &str) -> String {
    format!("attachment; filename*=UTF-8''{}", segment(file))
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
