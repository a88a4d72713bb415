//! The approval of a technique: by whom, what its chain lacks, and the form for who may approve.

use barwright_job::{Sealed, Technique};
use barwright_ledger::Entry;
use barwright_phrase::html;
use barwright_report::text;
use maud::Markup;

use crate::{
    access::Viewer,
    approving::{Approval, ApprovalError, approvals, approve},
    chain::{Shape, chain, sentence},
    look::mark,
    lot::{Lot, to_the_minute},
    permission::Barred,
    record::Ledger,
};

/// Address that approvals are sent to.
pub const ADDRESS: &str = "/technique/approve";

/// The section of the technique's page.
pub fn section(lot: &Lot, technique: &Sealed<Technique>) -> Markup {
    let entries: &[Entry] = lot.ledger.here().map_or(&[][..], |said| &said.entries);
    let found = approvals(&technique.hash, entries);
    html! {
        section.approval {
            h2 { "Approval" }
            @match (&lot.ledger, &found) {
                (Ledger::Bad { .. }, _) | (_, Err(_)) => {
                    p.marked { (mark::link(Shape::Split)) span { "The ledger does not answer, so nobody knows whether this technique is approved." } }
                }
                (_, Ok(found)) => {
                    (said(found))
                    (lacks(lot))
                    (form(lot, technique, entries))
                }
            }
        }
    }
}

fn said(found: &[Approval]) -> Markup {
    html! {
        @if !found.iter().any(Approval::counts) {
            p.marked { (mark::link(Shape::Open)) strong { "Not approved." } }
        }
        @for a in found {
            p.marked {
                (mark::link(if a.counts() { Shape::Closed } else { Shape::Split }))
                span {
                    @if a.counts() { strong { "Approved by " (text::visible(&a.person)) } } @else { "Approval by " (text::visible(&a.person)) }
                    " as " (a.role.words()) ", " (to_the_minute(&a.when)) ", "
                    a href=(format!("/ledger#entry-{}", a.seq)) { "entry " (a.seq) } "."
                    @if let Some(why) = &a.void { " It does not count: " (text::visible(why)) "." }
                }
            }
        }
    }
}

/// What is not sound of the links that lead to a technique: its order and itself.
fn lacks(lot: &Lot) -> Markup {
    let chain = chain(lot);
    let open: Vec<_> = chain.iter().take(2).filter(|link| link.shape != Shape::Closed).collect();
    html! {
        @if open.is_empty() {
            p { "The chain up to here lacks nothing: the order stands, and the technique is proved for it." }
        } @else {
            p { "What the chain lacks up to here:" }
            ul { @for link in open { li { strong { (link.name) } ": " (text::visible(&link.why)) } } }
        }
    }
}

fn form(lot: &Lot, technique: &Sealed<Technique>, entries: &[Entry]) -> Markup {
    let Viewer::Person(person) = &lot.viewer else {
        return html! { p.quiet { "Who is level 3 approves here after signing in, or by " code { "barwright approve technique --as NAME" } "." } };
    };
    let Some(rules) = lot.rules.here() else {
        return html! { p.quiet { "Without acceptance rules nobody can approve." } };
    };
    match approve(technique, rules, person, entries, lot.today) {
        Ok(approving) => html! {
            form.entry method="post" action=(ADDRESS) {
                input type="hidden" name="technique" value=(technique.hash.0);
                @if let Some(told) = approving.told { p.marked { (mark::link(Shape::Open)) span { (text::visible(&sentence(&told.words()))) } } }
                p { "You approve the technique " code { (technique.hash.short()) } " as it is shown on this page, as level 3 and in your name." }
                button.main type="submit" { "Approve this technique" }
            }
        },
        Err(ApprovalError::Already { .. }) => html! {},
        // It begins with a name, which stays as it is written.
        Err(ApprovalError::Barred(Barred::Denied(e))) => {
            html! { p.quiet { (text::visible(&e.to_string())) "." } }
        }
        Err(e) => html! { p.quiet { (text::visible(&sentence(&e.to_string()))) } },
    }
}
