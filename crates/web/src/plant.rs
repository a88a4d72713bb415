//! The interface for other programs of a plant: an order in, status and verdicts out.
//!
//! Every call shows a token that was made for it (`barwright tokens`) and does what the token's scopes and
//! the roles of its person allow. The interface describes itself as OpenAPI at `/api/v1/openapi.json`.

mod answers;
mod calls;
mod problem;
pub mod tokens;

use axum::{
    Router,
    extract::{DefaultBodyLimit, Request, State},
    http::header,
    middleware::{self, Next},
    response::Response,
    routing::get,
};
use utoipa::{
    Modify, OpenApi,
    openapi::{
        OpenApi as Description,
        security::{HttpAuthScheme, HttpBuilder, SecurityScheme},
    },
};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{cache::Cache, folder::JobFolder};
use problem::Problem;
use tokens::{Holder, Tokens};

/// Where the interface lies.
pub const AT: &str = "/api/v1";
/// Longest body of a call, in bytes: an order has some kilobytes.
const LONGEST_BODY: usize = 256 << 10;

/// What a call draws on.
#[derive(Clone)]
struct Plant {
    folder: JobFolder,
    cache: Cache,
}

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Barwright, interface for plant systems",
        description = "An order in, status and verdicts out. Lengths along a bar are metres from its head end. \
                       Barwright supports the judgement of qualified personnel and an approved written procedure; it \
                       replaces neither.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0")
    ),
    servers((url = "/api/v1")),
    security(("token" = [])),
    modifiers(&WithToken)
)]
struct Described;

/// Names the way in which a call shows its token.
struct WithToken;

impl Modify for WithToken {
    fn modify(&self, description: &mut Description) {
        let scheme = HttpBuilder::new().scheme(HttpAuthScheme::Bearer).description(Some(
            "A token made by `barwright tokens make`, with the scopes read, order or papers.",
        ));
        description
            .components
            .get_or_insert_default()
            .add_security_scheme("token", SecurityScheme::Http(scheme.build()));
    }
}

fn built() -> (Router<Plant>, Description) {
    OpenApiRouter::with_openapi(Described::openapi())
        .routes(routes!(calls::status))
        .routes(routes!(calls::order, calls::keep_order))
        .routes(routes!(calls::bars))
        .routes(routes!(calls::bar))
        .routes(routes!(calls::holds))
        .routes(routes!(calls::papers))
        .routes(routes!(calls::paper))
        .split_for_parts()
}

/// The interface in its own words: OpenAPI 3.1, JSON.
#[must_use]
pub fn description() -> String {
    built().1.to_pretty_json().unwrap_or_default()
}

/// The interface, below its own address.
pub(crate) fn routes(folder: JobFolder, cache: Cache) -> Router {
    let (calls, _) = built();
    let guarded = calls
        .fallback(|| async { Problem::no_such_address() })
        .method_not_allowed_fallback(|| async { Problem::no_such_method() })
        .layer(middleware::from_fn_with_state(folder.clone(), guard))
        .layer(DefaultBodyLimit::max(LONGEST_BODY))
        .with_state(Plant { folder, cache });
    let described = get(|| async { ([(header::CONTENT_TYPE, "application/json")], description()) });
    Router::new().route(&format!("{AT}/openapi.json"), described).nest(AT, guarded)
}

/// Lets a call pass that shows a token in force, with who holds it.
async fn guard(
    State(folder): State<JobFolder>,
    mut request: Request,
    next: Next,
) -> Result<Response, Problem> {
    let shown = request
        .headers()
        .get(header::AUTHORIZATION)
        .and_then(|value| value.to_str().ok())
        .and_then(|value| value.split_once(' '))
        .filter(|(scheme, _)| scheme.eq_ignore_ascii_case("bearer"))
        .map(|(_, token)| token.trim().to_owned());
    let Some(shown) = shown else { return Err(Problem::no_token()) };
    // Read each time, so that an ended token ends at once.
    let read = tokio::task::spawn_blocking(move || Tokens::read(&folder)).await;
    let tokens = match read {
        Ok(Ok(tokens)) => tokens,
        Ok(Err(e)) => return Err(Problem::of_file(&e)),
        Err(_) => return Err(Problem::broken_off()),
    };
    let holder: Holder = tokens.holder(&shown, crate::today()).ok_or_else(Problem::no_token)?;
    request.extensions_mut().insert(holder);
    let mut answer = next.run(request).await;
    answer
        .headers_mut()
        .insert(header::CACHE_CONTROL, axum::http::HeaderValue::from_static("no-store"));
    Ok(answer)
}
