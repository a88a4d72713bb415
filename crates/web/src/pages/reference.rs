//! The reference bar and how it is moved.

use barwright_job::{Sealed, reference::ReferenceBar};
use barwright_phrase::{html, say};
use barwright_report::figures::{size, size_unit};
use barwright_report::{Palette, refbar_drawing::shape_words, reference_bar_drawing, text};
use maud::Markup;

use crate::{
    look::{
        parts::{self, unit},
        shell,
        table::{behind, figures, prose, table, words},
    },
    lot::Lot,
    pages::working,
    working::What,
};

/// The page.
pub fn page(lot: &Lot) -> Markup {
    shell::shell(
        lot,
        "/reference",
        say!("Reference bar"),
        &html! { "Reflectors of known size, so that every beam sees one, and how the bar is moved under the ring." },
        &html! {
            (working::section(lot, What::ReferenceBar))
            (parts::with(
                &lot.reference,
                say!("Here the drawing of the reference bar would stand, with its reflectors and its motion list."),
                "barwright refbar",
                |r| body(lot, r),
            ))
        },
    )
}

fn body(lot: &Lot, sealed: &Sealed<ReferenceBar>) -> Markup {
    let r = &sealed.body;
    let section = lot.technique.here().map(|t| t.body.section);
    html! {
        @match section {
            Some(section) => {
                (parts::long_picture(
                    reference_bar_drawing(r, &section, &Palette::page()),
                    &say!("{}: side view, and a section at each reflector.", text::visible(&r.name)),
                ))
            }
            None => { (parts::absent(say!("The drawing needs the section of the technique, which is missing."), "barwright plan")) }
        }
        div.two {
            section {
                (table(
                    say!("Reflectors"),
                    &[words(say!("Mark")), prose(say!("what it is")), figures(say!("from the head end"), size_unit()), figures(say!("angle from the mark"), "°"), figures(say!("from the axis"), size_unit())],
                    r.reflectors.iter().map(|x| vec![
                        html! { (text::visible(&x.name)) },
                        html! { (shape_words(&x.shape)) },
                        html! { (size(x.z_m, 1)) },
                        html! { (text::number(x.angle_rad.to_degrees(), 1)) },
                        html! { (size(x.radius_m, 2)) },
                    ]),
                ))
                (motion_list(r))
                (behind(say!("What every beam should read"), &expected(r)))
            }
            section.column {
                h2 { "To be made so" }
                p { "Length " (unit(size(r.length_m, 0), size_unit())) "." }
                ul { @for line in &r.requirements { li { (text::visible(line)) } } }
                (parts::findings(&r.findings))
            }
        }
        (parts::origin(lot, sealed))
    }
}

/// The motion list as a table.
pub fn motion_list(r: &ReferenceBar) -> Markup {
    table(
        say!("Motion list"),
        &[
            figures(say!("Step"), ""),
            prose(say!("what it is for")),
            figures(say!("place under the ring"), size_unit()),
            figures(say!("turn"), "°"),
            figures(say!("a cycle every"), "°"),
            figures(say!("takes"), "s"),
        ],
        r.motion.iter().enumerate().map(|(k, m)| {
            vec![
                html! { (k + 1) },
                html! { (text::visible(&m.purpose)) },
                html! { (size(m.z_m, 1)) },
                html! { (text::number(m.turn_rad.to_degrees(), 0)) },
                html! { (text::number(m.turn_step_rad.to_degrees(), 2)) },
                html! { (text::number(m.duration_s, 1)) },
            ]
        }),
    )
}

fn expected(r: &ReferenceBar) -> Markup {
    table(
        say!("Expected echoes"),
        &[
            figures(say!("Beam"), ""),
            words(say!("reflector")),
            figures(say!("motion step"), ""),
            figures(say!("height"), say!("% FSH")),
            figures(say!("at a turn of"), "°"),
            figures(say!("after the surface"), "µs"),
        ],
        r.expected.iter().map(|e| {
            let name = r.reflectors.get(e.reflector as usize).map_or("–", |x| x.name.as_str());
            vec![
                html! { (e.beam) },
                html! { (text::visible(name)) },
                html! { (e.motion + 1) },
                html! { (text::percent(e.height_fsh, 0)) },
                html! { (text::number(e.turn_rad.to_degrees(), 1)) },
                html! { (text::number(e.after_surface_s * 1e6, 2)) },
            ]
        }),
    )
}
