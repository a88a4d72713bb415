//! Changing the verdict of a bar: the form for who may, or why not.

use barwright_job::{Sealed, judgement::Judgement};
use barwright_ledger::{Entry, Kind, People};
use barwright_phrase::html;
use barwright_report::text;
use maud::Markup;

use crate::{
    access::Viewer,
    chain::{Shape, sentence},
    deciding::{Draft, LONGEST_REASON, VERDICTS},
    look::{mark, segment},
    lot::{Bar, Lot},
    permission::permitted,
};

/// Address that the decision about a bar is sent to.
pub fn address(bar: &str) -> String {
    format!("/bars/{}/decide", segment(bar))
}

/// What was sent, and why nothing came of it.
pub struct Refusal {
    /// The form as sent.
    pub draft: Draft,
    /// Why.
    pub why: String,
}

/// The section of a bar's page.
pub fn section(
    lot: &Lot,
    bar: &Bar,
    judgement: &Sealed<Judgement>,
    refusal: Option<&Refusal>,
) -> Markup {
    html! {
        section.deciding #decide {
            h2 { "Change the verdict" }
            (who(lot, bar, judgement, refusal))
        }
    }
}

fn who(lot: &Lot, bar: &Bar, judgement: &Sealed<Judgement>, refusal: Option<&Refusal>) -> Markup {
    let Viewer::Person(person) = &lot.viewer else {
        return html! { p.quiet { "Who signed in and may judge decides here, or by " code { "barwright decide " (text::visible(&bar.name)) } "." } };
    };
    let (Some(said), Some(rules)) = (lot.ledger.here(), lot.rules.here()) else {
        return html! { p.quiet { "Without ledger and acceptance rules nothing is decided." } };
    };
    let entries: &[Entry] = &said.entries;
    let permitted = People::of(entries).map(|people| {
        let at = entries.last().map_or(0, |entry| entry.seq);
        (people.are_keyed(at), permitted(&people, at, (person, Kind::Judgement), rules, lot.today))
    });
    match permitted {
        Err(e) => html! { p.quiet { (text::visible(&sentence(&e.to_string()))) } },
        // It begins with a name, which stays as it is written.
        Ok((_, Err(e))) => html! { p.quiet { (text::visible(&e.to_string())) "." } },
        Ok((true, _)) => {
            html! { p.quiet { "Decisions are signed here, which is done where the key lies: " code { "barwright decide" } ", then " code { "barwright ledger add judgement " (text::visible(&bar.name)) " --key FILE" } "." } }
        }
        Ok((false, Ok(told))) => html! {
            @if let Some(told) = told { p.marked { (mark::link(Shape::Open)) span { (text::visible(&sentence(&told.words()))) } } }
            (form(bar, judgement, refusal))
        },
    }
}

fn form(bar: &Bar, judgement: &Sealed<Judgement>, refusal: Option<&Refusal>) -> Markup {
    let none = Draft::default();
    let draft = refusal.map_or(&none, |r| &r.draft);
    html! {
        @if let Some(r) = refusal {
            p.wrong role="alert" { (mark::link(Shape::Split)) span { "Not decided. " (text::visible(&sentence(&r.why))) } }
        }
        form.entry method="post" action=(format!("{}#decide", address(&bar.name))) {
            input type="hidden" name="judgement" value=(judgement.hash.0);
            label { span { "New verdict, now " (text::verdict(judgement.body.verdict)) }
                select name="verdict" required {
                    option value="" { "choose" }
                    @for v in VERDICTS {
                        option value=(text::verdict(v)) selected[draft.verdict == text::verdict(v)] { (text::verdict(v)) }
                    }
                }
            }
            label { span { "For a crop: stretches to cut out, in mm from the head end, a line each, as 1200 to 1350" }
                textarea name="cut" rows="2" spellcheck="false" { (draft.cut) }
            }
            label { span { "Why" }
                textarea name="reason" rows="3" maxlength=(LONGEST_REASON) required { (draft.reason) }
            }
            label.tick { input type="checkbox" name="sure" value="yes" required; span { "I decide this in my name. What the rules said is kept beside it." } }
            button.main type="submit" { "Decide" }
            p.quiet { "A hold of the ledger stays: a verdict does not stand in for a check. Another decision takes this one back." }
        }
    }
}
