//! One A-scan: what a beam heard in one shot, with its gates, the peaks that were read and the depth
//! below the surface.

use barwright_job::technique::{Gate, GateKind, Record};
use barwright_phrase::say;

use crate::{
    palette::Palette,
    svg::{Anchor, Svg, Type, line_to, move_to, n},
    text,
    trend::nice,
};

const WIDTH: f64 = 760.0;
const LEFT: f64 = 52.0;
const RIGHT: f64 = 16.0;
const TOP: f64 = 30.0;
const PLOT: f64 = 190.0;
const BELOW: f64 = 62.0;

/// What is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ascan<'a> {
    /// What it is of, in words: beam, place.
    pub title: &'a str,
    /// Samples; `i16::MAX` stands for the record's full scale.
    pub samples: &'a [i16],
    /// Time of the first of them from firing, in s.
    pub first_sample_s: f64,
    /// Rate and full scale.
    pub record: &'a Record,
    /// Time of the surface echo from firing, in s; absent where it was not followed: then no gate has a
    /// place.
    pub surface_s: Option<f64>,
    /// Gates of the beam.
    pub gates: &'a [Gate],
    /// Peaks that were read: time from firing in s, height as a fraction of full screen.
    pub peaks: &'a [(f64, f64)],
    /// Velocity along the beam in m/s, for the scale of path length.
    pub velocity_m_s: f64,
}

/// The A-scan as SVG text, 760 pixels wide: time from firing along, height in % FSH up, both signs; below it
/// the sound path in the steel, there and back halved. A line is a gate at its threshold, a ring a peak
/// that was read.
#[must_use]
pub fn ascan(a: &Ascan<'_>, look: &Palette) -> String {
    let mut svg = Svg::new(WIDTH, TOP + PLOT + BELOW, a.title, look);
    svg.text((LEFT, 17.0), a.title, Type::new(14.0, &look.ink, Anchor::Start).bold());
    let rate = a.record.sample_rate_hz;
    let sound = rate.is_finite() && rate > 0.0 && a.first_sample_s.is_finite();
    if a.samples.len() < 2 || !sound {
        svg.text(
            (LEFT, TOP + 20.0),
            say!("no samples"),
            Type::new(12.0, &look.soft, Anchor::Start),
        );
        return svg.finish();
    }
    let from = a.first_sample_s;
    let to = from + (a.samples.len() - 1) as f64 / rate;
    let fsh = |s: i16| f64::from(s) / f64::from(i16::MAX) * a.record.full_scale_fsh;
    let highest = a.samples.iter().map(|&s| fsh(s).abs()).fold(0.0, f64::max);
    // One screen, or as many as the echo needs.
    let top = highest.max(1.0).ceil();
    let x = |t: f64| LEFT + (WIDTH - LEFT - RIGHT) * ((t - from) / (to - from)).clamp(0.0, 1.0);
    let y = |h: f64| TOP + PLOT * (0.5 - 0.5 * (h / top).clamp(-1.0, 1.0));
    heights(&mut svg, top, &y, look);
    let mut d = String::new();
    for (k, &sample) in a.samples.iter().enumerate() {
        let p = (x(from + k as f64 / rate), y(fsh(sample)));
        if k == 0 { move_to(&mut d, p) } else { line_to(&mut d, p) }
    }
    svg.path(&d, "none", &look.accent, 1.0);
    gates(&mut svg, a, [from, to], &x, &y, look);
    for &(time, height) in a.peaks.iter().filter(|p| p.0 >= from && p.0 <= to) {
        let words =
            say!("{} % FSH at {} µs", text::percent(height, 0), text::number(time * 1e6, 2));
        svg.open_titled("ascan-peak", &words);
        svg.circle((x(time), y(height)), 4.0, "none", &look.ink, 1.6);
        svg.close();
    }
    times(&mut svg, a, [from, to], &x, look);
    svg.finish()
}

fn heights(svg: &mut Svg, top: f64, y: &impl Fn(f64) -> f64, look: &Palette) {
    svg.open("ascan-scale");
    for share in [-1.0, -0.5, 0.0, 0.5, 1.0] {
        let v = share * top;
        svg.line(
            (LEFT, y(v)),
            (WIDTH - RIGHT, y(v)),
            &look.rule,
            if share == 0.0 { 1.0 } else { 0.5 },
        );
        let words = text::percent(v.abs(), 0);
        svg.text((LEFT - 6.0, y(v) + 4.0), &words, Type::new(12.0, &look.soft, Anchor::End));
    }
    svg.text((LEFT - 6.0, TOP - 10.0), say!("% FSH"), Type::new(12.0, &look.soft, Anchor::End));
    svg.close();
}

fn gates(
    svg: &mut Svg,
    a: &Ascan<'_>,
    [from, to]: [f64; 2],
    x: &impl Fn(f64) -> f64,
    y: &impl Fn(f64) -> f64,
    look: &Palette,
) {
    for gate in a.gates {
        let shift = match (gate.kind, a.surface_s) {
            (GateKind::Surface, _) => 0.0,
            (_, Some(surface)) => surface,
            (_, None) => continue,
        };
        let (start, end) = (gate.start_s + shift, gate.end_s + shift);
        if end < from || start > to {
            continue;
        }
        let (p, q, h) = (x(start), x(end), y(gate.threshold_fsh));
        let words =
            say!("{}, from {} % FSH", text::gate(gate.kind), text::percent(gate.threshold_fsh, 0));
        svg.open_titled("ascan-gate", &words);
        svg.line((p, h), (q, h), &look.ink, 2.4);
        for end in [p, q] {
            svg.line((end, h - 4.0), (end, h + 4.0), &look.ink, 1.4);
        }
        svg.text(
            (p + 3.0, h - 6.0),
            text::gate(gate.kind),
            Type::new(12.0, &look.ink, Anchor::Start),
        );
        svg.close();
    }
}

/// Time from firing, and under it the path in the steel.
fn times(
    svg: &mut Svg,
    a: &Ascan<'_>,
    [from, to]: [f64; 2],
    x: &impl Fn(f64) -> f64,
    look: &Palette,
) {
    let bottom = TOP + PLOT;
    let plain = |anchor| Type::new(12.0, &look.soft, anchor);
    let marks = |svg: &mut Svg, first: f64, scale: f64, row: f64, unit: &str| {
        let step = nice((to - from.max(first)).max(1e-9) * scale / 7.0);
        let mut v = (((from - first) * scale) / step).ceil().max(0.0) * step;
        while v / scale + first <= to {
            let at = x(v / scale + first);
            svg.line((at, row - 12.0), (at, row - 8.0), &look.soft, 0.8);
            svg.text((at, row + 3.0), &n(v), plain(Anchor::Middle));
            v += step;
        }
        svg.text((LEFT - 8.0, row + 3.0), unit, plain(Anchor::End));
    };
    svg.open("ascan-axis");
    svg.line((LEFT, bottom), (WIDTH - RIGHT, bottom), &look.ink, 1.0);
    marks(svg, 0.0, 1e6, bottom + 13.0, "µs");
    if let Some(surface) = a.surface_s.filter(|s| *s < to && a.velocity_m_s > 0.0) {
        marks(svg, surface, a.velocity_m_s / 2.0 * 1e3, bottom + 36.0, "mm");
    }
    svg.text(
        (WIDTH - RIGHT, bottom + 55.0),
        say!("time from firing, and the sound path in the steel"),
        plain(Anchor::End),
    );
    svg.close();
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record() -> Record {
        Record { first_sample_s: 10e-6, sample_rate_hz: 50e6, samples: 501, full_scale_fsh: 2.0 }
    }

    // Truth: by hand. 10 µs of samples, the surface 2 µs after the first: a gate from 1 to 3 µs after the
    // surface stands from 3/10 to 5/10 of the width; without a surface it has no place.
    #[test]
    fn a_gate_stands_where_the_surface_puts_it() {
        let record = record();
        let mut samples = vec![0i16; 501];
        samples[200] = i16::MAX / 4;
        let gate = Gate { kind: GateKind::Volume, start_s: 1e-6, end_s: 3e-6, threshold_fsh: 0.4 };
        let mut a = Ascan {
            title: "beam 3",
            samples: &samples,
            first_sample_s: record.first_sample_s,
            record: &record,
            surface_s: Some(12e-6),
            gates: &[gate],
            peaks: &[(14e-6, 0.5)],
            velocity_m_s: 5900.0,
        };
        let room = WIDTH - LEFT - RIGHT;
        let drawn = ascan(&a, &Palette::paper());
        let line = format!("x1=\"{}\"", n(LEFT + 0.3 * room));
        assert!(drawn.contains(&line), "{line} in {drawn}");
        assert!(drawn.contains(&format!("x2=\"{}\"", n(LEFT + 0.5 * room))));
        assert!(drawn.contains("50 % FSH at 14.00 µs"));
        a.surface_s = None;
        let without = ascan(&a, &Palette::paper());
        assert!(!without.contains("ascan-gate"), "a gate without a surface");
        // What has no samples or no rate is said, not drawn.
        a.samples = &[];
        assert!(ascan(&a, &Palette::paper()).contains("no samples"));
    }
}
