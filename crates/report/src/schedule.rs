//! The schedule: time across, probes down, each firing a block with its listening time as a tail,
//! the period and what limits it written at the end.

use barwright_job::technique::{Beam, Schedule, Technique};
use barwright_phrase::say;
use barwright_wave::Mode;

use crate::{
    palette::Palette,
    ribbon::step_of,
    svg::{Anchor, Svg, Type, line_to, move_to},
    text,
};

const WIDTH: f64 = 760.0;
const LEFT: f64 = 52.0;
const RIGHT: f64 = 20.0;
const ROW: f64 = 30.0;

/// The firing order of a technique as SVG text, 760 pixels wide. Longitudinal firings are filled
/// blocks, shear firings outlined ones; tails end with the record; a firing that starts before the
/// tail above it ends shows as an overlap.
#[must_use]
pub fn schedule(technique: &Technique, look: &Palette) -> String {
    let s = &technique.schedule;
    let rows = technique.probes.len().max(1) as f64;
    let top = 30.0;
    let bottom = top + rows * ROW;
    let mut svg = Svg::new(WIDTH, bottom + 72.0, say!("Firing order of one cycle"), look);
    let listening_s = technique.record.last_sample_s().max(0.0);
    let last_s =
        s.firings.iter().map(|f| f.start_s + listening_s).fold(s.period_s, f64::max).max(1e-9);
    let x = |time_s: f64| LEFT + (WIDTH - LEFT - RIGHT) * time_s / last_s;

    svg.open("rows");
    for (i, _) in technique.probes.iter().enumerate() {
        let y = top + ROW * i as f64;
        svg.line((LEFT, y + ROW), (WIDTH - RIGHT, y + ROW), &look.rule, 0.6).text(
            (LEFT - 10.0, y + ROW * 0.65),
            &format!("P{}", i + 1),
            Type::new(12.0, &look.ink, Anchor::End).bold(),
        );
    }
    svg.close();

    svg.open("firings");
    for firing in &s.firings {
        for beam in firing
            .beams
            .iter()
            .filter_map(|b| usize::try_from(*b).ok())
            .filter_map(|b| technique.beams.get(b))
        {
            block(
                &mut svg,
                beam,
                (x(firing.start_s), x(firing.start_s + listening_s)),
                top,
                firing.start_s,
                look,
            );
        }
    }
    svg.close();

    period(&mut svg, technique, x(s.period_s), (top, bottom), look);
    if let Some(least_s) = s.least_period_s.filter(|l| l.is_finite() && *l > 0.0) {
        least(&mut svg, least_s, x(least_s), (top, bottom), look);
    }
    times(&mut svg, last_s, x, bottom, look);
    legend(&mut svg, technique, listening_s, bottom + 60.0, look);
    svg.finish()
}

fn block(
    svg: &mut Svg,
    beam: &Beam,
    (from, to): (f64, f64),
    top: f64,
    start_s: f64,
    look: &Palette,
) {
    let y = top + ROW * f64::from(beam.probe);
    let width = ((to - from) * 0.16).clamp(1.5, 7.0);
    let mode = match beam.mode {
        Mode::L => "L",
        Mode::S => "S",
    };
    svg.open_titled(
        "firing",
        &say!(
            "beam {} {mode}, probe {}, at {} µs",
            beam.id,
            beam.probe + 1,
            text::number(start_s * 1e6, 1)
        ),
    );
    svg.rect((from + width, y + 14.0, to - from - width - 0.6, 4.0), &look.tint, &look.soft, 0.3);
    match beam.mode {
        Mode::L => svg.rect((from, y + 7.0, width, 18.0), &look.accent, "none", 0.0),
        Mode::S => svg.rect((from + 0.5, y + 7.0, width, 18.0), &look.card, &look.alert, 1.1),
    };
    svg.close();
}

fn period(svg: &mut Svg, t: &Technique, x: f64, (top, bottom): (f64, f64), look: &Palette) {
    // The names of binding rules are sentences; they stand in the table of rules.
    let binding: Vec<&str> = t.limits.iter().filter(|l| l.binds).map(|l| l.rule.as_str()).collect();
    let binds = match binding.as_slice() {
        [] => say!("no rule binds").to_owned(),
        [one] if one.len() <= 60 => say!("limited by {one}"),
        several => say!("limited by {} of the rules", several.len()),
    };
    svg.line((x, top - 6.0), (x, bottom + 4.0), &look.ink, 1.6).text(
        (x.min(WIDTH - RIGHT), top - 12.0),
        &say!("period {} ms, {binds}", text::number(t.schedule.period_s * 1e3, 3)),
        Type::new(12.0, &look.ink, Anchor::End).bold(),
    );
}

/// The bound under any order of the same beams, as a dashed line.
fn least(svg: &mut Svg, least_s: f64, x: f64, (top, bottom): (f64, f64), look: &Palette) {
    let mut d = String::new();
    move_to(&mut d, (x, top - 6.0));
    line_to(&mut d, (x, bottom + 4.0));
    svg.open("least").dashed(&d, &look.accent, 1.4, "5 3").text(
        (LEFT, bottom + 33.0),
        &say!(
            "dashed: no order of these beams takes less than {} ms",
            text::number(least_s * 1e3, 3)
        ),
        Type::new(11.0, &look.soft, Anchor::Start),
    );
    svg.close();
}

/// How far the period is over its bound, in words; `None` where no bound is known.
#[must_use]
pub fn least_words(schedule: &Schedule) -> Option<String> {
    let least_s = schedule.least_period_s.filter(|l| *l > 0.0)?;
    let over = schedule.period_s / least_s - 1.0;
    let ms = text::number(least_s * 1e3, 3);
    if !over.is_finite() {
        return None;
    }
    // A bound above the period would be no bound; it is shown as it stands.
    Some(match over {
        o if o.abs() < 5e-5 => say!("no order of these beams takes less than {ms} ms: reached"),
        o => say!(
            "no order of these beams takes less than {ms} ms; this one is {} % over that",
            text::number(o * 100.0, 1)
        ),
    })
}

fn times(svg: &mut Svg, last_s: f64, x: impl Fn(f64) -> f64, bottom: f64, look: &Palette) {
    let step = step_of(last_s * 1e6, 12.0);
    let decimals = usize::from(step < 1.0);
    let mut k = 0.0;
    svg.open("times");
    while k * step <= last_s * 1e6 {
        let at = x(k * step * 1e-6);
        svg.line((at, bottom), (at, bottom + 5.0), &look.soft, 0.8).text(
            (at, bottom + 17.0),
            &text::number(k * step, decimals),
            Type::new(11.0, &look.ink, Anchor::Middle),
        );
        k += 1.0;
    }
    svg.text(
        (WIDTH - RIGHT, bottom + 33.0),
        say!("µs within the cycle"),
        Type::new(11.0, &look.soft, Anchor::End),
    )
    .close();
}

fn legend(svg: &mut Svg, t: &Technique, listening_s: f64, y: f64, look: &Palette) {
    let words = Type::new(11.0, &look.soft, Anchor::Start);
    svg.rect((LEFT, y - 13.0, 6.0, 16.0), &look.accent, "none", 0.0)
        .text((LEFT + 12.0, y), say!("longitudinal"), words)
        .rect((LEFT + 92.0, y - 13.0, 6.0, 16.0), &look.card, &look.alert, 1.1)
        .text((LEFT + 104.0, y), say!("shear"), words)
        .rect((LEFT + 152.0, y - 7.0, 34.0, 4.0), &look.tint, &look.soft, 0.3)
        .text(
            (LEFT + 192.0, y),
            &say!(
                "listening, {} µs, then a guard against late echoes",
                text::number(listening_s * 1e6, 1)
            ),
            words,
        );
    let most = t.schedule.firings.iter().map(|f| f.beams.len()).max().unwrap_or(0);
    svg.text(
        (WIDTH - RIGHT, y),
        &say!("{} firings, at most {most} beams at once", t.schedule.firings.len()),
        Type::new(11.0, &look.soft, Anchor::End),
    );
}
