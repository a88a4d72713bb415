//! The calls of the interface.

use axum::{
    Extension, Json,
    extract::{
        Path, Query, State,
        rejection::{JsonRejection, PathRejection, QueryRejection},
    },
    http::header,
    response::{IntoResponse, Response},
};
use barwright_job::{Hash, Order};

use super::{
    Plant,
    answers::{
        BarLine, BarStanding, BarVerdict, Bars, HeldBar, Holds, KeptOrder, LedgerHead, NewOrder,
        OrderGiven, OrderText, Papers, Pdf, Status, WhichBars,
    },
    problem::Problem,
    tokens::{Holder, Scope},
};
use crate::{
    access::Viewer,
    acting::{self, ActError},
    files,
    lot::Lot,
    ordering::Draft,
    record::Ledger,
};

type Answer<T> = Result<Json<T>, Problem>;

fn demand(holder: &Holder, scope: Scope) -> Result<(), Problem> {
    if holder.scopes.contains(&scope) { Ok(()) } else { Err(Problem::no_scope(scope)) }
}

impl Plant {
    /// Reads the lot, off the threads that answer, and makes an answer of it.
    async fn read<T: Send + 'static>(
        &self,
        holder: &Holder,
        make: impl FnOnce(&Lot) -> T + Send + 'static,
    ) -> Result<T, Problem> {
        demand(holder, Scope::Read)?;
        let ledger = Ledger::read(&self.folder).await;
        // Where the ledger does not answer nothing is said of bars: absent is no such fault.
        if let Ledger::Bad { what, hint } = &ledger {
            return Err(Problem::of_ledger(what, *hint));
        }
        let (plant, viewer) = (self.clone(), Viewer::Person(holder.person.clone()));
        let made = tokio::task::spawn_blocking(move || {
            make(&Lot::read(&plant.folder, &plant.cache, ledger, viewer))
        });
        made.await.map_err(|_| Problem::broken_off())
    }

    async fn blocking<T: Send + 'static>(
        &self,
        work: impl FnOnce(&crate::JobFolder) -> T + Send + 'static,
    ) -> Result<T, Problem> {
        let folder = self.folder.clone();
        let done = tokio::task::spawn_blocking(move || work(&folder));
        done.await.map_err(|_| Problem::broken_off())
    }
}

/// How the lot stands: the chain of evidence, bars, holds, next checks.
#[utoipa::path(get, path = "/status", responses(
    (status = 200, description = "The answer", body = Status),
    (status = 401, description = "No token that is in force is shown", body = Problem, content_type = "application/problem+json"),
    (status = 403, description = "The token has not the scope", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "The ledger does not answer", body = Problem, content_type = "application/problem+json"),
))]
pub async fn status(
    State(plant): State<Plant>,
    Extension(holder): Extension<Holder>,
) -> Answer<Status> {
    plant.read(&holder, Status::of).await.map(Json)
}

/// The order that is in the folder.
#[utoipa::path(get, path = "/order", responses(
    (status = 200, description = "The answer", body = OrderText),
    (status = 401, description = "No token that is in force is shown", body = Problem, content_type = "application/problem+json"),
    (status = 403, description = "The token has not the scope", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "There is no order yet", body = Problem, content_type = "application/problem+json"),
))]
pub async fn order(
    State(plant): State<Plant>,
    Extension(holder): Extension<Holder>,
) -> Answer<OrderText> {
    demand(&holder, Scope::Read)?;
    let read = plant.blocking(|folder| files::read_text(&folder.order_path())).await?;
    let toml = read.map_err(|e| match e {
        files::FileError::Absent { .. } => Problem::absent("there is no order yet"),
        e => Problem::of_file(&e),
    })?;
    let seen = Hash::of(toml.as_bytes()).0;
    Ok(Json(OrderText { toml, seen }))
}

/// Keeps an order and enters it in the ledger, in the name of the token's person.
///
/// The order must be a usable one. One that is there already is only replaced by who says which it is (`seen`), so
/// that nobody overwrites what somebody else wrote meanwhile.
#[utoipa::path(put, path = "/order", request_body = NewOrder, responses(
    (status = 200, description = "The answer", body = KeptOrder),
    (status = 400, description = "The body is not JSON of this form", body = Problem, content_type = "application/problem+json"),
    (status = 401, description = "No token that is in force is shown", body = Problem, content_type = "application/problem+json"),
    (status = 403, description = "The token or its person may not", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "A document that it rests on is missing", body = Problem, content_type = "application/problem+json"),
    (status = 409, description = "Another order is there than was seen", body = Problem, content_type = "application/problem+json"),
    (status = 413, description = "The body is too long", body = Problem, content_type = "application/problem+json"),
    (status = 415, description = "The body is not said to be JSON", body = Problem, content_type = "application/problem+json"),
    (status = 422, description = "It is no usable order", body = Problem, content_type = "application/problem+json"),
))]
pub async fn keep_order(
    State(plant): State<Plant>,
    Extension(holder): Extension<Holder>,
    body: Result<Json<NewOrder>, JsonRejection>,
) -> Result<Response, Problem> {
    demand(&holder, Scope::Order)?;
    let new = match body {
        Ok(Json(new)) => new,
        Err(e) => return Err(Problem::of_body(e.status(), e.body_text())),
    };
    let text = match new.order {
        OrderGiven::Toml(toml) => toml,
        OrderGiven::Document(document) => toml::to_string(&document).map_err(|e| {
            Problem::unusable(format!("the document cannot be written as TOML: {e}"))
        })?,
    };
    let order = Order::from_toml("order.toml", &text)
        .map_err(|e| Problem::of_act(&ActError::NoOrder(e)))?;
    let seen = Hash::of(text.as_bytes()).0;
    let mut kept = KeptOrder { entry: None, seen, order_hash: order.hash().0 };
    if !new.only_look {
        let draft = Draft { text, seen: new.seen, ..Draft::default() };
        let folder = plant.folder.clone();
        let turn = plant.blocking(|folder| folder.turn(|| ())).await?;
        let entry = acting::keep_order(&folder, &holder.person, &draft).await;
        drop(turn);
        kept.entry = Some(entry.map_err(|e| Problem::of_act(&e))?.seq);
    }
    Ok(Json(kept).into_response())
}

/// Bars of the lot and where they stand, by name.
#[utoipa::path(get, path = "/bars", params(WhichBars), responses(
    (status = 200, description = "The answer", body = Bars),
    (status = 400, description = "The call is malformed", body = Problem, content_type = "application/problem+json"),
    (status = 401, description = "No token that is in force is shown", body = Problem, content_type = "application/problem+json"),
    (status = 403, description = "The token has not the scope", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "The ledger does not answer", body = Problem, content_type = "application/problem+json"),
))]
pub async fn bars(
    State(plant): State<Plant>,
    Extension(holder): Extension<Holder>,
    which: Result<Query<WhichBars>, QueryRejection>,
) -> Answer<Bars> {
    let Query(which) = which.map_err(|e| Problem::bad_request(e.body_text()))?;
    if !(1..=1000).contains(&which.limit) {
        return Err(Problem::bad_request("limit is 1 to 1000"));
    }
    let list = plant.read(&holder, move |lot| {
        let limit = usize::try_from(which.limit).unwrap_or(usize::MAX);
        let mut lines = lot
            .bars
            .iter()
            .filter(|bar| which.after.as_ref().is_none_or(|after| bar.name > *after))
            .map(|bar| {
                let standing = BarStanding::from(lot.standing(bar));
                BarLine { bar: bar.name.clone(), standing, may_leave: standing.may_leave() }
            })
            .filter(|line| which.standing.is_none_or(|wanted| line.standing == wanted))
            .peekable();
        let bars: Vec<BarLine> = lines.by_ref().take(limit).collect();
        let next = lines.peek().and(bars.last()).map(|last| last.bar.clone());
        Bars { bars, next }
    });
    list.await.map(Json)
}

/// The verdict on a bar: whether it may leave, and why.
#[utoipa::path(get, path = "/bars/{bar}", params(("bar" = String, Path, description = "Name of the bar")), responses(
    (status = 200, description = "The answer", body = BarVerdict),
    (status = 400, description = "The call is malformed", body = Problem, content_type = "application/problem+json"),
    (status = 401, description = "No token that is in force is shown", body = Problem, content_type = "application/problem+json"),
    (status = 403, description = "The token has not the scope", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "No such bar was screened", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "The ledger does not answer", body = Problem, content_type = "application/problem+json"),
))]
pub async fn bar(
    State(plant): State<Plant>,
    Extension(holder): Extension<Holder>,
    bar: Result<Path<String>, PathRejection>,
) -> Answer<BarVerdict> {
    let Path(bar) = bar.map_err(|e| Problem::bad_request(e.body_text()))?;
    let found = plant.read(&holder, move |lot| {
        let found = lot.bars.iter().find(|known| known.name == bar);
        found.map(|bar| BarVerdict::of(lot, bar))
    });
    let absent = || Problem::absent("no bar of this name was screened in this folder");
    found.await?.ok_or_else(absent).map(Json)
}

/// Every bar that must not leave, of all lots of the ledger.
#[utoipa::path(get, path = "/holds", responses(
    (status = 200, description = "The answer", body = Holds),
    (status = 401, description = "No token that is in force is shown", body = Problem, content_type = "application/problem+json"),
    (status = 403, description = "The token has not the scope", body = Problem, content_type = "application/problem+json"),
    (status = 503, description = "The ledger does not answer", body = Problem, content_type = "application/problem+json"),
))]
pub async fn holds(
    State(plant): State<Plant>,
    Extension(holder): Extension<Holder>,
) -> Answer<Holds> {
    let holds = plant.read(&holder, |lot| Holds {
        bars: lot.ledger.holds().into_iter().filter_map(HeldBar::of).collect(),
        ledger: lot.ledger.here().map(|said| LedgerHead::from(&said.head)),
    });
    holds.await.map(Json)
}

/// Names of the papers that are set.
#[utoipa::path(get, path = "/papers", responses(
    (status = 200, description = "The answer", body = Papers),
    (status = 401, description = "No token that is in force is shown", body = Problem, content_type = "application/problem+json"),
    (status = 403, description = "The token has not the scope", body = Problem, content_type = "application/problem+json"),
))]
pub async fn papers(
    State(plant): State<Plant>,
    Extension(holder): Extension<Holder>,
) -> Answer<Papers> {
    demand(&holder, Scope::Papers)?;
    let read = plant.blocking(crate::JobFolder::papers).await?;
    Ok(Json(Papers { papers: read.map_err(|e| Problem::of_file(&e))? }))
}

/// A paper as PDF.
#[utoipa::path(get, path = "/papers/{paper}", params(("paper" = String, Path, description = "Name of the paper")), responses(
    (status = 200, description = "The answer", body = Pdf, content_type = "application/pdf"),
    (status = 400, description = "The call is malformed", body = Problem, content_type = "application/problem+json"),
    (status = 401, description = "No token that is in force is shown", body = Problem, content_type = "application/problem+json"),
    (status = 403, description = "The token has not the scope", body = Problem, content_type = "application/problem+json"),
    (status = 404, description = "No such paper is set", body = Problem, content_type = "application/problem+json"),
))]
pub async fn paper(
    State(plant): State<Plant>,
    Extension(holder): Extension<Holder>,
    paper: Result<Path<String>, PathRejection>,
) -> Result<Response, Problem> {
    demand(&holder, Scope::Papers)?;
    let Path(paper) = paper.map_err(|e| Problem::bad_request(e.body_text()))?;
    // The name is only compared with those in the folder, never made into a path.
    let read = plant.blocking(move |folder| {
        let name = folder.papers().ok()?.into_iter().find(|name| *name == paper)?;
        std::fs::read(folder.paper_path(&name)).ok()
    });
    let absent = || Problem::absent("no paper of this name is set in this folder");
    let bytes = read.await?.ok_or_else(absent)?;
    Ok(([(header::CONTENT_TYPE, "application/pdf")], bytes).into_response())
}
