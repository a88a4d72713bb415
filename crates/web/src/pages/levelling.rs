//! From drawing to motion to gains: the way to a level, step by step, each with its state.

use barwright_job::{Sealed, level::BeamState, level::Level, reference::ReferenceBar};
use barwright_phrase::{html, say};
use barwright_report::figures::{size, size_unit};
use barwright_report::text;
use maud::Markup;

use super::{reference::motion_list, working};
use crate::{
    chain::Shape,
    look::{mark, parts::unit},
    lot::Lot,
    working::What,
};

/// The way, with where it stands and the form that goes on.
pub fn way(lot: &Lot) -> Markup {
    let technique = lot.technique.here();
    let reference = lot
        .reference
        .here()
        .filter(|r| technique.is_some_and(|t| r.made_from.get("technique") == Some(&t.hash)));
    let level = lot
        .level
        .here()
        .filter(|l| technique.is_some_and(|t| l.made_from.get("technique") == Some(&t.hash)));
    html! {
        section {
            h2 { "The way to a level" }
            ol.links {
                (step(reference.map_or(Shape::Open, |_| Shape::Closed), say!("The bar"), &bar(reference)))
                (step(reference.map_or(Shape::Open, |_| Shape::Closed), say!("Its motion"), &motion(reference)))
                (step(level.map_or(Shape::Open, |_| Shape::Closed), say!("The recording"), &recording(lot, reference, level)))
                @if let Some(level) = level {
                    @let hand = !level.body.explanations.is_empty();
                    (step(if hand && !level.body.good { Shape::Split } else { Shape::Closed }, say!("By hand"), &by_hand(&level.body)))
                    (step(gains_shape(&level.body), say!("By gain"), &by_gain(&level.body)))
                }
            }
        }
    }
}

fn step(shape: Shape, name: &str, words: &Markup) -> Markup {
    html! {
        li {
            (mark::link(shape))
            div {
                p { strong { (name) } " " span.quiet { (shape.word()) } }
                (words)
            }
        }
    }
}

fn bar(reference: Option<&Sealed<ReferenceBar>>) -> Markup {
    match reference {
        Some(r) => html! {
            p { (text::visible(&r.body.name)) ": " (r.body.reflectors.len()) " reflectors on " (unit(size(r.body.length_m, 0), size_unit())) ". "
                a href="/reference" { "Drawing and tolerances" } "." }
        },
        None => html! {
            p { "No reference bar is laid out for the technique in force. " a href="/reference" { "Lay it out" } "." }
        },
    }
}

fn motion(reference: Option<&Sealed<ReferenceBar>>) -> Markup {
    let Some(r) = reference else {
        return html! { p { "It follows from the bar." } };
    };
    let whole: f64 = r.body.motion.iter().map(|m| m.duration_s).sum();
    html! {
        p { "Bring the bar to each place under the ring, and turn it there. Once through takes "
            (unit(text::number(whole, 0), "s")) " of turning; twice tells how well heights repeat." }
        details {
            summary { (r.body.motion.len()) " places and turns" }
            (motion_list(&r.body))
        }
    }
}

fn recording(
    lot: &Lot,
    reference: Option<&Sealed<ReferenceBar>>,
    level: Option<&Sealed<Level>>,
) -> Markup {
    html! {
        @match level {
            Some(l) => { p { "Levelled from " (l.body.passes) " passes, beam by beam; what came of it stands below." } }
            None => { p { "Record every shot of the motion, and put the recording into the folder's captures." } }
        }
        @if reference.is_some() { (working::section(lot, What::Level)) }
    }
}

fn by_hand(level: &Level) -> Markup {
    html! {
        @if level.explanations.is_empty() {
            p { "Nothing in the readings asks for a hand." }
        } @else {
            ul { @for e in &level.explanations {
                li { strong { (text::visible(&text::cause(&e.cause))) } ": " (text::visible(&e.cure)) }
            } }
            p { "Then record the motion again: gain must not hide what a hand can mend." }
        }
    }
}

fn count(level: &Level, states: impl Fn(BeamState) -> bool) -> usize {
    level.beams.iter().filter(|b| states(b.state)).count()
}

fn gains_shape(level: &Level) -> Shape {
    if level.beams.iter().any(|b| !b.state.is_level()) {
        Shape::Split
    } else if count(level, |s| s == BeamState::Corrected) > 0 {
        Shape::Open
    } else {
        Shape::Closed
    }
}

fn by_gain(level: &Level) -> Markup {
    let (all, off) = (level.beams.len(), count(level, |s| !s.is_level()));
    let corrected = count(level, |s| s == BeamState::Corrected);
    html! {
        @if off > 0 {
            p { (off) " of " (all) " beams could not be brought to the level; the table below says why of each." }
        }
        @if corrected > 0 {
            p { (corrected) " of " (all) " beams were given another gain. Load these gains and record the motion once more: what was corrected must then read inside." }
        } @else if off == 0 {
            p { "All " (all) " beams read inside the accepted band with the gains they had: nothing is left to gain. " a href="/checks" { "Go on to the check" } "." }
        }
    }
}
