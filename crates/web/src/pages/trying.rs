//! Trying a change: sliders beside the maps of what the technique covers then.

use barwright_job::{Order, Technique, proof::ClassProof};
use barwright_phrase::{html, say};
use barwright_plan::PlanError;
use barwright_report::{Case, Map, Palette, margin_map, text};
use maud::Markup;

use crate::{
    chain::Shape,
    look::{
        mark,
        parts::{self, facts, unit},
        shell,
    },
    lot::Lot,
    pages::proof::weakest_place,
    trying::{Asked, Change, Slider, Tried, answer},
};

/// Address of the page, and of the answer alone.
pub const ADDRESS: &str = "/proof/change";

/// The page.
pub fn page(lot: &Lot, asked: &Asked) -> Markup {
    shell::shell(
        lot,
        "/proof",
        say!("A change tried"),
        &html! { "What the technique covers when one thing is otherwise than it was planned for; laws, gates and gains stay as they are. One state, no tolerances beside it: this is a look, no proof." },
        &body(lot, asked),
    )
}

/// The answer alone, for a page that stands. None where there is nothing to try.
pub fn part(lot: &Lot, asked: &Asked) -> Option<Markup> {
    let (order, technique, change) = parts_of(lot, asked)?;
    Some(tried(order, technique, &change))
}

/// The way to the page, where there is something to try.
pub fn link(lot: &Lot) -> Markup {
    html! {
        @if parts_of(lot, &Asked::default()).is_some() {
            p { a href=(ADDRESS) { "Try a change of water path, temperature, diameter or centring" } }
        }
    }
}

fn parts_of<'a>(lot: &'a Lot, asked: &Asked) -> Option<(&'a Order, &'a Technique, Change)> {
    let (order, station) = (lot.order.here()?, lot.station.here()?);
    let technique = &lot.technique.here()?.body;
    Some((order, technique, Change::of(technique, station, asked)?))
}

fn body(lot: &Lot, asked: &Asked) -> Markup {
    let Some((order, technique, change)) = parts_of(lot, asked) else {
        return parts::absent(
            say!(
                "Here a change could be tried. It needs a technique for round bars in water, and its order and station."
            ),
            "barwright plan",
        );
    };
    html! {
        div.trial {
            form.sliders method="get" action=(ADDRESS) data-trial {
                @for slider in &change.sliders { (one(slider)) }
                p.buttons {
                    button.main type="submit" { "Compute" }
                    a href=(ADDRESS) { "As planned" }
                }
                p.quiet { a href="/proof" { "The proof" } " is what counts." }
            }
            div data-answer aria-live="polite" { (tried(order, technique, &change)) }
        }
        script type="module" src="/assets/trying.js" {}
    }
}

fn one(slider: &Slider) -> Markup {
    let places = slider.decimals();
    let [least, most, step] = slider.range.map(|v| format!("{v:.places$}"));
    let words = format!("{}-words", slider.key);
    html! {
        div.slider {
            label for=(slider.key) { (slider.name) }
            output for=(slider.key) data-unit=(slider.unit) { (format!("{:.places$}", slider.asked)) " " span.unit { (slider.unit) } }
            input type="range" id=(slider.key) name=(slider.key) min=(least) max=(most) step=(step)
                value=(format!("{:.places$}", slider.asked)) aria-describedby=(words);
            p.quiet id=(words) {
                @match &slider.wrong {
                    Some(wrong) => { em.flag { (wrong) } }
                    None => { "planned: " (format!("{:.places$}", slider.planned)) " " (slider.unit) }
                }
            }
        }
    }
}

fn tried(order: &Order, technique: &Technique, change: &Change) -> Markup {
    if !change.is_sound() {
        return html! { p.marked { (mark::link(Shape::Open)) span { "Not computed: a value above cannot be used." } } };
    }
    html! {
        @if !change.is_any() { p.quiet { "Everything as planned: move a slider." } }
        @match answer(order, technique, change) {
            Ok(tried) => { (classes(technique, &tried)) }
            Err(e) => { (refused(&e)) }
        }
    }
}

fn refused(e: &PlanError) -> Markup {
    html! {
        p.marked { (mark::link(Shape::Split)) strong { "This cannot be computed." } }
        p { (text::visible(&e.to_string())) }
        @if let Some(hint) = e.hint() { p.next { (text::visible(&hint)) } }
    }
}

fn classes(technique: &Technique, tried: &Tried) -> Markup {
    let short: Vec<&ClassProof> =
        tried.classes.iter().filter(|class| class.nominal < class.ordered).collect();
    html! {
        p.verdict {
            @if short.is_empty() {
                (mark::link(Shape::Closed)) strong { "Every class keeps its ordered coverage in this state." }
            } @else {
                (mark::link(Shape::Split))
                strong { "Short of the order: " (short.iter().map(|c| text::proved(c.class)).collect::<Vec<_>>().join(", ")) "." }
            }
        }
        div.maps {
            @for class in &tried.classes {
                div {
                    (parts::picture(
                        margin_map(&Map { class: class.class, map: &class.map, weakest: Some(&class.weakest), section: technique.section, probes: &technique.probes, case: Case::Nominal }, &Palette::page()),
                        &say!("Margin for {} in this state. Hatched: not seen.", text::proved(class.class)),
                    ))
                    (facts(&[
                        (say!("ordered"), unit(text::percent(class.ordered, 1), "%")),
                        (say!("covered"), html! { strong { (text::percent(class.nominal, 2)) } " " span.unit { "%" } }),
                    ]))
                    h3 { "Weakest place" }
                    (weakest_place(class))
                }
            }
        }
        p.quiet { "Computed in " (unit(text::number(tried.took_s * 1e3, 0), "ms")) ". Places are drawn in the planned section." }
    }
}
