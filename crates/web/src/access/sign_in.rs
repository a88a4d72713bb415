//! Signing in and out.

use barwright_phrase::say;
use std::time::{Duration, Instant};

use axum::{
    Extension, Form, Router,
    extract::{DefaultBodyLimit, Query, State},
    http::{StatusCode, header},
    response::{IntoResponse, Redirect, Response},
    routing::{get, post},
};
use serde::Deserialize;
use tower_sessions::Session;
use zeroize::Zeroizing;

use super::{Access, Client, KEY, SignedIn, Viewer, now_s};
use crate::pages;

/// Address of the page.
pub const ADDRESS: &str = "/sign-in";
/// Most bytes of a form.
const LARGEST_FORM: usize = 16 * 1024;

/// The addresses that have to do with signing in.
pub fn routes() -> Router<Access> {
    Router::new()
        .route(ADDRESS, get(ask).post(sign_in))
        .route("/sign-out", post(sign_out))
        .layer(DefaultBodyLimit::max(LARGEST_FORM))
}

#[derive(Deserialize)]
struct Asked {
    #[serde(default)]
    to: String,
}

#[derive(Deserialize)]
struct Typed {
    name: String,
    password: String,
    #[serde(default)]
    to: String,
}

/// An address of these pages to go on to, whatever was asked for.
fn own(to: &str) -> &str {
    let rest = to.strip_prefix('/').unwrap_or("//");
    let elsewhere = rest.starts_with(['/', '\\']) || to.starts_with(ADDRESS);
    let plain = to.bytes().all(|b| b.is_ascii_graphic());
    if elsewhere || !plain { "/" } else { to }
}

async fn ask(Extension(viewer): Extension<Viewer>, Query(asked): Query<Asked>) -> Response {
    match viewer {
        Viewer::Person(_) => Redirect::to(own(&asked.to)).into_response(),
        Viewer::Stranger => pages::sign_in::page(own(&asked.to), None).into_response(),
        Viewer::Anybody => pages::sign_in::refused(
            say!("There is no account"),
            "So these pages are open for reading and nobody changes anything by them. \
             `barwright people password NAME` makes an account; from then on everybody signs in.",
        )
        .into_response(),
    }
}

async fn sign_in(
    State(access): State<Access>,
    Extension(from): Extension<Client>,
    session: Session,
    Form(mut typed): Form<Typed>,
) -> Response {
    let password = Zeroizing::new(std::mem::take(&mut typed.password));
    let to = own(&typed.to).to_owned();
    let again =
        |status, words: &str| (status, pages::sign_in::page(&to, Some(words))).into_response();
    if let Err(wait) = access.attempts.begin(&typed.name, from.0, Instant::now()) {
        let seconds = wait.as_secs() + 1;
        let words = say!("After several wrong passwords one must wait: {}.", in_words(wait));
        let mut answer = again(StatusCode::TOO_MANY_REQUESTS, &words);
        answer.headers_mut().insert(header::RETRY_AFTER, seconds.into());
        return answer;
    }
    let Some(person) = known(&access, typed.name, password).await else {
        return again(StatusCode::UNAUTHORIZED, say!("Name or password is wrong."));
    };
    let (person, mark) = person;
    access.attempts.right(&person, from.0);
    let signed_in = SignedIn { person, mark, since_s: now_s() };
    // A new number, so that one that somebody else knew is worth nothing.
    let begun = match session.cycle_id().await {
        Ok(()) => session.insert(KEY, signed_in).await,
        Err(e) => Err(e),
    };
    match begun {
        Ok(()) => Redirect::to(&to).into_response(),
        Err(_) => again(StatusCode::INTERNAL_SERVER_ERROR, say!("The session could not be begun.")),
    }
}

/// The name and its account's mark, if the password is right.
async fn known(
    access: &Access,
    name: String,
    password: Zeroizing<String>,
) -> Option<(String, String)> {
    let accounts = access.accounts().await.ok()?;
    let _turn = access.at_a_time.acquire().await.ok()?;
    let work = tokio::task::spawn_blocking(move || {
        let right = accounts.is_right(&name, &password);
        right.then(|| accounts.mark(&name)).flatten().map(|mark| (name, mark))
    });
    work.await.ok()?
}

async fn sign_out(session: Session) -> Response {
    match session.flush().await {
        Ok(()) => Redirect::to(ADDRESS).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

fn in_words(wait: Duration) -> String {
    match wait.as_secs() + 1 {
        1 => say!("1 second").into(),
        n => say!("{n} seconds"),
    }
}

#[cfg(test)]
mod tests {
    use super::own;

    // Own rule: nobody is sent elsewhere by an address that somebody else made.
    #[test]
    fn one_goes_on_to_own_pages_only() {
        for to in ["/", "/technique", "/bars?state=held", "/bars/B%20002"] {
            assert_eq!(own(to), to);
        }
        for to in [
            "",
            "technique",
            "//example.org",
            "/\\example.org",
            "https://example.org",
            "/a\r\nb",
            "/sign-in?to=/sign-in",
        ] {
            assert_eq!(own(to), "/", "{to:?}");
        }
    }
}
