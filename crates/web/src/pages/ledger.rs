//! The ledger: what was entered, whether it still says what it said, and what is held.

use barwright_ledger::{Entry, State};
use barwright_report::text;
use maud::{Markup, html};

use crate::{
    chain::Shape,
    look::{
        mark,
        parts::{self, facts},
        segment, shell,
        table::{figures, prose, table, words},
    },
    lot::{Lot, to_the_minute},
    record::{Ledger, Said, document_of},
};

/// The page.
pub fn page(lot: &Lot) -> Markup {
    shell::shell(
        lot,
        "/ledger",
        "Ledger",
        &html! { "Every entry carries the hash of the one before it, so that a changed, missing or moved entry shows. A bar is released only by what stands here." },
        &html! {
            @match &lot.ledger {
                Ledger::Here(said) => { (body(said)) }
                Ledger::Absent => {
                    (parts::absent("Here every document that was entered would stand, in order, and the state of every bar that follows.", "barwright ledger add order --author NAME"))
                }
                Ledger::Bad { what, hint } => {
                    section.unusable role="alert" {
                        (mark::link(Shape::Split))
                        h2 { "The ledger does not answer" }
                        p { (text::visible(what)) }
                        @if let Some(hint) = hint { p { strong { "What helps: " } (hint) "." } }
                    }
                }
            }
            (parts::cautions())
        },
    )
}

fn body(said: &Said) -> Markup {
    let v = &said.verification;
    html! {
        p.verdict {
            @match &v.first_fault {
                None => { (mark::link(Shape::Closed)) strong { "All " (v.entries) " entries are as they were written." } }
                Some(fault) => {
                    (mark::link(Shape::Split))
                    strong { (text::visible(&fault.what)) ". Entries up to " (v.entries) " are as they were written; trust none after." }
                }
            }
        }
        div.two {
            section {
                h2 #bars { "Bars" }
                (bars(said))
            }
            section.column {
                h2 { "Head" }
                p { "What papers print, so that a later ledger can be held to it:" }
                (facts(&[
                    ("ledger", html! { (text::visible(&said.head.ledger.name)) }),
                    ("last entry", html! { (said.head.seq) }),
                    ("hash", html! { code.whole { (said.head.hash.0) } }),
                ]))
            }
        }
        h2 { "Entries" }
        (entries(&said.entries))
    }
}

fn bars(said: &Said) -> Markup {
    if said.bars.is_empty() {
        return html! { p { "No bar was entered yet." } };
    }
    table(
        "State of every bar",
        &[words("Bar"), words("heat"), words("state"), prose("why"), figures("check before", "entry"), figures("check after", "entry")],
        said.bars.iter().map(|s| {
            let entry = |seq: Option<i64>| match seq {
                Some(n) => html! { a href=(format!("#entry-{n}")) { (n) } },
                None => html! { "–" },
            };
            let (state, why) = words_of(&s.state);
            let stop = matches!(s.state, State::Held { .. } | State::Rejected);
            vec![
                html! { a href=(format!("/bars/{}", segment(&s.bar.bar))) { (text::visible(&s.bar.bar)) } },
                html! { (text::visible(&s.bar.heat)) },
                html! { @if stop { em.flag { (state) } } @else { (state) } },
                html! { (why) },
                entry(s.opening_check),
                entry(s.closing_check),
            ]
        }),
    )
}

fn words_of(state: &State) -> (&'static str, String) {
    match state {
        State::Released => ("released", "between two good checks".into()),
        State::Cropped { pieces_m } => (
            "released in pieces",
            match pieces_m.len() {
                1 => "one piece, between two good checks".into(),
                n => format!("{n} pieces, between two good checks"),
            },
        ),
        State::Held { why } => ("held", why.words()),
        State::Rejected => ("rejected", "judged so".into()),
        State::Waiting { for_judgement, for_check } => (
            "waiting",
            match (for_judgement, for_check) {
                (true, true) => "for its judgement and the closing check".into(),
                (true, false) => "for its judgement".into(),
                _ => "for the closing check".into(),
            },
        ),
    }
}

fn entries(list: &[Entry]) -> Markup {
    if list.is_empty() {
        return html! { p { "None yet." } };
    }
    table(
        "Entries, oldest first",
        &[
            figures("Entry", ""),
            words("when"),
            words("what"),
            words("about"),
            words("line"),
            words("by"),
            words("document"),
            words("hash"),
        ],
        list.iter().map(|e| {
            let document = document_of(e).and_then(|d| d.get(..12)).unwrap_or("–");
            vec![
                html! { span id=(format!("entry-{}", e.seq)) { (e.seq) } },
                html! { (to_the_minute(&e.date())) },
                html! { (e.kind) },
                html! { (text::visible(&e.subject)) },
                html! { @if e.line.is_empty() { "–" } @else { (text::visible(&e.line)) } },
                html! { (text::visible(&e.author)) },
                html! { code { (document) } },
                html! { code { (e.hash.short()) } },
            ]
        }),
    )
}
