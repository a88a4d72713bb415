//! Marks that tell a state by their shape: rings, closed, open, split and so on. The word always
//! stands beside them, so they are hidden from readers of the text.

use std::f64::consts::TAU;
use std::fmt::Write as _;

use barwright_phrase::html;
use maud::{Markup, PreEscaped};

use crate::{chain::Shape, lot::Standing};

const MIDDLE: f64 = 24.0;
const RADIUS: f64 = 16.0;

/// A piece of the ring from one share of a turn to another, 0 at the top, clockwise, moved by an
/// offset.
fn arc(from: f64, to: f64, offset: (f64, f64)) -> String {
    let at = |share: f64| {
        let a = share * TAU;
        (MIDDLE + offset.0 + RADIUS * a.sin(), MIDDLE + offset.1 - RADIUS * a.cos())
    };
    let ((x0, y0), (x1, y1)) = (at(from), at(to));
    let large = u8::from(to - from > 0.5);
    format!("M{x0:.2} {y0:.2}A{RADIUS} {RADIUS} 0 {large} 1 {x1:.2} {y1:.2}")
}

fn svg(class: &str, paths: &[String]) -> Markup {
    let mut body = String::new();
    for part in ["body", "shine"] {
        for d in paths {
            let _ = write!(body, "<path class=\"{part}\" d=\"{d}\"/>");
        }
    }
    html! {
        svg class=(format!("mark {class}")) viewBox="0 0 48 48" aria-hidden="true" focusable="false" {
            (PreEscaped(body))
        }
    }
}

/// The ring of a link.
pub fn link(shape: Shape) -> Markup {
    match shape {
        Shape::Closed => closed("sound"),
        Shape::Open => open(),
        Shape::Split => split(),
    }
}

fn whole() -> String {
    let (left, right) = (MIDDLE - RADIUS, 2.0 * RADIUS);
    format!(
        "M{left} {MIDDLE}a{RADIUS} {RADIUS} 0 1 1 {right} 0a{RADIUS} {RADIUS} 0 1 1 -{right} 0z"
    )
}

fn closed(class: &str) -> Markup {
    svg(class, &[whole()])
}

fn open() -> Markup {
    svg("due", &[arc(0.22, 0.96, (0.0, 0.0))])
}

fn split() -> Markup {
    svg("broken", &[arc(0.14, 0.58, (2.6, 1.8)), arc(0.64, 1.08, (-2.6, -1.8))])
}

/// The mark of a bar.
pub fn standing(standing: Standing) -> Markup {
    match standing {
        Standing::Released => closed("sound"),
        Standing::Cropped => {
            let gap = 0.035;
            svg(
                "sound",
                &[
                    arc(0.25 + gap, 0.75 - gap, (0.0, 3.0)),
                    arc(0.75 + gap, 1.25 - gap, (0.0, -3.0)),
                ],
            )
        }
        Standing::Waiting | Standing::Unjudged | Standing::Unrecorded => open(),
        Standing::Held | Standing::Damaged => split(),
        Standing::Rejected => {
            let struck = format!(
                "M{:.1} {:.1}L{:.1} {:.1}",
                MIDDLE - 17.0,
                MIDDLE + 17.0,
                MIDDLE + 17.0,
                MIDDLE - 17.0
            );
            svg("broken", &[whole(), struck])
        }
    }
}
