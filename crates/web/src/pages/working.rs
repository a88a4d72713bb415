//! Beginning work that takes long, and how it stands.

use barwright_report::text;
use maud::{Markup, html};

use crate::{
    access::Viewer,
    chain::{Shape, sentence},
    look::mark,
    lot::Lot,
    permission::permitted_by,
    working::{Seen, What},
};

/// How the work stands, as data.
pub const STANDS: &str = "/work";
/// Address that stops it.
pub const STOP: &str = "/work/stop";

/// Address that begins work.
pub const fn address(what: What) -> &'static str {
    match what {
        What::Technique => "/technique/work",
        What::Proof => "/proof/work",
    }
}

/// The section of a page: the work under way or ended, or the button that begins it.
pub fn section(lot: &Lot, what: What) -> Markup {
    html! {
        @match &lot.work {
            Some(seen) if seen.running => { (under_way(seen)) }
            seen => {
                @if let Some(Seen { what: ended, failed: Some(why), .. }) = seen {
                    @if *ended == what {
                        p.wrong role="alert" { (mark::link(Shape::Split)) span { "Nothing was made: " (text::visible(&sentence(why))) } }
                    }
                }
                (begin(lot, what))
            }
        }
    }
}

fn under_way(seen: &Seen) -> Markup {
    html! {
        section.work data-work=(STANDS) {
            p { strong { (sentence(seen.what.words())) } " Begun by " (text::visible(&seen.by)) "; " span data-seconds { (seen.seconds) } " " span.unit { "s" } }
            progress max="1" value=[seen.share] aria-label=(seen.what.words()) {}
            @if seen.what == What::Proof {
                form method="post" action=(STOP) { button type="submit" { "Stop" } }
            }
            script type="module" src="/assets/working.js" {}
        }
    }
}

fn begin(lot: &Lot, what: What) -> Markup {
    let Viewer::Person(person) = &lot.viewer else {
        return html! {};
    };
    let (Some(said), Some(rules)) = (lot.ledger.here(), lot.rules.here()) else {
        return html! {};
    };
    if lot.order.here().is_none() || lot.station.here().is_none() {
        return html! {};
    }
    let may = permitted_by(&said.entries, (person, what.kind()), rules, lot.today).is_ok();
    let (there, name, warning) = match what {
        What::Technique => (
            lot.technique.here().is_some(),
            "Work out the technique",
            "The one that is here gives way: proof, level and checks made with it no longer count for the new one.",
        ),
        What::Proof => (
            lot.proof.here().is_some(),
            "Prove the coverage",
            "The proof that is here gives way to the new one.",
        ),
    };
    html! {
        @if may && (what == What::Technique || lot.technique.here().is_some()) {
            form.entry method="post" action=(address(what)) {
                @if there {
                    details {
                        summary { (name) " again" }
                        p { (warning) }
                        button.main type="submit" { (name) }
                    }
                } @else { button.main type="submit" { (name) } }
            }
        }
    }
}
