//! The ledger: what was entered, whether it still says what it said, and what is held.

use barwright_ledger::{Entry, State};
use barwright_phrase::{html, say};
use barwright_report::text;
use maud::Markup;

use crate::{
    chain::Shape,
    look::{
        mark,
        parts::{self, facts},
        segment, shell,
        table::{figures, prose, table, words},
    },
    lot::{Lot, to_the_minute},
    pages::asking,
    record::{Ledger, Said, document_of},
};

/// The page.
pub fn page(lot: &Lot) -> Markup {
    shell::shell(
        lot,
        "/ledger",
        say!("Ledger"),
        &html! { "Every entry carries the hash of the one before it, so that a changed, missing or moved entry shows. A bar is released only by what stands here." },
        &html! {
            @match &lot.ledger {
                Ledger::Here(said) => { (body(said)) }
                Ledger::Absent => {
                    (parts::absent(say!("Here every document that was entered would stand, in order, and the state of every bar that follows."), "barwright ledger add order --author NAME"))
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
    html! {
        p.verdict {
            @match said.verification.as_ref().map(|v| (v, &v.first_fault)) {
                None => { (mark::link(Shape::Open)) strong { (said.head.seq) " entries: too many to prove for a page." } " " code { "barwright ledger verify" } " proves them." }
                Some((v, None)) => { (mark::link(Shape::Closed)) strong { "All " (v.entries) " entries are as they were written." } }
                Some((v, Some(fault))) => {
                    (mark::link(Shape::Split))
                    strong { (text::visible(&fault.what)) ". Entries up to " (v.entries) " are as they were written; trust none after." }
                }
            }
        }
        p { a href=(asking::ADDRESS) { "Ask for bars by heat, order, customer, probe, level or program" } " · " a href=(asking::CHANGES) { "Who changed what" } }
        section {
            h2 #holds { "Holds" }
            (holds(said))
        }
        div.two {
            section {
                h2 #bars { "Bars of this lot" }
                (bars(said))
            }
            section.column {
                h2 { "Next checks" }
                (lines(said))
                h2 { "Head" }
                p { "What papers print, so that a later ledger can be held to it:" }
                (facts(&[
                    (say!("ledger"), html! { (text::visible(&said.head.ledger.name)) }),
                    (say!("last entry"), html! { (said.head.seq) }),
                    (say!("hash"), html! { code.whole { (said.head.hash.0) } }),
                ]))
            }
        }
        h2 { "Entries" }
        @if said.head.seq > said.entries.len() as i64 {
            p.quiet { "Of " (said.head.seq) " entries those that concern this lot, and those about people, equipment and checks." }
        }
        (entries(&said.entries))
    }
}

/// The holds by their cause: what must come back, and what is left to do.
fn holds(said: &Said) -> Markup {
    if said.hold_lists.is_empty() {
        return html! { p { "No bar is held." } };
    }
    html! {
        @for list in &said.hold_lists {
            section.card {
                h3.marked {
                    (mark::link(Shape::Split))
                    span {
                        @if !list.line.is_empty() { (text::visible(&list.line)) ": " }
                        (text::visible(&list.why.words()))
                    }
                }
                p {
                    strong { (list.open) " of " (list.bars.len()) } " bars still to be inspected again or decided. Last good check before: "
                    @match list.last_good_check { Some(seq) => { "entry " (seq) "." } None => { "none." } }
                }
                (table(
                    say!("Bars that this holds"),
                    &[words(say!("Bar")), prose(say!("to do")), words(say!("cut into")), words(say!("left the house"))],
                    list.bars.iter().take(MOST_HELD).map(|b| vec![
                        html! { a href=(asking::bar(&b.bar)) { (text::visible(&b.bar.to_string())) } },
                        html! {
                            @match (&b.state, b.again) {
                                (State::Held { why }, _) => { em.flag { (why.cure()) } }
                                (state, Some(seq)) => { (words_of(state).0) ", inspected again (entry " (seq) ")" }
                                (state, None) => { (words_of(state).0) }
                            }
                        },
                        html! { @if b.pieces.is_empty() { "–" } @else { (text::visible(&b.pieces.join(", "))) } },
                        html! {
                            @if b.shipped.is_empty() { "–" }
                            @for s in &b.shipped {
                                em.flag { @if s.piece.is_empty() { "whole" } @else { (text::visible(&s.piece)) } " with " (text::visible(&s.delivery)) " to " (text::visible(&s.customer)) } " "
                            }
                        },
                    ]),
                ))
                @if list.bars.len() > MOST_HELD {
                    p.quiet { "The first " (MOST_HELD) "; " code { "barwright ledger holds" } " lists all." }
                }
            }
        }
    }
}

/// Bars of one cause shown at most.
const MOST_HELD: usize = 200;

fn lines(said: &Said) -> Markup {
    if said.lines.is_empty() {
        return html! { p { "No line yet." } };
    }
    table(
        say!("Lines and their next checks"),
        &[words(say!("Line")), prose(say!("next check")), words(say!("run by"))],
        said.lines.iter().map(|l| {
            vec![
                html! { (text::visible(&l.line)) },
                html! {
                    @match (&l.closed, l.next_check_us) {
                        (None, Some(us)) => {
                            @if l.overdue { em.flag { "overdue since" } } @else { "until" }
                            " " (to_the_minute(&barwright_ledger::entry::date(us)))
                        }
                        (why, _) => {
                            "before the next bar"
                            @if let Some(why) = why { ": " (text::visible(&why.words())) }
                        }
                    }
                },
                html! { @match &l.operator { Some(o) => { (text::visible(o)) } None => { "–" } } },
            ]
        }),
    )
}

fn bars(said: &Said) -> Markup {
    if said.bars.is_empty() {
        return html! { p { "No bar was entered yet." } };
    }
    table(
        say!("State of every bar"),
        &[words(say!("Bar")), words(say!("heat")), words(say!("state")), prose(say!("why")), figures(say!("check before"), "entry"), figures(say!("check after"), "entry")],
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

/// A state, and why.
pub fn words_of(state: &State) -> (&'static str, String) {
    match state {
        State::Released => (say!("released"), say!("between two good checks").into()),
        State::Cropped { pieces_m } => (
            say!("released in pieces"),
            match pieces_m.len() {
                1 => say!("one piece, between two good checks").into(),
                n => say!("{n} pieces, between two good checks"),
            },
        ),
        State::Held { why } => (say!("held"), why.words()),
        State::Rejected => (say!("rejected"), say!("judged so").into()),
        State::Waiting { for_judgement, for_check } => (
            "waiting",
            match (for_judgement, for_check) {
                (true, true) => say!("for its judgement and the closing check").into(),
                (true, false) => say!("for its judgement").into(),
                _ => say!("for the closing check").into(),
            },
        ),
    }
}

/// Entries as a table.
pub fn entries(list: &[Entry]) -> Markup {
    if list.is_empty() {
        return html! { p { "None yet." } };
    }
    table(
        say!("Entries, oldest first"),
        &[
            figures(say!("Entry"), ""),
            words(say!("when")),
            words(say!("what")),
            words(say!("about")),
            words(say!("line")),
            words(say!("by")),
            words(say!("document")),
            words(say!("hash")),
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
