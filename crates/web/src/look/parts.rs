//! Parts that several pages share.

use barwright_job::{Finding, Sealed};
use barwright_phrase::{html, say};
use barwright_report::figures::{way, way_unit};
use barwright_report::{papers, text};
use maud::{Markup, PreEscaped};

use crate::{cache::Doc, files::FileError, lot::Lot};

/// A picture with its caption. What rests under the pointer is read out below it.
pub fn picture(svg: String, caption: &str) -> Markup {
    framed("picture", svg, caption)
}

/// A long picture that keeps its scale and scrolls within itself where the page is narrow.
pub fn long_picture(svg: String, caption: &str) -> Markup {
    framed("picture long", svg, caption)
}

fn framed(class: &str, svg: String, caption: &str) -> Markup {
    html! {
        figure class=(class) {
            div.canvas tabindex="0" role="group" aria-label=(caption) { (PreEscaped(svg)) }
            figcaption { (caption) }
        }
    }
}

/// Names and values.
pub fn facts(pairs: &[(&str, Markup)]) -> Markup {
    html! {
        dl.facts {
            @for (name, value) in pairs {
                div { dt { (name) } dd { (value) } }
            }
        }
    }
}

/// A figure with its unit, small and grey.
pub fn unit(figure: impl AsRef<str>, unit: &str) -> Markup {
    html! { (figure.as_ref()) " " span.unit { (unit) } }
}

/// Beams by number, shortened.
pub fn beams(list: &[u32]) -> String {
    const SHOWN: usize = 8;
    let mut words: Vec<String> = list.iter().take(SHOWN).map(u32::to_string).collect();
    if list.len() > SHOWN {
        words.push(say!("and {} more", list.len() - SHOWN));
    }
    words.join(", ")
}

/// What was noticed; says so where it was nothing.
pub fn findings(list: &[Finding]) -> Markup {
    html! {
        section.findings {
            h2 { "Findings" }
            @if list.is_empty() { p.quiet { "Nothing was noticed." } }
            @else {
                ul {
                    @for f in list {
                        li {
                            strong { (text::topic(f.topic)) } " "
                            (text::visible(&f.message))
                            @if !f.beams.is_empty() {
                                " " span.unit { "beams " (beams(&f.beams)) }
                            }
                            @if let Some([from, to]) = f.stretch_m {
                                " " span.unit { "at " (way(from, 3)) " to " (way(to, 3)) " " (way_unit()) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The cautions that stand on every page that releases steel.
pub fn cautions() -> Markup {
    html! {
        aside.cautions aria-label="Cautions" {
            @for line in papers::cautions() { p { (line) } }
        }
    }
}

/// Where a document comes from: its hash, what it was made from, when it was entered.
pub fn origin<T>(lot: &Lot, sealed: &Sealed<T>) -> Markup {
    html! {
        details.origin {
            summary { "Where these figures come from" }
            p {
                "Document " code { (sealed.hash.short()) } ", format " (sealed.format)
                ", written by version " (sealed.program) ". "
                @match lot.entered(&sealed.hash) {
                    Some(at) => { "Entered in the ledger " (at) "." }
                    None => { "Not entered in the ledger." }
                }
            }
            @if !sealed.made_from.is_empty() {
                p { "Made from:" }
                ul {
                    @for (role, hash) in &sealed.made_from {
                        li { (text::role(role)) " " code { (hash.short()) } }
                    }
                }
            }
        }
    }
}

/// What stands where a document is missing: what would be here, and what makes it.
pub fn absent(what: &str, command: &str) -> Markup {
    html! {
        section.absent {
            svg.mark.ghost viewBox="0 0 48 48" aria-hidden="true" { circle cx="24" cy="24" r="16" {} }
            p { (what) }
            p { "This command makes it:" }
            p { code { (command) } }
        }
    }
}

/// What stands where a document is unusable: what is wrong, and the cure.
pub fn unusable(error: &FileError) -> Markup {
    html! {
        section.unusable role="alert" {
            (super::mark::link(crate::chain::Shape::Split))
            h2 { "This document cannot be used" }
            p { (text::visible(&error.to_string())) }
            @if let Some(hint) = error.hint() { p { strong { "What helps: " } (hint) "." } }
        }
    }
}

/// The page of a document, or what stands in its place.
pub fn with<T>(doc: &Doc<T>, what: &str, command: &str, make: impl FnOnce(&T) -> Markup) -> Markup {
    match doc {
        Doc::Here(document) => make(document),
        Doc::Absent => absent(what, command),
        Doc::Bad(error) => unusable(error),
    }
}
