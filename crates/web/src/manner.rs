//! How who looks wants figures and words: kept by the browser in cookies, chosen at the foot of every page.

use std::{future::Future, pin::pin, task::Poll};

use axum::{
    extract::{Query, Request, State},
    http::{HeaderMap, header},
    middleware::Next,
    response::{IntoResponse, Redirect, Response},
};
use barwright_report::{
    figures::{self, Decimal, Figures, Lengths},
    texts::{self, Catalogue, Language},
};
use serde::Deserialize;

/// Address that a choice is sent to.
pub const ADDRESS: &str = "/manner";
const FIGURES: &str = "figures";
const LANGUAGE: &str = "language";
/// Of the language that the pages are written in.
pub const ENGLISH: &str = "en";

/// Every style of figures: its word, what it looks like, the style.
pub const STYLES: [(&str, &str, Figures); 3] = [
    ("point", "1.5 mm", Figures { decimal: Decimal::Point, lengths: Lengths::Metric }),
    ("comma", "1,5 mm", Figures { decimal: Decimal::Comma, lengths: Lengths::Metric }),
    ("inch", "0.059 in", Figures { decimal: Decimal::Point, lengths: Lengths::Inch }),
];

/// The languages that can be chosen besides English.
pub type Languages = &'static [Catalogue];

/// What one reader wants.
#[derive(Debug, Clone, Copy, Default)]
pub struct Manner {
    figures: Figures,
    language: Language,
}

impl Manner {
    /// What the request at hand asks for; it holds on this thread, and has to be carried to others.
    pub fn here() -> Self {
        Self { figures: figures::style(), language: texts::language() }
    }

    /// Does some work in it.
    pub fn with<T>(self, work: impl FnOnce() -> T) -> T {
        figures::with(self.figures, || texts::with(self.language, work))
    }

    /// Does work that waits in it: whenever it goes on, it goes on in this manner.
    pub async fn through<T>(self, work: impl Future<Output = T>) -> T {
        let mut work = pin!(work);
        std::future::poll_fn(|context| -> Poll<T> { self.with(|| work.as_mut().poll(context)) })
            .await
    }

    fn chosen(headers: &HeaderMap, languages: Languages) -> Self {
        let language = cookie(headers, LANGUAGE);
        Self {
            figures: cookie(headers, FIGURES).and_then(style).unwrap_or_default(),
            language: languages.iter().find(|c| language == Some(&c.tag)),
        }
    }
}

fn style(word: &str) -> Option<Figures> {
    STYLES.iter().find(|(known, ..)| *known == word).map(|(.., figures)| *figures)
}

fn cookie<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    cookies
        .flat_map(|line| line.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(known, _)| *known == name)
        .map(|(_, value)| value)
}

/// Answers a request in the manner that its cookies name.
pub async fn follow(State(languages): State<Languages>, request: Request, next: Next) -> Response {
    Manner::chosen(request.headers(), languages).through(next.run(request)).await
}

#[derive(Deserialize)]
pub struct Choice {
    figures: Option<String>,
    language: Option<String>,
    /// The page to go back to.
    #[serde(default)]
    to: String,
}

/// Keeps a choice in the browser and goes back to the page. It changes nothing but how things are said to who
/// asks, so that a plain link may do it.
pub fn choose(languages: Languages, Query(choice): Query<Choice>) -> Response {
    // Only to a page of one's own: a path, never another host.
    let own =
        choice.to.starts_with('/') && !choice.to.starts_with("//") && !choice.to.contains('\\');
    let back = Redirect::to(if own { &choice.to } else { "/" });
    let known_language =
        |tag: &&String| *tag == ENGLISH || languages.iter().any(|c| c.tag == **tag);
    let kept = match (&choice.figures, &choice.language) {
        (Some(word), _) if style(word).is_some() => (FIGURES, word),
        (_, Some(tag)) if known_language(&tag) => (LANGUAGE, tag),
        _ => return back.into_response(),
    };
    let cookie =
        format!("{}={}; Path=/; Max-Age=31536000; SameSite=Strict; HttpOnly", kept.0, kept.1);
    ([(header::SET_COOKIE, cookie)], back).into_response()
}

/// Each language that can be chosen: its tag, its own name, whether it is the one at hand.
pub fn choices(languages: Languages) -> impl Iterator<Item = (&'static str, &'static str, bool)> {
    let english = (ENGLISH, "English", texts::tag() == ENGLISH);
    let others = languages.iter().map(|c| (c.tag.as_str(), c.name(), texts::tag() == c.tag));
    std::iter::once(english).chain(others)
}
