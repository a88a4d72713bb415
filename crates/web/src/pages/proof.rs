//! The proof: what the technique sees of every ordered flaw, nominal and at worst.

use barwright_job::{
    Sealed,
    proof::{ClassProof, Engine, FlawClass, MarginMap, Proof},
};
use barwright_report::{Case, Map, Palette, margin_map, text};
use barwright_wave::Point;
use maud::{Markup, html};

use crate::{
    chain::Shape,
    look::{
        mark,
        parts::{self, facts, unit},
        shell,
        table::{behind, figures, table, words},
    },
    lot::Lot,
};

/// The page.
pub fn page(lot: &Lot) -> Markup {
    shell::shell(
        lot,
        "/proof",
        "Coverage proof",
        &html! { "How far the best beam's echo of the ordered flaw stands above the alarm height, at every place of the section." },
        &parts::with(
            &lot.proof,
            "Here the margin maps would stand, one for each ordered flaw, nominal and at worst over the tolerances.",
            "barwright prove",
            |proof| body(lot, proof),
        ),
    )
}

fn body(lot: &Lot, sealed: &Sealed<Proof>) -> Markup {
    let p = &sealed.body;
    html! {
        p.verdict {
            @if p.met {
                (mark::link(Shape::Closed)) strong { "Every class meets its ordered coverage, at worst." }
            } @else {
                (mark::link(Shape::Split)) strong { "The ordered coverage is not met." }
            }
        }
        @for class in &p.classes { (one(lot, class)) }
        div.two {
            section { (parts::findings(&p.findings)) }
            section.column {
                h2 { "Worst case over" }
                ul { @for t in &p.tolerances { li { (text::visible(t)) } } }
                p.quiet {
                    @match p.engine {
                        Engine::Ray => { "Fields computed by rays." }
                        Engine::Exact => { "Fields computed exactly for the round bar, first passage." }
                    }
                }
            }
        }
        (parts::origin(lot, sealed))
    }
}

fn one(lot: &Lot, class: &ClassProof) -> Markup {
    let look = Palette::page();
    let technique = lot.technique.here().map(|t| &t.body);
    let maps = technique.map(|t| {
        [Case::Nominal, Case::Worst].map(|case| {
            margin_map(&Map { class, section: t.section, probes: &t.probes, case }, &look)
        })
    });
    let name = text::class(class.class);
    html! {
        section.class {
            h2 { (name) ": " (text::visible(&class.flaw)) }
            div.maps {
                @match maps {
                    Some([nominal, worst]) => {
                        (parts::picture(nominal, &format!("Margin for {name}, everything nominal. Hatched: not seen.")))
                        (parts::picture(worst, &format!("Margin for {name}, worst over the tolerances. Hatched: not seen.")))
                    }
                    None => { (parts::absent("The map is drawn in the section of the technique, which is missing.", "barwright plan")) }
                }
                div.column {
                    (facts(&[
                        ("ordered", unit(text::percent(class.ordered, 1), "%")),
                        ("covered, nominal", unit(text::percent(class.nominal, 2), "%")),
                        ("covered, worst", html! {
                            strong { (text::percent(class.worst, 2)) } " " span.unit { "%" }
                            @if class.worst < class.ordered { " " em.flag { "short of the order" } }
                        }),
                    ]))
                    h3 { "Weakest place" }
                    (weakest(class))
                }
            }
            (behind("The same as a table", &numbers(class)))
        }
    }
}

fn weakest(class: &ClassProof) -> Markup {
    let w = &class.weakest;
    let at = Point::new(w.x_m, w.y_m);
    html! {
        p {
            "At " (text::clock(at.angle())) " o'clock, " (unit(text::mm(at.radius(), 1), "mm")) " from the axis: "
            @match w.margin_db {
                Some(db) => { strong { (text::signed(db, 1)) } " " span.unit { "dB re alarm height" } ". " }
                None => { strong { "no beam's gate reaches it" } ". " }
            }
        }
        p { (text::visible(&w.cause)) }
    }
}

/// Places by margin, and around the circumference.
fn numbers(class: &ClassProof) -> Markup {
    let what = match class.class {
        FlawClass::Disc => "share of the area asked for",
        FlawClass::Crack => "share of the circumference",
    };
    let (nominal, worst) = match &class.map {
        MarginMap::Grid { nominal_db, worst_db, asked, .. } => {
            let of = |values: &[Option<f32>]| {
                values.iter().zip(asked).filter(|(_, a)| **a).map(|(v, _)| *v).collect::<Vec<_>>()
            };
            (of(nominal_db), of(worst_db))
        }
        MarginMap::Rim { nominal_db, worst_db } => (nominal_db.clone(), worst_db.clone()),
    };
    let share = |values: &[Option<f32>], keep: &dyn Fn(Option<f32>) -> bool| {
        let n = values.iter().filter(|v| keep(**v)).count();
        text::percent(n as f64 / values.len().max(1) as f64, 2)
    };
    type Belongs = Box<dyn Fn(Option<f32>) -> bool>;
    let mut bands: Vec<(String, Belongs)> = vec![
        ("not computed or no beam".into(), Box::new(|v| v.is_none())),
        ("under 0".into(), Box::new(|v| v.is_some_and(|v| v < 0.0))),
    ];
    for low in [0.0f32, 3.0, 6.0, 9.0] {
        bands.push((
            format!("{low:.0} to {:.0}", low + 3.0),
            Box::new(move |v| v.is_some_and(|v| (low..low + 3.0).contains(&v))),
        ));
    }
    bands.push(("12 and over".into(), Box::new(|v| v.is_some_and(|v| v >= 12.0))));
    table(
        &format!("Margin in dB re alarm height, {what}"),
        &[words("Margin, dB"), figures("nominal", "%"), figures("worst", "%")],
        bands.iter().map(|(name, keep)| {
            vec![
                html! { (name) },
                html! { (share(&nominal, keep)) },
                html! { (share(&worst, keep)) },
            ]
        }),
    )
}
