//! The technique: where the probes stand, what fires when, which rule binds.

use barwright_job::{Sealed, Technique};
use barwright_phrase::{html, say};
use barwright_report::figures::{size, size_unit};
use barwright_report::{Palette, Rays, Ring, least_words, ring, schedule, text};
use barwright_wave::Mode;
use maud::Markup;

use crate::{
    look::{
        parts::{self, facts, unit},
        shell,
        table::{behind, figures, prose, table, words},
    },
    lot::Lot,
    pages::{approval, working},
    working::What,
};

/// The page.
pub fn page(lot: &Lot) -> Markup {
    let lead = match lot.technique.here() {
        Some(t) => html! { (text::visible(&t.body.name)) },
        None => {
            html! { "Everything an acquisition system must do, worked out from order and station." }
        }
    };
    shell::shell(
        lot,
        "/technique",
        say!("Technique"),
        &lead,
        &html! {
            (working::section(lot, What::Technique))
            (parts::with(
                &lot.technique,
                say!("Here the technique would stand: the ring with its beams, the firing order and the rules it keeps."),
                "barwright plan",
                |t| body(lot, t),
            ))
        },
    )
}

fn body(lot: &Lot, sealed: &Sealed<Technique>) -> Markup {
    let t = &sealed.body;
    let look = Palette::page();
    let picture = ring(&Ring { technique: t, rays: Rays::All, spokes: None, places: &[] }, &look);
    html! {
        div.two {
            section {
                (parts::picture(picture, say!("The section to scale with its probes, and every beam inside it.")))
                (one_probe(t, &look))
            }
            section.column {
                (sentences(t))
            }
        }
        (approval::section(lot, sealed))
        section {
            h2 { "Firing order" }
            (parts::long_picture(schedule(t, &look), say!("Time across, probes down: each block a firing, its tail the listening time.")))
            @if let Some(words) = least_words(&t.schedule) { p { "Bound: " (words) "." } }
            (behind(say!("Firings as a table"), &firings(t)))
        }
        (limits(t))
        (others(t))
        (changes(t))
        (behind(say!("Beams as a table"), &beams(t)))
        (parts::findings(&t.findings))
        (parts::origin(lot, sealed))
    }
}

fn one_probe(t: &Technique, look: &Palette) -> Markup {
    if t.probes.len() < 2 {
        return html! {};
    }
    let picture =
        ring(&Ring { technique: t, rays: Rays::Probe(0), spokes: None, places: &[] }, look);
    html! {
        details.behind {
            summary { "The beams of the first probe alone" }
            (parts::picture(picture, say!("The beams of probe 1.")))
        }
    }
}

fn sentences(t: &Technique) -> Markup {
    let count = |mode| t.beams.iter().filter(|b| b.mode == mode).count();
    let s = &t.sensitivity;
    let binding: Vec<&str> = t.limits.iter().filter(|l| l.binds).map(|l| l.rule.as_str()).collect();
    html! {
        p.figure-words { (unit(text::number(t.line_speed_m_s, 2), "m/s")) " line speed" }
        p {
            "Each beam fires once every " (unit(size(t.pulse_spacing_m, 2), size_unit())) " of bar. "
            @match binding.as_slice() {
                [] => { "No rule keeps the line from being faster." }
                rules => { "What keeps the line from being faster: " strong { (text::visible(&rules.join(", "))) } "." }
            }
        }
        (facts(&[
            (say!("ring"), html! { (text::visible(&t.ring)) ", " (t.probes.len()) " probes" }),
            (say!("beams"), html! { (count(Mode::L)) " longitudinal, " (count(Mode::S)) " shear" }),
            (say!("pulse"), html! { (unit(text::number(t.pulse.centre_hz * 1e-6, 2), "MHz")) ", bandwidth " (unit(text::percent(t.pulse.bandwidth_rel, 0), "%")) }),
            (say!("cycle"), html! { (t.schedule.firings.len()) " firings in " (unit(text::number(t.schedule.period_s * 1e3, 2), "ms")) }),
            (say!("record"), html! { (t.record.samples) " samples at " (unit(text::number(t.record.sample_rate_hz * 1e-6, 0), "MHz")) }),
            (say!("not inspected at each end"), unit(size(t.unguided_end_m, 0), size_unit())),
            (say!("80 % height stands for"), html! {
                "a disc of " (unit(size(s.disc_diameter_m, 2), size_unit()))
                @if let Some(c) = s.crack_depth_m { ", a crack of " (unit(size(c, 2), size_unit())) }
            }),
        ]))
    }
}

fn limits(t: &Technique) -> Markup {
    html! {
        h2 { "Rules it keeps" }
        ul.limits {
            @for l in &t.limits {
                li.binds[l.binds] {
                    p {
                        strong { (text::visible(&l.rule)) }
                        @if l.binds { " " em.flag { "binds" } }
                    }
                    p { (text::visible(&l.figure)) " " span.quiet { "allowed: " (text::visible(&l.allowed)) } }
                    p.quiet { small { (text::visible(&l.source)) } }
                }
            }
        }
    }
}

/// What else the search weighed, and why it was not taken.
fn others(t: &Technique) -> Markup {
    if t.others.is_empty() {
        return html! {};
    }
    html! {
        h2 { "What else was weighed" }
        (table(
            say!("Techniques that were not taken, best first"),
            &[prose(say!("Technique")), figures(say!("beams"), ""), figures(say!("speed"), "m/s"), prose(say!("why not"))],
            t.others.iter().map(|o| vec![
                html! { (text::visible(&o.words)) },
                html! { (o.beams) },
                speed(o.line_speed_m_s),
                html! { (text::visible(&o.why_not)) },
            ]),
        ))
    }
}

/// What one change of order or station would buy.
fn changes(t: &Technique) -> Markup {
    if t.changes.is_empty() {
        return html! {};
    }
    html! {
        h2 { "What a change would buy" }
        (table(
            say!("Each change alone, everything else as planned"),
            &[
                prose(say!("Change")),
                figures(say!("speed"), "m/s"),
                figures(say!("gain"), "%"),
                prose(say!("what limits it then")),
            ],
            t.changes.iter().map(|c| vec![
                html! { (text::visible(&c.words)) },
                speed(c.line_speed_m_s),
                html! { (c.line_speed_m_s.map_or_else(|| "–".to_owned(), |v| text::signed((v / t.line_speed_m_s - 1.0) * 100.0, 0))) },
                html! { (text::visible(&c.limit)) },
            ]),
        ))
        p.quiet { "Gain: over the line speed of this plan, " (unit(text::number(t.line_speed_m_s, 2), "m/s")) ". None: no technique keeps the rules." }
    }
}

/// A line speed, or that there is none.
fn speed(speed_m_s: Option<f64>) -> Markup {
    html! {
        @match speed_m_s {
            Some(v) => { (text::number(v, 2)) }
            None => { "none" }
        }
    }
}

fn firings(t: &Technique) -> Markup {
    table(
        say!("Firings of one cycle"),
        &[
            figures(say!("Firing"), ""),
            figures(say!("start"), "µs"),
            prose(say!("beams that fire together")),
        ],
        t.schedule.firings.iter().enumerate().map(|(k, f)| {
            let list: Vec<String> = f.beams.iter().map(u32::to_string).collect();
            vec![
                html! { (k + 1) },
                html! { (text::number(f.start_s * 1e6, 1)) },
                html! { (list.join(", ")) },
            ]
        }),
    )
}

fn beams(t: &Technique) -> Markup {
    table(
        say!("Beams of the technique"),
        &[
            figures(say!("Beam"), ""),
            figures(say!("probe"), ""),
            words(say!("wave")),
            figures(say!("first element"), ""),
            figures(say!("elements"), ""),
            words(say!("enters at")),
            figures(say!("gain"), "dB"),
            figures(say!("surface"), "µs"),
            prose(say!("gates, µs after the surface")),
            figures(say!("width along the bar"), size_unit()),
        ],
        t.beams.iter().map(|b| {
            let gates: Vec<String> = b
                .gates
                .iter()
                .map(|g| {
                    say!(
                        "{} {} to {}",
                        text::gate(g.kind),
                        text::number(g.start_s * 1e6, 1),
                        text::number(g.end_s * 1e6, 1)
                    )
                })
                .collect();
            vec![
                html! { (b.id) },
                html! { (b.probe + 1) },
                html! { (wave(b.mode)) },
                html! { (b.first_element + 1) },
                html! { (b.elements()) },
                html! { (text::clock(b.axis.entry.angle())) },
                html! { (text::number(b.gain_db, 1)) },
                html! { (text::number(b.surface_time_s * 1e6, 2)) },
                html! { (gates.join(", ")) },
                html! { (size(b.axial_width_m, 1)) },
            ]
        }),
    )
}

/// A kind of wave in a word.
pub fn wave(mode: Mode) -> &'static str {
    match mode {
        Mode::L => "longitudinal",
        Mode::S => "shear",
    }
}
