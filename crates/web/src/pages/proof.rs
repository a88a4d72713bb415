//! The proof: what the technique sees of every ordered flaw, nominal and at worst.

use barwright_job::{
    Sealed,
    proof::{ClassProof, Proof},
    technique::Section,
};
use barwright_phrase::{html, say};
use barwright_report::figures::{size, size_unit};
use barwright_report::{Case, Map, MapPlace, Palette, margin_map, places, text, unseen_words};
use barwright_wave::Point;
use maud::Markup;

use crate::{
    chain::Shape,
    look::{
        mark,
        parts::{self, facts, unit},
        shell,
        table::{behind, figures, table, words},
    },
    lot::Lot,
    pages::{dense, trying, working},
    working::What,
};

/// The page.
pub fn page(lot: &Lot) -> Markup {
    shell::shell(
        lot,
        "/proof",
        say!("Coverage proof"),
        &html! { "How far the echo of the ordered flaw stands above the alarm height, at every place of the section: of as many shots as must agree, at the worst place between two pulses." },
        &html! {
            (working::section(lot, What::Proof))
            (parts::with(
                &lot.proof,
                say!("Here the margin maps would stand, one for each ordered flaw, nominal and at worst over the tolerances."),
                "barwright prove",
                |proof| body(lot, proof),
            ))
        },
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
        (trying::link(lot))
        @for class in &p.classes { (one(lot, class)) }
        (beside(p))
        (dense::section(lot))
        div.two {
            section { (parts::findings(&p.findings)) }
            section.column {
                h2 { "Worst case over" }
                ul { @for t in &p.tolerances { li { (text::visible(t)) } } }
                p.quiet {
                    "Engine: " (text::engine(p.engine)) "."
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
            margin_map(
                &Map {
                    class: class.class,
                    map: &class.map,
                    weakest: Some(&class.weakest),
                    section: t.section,
                    probes: &t.probes,
                    case,
                },
                &look,
            )
        })
    });
    let name = text::proved(class.class);
    html! {
        section.class {
            h2 { (name) ": " (text::visible(&class.flaw)) }
            div.maps {
                @match maps {
                    Some([nominal, worst]) => {
                        (parts::picture(nominal, &say!("Margin for {name}, everything nominal. Hatched: not seen.")))
                        (parts::picture(worst, &say!("Margin for {name}, worst over the tolerances. Hatched: not seen.")))
                    }
                    None => { (parts::absent(say!("The map is drawn in the section of the technique, which is missing."), "barwright plan")) }
                }
                div.column {
                    (facts(&[
                        (say!("ordered"), unit(text::percent(class.ordered, 1), "%")),
                        (say!("covered, nominal"), unit(text::percent(class.nominal, 2), "%")),
                        (say!("covered, worst"), html! {
                            strong { (text::percent(class.worst, 2)) } " " span.unit { "%" }
                            @if class.worst < class.ordered { " " em.flag { "short of the order" } }
                        }),
                    ]))
                    h3 { "Weakest place" }
                    (weakest(class))
                }
            }
            div.pair {
                (not_seen(class, technique.map(|t| &t.section)))
                (drawn(class))
            }
            @if let Some(t) = technique {
                (behind(say!("The same as a table"), &numbers(class, &t.section)))
            }
        }
    }
}

fn weakest(class: &ClassProof) -> Markup {
    html! {
        (weakest_place(class))
        p { (text::visible(&class.weakest.cause)) }
    }
}

/// Where the margin is least, and how large it is there.
pub fn weakest_place(class: &ClassProof) -> Markup {
    let w = &class.weakest;
    let at = Point::new(w.x_m, w.y_m);
    html! {
        p {
            "At " (text::clock(at.angle())) " o'clock, " (unit(size(at.radius(), 1), size_unit())) " from the axis: "
            @match w.margin_db {
                Some(db) => { strong { (text::signed(db, 1)) } " " span.unit { "dB re alarm height" } ". " }
                None => { strong { "no beam's gate reaches it" } ". " }
            }
        }
    }
}

/// What is not seen at worst: how much, where, and what the engine itself doubts.
fn not_seen(class: &ClassProof, section: Option<&Section>) -> Markup {
    let of = text::proved_of(class.class);
    html! {
        @if class.worst < 1.0 || class.doubted > 0.0 {
            section {
                h3 { "Not seen at worst" }
                @if class.worst < 1.0 {
                    p {
                        strong { (text::missing_percent(1.0 - class.worst, 2)) } " " span.unit { "%" } " of the " (of) ". "
                        @if let Some(zones) = section.and_then(|s| unseen_words(class, s)) {
                            "Where: " (zones) "."
                        }
                    }
                }
                @if class.doubted > 0.0 {
                    p {
                        "In " (unit(text::missing_percent(class.doubted, 2), "%"))
                        " of the places the engine itself doubts its answer; they count as not seen."
                    }
                }
            }
        }
    }
}

/// Coverage over drawn deviations.
fn drawn(class: &ClassProof) -> Markup {
    let Some(d) = &class.draws else { return html! {} };
    html! {
        section {
            h3 { "Drawn at random, all tolerances at once" }
            (facts(&[
                (say!("draws"), html! { (d.count) ", seed " (d.seed) }),
                (say!("lowest"), unit(text::percent(d.lowest, 2), "%")),
                (say!("19 in 20 exceed"), unit(text::percent(d.low_5_percent, 2), "%")),
                (say!("mean"), unit(text::percent(d.mean, 2), "%")),
            ]))
            p { "The draw that covers least: " (text::visible(&d.lowest_words)) }
        }
    }
}

/// The answers of both engines beside each other, where both were asked.
fn beside(p: &Proof) -> Markup {
    if p.by_rays.is_empty() {
        return html! {};
    }
    let share = |value: Option<f64>| {
        html! { (value.map_or_else(|| "–".to_owned(), |v| text::percent(v, 2))) }
    };
    html! {
        section.class {
            h2 { "By rays beside" }
            (table(
                say!("Share covered, by both engines"),
                &[
                    words(say!("Class")),
                    figures(say!("nominal"), "%"),
                    figures(say!("worst"), "%"),
                    figures(say!("rays, nominal"), "%"),
                    figures(say!("rays, worst"), "%"),
                ],
                p.by_rays.iter().map(|rays| {
                    let own = p.classes.iter().find(|c| c.class == rays.class);
                    vec![
                        html! { (text::proved(rays.class)) },
                        share(own.map(|c| c.nominal)),
                        share(own.map(|c| c.worst)),
                        share(Some(rays.nominal)),
                        share(Some(rays.worst)),
                    ]
                }),
            ))
            p.quiet { "First two, which decide: " (text::engine(p.engine)) ". Last two: the same places and tolerances by rays." }
        }
    }
}

/// Places by margin, each with what it stands for.
fn numbers(class: &ClassProof, section: &Section) -> Markup {
    let asked: Vec<MapPlace> =
        places(&class.map, section).into_iter().filter(|p| p.asked).collect();
    let whole: f64 = asked.iter().map(|p| p.weight).sum();
    let share = |value: fn(&MapPlace) -> Option<f32>, keep: &dyn Fn(Option<f32>) -> bool| {
        let part: f64 = asked.iter().filter(|p| keep(value(p))).map(|p| p.weight).sum();
        text::percent(if whole > 0.0 { part / whole } else { 0.0 }, 2)
    };
    type Belongs = Box<dyn Fn(Option<f32>) -> bool>;
    let mut bands: Vec<(String, Belongs)> = vec![
        (say!("not computed or no beam").into(), Box::new(|v| v.is_none())),
        (say!("under 0").into(), Box::new(|v| v.is_some_and(|v| v < 0.0))),
    ];
    for low in [0.0f32, 3.0, 6.0, 9.0] {
        bands.push((
            say!("{low:.0} to {:.0}", low + 3.0),
            Box::new(move |v| v.is_some_and(|v| (low..low + 3.0).contains(&v))),
        ));
    }
    bands.push((say!("12 and over").into(), Box::new(|v| v.is_some_and(|v| v >= 12.0))));
    table(
        &say!("Margin in dB re alarm height, share of the {}", text::proved_of(class.class)),
        &[words(say!("Margin, dB")), figures(say!("nominal"), "%"), figures(say!("worst"), "%")],
        bands.iter().map(|(name, keep)| {
            vec![
                html! { (name) },
                html! { (share(|p| p.nominal_db, keep)) },
                html! { (share(|p| p.worst_db, keep)) },
            ]
        }),
    )
}
