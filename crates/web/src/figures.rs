//! How who looks wants figures: kept by the browser in a cookie, chosen at the foot of every page.

use axum::{
    extract::{Query, Request},
    http::{HeaderMap, header},
    middleware::Next,
    response::{IntoResponse, Redirect, Response},
};
use barwright_report::figures::{Decimal, Figures, Lengths};
use serde::Deserialize;

/// Address that a choice is sent to.
pub const ADDRESS: &str = "/figures";
const COOKIE: &str = "figures";

/// Every choice: its word, what it looks like, the style.
pub const CHOICES: [(&str, &str, Figures); 3] = [
    ("point", "1.5 mm", Figures { decimal: Decimal::Point, lengths: Lengths::Metric }),
    ("comma", "1,5 mm", Figures { decimal: Decimal::Comma, lengths: Lengths::Metric }),
    ("inch", "0.059 in", Figures { decimal: Decimal::Point, lengths: Lengths::Inch }),
];

tokio::task_local! {
    static WANTED: Figures;
}

/// The style that the request at hand asks for.
pub fn wanted() -> Figures {
    WANTED.try_with(|figures| *figures).unwrap_or_default()
}

fn of(word: &str) -> Option<Figures> {
    CHOICES.iter().find(|(known, ..)| *known == word).map(|(.., figures)| *figures)
}

fn chosen(headers: &HeaderMap) -> Option<Figures> {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    cookies
        .flat_map(|line| line.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(name, _)| *name == COOKIE)
        .and_then(|(_, value)| of(value))
}

/// Answers a request in the style that its cookie names.
pub async fn follow(request: Request, next: Next) -> Response {
    let figures = chosen(request.headers()).unwrap_or_default();
    WANTED.scope(figures, next.run(request)).await
}

#[derive(Deserialize)]
pub struct Choice {
    #[serde(default)]
    style: String,
    /// The page to go back to.
    #[serde(default)]
    to: String,
}

/// Keeps a choice in the browser and goes back to the page. It changes nothing but how figures look to who
/// asks, so that a plain link may do it.
pub async fn choose(Query(choice): Query<Choice>) -> Response {
    // Only to a page of one's own: a path, never another host.
    let own =
        choice.to.starts_with('/') && !choice.to.starts_with("//") && !choice.to.contains('\\');
    let back = Redirect::to(if own { &choice.to } else { "/" });
    let Some(_) = of(&choice.style) else { return back.into_response() };
    let cookie =
        format!("{COOKIE}={}; Path=/; Max-Age=31536000; SameSite=Strict; HttpOnly", choice.style);
    ([(header::SET_COOKIE, cookie)], back).into_response()
}
