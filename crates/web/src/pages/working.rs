//! Beginning work that takes long, and how it stands.

use barwright_capture::CaptureKind;
use barwright_phrase::{html, say};
use barwright_report::text;
use maud::Markup;

use crate::{
    access::Viewer,
    captures::{Capture, Told, captures, purpose, unfit},
    chain::{Shape, chain, sentence},
    look::{mark, parts},
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
        What::ReferenceBar => "/reference/work",
        What::Level => "/level/work",
        What::Check => "/checks/work",
        What::Bars => "/bars/work",
        What::Judgements => "/bars/judge",
        What::Papers => "/papers/work",
    }
}

/// The page on which it is begun and followed.
pub const fn page(what: What) -> &'static str {
    match what {
        What::Technique => "/technique",
        What::Proof => "/proof",
        What::ReferenceBar => "/reference",
        What::Level => "/level",
        What::Check => "/checks",
        What::Bars | What::Judgements => "/bars",
        What::Papers => "/papers",
    }
}

/// The section of a page: the work under way or ended, or what begins it.
pub fn section(lot: &Lot, what: What) -> Markup {
    sections(lot, &[what])
}

/// The same for several kinds of work that belong to one page.
pub fn sections(lot: &Lot, whats: &[What]) -> Markup {
    html! {
        @match &lot.work {
            Some(seen) if seen.running => { (under_way(seen)) }
            seen => {
                @if let Some(Seen { what: ended, failed: Some(why), .. }) = seen {
                    @if whats.contains(ended) {
                        p.wrong role="alert" { (mark::link(Shape::Split)) span { (nothing(*ended)) ": " (text::visible(&sentence(why))) } }
                    }
                }
                @for what in whats { (begin(lot, *what)) }
            }
        }
    }
}

fn under_way(seen: &Seen) -> Markup {
    html! {
        section.work data-work=(STANDS) {
            p { strong { (sentence(seen.what.words())) } " Begun by " (text::visible(&seen.by)) "; " span data-seconds { (seen.seconds) } " " span.unit { "s" } }
            progress max="1" value=[seen.share] aria-label=(seen.what.words()) {}
            @if seen.what.can_stop() {
                form method="post" action=(STOP) { button type="submit" { "Stop" } }
            }
            script type="module" src="/assets/working.js" {}
        }
    }
}

/// What a work that failed left; of several bars those before stay.
fn nothing(what: What) -> &'static str {
    match what {
        What::Bars | What::Judgements => say!("Nothing more was made"),
        _ => say!("Nothing was made"),
    }
}

/// How work is offered.
struct Offer {
    /// What it needs is there.
    ready: bool,
    /// What is there gives way: the form is folded away, with a warning.
    there: Option<&'static str>,
    /// Words of the button.
    name: &'static str,
    /// Captures it takes.
    from: Option<CaptureKind>,
}

fn offer(lot: &Lot, what: What) -> Offer {
    let technique = lot.technique.here().is_some();
    let level = technique && lot.level.here().is_some() && lot.reference.here().is_some();
    let plain = |ready, there: Option<&'static str>, name| Offer { ready, there, name, from: None };
    match what {
        What::Technique => plain(
            lot.order.here().is_some() && lot.station.here().is_some(),
            lot.technique.here().map(|_| say!("The one that is here gives way: proof, level and checks made with it no longer count for the new one.")),
            say!("Work out the technique"),
        ),
        What::Proof => plain(
            technique,
            lot.proof.here().map(|_| say!("The proof that is here gives way to the new one.")),
            say!("Prove the coverage"),
        ),
        What::ReferenceBar => plain(
            technique,
            lot.reference.here().map(|_| say!("The one that is here gives way: a level and checks made with it no longer count for the new one.")),
            say!("Lay out the reference bar"),
        ),
        What::Level => Offer {
            ready: technique && lot.reference.here().is_some(),
            there: None,
            name: say!("Level from what is chosen"),
            from: Some(CaptureKind::Reference),
        },
        What::Check => Offer {
            ready: level,
            there: None,
            name: say!("Judge these passes"),
            from: Some(CaptureKind::Check),
        },
        What::Bars => Offer {
            ready: level,
            there: None,
            name: say!("Screen and judge what is chosen"),
            from: Some(CaptureKind::Production),
        },
        What::Judgements => {
            plain(lot.unjudged() > 0, None, say!("Judge the bars that have no judgement in force"))
        }
        What::Papers => plain(
            lot.level.here().is_some() && lot.bars.iter().any(|b| b.judgement.here().is_some()),
            (!lot.papers.is_empty()).then_some(say!("Papers of the same names are set anew, as the ledger stands now.")),
            say!("Set all papers of the lot"),
        ),
    }
}

fn begin(lot: &Lot, what: What) -> Markup {
    let Viewer::Person(person) = &lot.viewer else {
        return html! {};
    };
    let (Some(said), Some(rules)) = (lot.ledger.here(), lot.rules.here()) else {
        return html! {};
    };
    let offer = offer(lot, what);
    let may = permitted_by(&said.entries, (person, what.kind()), rules, lot.today).is_ok();
    if !may || !offer.ready {
        return html! {};
    }
    // What is screened without an opening check is held, whatever comes of it.
    let unchecked = what == What::Bars && chain(lot)[3].shape != Shape::Closed;
    let (form, new) = match offer.from {
        None => {
            let form = html! {
                form.entry method="post" action=(address(what)) {
                    button.main type="submit" { (offer.name) }
                }
            };
            (form, true)
        }
        Some(kind) => {
            choice(lot, kind, &Form { what: Some(what), action: address(what), name: offer.name })
        }
    };
    let form = html! {
        @if unchecked { p.marked { (mark::link(Shape::Split)) strong { "No good check with this level stands before: bars screened now will be held." } } }
        (form)
    };
    if what == What::Bars && !lot.bars.is_empty() && !new {
        return html! { details { summary { "Screen bars again" } (form) } };
    }
    match offer.there {
        Some(warning) => html! {
            details {
                summary { (offer.name) " again" }
                p { (warning) }
                (form)
            }
        },
        None => form,
    }
}

/// The form that chooses one capture of a kind and sends it to an address.
pub fn choose(lot: &Lot, kind: CaptureKind, action: &'static str, name: &'static str) -> Markup {
    choice(lot, kind, &Form { what: None, action, name }).0
}

/// Where a choice of captures goes.
struct Form {
    what: Option<What>,
    action: &'static str,
    /// Words of the button.
    name: &'static str,
}

/// The form that chooses captures of the folder, and whether one of them is of a bar not screened yet.
fn choice(lot: &Lot, kind: CaptureKind, form: &Form) -> (Markup, bool) {
    let all = match captures(&lot.folder, &lot.cache) {
        Ok(all) => all,
        Err(e) => return (parts::unusable(&e), false),
    };
    let mut fit: Vec<(&Capture, &Told)> = Vec::new();
    let mut others: Vec<(&str, String)> = Vec::new();
    for capture in &all {
        match (capture.told.here(), capture.told.error()) {
            (Some(told), _) => match unfit(lot, told, kind) {
                None => fit.push((capture, told)),
                Some(why) => others.push((&capture.name, why.to_owned())),
            },
            (None, Some(e)) => others.push((&capture.name, with_cause(e))),
            (None, None) => {}
        }
    }
    if kind != CaptureKind::Production {
        // The latest is what one has just made.
        fit.sort_by(|a, b| (&b.1.written, &b.0.name).cmp(&(&a.1.written, &a.0.name)));
    }
    let screened = |told: &Told| lot.bars.iter().any(|b| b.name == told.header.bar);
    let several = form.what.is_some_and(|what| what.captures()[1] > 1);
    let new = fit.iter().any(|(_, told)| !screened(told));
    let markup = html! {
        @if fit.is_empty() {
            p { "No recording of " (purpose(kind)) " lies in this folder's captures that was made with what is in force." }
        } @else {
            form.entry method="post" action=(form.action) {
                fieldset {
                    legend { (legend(form.what)) }
                    ul.choose { @for (k, (capture, told)) in fit.iter().enumerate() {
                        @let on = match kind { CaptureKind::Production => !screened(told), _ => k == 0 };
                        li { label {
                            input type=(if several { "checkbox" } else { "radio" }) name="captures" value=(capture.name) checked[on];
                            strong { (text::visible(&capture.name)) }
                            span.quiet { (details(lot, told, screened(told))) }
                        } }
                    } }
                }
                button.main type="submit" { (form.name) }
            }
        }
        @if !others.is_empty() {
            details {
                summary { (others.len()) " other recordings, and why they cannot be used here" }
                ul { @for (name, why) in &others { li { strong { (text::visible(name)) } ": " (text::visible(why)) "." } } }
            }
        }
    };
    (markup, new)
}

fn with_cause(error: &crate::FileError) -> String {
    let cause = std::error::Error::source(error).map_or_else(String::new, |e| format!(": {e}"));
    format!("{error}{cause}")
}

fn legend(what: Option<What>) -> &'static str {
    match what {
        Some(What::Level) => {
            say!(
                "Recordings of the reference bar: one with all beams, and up to three more at lower gain where echoes were clipped"
            )
        }
        Some(What::Check) => say!("Recording of the passes"),
        Some(_) => say!("Recordings of bars"),
        None => say!("Recording of the reference bar"),
    }
}

fn details(lot: &Lot, told: &Told, screened: bool) -> Markup {
    let header = &told.header;
    let gains = match (&header.level, lot.level.here()) {
        (None, _) => say!("with the technique's own gains"),
        (Some(hash), Some(level)) if *hash == level.hash => {
            say!("with the gains of the level in force")
        }
        (Some(_), _) => say!("with the gains of another level"),
    };
    html! {
        "bar " (text::visible(&header.bar)) ", " (told.shots) " shots, " (gains)
        @if let Some(at) = told.written() { ", written " (at) }
        @if screened { ", screened already" }
    }
}
