//! The dense proof beside the proof: what all tolerances together leave, and what their corners missed.

use barwright_job::{
    Sealed,
    dense::{DenseClass, DenseProof},
    technique::Section,
};
use barwright_phrase::{html, say};
use barwright_report::figures::{size, size_unit};
use barwright_report::{Case, Map, Palette, margin_map, text};
use maud::Markup;

use crate::{
    cache::Doc,
    look::{
        parts::{self, facts, unit},
        table::{behind, figures, prose, table},
    },
    lot::Lot,
};

/// The section; nothing where no dense proof was made.
pub fn section(lot: &Lot) -> Markup {
    match &lot.dense {
        Doc::Here(sealed) => shown(lot, sealed),
        Doc::Bad(e) => parts::unusable(e),
        Doc::Absent => html! {},
    }
}

fn shown(lot: &Lot, sealed: &Sealed<DenseProof>) -> Markup {
    let d = &sealed.body;
    let technique = lot.technique.here();
    let stale = technique.is_none_or(|t| sealed.made_from.get("technique") != Some(&t.hash));
    html! {
        section {
            h2 { "All tolerances together" }
            @if stale { p.stop { "This dense proof is of another technique than the one in force." } }
            p {
                (d.combinations) " combinations of all tolerances, each in " (d.directions) " directions, beside "
                (d.one_by_one) " deviations one by one (seed " (d.seed) "; " (text::visible(&d.engine)) ")."
            }
            @for class in &d.classes { (one(class, technique.map(|t| &t.body.section))) }
            (parts::origin(lot, sealed))
        }
    }
}

fn one(class: &DenseClass, section: Option<&Section>) -> Markup {
    let map = class.margin_map();
    let name = text::proved(class.class);
    let (missed, lower) = class.missed();
    let picture = |case| {
        let section = *section?;
        let drawn =
            Map { class: class.class, map: &map, weakest: None, section, probes: &[], case };
        Some(margin_map(&drawn, &Palette::page()))
    };
    html! {
        h3 { (name) ": " (text::visible(&class.flaw)) }
        div.maps {
            @if let (Some(single), Some(together)) = (picture(Case::OneByOne), picture(Case::Combined)) {
                (parts::picture(single, &say!("Margin for {name}, at worst with the tolerances one by one. Hatched: not seen.")))
                (parts::picture(together, &say!("Margin for {name}, at worst with all tolerances together. Hatched: not seen.")))
            }
            div.column {
                (facts(&[
                    (say!("ordered"), unit(text::percent(class.ordered, 1), "%")),
                    (say!("covered, one by one"), unit(text::percent(class.one_by_one, 2), "%")),
                    (say!("covered, all together"), html! {
                        strong { (text::percent(class.combined, 2)) } " " span.unit { "%" }
                        @if class.combined < class.ordered { " " em.flag { "short of the order" } }
                    }),
                    (say!("least of one combination"), unit(text::percent(class.lowest, 2), "%")),
                ]))
                p { "Least with " (text::visible(&class.lowest_in.words)) "." }
                @if let Some(size) = class.size_standing(0.9) {
                    p {
                        "Nine in ten places and combinations are over the alarm height from "
                        (text::number(size, 2)) " of the ordered size on, by echo height."
                    }
                }
                @if missed > 0.0 {
                    p {
                        strong { (text::percent(missed, 2)) " %" } " stands with the tolerances one by one and falls with all of them together"
                        @if let Some(db) = lower { ", by up to " (text::number(f64::from(db), 1)) " dB" }
                        "."
                    }
                } @else {
                    p { "Nothing falls that stands with the tolerances one by one." }
                }
            }
        }
        (behind(say!("The worst place of each ring"), &rings(class)))
    }
}

fn rings(class: &DenseClass) -> Markup {
    let db = |margin: Option<f32>| match margin {
        Some(m) => html! { (text::signed(f64::from(m), 1)) },
        None => html! { "not seen" },
    };
    table(
        say!("Margins in dB re alarm height"),
        &[
            figures(say!("radius"), size_unit()),
            figures(say!("nominal"), "dB"),
            figures(say!("one by one"), "dB"),
            figures(say!("all together"), "dB"),
            prose(say!("with")),
        ],
        class.rings.iter().map(|r| {
            vec![
                html! { (size(r.radius_m, 1)) },
                db(r.nominal_db),
                db(r.one_by_one_db),
                db(r.worst_db),
                html! { (text::visible(&r.of.words)) },
            ]
        }),
    )
}
