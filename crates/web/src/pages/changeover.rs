//! Moving the station to another size: the checklist, what a short recording says of each step, and
//! where the time goes.

use barwright_capture::CaptureKind;
use barwright_job::{
    Sealed,
    changeover::{Changeover, Step, StepKind, StepState},
};
use barwright_ledger::Kind;
use barwright_phrase::{html, say};
use barwright_report::text;
use maud::Markup;

use super::working;
use crate::{
    access::Viewer,
    cache::Doc,
    chain::{Shape, sentence},
    look::{
        mark,
        parts::{self, unit},
        shell,
    },
    lot::Lot,
    permission::permitted_by,
};

/// Address of the page.
pub const ADDRESS: &str = "/changeover";
/// Address that begins one.
pub const BEGIN: &str = "/changeover/begin";
/// Address that ends a step.
pub const DONE: &str = "/changeover/done";
/// Address that verifies all steps.
pub const VERIFY: &str = "/changeover/verify";

/// The page.
pub fn page(lot: &Lot) -> Markup {
    let may = may(lot);
    shell::shell(
        lot,
        ADDRESS,
        say!("Changeover"),
        &html! { "From one size to the next: what is done by hand, how long it took, and what a short recording of the reference bar says of it." },
        &html! {
            @match &lot.changeover {
                Doc::Bad(e) => { (parts::unusable(e)) }
                Doc::Absent => { (parts::absent(say!("Here the steps of the changeover would stand, each with its time and what a recording says of it."), "barwright changeover begin")) }
                Doc::Here(sealed) => { (body(lot, sealed, may)) }
            }
            @if may { (begin(lot)) }
        },
    )
}

/// Whether who looks runs the line.
fn may(lot: &Lot) -> bool {
    let (Viewer::Person(person), Some(said), Some(rules)) =
        (&lot.viewer, lot.ledger.here(), lot.rules.here())
    else {
        return false;
    };
    lot.technique.here().is_some()
        && permitted_by(&said.entries, (person, Kind::Level), rules, lot.today).is_ok()
}

fn current(lot: &Lot, sealed: &Sealed<Changeover>) -> bool {
    lot.technique.here().is_some_and(|t| sealed.made_from.get("technique") == Some(&t.hash))
}

fn body(lot: &Lot, sealed: &Sealed<Changeover>, may: bool) -> Markup {
    let c = &sealed.body;
    let current = current(lot, sealed);
    let total = c.steps.iter().filter_map(|s| c.took_s(s.kind)).fold(0.0, |all, s| all + s);
    html! {
        p.verdict {
            @if !current { (mark::link(Shape::Split)) strong { "This was a changeover to another technique than the one in force." } }
            @else if c.ready { (mark::link(Shape::Closed)) strong { "Every step is verified." } }
            @else { (mark::link(Shape::Open)) strong { "Not every step is verified." } }
        }
        div.two {
            section {
                p {
                    @if let Some(from) = &c.from { "From " (text::visible(from)) " to " } @else { "To " }
                    (text::visible(&c.to)) "."
                }
                ol.links { @for step in &c.steps { (one(c, step, may && current)) } }
            }
            section.column {
                h2 { "Where the time went" }
                (times(c, total))
                @if may && current {
                    h2 { "Verify" }
                    p { "Two short turns of the reference bar under the ring tell whether technique, ring, probes, plugs, centring and water are right." }
                    (working::choose(lot, CaptureKind::Reference, VERIFY, say!("Verify by this recording")))
                }
                (parts::findings(&c.findings))
            }
        }
        (parts::origin(lot, sealed))
    }
}

fn shape(state: StepState) -> Shape {
    match state {
        StepState::Verified => Shape::Closed,
        StepState::Wrong => Shape::Split,
        StepState::Open | StepState::Done | StepState::NotTold => Shape::Open,
    }
}

fn one(c: &Changeover, step: &Step, may: bool) -> Markup {
    html! {
        li {
            (mark::link(shape(step.state)))
            div {
                p {
                    strong { (capital(step.kind)) } " "
                    span.quiet { (step.state.words()) }
                    @if let Some(s) = c.took_s(step.kind) { span.quiet { ", took " (unit(text::number(s, 0), "s")) } }
                }
                @for line in &step.evidence { p { (text::visible(&sentence(line))) } }
                @if !step.cure.is_empty() { p.next { (text::visible(&sentence(&step.cure))) } }
                @if may && !matches!(step.state, StepState::Verified) {
                    form.entry method="post" action=(DONE) {
                        input type="hidden" name="step" value=(step.kind.name());
                        button type="submit" { @if step.done_us.is_some() { "Done again" } @else { "Done" } span.apart { ": " (step.kind.words()) } }
                    }
                }
            }
        }
    }
}

fn capital(kind: StepKind) -> String {
    sentence(kind.words()).trim_end_matches('.').to_owned()
}

/// Each step's time as a bar to one scale, longest first, with its figure.
fn times(c: &Changeover, total: f64) -> Markup {
    let mut took: Vec<(StepKind, f64)> =
        c.steps.iter().filter_map(|s| Some((s.kind, c.took_s(s.kind)?))).collect();
    took.sort_by(|a, b| b.1.total_cmp(&a.1));
    let longest = took.first().map_or(1.0, |t| t.1).max(1.0);
    html! {
        @if took.is_empty() { p.quiet { "No step is ended yet." } }
        @else {
            dl.times { @for (kind, s) in &took {
                div {
                    dt { (kind.name()) }
                    dd { svg viewBox="0 0 100 4" preserveAspectRatio="none" aria-hidden="true" { rect width="100" height="4" {} rect.took width=(format!("{:.1}", 100.0 * s / longest)) height="4" {} } span { (unit(text::number(*s, 0), "s")) } }
                }
            } }
            p { "Altogether " (unit(text::number(total, 0), "s")) "." }
        }
    }
}

fn begin(lot: &Lot) -> Markup {
    let form = html! {
        form.entry method="post" action=(BEGIN) {
            label { span { "What ran before, for the record (may stay empty)" } input name="from" maxlength="200" autocomplete="off"; }
            button.main type="submit" { "Begin a changeover" }
        }
    };
    match lot.changeover {
        Doc::Here(_) => html! {
            details {
                summary { "Begin another changeover" }
                p { "The checklist that is here gives way to an empty one." }
                (form)
            }
        },
        _ => form,
    }
}
