//! The frame of every page: the bar across the top, the chain, the holds, the words below.

use std::collections::BTreeMap;

use barwright_phrase::{html, say};
use maud::{DOCTYPE, Markup};

use super::mark;
use crate::{
    access::Viewer,
    chain::{Link, Shape, chain},
    lot::Lot,
    manner,
};
use barwright_ledger::BarState;
use barwright_report::{
    figures::{Decimal, style, way_m, way_unit},
    text, texts,
};

/// The pages that are no link of the chain.
fn others() -> [(&'static str, &'static str); 9] {
    [
        ("/", say!("Lot")),
        ("/line", say!("Line")),
        ("/proof", say!("Proof")),
        ("/reference", say!("Reference bar")),
        ("/changeover", say!("Changeover")),
        ("/trends", say!("Trends")),
        ("/ledger", say!("Ledger")),
        ("/papers", say!("Papers")),
        ("/people", say!("People and equipment")),
    ]
}

/// A page: its address, its heading, a sentence under it, and the rest.
pub fn shell(lot: &Lot, here: &str, title: &str, lead: &Markup, body: &Markup) -> Markup {
    let order = lot.order.here();
    html! {
        (DOCTYPE)
        html lang=(texts::tag()) data-comma[style().decimal == Decimal::Comma] data-way=(way_m()) data-way-unit=(way_unit()) data-words=[script_words()] {
            (head(title))
            body {
                a.skip href="#main" { "Skip to the content" }
                header.top {
                    div.plate {
                        a.name href="/" { (mark::link(Shape::Closed)) span { ("Barwright") } }
                        p.lot {
                            @if let Some(o) = order {
                                strong { (text::visible(&o.order.number)) }
                                span { (text::section(&o.section())) }
                                span { "heat " (text::visible(&o.order.heat)) }
                            } @else { span { "no order yet" } }
                        }
                        @if let Some(name) = lot.viewer.name() { (signed_in(name)) }
                        (form_switch())
                    }
                    (links(&chain(lot), here, here == "/"))
                    nav.others aria-label="Pages" {
                        ul {
                            @for (href, name) in others() {
                                li { a href=(href) aria-current=[(here == href).then_some("page")] { (name) } }
                            }
                        }
                    }
                }
                (holds(lot))
                main #main tabindex="-1" {
                    div.head { h1 { (title) } p.lead { (lead) } }
                    (body)
                }
                footer.foot {
                    p { "Read from " code { (text::visible(&lot.folder.root().display().to_string())) } ". " (change(&lot.viewer)) }
                    (figures_chosen(here))
                    (languages(lot, here))
                }
            }
        }
    }
}

/// Light or dark; `form.js` shows it and says what it does.
pub fn form_switch() -> Markup {
    html! {
        button.form type="button" hidden data-form-switch data-words-light="Light" data-words-dark="Dark"
            data-words-to-light="Switch to the light form" data-words-to-dark="Switch to the dark form" { "Dark" }
    }
}

/// What the scripts say in the language at hand; nothing in English.
pub fn script_words() -> Option<String> {
    let words: BTreeMap<_, _> = texts::of_files(".js").collect();
    (!words.is_empty()).then(|| serde_json::to_string(&words).unwrap_or_default())
}

fn signed_in(name: &str) -> Markup {
    html! {
        form.who method="post" action="/sign-out" {
            span { "signed in as " strong { (text::visible(name)) } }
            button type="submit" { "Sign out" }
        }
    }
}

/// How figures are written, and the other ways.
fn figures_chosen(here: &str) -> Markup {
    let now = style();
    html! {
        nav.figures-chosen aria-label="How figures are written" {
            span { "Figures as " }
            @for (word, example, figures) in manner::STYLES {
                a href=(format!("{}?figures={word}&to={here}", manner::ADDRESS)) aria-current=[(figures == now).then_some("true")] { (example) }
                " "
            }
        }
    }
}

/// The language of the pages, and the other ones where the house has any.
fn languages(lot: &Lot, here: &str) -> Markup {
    html! {
        @if !lot.languages.is_empty() {
            nav.figures-chosen aria-label="Language" {
                span { "Language " }
                @for (tag, name, chosen) in manner::choices(lot.languages) {
                    a lang=(tag) hreflang=(tag) href=(format!("{}?language={tag}&to={here}", manner::ADDRESS))
                        aria-current=[chosen.then_some("true")] { (name) }
                    " "
                }
            }
        }
    }
}

/// What these pages change, in a sentence.
fn change(viewer: &Viewer) -> &'static str {
    match viewer {
        Viewer::Person(_) => say!("These pages change nothing but what a form on them says."),
        Viewer::Anybody | Viewer::Stranger => say!("These pages change nothing."),
    }
}

/// The head of a page; nothing in it is inline.
pub fn head(title: &str) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta name="color-scheme" content="light dark";
            title { (title) " · Barwright" }
            link rel="icon" href="/assets/icon.svg" type="image/svg+xml";
            link rel="preload" href="/assets/type/archivo.woff2" as="font" type="font/woff2" crossorigin;
            link rel="stylesheet" href="/assets/tokens.css";
            link rel="stylesheet" href="/assets/page.css";
            script src="/assets/form.js" {}
            script type="module" src="/assets/pictures.js" {}
        }
    }
}

fn links(chain: &[Link; 6], here: &str, large: bool) -> Markup {
    let broken_before = |k: usize| k > 0 && chain[..=k].iter().any(|l| l.shape != Shape::Closed);
    html! {
        nav.chain.large[large] aria-label="Chain of evidence" {
            ol {
                @for (k, link) in chain.iter().enumerate() {
                    li class=(if broken_before(k) { "loose" } else { "joined" }) {
                        a href=(link.href) aria-current=[(here == link.href).then_some("page")] {
                            (mark::link(link.shape))
                            span.stage { (link.name) }
                            span.state { (link.shape.word()) }
                            span.words { (text::visible(&link.words)) }
                            @if large {
                                @if let Some(time) = &link.time { time.when { (time) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn holds(lot: &Lot) -> Markup {
    let held = lot.ledger.holds();
    if held.is_empty() {
        return html! {};
    }
    let heat = lot.order.here().map(|o| o.order.heat.as_str());
    let name = |b: &&BarState| {
        if Some(b.bar.heat.as_str()) == heat { b.bar.bar.clone() } else { b.bar.to_string() }
    };
    let names: Vec<String> = held.iter().take(12).map(name).collect();
    let more = held.len().saturating_sub(names.len());
    html! {
        section.holds role="alert" aria-label="Open holds" {
            (mark::link(Shape::Split))
            p {
                strong {
                    (held.len()) @if held.len() == 1 { " bar is held" } @else { " bars are held" }
                    " and must not leave: "
                }
                (text::visible(&names.join(", ")))
                @if more > 0 { " and " (more) " more" }
                ". "
                a href="/ledger#holds" { "Why, and what to do" }
            }
        }
    }
}
