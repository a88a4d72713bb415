//! What changes something: a POST of somebody who signed in, and the forms that lead there.

use axum::{
    Extension, Form, Json, Router,
    extract::{Path, Query, State},
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
    routing::{get, post},
};
use barwright_job::changeover::StepKind;
use barwright_ledger::{LedgerError, Record};
use barwright_phrase::say;
use serde::Deserialize;

use super::Site;
use crate::{
    access::Viewer,
    acting::{self, ActError, Change},
    chain::with_hint,
    deciding::Draft,
    look::segment,
    lot::Lot,
    ordering::{self, Looked},
    pages::{self, deciding::Refusal},
    registering::Fields,
    steps::line_of,
    working::{Asked, Seen, What, WorkError},
};

pub fn routes() -> Router<Site> {
    let begin = |what: What| {
        post(
            move |State(site): State<Site>,
                  Extension(viewer): Extension<Viewer>,
                  Form(fields): Form<Vec<(String, String)>>| {
                let chosen = fields.into_iter().filter(|(name, _)| name == "captures");
                let captures = chosen.map(|(_, value)| value).collect();
                begin_work(site, viewer, Asked { what, captures })
            },
        )
    };
    let works = What::ALL
        .into_iter()
        .fold(Router::new(), |r, what| r.route(pages::working::address(what), begin(what)));
    works
        .route(pages::ordering::ADDRESS, get(write_order).post(keep_order))
        .route(pages::ordering::LOOK, post(look_at_order))
        .route(pages::approval::ADDRESS, post(approve))
        .route(pages::working::STANDS, get(work))
        .route(pages::working::STOP, post(stop_work))
        .route("/bars/{name}/decide", post(decide))
        .route(pages::people::PERSON, post(enter_person))
        .route(pages::people::EQUIPMENT, post(enter_equipment))
        .route(pages::people::MOUNT, post(enter_mount))
        .route(pages::changeover::BEGIN, post(begin_changeover))
        .route(pages::changeover::DONE, post(end_step))
        .route(pages::changeover::VERIFY, post(verify_changeover))
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
        Err(e) => refused(say!("Not approved"), &e, e.hint(), e.status()),
    }
}

/// Begins work that takes long, in the name of who signed in.
async fn begin_work(site: Site, viewer: Viewer, asked: Asked) -> Response {
    // Not the folder's turn: work under way has that, and this says so instead of waiting.
    let _turn = site.changing.acquire().await;
    let Some(person) = viewer.name() else {
        return refused(say!("Not begun"), &say!("Nobody signed in"), None, StatusCode::FORBIDDEN);
    };
    let back = pages::working::page(asked.what);
    match site.works.begin(&site.folder, asked, person).await {
        Ok(()) => Redirect::to(back).into_response(),
        Err(e) => work_refused(say!("Not begun"), &e),
    }
}

/// How the work that takes long stands; null where there was none.
async fn work(State(site): State<Site>) -> Json<Option<Seen>> {
    Json(site.works.seen())
}

/// Stops it. Whoever may begin such work may stop it.
async fn stop_work(State(site): State<Site>, Extension(viewer): Extension<Viewer>) -> Response {
    let Some(person) = viewer.name() else {
        return refused(
            say!("Not stopped"),
            &say!("Nobody signed in"),
            None,
            StatusCode::FORBIDDEN,
        );
    };
    let back = site.works.seen().map_or("/", |seen| pages::working::page(seen.what));
    match site.works.stop(&site.folder, person).await {
        Ok(()) => Redirect::to(back).into_response(),
        Err(e) => work_refused(say!("Not stopped"), &e),
    }
}

fn work_refused(title: &str, e: &WorkError) -> Response {
    let status = match e {
        WorkError::Busy(_) => StatusCode::CONFLICT,
        WorkError::Barred(_) | WorkError::Ledger(LedgerError::Unsigned { .. }) => {
            StatusCode::FORBIDDEN
        }
        WorkError::Captures(..) | WorkError::NoCapture(_) => StatusCode::UNPROCESSABLE_ENTITY,
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
    let hint = hint.map_or_else(String::new, |hint| say!(" What helps: {hint}."));
    (status, pages::sign_in::refused(title, &format!("{why}.{hint}"))).into_response()
}

#[derive(Deserialize)]
struct Begun {
    /// Section of an order that is written from nothing.
    section: Option<String>,
}

async fn write_order(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Query(begun): Query<Begun>,
) -> Response {
    let section = begun.section.unwrap_or_else(|| ordering::SECTIONS[0].to_owned());
    site.page(viewer, move |lot| Some(pages::ordering::page(lot, &section, None))).await
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
    let _turn = site.turn().await;
    let done = match viewer.name() {
        Some(person) => acting::keep_order(&site.folder, person, &draft).await,
        None => Err(ActError::Stranger),
    };
    match done {
        Ok(_) => Redirect::to("/order").into_response(),
        Err(e) => {
            let status = e.status();
            let why = with_hint(&e, e.hint());
            let page = move |lot: &Lot| {
                Some(pages::ordering::page(lot, ordering::SECTIONS[0], Some((&draft, &why))))
            };
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
    let _turn = site.turn().await;
    let done = match viewer.name() {
        Some(person) => acting::decide(&site.folder, person, &name, &draft).await,
        None => Err(ActError::Stranger),
    };
    match done {
        Ok(_) => Redirect::to(&format!("/bars/{}", segment(&name))).into_response(),
        Err(e) => {
            let status = e.status();
            let refusal = Refusal { draft, why: with_hint(&e, e.hint()) };
            let page = move |lot: &Lot| pages::bar::page(lot, &name, Some(&refusal));
            (status, site.page(viewer, page).await).into_response()
        }
    }
}

#[derive(Deserialize)]
struct Begin {
    #[serde(default)]
    from: String,
}

/// Begins a changeover to the technique of the folder.
async fn begin_changeover(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Form(form): Form<Begin>,
) -> Response {
    changed_over(site, viewer, Change::Begin(form.from)).await
}

#[derive(Deserialize)]
struct EndStep {
    step: StepKind,
}

/// A step of the changeover was done by hand.
async fn end_step(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Form(form): Form<EndStep>,
) -> Response {
    changed_over(site, viewer, Change::Done(form.step)).await
}

#[derive(Deserialize)]
struct Verify {
    captures: String,
}

/// Verifies all steps of the changeover from a short capture.
async fn verify_changeover(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Form(form): Form<Verify>,
) -> Response {
    changed_over(site, viewer, Change::Verify(form.captures)).await
}

async fn changed_over(site: Site, viewer: Viewer, change: Change) -> Response {
    let _turn = site.turn().await;
    let done = match viewer.name() {
        Some(person) => acting::change_over(&site.folder, person, change).await,
        None => Err(ActError::Stranger),
    };
    match done {
        Ok(_) => Redirect::to(pages::changeover::ADDRESS).into_response(),
        Err(e) => refused(say!("Not done"), &e, e.hint(), e.status()),
    }
}

/// Fields of a form, names as often as they come.
type Sent = Form<Vec<(String, String)>>;

async fn enter_person(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Form(sent): Sent,
) -> Response {
    let record = Fields(&sent).person().map_err(ActError::from);
    register(site, viewer, record).await
}

async fn enter_equipment(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Form(sent): Sent,
) -> Response {
    let record = Fields(&sent).equipment().map_err(ActError::from);
    register(site, viewer, record).await
}

async fn enter_mount(
    State(site): State<Site>,
    Extension(viewer): Extension<Viewer>,
    Form(sent): Sent,
) -> Response {
    let folder = site.folder.clone();
    let station = tokio::task::spawn_blocking(move || folder.station()).await;
    let record = match station {
        Ok(Ok(station)) => Fields(&sent)
            .mount(line_of(&station))
            .map_err(ActError::from)
            .and_then(|made| made.map_err(ActError::from)),
        Ok(Err(e)) => Err(e.into()),
        Err(_) => Err(acting::broken_off(&site.folder).into()),
    };
    register(site, viewer, record).await
}

/// Enters what a form says of people or equipment, in the name of who signed in.
async fn register(site: Site, viewer: Viewer, record: Result<Record, ActError>) -> Response {
    let _turn = site.changing.acquire().await;
    let done = match (viewer.name(), record) {
        (None, _) => Err(ActError::Stranger),
        (Some(_), Err(e)) => Err(e),
        (Some(person), Ok(record)) => acting::register(&site.folder, person, &record).await,
    };
    match done {
        Ok(_) => Redirect::to(pages::people::ADDRESS).into_response(),
        Err(e) => {
            let status = e.status();
            let why = with_hint(&e, e.hint());
            let page = move |lot: &Lot| Some(pages::people::page(lot, Some(&why)));
            (status, site.page(viewer, page).await).into_response()
        }
    }
}
