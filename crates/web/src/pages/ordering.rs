//! Writing the order: fields, the text beside them, and what is wrong, at the field and the line.

use barwright_job::Hash;
use barwright_ledger::Kind;
use barwright_phrase::{html, say};
use barwright_report::text;
use maud::Markup;

use crate::{
    access::Viewer,
    chain::{Shape, sentence},
    files,
    look::{mark, shell},
    lot::Lot,
    ordering::{Draft, Field, Looked, SECTIONS, blank, groups},
    permission::permitted_by,
};

/// Address of the page.
pub const ADDRESS: &str = "/order/edit";
/// Address that a draft is sent to, to be looked at; nothing is kept.
pub const LOOK: &str = "/order/edit/look";

/// The page. `section`: that of an order written from nothing; `refused`: a draft that was sent, and why it
/// was not kept.
pub fn page(lot: &Lot, section: &str, refused: Option<(&Draft, &str)>) -> Markup {
    shell::shell(
        lot,
        "/order",
        say!("Write the order"),
        &html! { "The document is the text; the fields are the same, one by one. What is wrong is said at both." },
        &body(lot, section, refused),
    )
}

fn body(lot: &Lot, section: &str, refused: Option<(&Draft, &str)>) -> Markup {
    let written = files::read_text(&lot.folder.order_path()).ok();
    let draft = match (refused, written) {
        (Some((draft, _)), _) => draft.clone(),
        (None, Some(text)) => Draft { seen: Hash::of(text.as_bytes()).0, text, ..Draft::default() },
        (None, None) => {
            let rules = lot.rules.here().map_or("", |rules| rules.rules.name.as_str());
            Draft { text: blank(section, rules), ..Draft::default() }
        }
    };
    let begun = draft.seen.is_empty();
    let looked = Looked::at(&draft);
    let value = |field: &Field| {
        looked.values.as_ref().and_then(|values| values.get(field.key)).cloned().unwrap_or_default()
    };
    html! {
        @if let Some((_, why)) = refused {
            p.wrong role="alert" { (mark::link(Shape::Split)) span { "Not kept. " (text::visible(&sentence(why))) } }
        }
        @if begun {
            nav.filter aria-label="Section of the bars" { ul { @for known in SECTIONS {
                li { a href=(format!("{ADDRESS}?section={known}")) aria-current=[(known == section).then_some("true")] { (known) } }
            } } }
        }
        form.ordering method="post" action=(ADDRESS) data-order data-look=(LOOK) {
            input type="hidden" name="seen" value=(draft.seen);
            div.fields data-fields hidden {
                @for group in &groups() {
                    fieldset data-needs=(group.needs) {
                        legend { (group.name) }
                        @for field in &group.fields { (one(field, &value(field))) }
                    }
                }
            }
            div.text {
                label for="text" { "order.toml" }
                textarea id="text" name="text" rows="44" spellcheck="false" autocomplete="off" aria-describedby="problem" { (looked.text) }
            }
            div.judged {
                p.marked #problem role="status" data-problem {
                    @match &looked.problem {
                        Some(p) => {
                            (mark::link(Shape::Split))
                            span { @if let Some(line) = p.line { "Line " (line) ", " } (text::visible(&p.key)) ": " (text::visible(&p.words)) }
                        }
                        None => { (mark::link(Shape::Closed)) span { "This is an order." } }
                    }
                }
                (keep(lot))
            }
        }
        script type="module" src="/assets/ordering.js" {}
    }
}

fn one(field: &Field, value: &str) -> Markup {
    let problem = format!("{}-problem", field.key);
    html! {
        div.field {
            label for=(field.key) { (field.name) }
            // Without a name of its own it is not sent: the text is what is kept.
            input id=(field.key) data-key=(field.key) value=(value) autocomplete="off" inputmode=[(!field.unit.is_empty()).then_some("decimal")] aria-describedby=(problem);
            span.unit { (field.unit) }
            p.problem id=(problem) {}
        }
    }
}

fn keep(lot: &Lot) -> Markup {
    let Viewer::Person(person) = &lot.viewer else {
        return html! { p.quiet { "Who signed in and may write orders keeps it here. Otherwise copy the text into " code { "order.toml" } "." } };
    };
    let (Some(said), Some(rules)) = (lot.ledger.here(), lot.rules.here()) else {
        return html! { p.quiet { "Without ledger and acceptance rules nothing is kept." } };
    };
    match permitted_by(&said.entries, (person, Kind::Order), rules, lot.today) {
        // It begins with a name, which stays as it is written.
        Err(e) => html! { p.quiet { (text::visible(&e.to_string())) "." } },
        Ok(told) => html! {
            @if let Some(told) = told { p.marked { (mark::link(Shape::Open)) span { (text::visible(&sentence(&told.words()))) } } }
            p { button.main type="submit" { "Keep this order" } }
            p.quiet { "It is entered in the ledger in your name. A technique made for the order before no longer counts for it." }
        },
    }
}
