//! The dynamic checks: the reference bar passed at line speed, again and again.

use barwright_job::{Sealed, check::Check};
use barwright_phrase::{html, say};
use barwright_report::figures::{size, size_unit, sized};
use barwright_report::{papers::repeatability_words, text};
use maud::Markup;

use crate::{
    cache::Doc,
    chain::Shape,
    look::{
        mark,
        parts::{self, facts, unit},
        shell,
        table::{figures, table, words},
    },
    lot::Lot,
    pages::working,
    working::What,
};

/// The page.
pub fn page(lot: &Lot) -> Markup {
    shell::shell(
        lot,
        "/checks",
        say!("Checks"),
        &html! { "A bar counts only between two good checks of the same technique and level. A check that fails holds every bar since the last good one." },
        &html! {
            (working::section(lot, What::Check))
            @if lot.checks.is_empty() {
                (parts::absent(say!("Here the passes of the reference bar at line speed would stand, each reflector in each pass."), "barwright check CAPTURE"))
            }
            @for (name, check) in lot.checks.iter().rev() {
                section.card {
                    @match check {
                        Doc::Here(c) => { (one(lot, name, c)) }
                        Doc::Bad(e) => { h2 { (text::visible(name)) } (parts::unusable(e)) }
                        Doc::Absent => {}
                    }
                }
            }
            (parts::cautions())
        },
    )
}

fn one(lot: &Lot, name: &str, sealed: &Sealed<Check>) -> Markup {
    let c = &sealed.body;
    let rules = lot.rules.here().map(|r| r.check);
    html! {
        h2.marked {
            (mark::link(if c.good { Shape::Closed } else { Shape::Split }))
            span { (text::visible(name)) ": " @if c.good { "good" } @else { "failed" } }
        }
        div.two {
            section { (reflectors(c)) }
            section.column {
                (facts(&[
                    (say!("entered"), html! { (lot.entered(&sealed.hash).unwrap_or_else(|| say!("not in the ledger").to_owned())) }),
                    (say!("passes"), html! { (c.passes) @if let Some(r) = rules { " " span.unit { "of " (r.passes) " asked" } } }),
                    (say!("line speed seen"), unit(text::number(c.line_speed_m_s, 2), "m/s")),
                    (say!("calls on plain steel"), html! { @if c.false_calls > 0 { em.flag { (c.false_calls) } } @else { (c.false_calls) } }),
                    (say!("noise"), unit(text::percent(c.noise_fsh, 1), say!("% FSH"))),
                ]))
                p { (repeatability_words(c)) }
                @if let Some(r) = rules {
                    p.quiet {
                        "Allowed: spread up to " (text::number(r.spread_db, 1)) " dB, place to "
                        (sized(r.place_mm * 1e-3, 0)) ", " (text::number(r.signal_to_noise_db, 0))
                        " dB over noise, every reflector in every pass."
                    }
                }
            }
        }
        (parts::findings(&c.findings))
        (parts::origin(lot, sealed))
    }
}

fn reflectors(c: &Check) -> Markup {
    table(
        say!("Reflectors, pass by pass"),
        &[
            words(say!("Mark")),
            figures(say!("found"), "passes"),
            words(say!("heights, % FSH")),
            figures(say!("spread"), "dB"),
            figures(say!("place error"), size_unit()),
            figures(say!("over noise"), "dB"),
            figures(say!("beams"), ""),
        ],
        c.reflectors.iter().map(|r| {
            let heights: Vec<String> = r
                .heights_fsh
                .iter()
                .map(|h| h.map_or_else(|| "missed".to_owned(), |h| text::percent(h, 0)))
                .collect();
            vec![
                html! { (text::visible(&r.name)) },
                html! { @if r.found < c.passes { em.flag { (r.found) " of " (c.passes) } } @else { (r.found) " of " (c.passes) } },
                html! { (heights.join(", ")) },
                html! { (text::number(r.spread_db, 2)) },
                html! { (size(r.place_error_m, 1)) },
                html! { (text::number(r.signal_to_noise_db, 1)) },
                html! { (r.beams.len()) },
            ]
        }),
    )
}
