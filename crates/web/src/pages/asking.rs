//! Questions to the ledger: bars by what they have in common, everything about one bar, who changed
//! what.

use barwright_ledger::{
    BarKey, Entry, State,
    store::questions::{After, Bars, Story},
};
use barwright_phrase::{html, say};
use barwright_report::figures::{size, size_unit};
use barwright_report::text;
use maud::Markup;

use super::ledger::{entries, words_of};
use crate::{
    asking::{By, Question},
    chain::Shape,
    look::{
        mark, parts, segment, shell,
        table::{prose, table, words},
    },
    lot::Lot,
};

/// Address of the questions.
pub const ADDRESS: &str = "/ledger/bars";

/// Address of who changed what.
pub const CHANGES: &str = "/ledger/changes";

/// Address of everything about one bar.
pub fn bar(bar: &BarKey) -> String {
    format!("/ledger/bars/{}/{}", segment(&bar.heat), segment(&bar.bar))
}

/// What a question was answered with; none before one was asked.
pub type Answer = Option<Result<Bars, String>>;

/// Bars by what they have in common.
pub fn bars(lot: &Lot, question: &Question, answer: &Answer) -> Markup {
    shell::shell(
        lot,
        "/ledger",
        say!("Ask the ledger"),
        &html! { "Which bars of a heat, an order or a customer; which were screened with a probe, a level, a technique or a version of the program." },
        &html! {
            (form(question))
            @match answer {
                None => {}
                Some(Err(why)) => { p.wrong role="alert" { (mark::link(Shape::Split)) span { (text::visible(why)) } } }
                Some(Ok(found)) => { (answered(question, found)) }
            }
            (parts::cautions())
        },
    )
}

fn form(question: &Question) -> Markup {
    html! {
        form.entry method="get" action=(ADDRESS) {
            label {
                span { "Bars by" }
                select name="by" {
                    @for by in By::ALL {
                        option value=(by.word()) selected[question.by == Some(by)] { (by.words()) }
                    }
                }
            }
            label {
                span { "Which" }
                input name="value" value=(question.value) required maxlength="200" autocomplete="off";
            }
            button.main type="submit" { "Ask" }
        }
    }
}

fn answered(question: &Question, found: &Bars) -> Markup {
    let held = found.bars.iter().filter(|b| matches!(b.state.state, State::Held { .. })).count();
    html! {
        p.verdict {
            (mark::link(if held > 0 { Shape::Split } else { Shape::Closed }))
            strong { (found.total) @if found.total == 1 { " bar" } @else { " bars" } }
            @if held > 0 { ", of those shown " em.flag { (held) " held" } }
        }
        @if !found.bars.is_empty() {
            (table(
                say!("Bars found"),
                &[words(say!("Bar")), words(say!("state")), prose(say!("why")), words(say!("line")), words(say!("screening"))],
                found.bars.iter().map(|b| {
                    let (state, why) = words_of(&b.state.state);
                    let stop = matches!(b.state.state, State::Held { .. } | State::Rejected);
                    vec![
                        html! { a href=(bar(&b.state.bar)) { (text::visible(&b.state.bar.to_string())) } },
                        html! { @if stop { em.flag { (state) } } @else { (state) } },
                        html! { (why) },
                        html! { @if b.state.line.is_empty() { "–" } @else { (text::visible(&b.state.line)) } },
                        html! {
                            @match (b.screening, b.state.screened) {
                                (Some(found), Some(latest)) if found != latest => { "entry " (found) ", again in " (latest) }
                                (_, Some(latest)) => { "entry " (latest) }
                                _ => { "–" }
                            }
                        },
                    ]
                }),
            ))
        }
        @if let (Some(next), Some(by)) = (&found.next, question.by) {
            @let after = match next { After::Screening(seq) => seq.to_string(), After::Bar(bar) => bar.clone() };
            p { a href=(format!("{ADDRESS}?by={}&value={}&after={}", by.word(), segment(&question.value), segment(&after))) { "The next ones" } }
        }
    }
}

/// Everything about one bar.
pub fn story(lot: &Lot, key: &BarKey, story: &Result<Option<Story>, String>) -> Markup {
    shell::shell(
        lot,
        "/ledger",
        &say!("Bar {}", text::visible(&key.to_string())),
        &html! { "What the ledger holds about it, gone through entry by entry, and what its state rests on." },
        &html! {
            @match story {
                Err(why) => { p.wrong role="alert" { (mark::link(Shape::Split)) span { (text::visible(why)) } } }
                Ok(None) => { p { "The ledger does not know this bar." } }
                Ok(Some(story)) => { (told(story)) }
            }
            (parts::cautions())
        },
    )
}

fn told(story: &Story) -> Markup {
    let (state, why) = words_of(&story.state.state);
    let shape = match story.state.state {
        State::Released | State::Cropped { .. } => Shape::Closed,
        State::Waiting { .. } => Shape::Open,
        State::Held { .. } | State::Rejected => Shape::Split,
    };
    let check = |seq: Option<i64>| match seq {
        Some(seq) => html! { "entry " (seq) },
        None => html! { "none" },
    };
    html! {
        p.verdict { (mark::link(shape)) strong { (state) } ": " (why) "." }
        (parts::facts(&[
            (say!("line"), html! { @if story.state.line.is_empty() { "–" } @else { (text::visible(&story.state.line)) } }),
            (say!("check before"), check(story.state.opening_check)),
            (say!("check after"), check(story.state.closing_check)),
        ]))
        @if !story.shipped.is_empty() {
            h2 { "Left the house" }
            ul { @for s in &story.shipped {
                li { @if s.piece.is_empty() { "the whole bar" } @else { "piece " (text::visible(&s.piece)) } " with " (text::visible(&s.delivery)) " to " (text::visible(&s.customer)) ", entry " (s.seq) }
            } }
        }
        @if !story.pieces.is_empty() {
            h2 { "Cut into" }
            ul { @for (piece, from_m, to_m) in &story.pieces {
                li { (text::visible(piece)) ": " (size(*from_m, 0)) " to " (size(*to_m, 0)) " " span.unit { (size_unit()) } " from the head end" }
            } }
        }
        @if !story.equipment.is_empty() {
            h2 { "In use when it was screened" }
            ul { @for (equipment, place) in &story.equipment { li { (text::visible(equipment)) " at " (text::visible(place)) } } }
        }
        h2 { "Entries about it" }
        (entries(&story.entries))
        h2 { "What it rests on" }
        (entries(&story.rests_on))
    }
}

/// Who changed what.
pub fn changes(lot: &Lot, author: &str, found: &Result<Vec<Entry>, String>) -> Markup {
    shell::shell(
        lot,
        "/ledger",
        say!("Who changed what"),
        &html! { "Corrections, retests, approvals, people, keys, access and equipment; of one person also what that person set." },
        &html! {
            form.entry method="get" action=(CHANGES) {
                label {
                    span { "Only by" }
                    input name="by" value=(author) maxlength="200" autocomplete="off";
                }
                button.main type="submit" { "Ask" }
            }
            @match found {
                Err(why) => { p.wrong role="alert" { (mark::link(Shape::Split)) span { (text::visible(why)) } } }
                Ok(found) => { (entries(found)) }
            }
        },
    )
}
