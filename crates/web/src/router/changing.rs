//! What changes something: a POST of somebody who signed in, and the forms that lead there.

use axum::{
    Extension, Form, Json, Router,
    extract::{Path, State},
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
    routing::{get, post},
};
use serde::Deserialize;

use super::Site;
use crate::{
    access::Viewer,
    acting::{self, ActError},
    deciding::Draft,
    look::segment,
    lot::Lot,
    ordering::{self, Looked},
    pages::{self, deciding::Refusal},
    working::{Seen, What, WorkError},
};

pub fn routes() -> Router<Site> {
    let begin = |what: What| {
        post(move |State(site): State<Site>, Extension(viewer): Extension<Viewer>| {
            begin_work(site, viewer, what)
        })
    };
    Router::new()
        .route(pages::ordering::ADDRESS, get(write_order).post(keep_order))
        .route(pages::ordering::LOOK, post(look_at_order))
        .route(pages::approval::ADDRESS, post(approve))
        .route(pages::working::address(What::Technique), begin(What::Technique))
        .route(pages::working::address(What::Proof), begin(What::Proof))
        .route(pages::working::STANDS, get(work))
        .route(pages::working::STOP, post(stop_work))
        .route("/bars/{name}/decide", post(decide))
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
        None => Err(ActError::Stranger),
    };
    match done {
        Ok(_) => Redirect::to("/technique").into_response(),
        Err(e) => refused("Not approved", &e, e.hint(), e.status()),
    }
}

/// Begins work that takes long, in the name of who signed in.
async fn begin_work(site: Site, viewer: Viewer, what: What) -> Response {
    let _turn = site.changing.acquire().await;
    let Some(person) = viewer.name() else {
        return refused("Not begun", &"Nobody signed in", None, StatusCode::FORBIDDEN);
    };
    match site.works.begin(&site.folder, what, person).await {
        Ok(()) => Redirect::to(back_of(what)).into_response(),
        Err(e) => work_refused("Not begun", &e),
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
    let Some(person) = viewer.name() else {
        return refused("Not stopped", &"Nobody signed in", None, StatusCode::FORBIDDEN);
    };
    let back = site.works.seen().map_or("/", |seen| back_of(seen.what));
    match site.works.stop(&site.folder, person).await {
        Ok(()) => Redirect::to(back).into_response(),
        Err(e) => work_refused("Not stopped", &e),
    }
}

fn work_refused(title: &str, e: &WorkError) -> Response {
    let status = match e {
        WorkError::Busy(_) => StatusCode::CONFLICT,
        WorkError::Barred(_) => StatusCode::FORBIDDEN,
        _ => StatusCode::INTERNAL_SERVER_ERROR,
    };
    refused(title, e, e.hint(), status)
}

/// Why something was not done, as a page of its own.
fn refused(
    title: &str,
    why: &dyn std::fmt::Display,
    hint: Option<String>,
    status: StatusCode,
) -> Response {
    let hint = hint.map_or_else(String::new, |hint| format!(" What helps: {hint}."));
    (status, pages::sign_in::refused(title, &format!("{why}.{hint}"))).into_response()
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
        None => Err(ActError::Stranger),
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
        None => Err(ActError::Stranger),
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
