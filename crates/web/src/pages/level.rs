//! The level: every beam against the accepted band, around the ring.

use barwright_job::{
    Sealed, Technique,
    level::{BeamState, Level},
};
use barwright_phrase::{html, say};
use barwright_report::figures::{size, size_unit};
use barwright_report::{Heights, Palette, Rays, Ring, Spokes, heights, papers::spokes, ring, text};
use barwright_wave::{Mode, Point};
use maud::Markup;

use super::{levelling, technique::wave};
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
        "/level",
        say!("Level"),
        &html! { "What every beam read of its reflector, and the gain it was given. A wave of one period around the ring is a bar off centre; a low probe is a cable or coupling; a low beam is an element." },
        &html! {
            (levelling::way(lot))
            (parts::with(
                &lot.level,
                say!("Here the heights of all beams would stand around the ring, against the accepted band."),
                "barwright level CAPTURE",
                |l| body(lot, l),
            ))
        },
    )
}

fn body(lot: &Lot, sealed: &Sealed<Level>) -> Markup {
    let l = &sealed.body;
    let technique = lot.technique.here().map(|t| &t.body);
    html! {
        p.verdict {
            @if l.good { (mark::link(Shape::Closed)) strong { "The level holds." } }
            @else { (mark::link(Shape::Split)) strong { "The level does not hold." } }
        }
        div.two {
            section {
                @match technique {
                    Some(t) => { (pictures(lot, t, l)) }
                    None => { (parts::absent(say!("The ring is drawn from the technique, which is missing."), "barwright plan")) }
                }
            }
            section.column {
                (states(l))
                (explanations(l))
                (parts::findings(&l.findings))
            }
        }
        @if let Some(t) = technique { (before_and_after(lot, t, l)) }
        (behind(say!("Every beam as a table"), &numbers(l, technique)))
        (parts::origin(lot, sealed))
    }
}

/// Target and accepted band, as fractions of full screen height.
fn accepted(lot: &Lot, t: &Technique) -> (f64, [f64; 2]) {
    let target = t.sensitivity.target_fsh;
    let band = lot.rules.here().map_or([0.875 * target, 1.125 * target], |r| {
        [r.level.low_fsh_percent / 100.0, r.level.high_fsh_percent / 100.0]
    });
    (target, band)
}

fn before_and_after(lot: &Lot, t: &Technique, l: &Level) -> Markup {
    let (target_fsh, band_fsh) = accepted(lot, t);
    let picture =
        heights(&Heights { technique: t, level: l, target_fsh, band_fsh }, &Palette::page());
    html! {
        section {
            h2 { "Before and after" }
            (parts::long_picture(picture, say!("Every beam's height as it was read and as it will stand at its new gain, against the accepted band. A part that a misplaced bar explains is not given to gain, so such beams stay outside.")))
        }
    }
}

/// One ring for each kind of wave, because their beams stand at the same clock positions.
fn pictures(lot: &Lot, t: &Technique, l: &Level) -> Markup {
    let (target, band) = accepted(lot, t);
    let all = spokes(l, target);
    let of = |mode: Mode| {
        let beam = |id: u32| t.beams.get(id as usize);
        all.iter()
            .filter(|s| beam(s.beam).is_some_and(|b| b.mode == mode))
            .copied()
            .collect::<Vec<_>>()
    };
    html! {
        div.pair {
            @for mode in [Mode::L, Mode::S] {
                @let heights = of(mode);
                @if !heights.is_empty() {
                    @let picture = ring(
                        &Ring {
                            technique: t,
                            rays: Rays::None,
                            spokes: Some(Spokes { heights: &heights, band_fsh: band }),
                            places: &[],
                        },
                        &Palette::page(),
                    );
                    (parts::picture(picture, &say!("Heights of the {} beams over what is expected of them; the shaded ring is the accepted band.", wave(mode))))
                }
            }
        }
    }
}

fn states(l: &Level) -> Markup {
    let count = |s: BeamState| l.beams.iter().filter(|b| b.state == s).count();
    let told = [
        (BeamState::Inside, say!("read inside the band")),
        (BeamState::Corrected, say!("given a new gain")),
        (BeamState::Clipped, say!("clipped: a pass at lower gain is needed")),
        (BeamState::Missing, say!("without an echo in their window")),
        (BeamState::OutOfReach, say!("beyond what the gain can do")),
        (BeamState::Doubled, say!("with two echoes in their window")),
        (BeamState::OutOfWindow, say!("with the echo beside their window")),
        (BeamState::Neighbour, say!("that read another reflector")),
    ];
    html! {
        h2 { "Beams" }
        (facts(&told.map(|(s, words)| (words, html! { (count(s)) }))))
        (facts(&[
            (say!("passes"), html! { (l.passes) }),
            (say!("bar off the ring's centre"), match l.bar_offset_m {
                Some([x, y]) => {
                    let p = Point::new(x, y);
                    html! { (unit(size(p.radius(), 2), size_unit())) " towards " (text::clock(p.angle())) }
                }
                None => html! { "not told by the surface echoes" },
            }),
        ]))
    }
}

/// What explains the readings, most likely first: cause, how sure, evidence, cure, other causes.
fn explanations(l: &Level) -> Markup {
    html! {
        @if !l.explanations.is_empty() {
            section.findings {
                h2 { "What explains it" }
                ol {
                    @for e in &l.explanations {
                        li {
                            strong { (text::visible(&text::cause(&e.cause))) }
                            " " span.unit { "sure to " (text::percent(e.confidence, 0)) " %" }
                            @for line in &e.evidence { p { (text::visible(line)) } }
                            p { strong { "Cure: " } (text::visible(&e.cure)) }
                            @if !e.alternatives.is_empty() {
                                p.quiet {
                                    "The same data would also support: "
                                    (e.alternatives.iter().map(text::cause).collect::<Vec<_>>().join("; "))
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn numbers(l: &Level, technique: Option<&Technique>) -> Markup {
    table(
        say!("Level of every beam"),
        &[
            figures(say!("Beam"), ""),
            words(say!("wave")),
            words(say!("enters at")),
            figures(say!("read"), say!("% FSH")),
            figures(say!("expected"), say!("% FSH")),
            figures(say!("uncertainty"), "dB"),
            figures(say!("change"), "dB"),
            figures(say!("gain"), say!("dB re unit transfer")),
            words(say!("state")),
        ],
        l.beams.iter().map(|b| {
            let beam = technique.and_then(|t| t.beams.get(b.beam as usize));
            let off = !b.state.is_level();
            vec![
                html! { (b.beam) },
                html! { (beam.map_or("–", |x| wave(x.mode))) },
                html! { (beam.map_or_else(|| "–".to_owned(), |x| text::clock(x.axis.entry.angle()))) },
                html! { (b.height_fsh.map_or_else(|| "–".to_owned(), |h| text::percent(h, 0))) },
                html! { (text::percent(b.expected_fsh, 0)) },
                html! { (text::maybe(b.uncertainty_db, 2)) },
                html! { (text::signed(b.change_db, 1)) },
                html! { (text::number(b.gain_db, 1)) },
                html! { @if off { em.flag { (text::beam_state(b.state)) } } @else { (text::beam_state(b.state)) } },
            ]
        }),
    )
}
