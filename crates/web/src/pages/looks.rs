//! Second looks at a bar: the pictures of full-matrix captures and what stands out in them.

use barwright_job::{
    Sealed,
    second_look::{Entry, SecondLook, Spot, View},
};
use barwright_phrase::{html, say};
use barwright_report::figures::{size, size_unit, sized};
use barwright_report::{Palette, second_look, second_look::way, text};
use maud::Markup;

use crate::{
    cache::Doc,
    look::{
        parts::{self, facts},
        table::{figures, prose, table},
    },
    lot::Lot,
};

/// The looks that indications of a bar asked for; nothing where there are none.
pub fn of_bar(lot: &Lot, bar: &str) -> Markup {
    let asked = |look: &SecondLook| look.asked_by.as_ref().is_some_and(|a| a.bar == bar);
    html! {
        @for (name, look) in &lot.looks {
            @match look {
                Doc::Here(l) if asked(&l.body) => { (section(lot, name, l)) }
                _ => {}
            }
        }
    }
}

fn section(lot: &Lot, name: &str, look: &Sealed<SecondLook>) -> Markup {
    let l = &look.body;
    let letter = l.asked_by.as_ref().map_or("", |a| a.letter.as_str());
    let judgement = lot
        .bars
        .iter()
        .find(|b| l.asked_by.as_ref().is_some_and(|a| a.bar == b.name))
        .and_then(|b| b.judgement.here());
    let stale = judgement.is_none_or(|j| look.made_from.get("judgement") != Some(&j.hash));
    let caption = say!(
        "Every pair of elements focused at every place, levels below the highest of each picture; what stands out is numbered."
    );
    html! {
        section id=(format!("look-{name}")) {
            h2 { "Second look at " (text::visible(letter)) ": " (text::visible(name)) }
            @if stale {
                p.stop { "The judgement that asked for it has been made anew since." }
            }
            (parts::picture(second_look(l, &Palette::page()), caption))
            @for view in &l.views { (spots(view)) }
            (parts::findings(&l.findings))
            (facts(&[
                (say!("matrix"), html! { (text::visible(&l.matrix)) }),
                (say!("surface"), surface(&l.entry)),
                (say!("in the ledger"), entered(lot, name, look)),
                (say!("heard"), html! { (text::number(l.recorded.centre_hz / 1e6, 2)) " MHz, " (text::percent(l.recorded.bandwidth_rel, 0)) " %" }),
            ]))
            (parts::origin(lot, look))
        }
    }
}

/// The entry of the record by which it stands with the bar, or how it is entered.
fn entered(lot: &Lot, name: &str, look: &Sealed<SecondLook>) -> Markup {
    match lot.ledger.entry_of(&look.hash) {
        Some(e) => html! { a href=(format!("/ledger#entry-{}", e.seq)) { "entry " (e.seq) } },
        None => {
            html! { "not entered: " code { "barwright ledger add look " (text::visible(name)) } }
        }
    }
}

fn surface(entry: &Entry) -> Markup {
    match entry {
        Entry::Contact => html! { "in contact" },
        Entry::Found { elements, scatter_m, .. } => html! {
            "found by " (elements) " elements, scatter " (sized(*scatter_m, 3))
        },
    }
}

fn spots(view: &View) -> Markup {
    if view.spots.is_empty() {
        return html! { p { (way(view.modes)) ": " "nothing stands out." } };
    }
    let caption = say!(
        "{}: what stands out. Two points are told apart at {} across and {} in depth.",
        way(view.modes),
        sized(view.resolution_m[0], 2),
        sized(view.resolution_m[1], 2)
    );
    table(
        &caption,
        &[
            figures("", ""),
            figures(say!("depth"), size_unit()),
            figures(say!("across"), size_unit()),
            figures(say!("from the axis"), size_unit()),
            figures(say!("over the floor"), "dB"),
            figures(say!("sensitivity here"), "dB"),
            prose(say!("size across")),
            prose(say!("size in depth")),
        ],
        view.spots.iter().enumerate().map(|(k, s)| {
            vec![
                html! { (k + 1) },
                html! { (size(s.depth_m, 2)) " ± " (size(s.place_uncertainty_m[1], 2)) },
                html! { (size(s.place.x, 2)) " ± " (size(s.place_uncertainty_m[0], 2)) },
                html! { @if let Some([radius, _]) = s.about_axis { (size(radius, 2)) } @else { "–" } },
                html! { @if s.clipped_share > 0.0 { "≥ " } (text::number(s.over_floor_db, 1)) },
                html! { (text::number(s.sensitivity_db, 1)) },
                extent(s, 0),
                extent(s, 1),
            ]
        }),
    )
}

/// A size with its uncertainty, or that it cannot be told from a point.
fn extent(spot: &Spot, axis: usize) -> Markup {
    match spot.size_m[axis] {
        Some(m) => {
            html! { (size(m, 2)) " ± " (size(spot.size_uncertainty_m[axis], 2)) " " (size_unit()) }
        }
        None => html! { "no more than a point's (" (sized(spot.point_extent_m[axis], 2)) ")" },
    }
}
