//! Probability of detection against size, and the data behind it.

use barwright_job::pod::{Censored, Measured, Pod, Scale};
use barwright_phrase::say;

use crate::{
    palette::Palette,
    svg::{Anchor, Svg, Type, dashes_to, line_to, move_to},
    text,
    trend::nice,
};

const WIDTH: f64 = 460.0;
const LEFT: f64 = 56.0;
const RIGHT: f64 = 18.0;
const TOP: f64 = 30.0;
const PLOT: f64 = 230.0;
const BELOW: f64 = 62.0;

/// Sizes and, of one picture, values that are drawn.
struct Frame<'a> {
    pod: &'a Pod,
    sizes: [f64; 2],
    values: [f64; 2],
}

impl Frame<'_> {
    fn x(&self, size: f64) -> f64 {
        let [low, high] = self.sizes.map(|s| self.pod.scale.of(s));
        let at = (self.pod.scale.of(size) - low) / (high - low);
        LEFT + (WIDTH - LEFT - RIGHT) * at.clamp(0.0, 1.0)
    }

    fn y(&self, value: f64) -> f64 {
        let [low, high] = self.values;
        TOP + PLOT * (1.0 - ((value - low) / (high - low)).clamp(0.0, 1.0))
    }

    fn holds(&self, size: f64) -> bool {
        (self.sizes[0]..=self.sizes[1]).contains(&size)
    }
}

/// The sizes that are drawn: those that were tried, and as much of the curve as matters. What has no place on the scale is
/// left out.
fn sizes(pod: &Pod) -> [f64; 2] {
    let fits = |s: &f64| pod.scale.of(*s).is_finite();
    let tried = pod.trials.iter().map(|t| t.size);
    let shown = || tried.clone().chain([pod.a50, pod.a90]).filter(fits);
    let (mut low, mut high) =
        (shown().fold(f64::INFINITY, f64::min), shown().fold(f64::NEG_INFINITY, f64::max));
    if let Some(bound) = pod.a90_95.filter(|b| fits(b) && *b < 3.0 * high) {
        high = high.max(1.05 * bound);
    }
    if low >= high {
        return [1.0, 2.0];
    }
    match pod.scale {
        Scale::Linear => low = (low - 0.04 * (high - low)).max(0.0),
        Scale::Log => (low, high) = (low / 1.1, high * 1.1),
    }
    [low, high]
}

fn begin<'a>(pod: &'a Pod, values: [f64; 2], title: &str, look: &Palette) -> (Svg, Frame<'a>) {
    let frame = Frame { pod, sizes: sizes(pod), values };
    let svg = Svg::new(WIDTH, TOP + PLOT + BELOW, title, look);
    (svg, frame)
}

/// Rules across with their values, and sizes below.
fn axes(svg: &mut Svg, frame: &Frame<'_>, name: &str, look: &Palette) {
    let soft = |anchor| Type::new(12.0, &look.soft, anchor);
    let step = nice((frame.values[1] - frame.values[0]) / 5.0);
    let digits = |step: f64| {
        if step >= 1.0 { 0 } else { (-step.log10() - 1e-9).ceil().clamp(0.0, 4.0) as usize }
    };
    svg.open("pod-axes");
    let mut value = (frame.values[0] / step - 1e-9).ceil() * step;
    while value <= frame.values[1] * (1.0 + 1e-9) {
        let y = frame.y(value);
        svg.line((LEFT, y), (WIDTH - RIGHT, y), &look.rule, 0.5);
        let shown = text::number(value, digits(step));
        svg.text((LEFT - 6.0, y + 4.0), &shown, soft(Anchor::End));
        value += step;
    }
    let bottom = TOP + PLOT;
    svg.line((LEFT, bottom), (WIDTH - RIGHT, bottom), &look.soft, 0.8);
    for size in ticks(frame) {
        let x = frame.x(size);
        svg.line((x, bottom), (x, bottom + 4.0), &look.soft, 0.8);
        svg.text((x, bottom + 16.0), &text::number(size, digits(size.abs())), soft(Anchor::Middle));
    }
    let unit = text::visible(&frame.pod.unit);
    svg.text((WIDTH - RIGHT, bottom + 32.0), &say!("size, {unit}"), soft(Anchor::End));
    svg.text((LEFT, 16.0), name, soft(Anchor::Start));
    svg.close();
}

/// Places for values of the size: evenly, or one, two and five of each power of ten.
fn ticks(frame: &Frame<'_>) -> Vec<f64> {
    let [low, high] = frame.sizes;
    match frame.pod.scale {
        Scale::Linear => {
            let step = nice((high - low) / 6.0);
            let first = (low / step).ceil();
            (0..12).map(|k| (first + f64::from(k)) * step).take_while(|s| *s <= high).collect()
        }
        Scale::Log => {
            let from = low.log10().floor() as i32;
            let all = (from..from + 12).flat_map(|p| [1.0, 2.0, 5.0].map(|m| m * 10f64.powi(p)));
            all.filter(|s| frame.holds(*s)).collect()
        }
    }
}

/// The curve with its 95 % bound, a50, a90 and a90/95, as SVG text of 460 by 322 pixels. The line is the curve, the broken
/// line what is sure with 95 % confidence; strokes above are flaws that were found, below those that
/// were missed.
#[must_use]
pub fn pod_curve(pod: &Pod, look: &Palette) -> String {
    let (mut svg, frame) = begin(pod, [0.0, 1.0], say!("Probability of detection"), look);
    axes(&mut svg, &frame, say!("share found"), look);
    let mut d = String::new();
    let curve = pod.curve.iter().map(|p| (p.size, p.pod)).filter(|(s, _)| frame.holds(*s));
    for (k, (size, share)) in curve.enumerate() {
        let p = (frame.x(size), frame.y(share));
        if k == 0 { move_to(&mut d, p) } else { line_to(&mut d, p) }
    }
    svg.open_titled("pod-curve", say!("most likely"));
    svg.path(&d, "none", &look.accent, 2.0).close();
    let bound: Vec<(f64, f64)> = pod
        .curve
        .iter()
        .filter_map(|p| Some((p.size_95?, p.pod)))
        .filter(|(size, _)| frame.holds(*size))
        .map(|(size, share)| (frame.x(size), frame.y(share)))
        .collect();
    svg.open_titled("pod-bound", say!("at least, with 95 % confidence"));
    broken(&mut svg, &bound, &look.ink);
    svg.close();
    let marks = [
        (Some(pod.a50), 0.5, say!("a50")),
        (Some(pod.a90), 0.9, say!("a90")),
        (pod.a90_95, 0.9, say!("a90/95")),
    ];
    for (size, share, name) in marks {
        let Some(size) = size.filter(|s| frame.holds(*s)) else { continue };
        let at = (frame.x(size), frame.y(share));
        let words = format!("{name} {} {}", text::number(size, 3), pod.unit);
        svg.open_titled("pod-mark", &words);
        svg.circle(at, 3.4, &look.card, &look.alert, 1.6).close();
        let (x, anchor) =
            if name == "a90/95" { (at.0 + 7.0, Anchor::Start) } else { (at.0 - 7.0, Anchor::End) };
        svg.text((x, at.1 - 6.0), name, Type::new(12.0, &look.ink, anchor));
    }
    if pod.measured == Measured::HitMiss {
        for t in pod.trials.iter().filter(|t| frame.holds(t.size)) {
            let (x, up) = (frame.x(t.size), t.response == 1.0);
            let (from, to) = if up { (TOP, TOP + 7.0) } else { (TOP + PLOT - 7.0, TOP + PLOT) };
            svg.line((x, from), (x, to), if up { &look.accent } else { &look.alert }, 0.7);
        }
    }
    let legend = match pod.measured {
        Measured::HitMiss => say!(
            "line: most likely; broken: at least, with 95 % confidence; strokes above: found, below: missed"
        ),
        Measured::Signal => say!("line: most likely; broken: at least, with 95 % confidence"),
    };
    svg.text((LEFT - 40.0, TOP + PLOT + 52.0), legend, Type::new(11.0, &look.soft, Anchor::Start));
    svg.finish()
}

/// Heights of signals against size with the line, the decision threshold and what was lost or clipped, as SVG text of
/// 460 by 322 pixels; none for a hit/miss curve.
#[must_use]
pub fn pod_signals(pod: &Pod, look: &Palette) -> Option<String> {
    let decision = pod.decision?;
    let drawn = || pod.trials.iter().filter(|t| t.response.is_finite());
    let high = drawn().map(|t| t.response).fold(decision, f64::max);
    let low = drawn().map(|t| t.response).fold(0.0, f64::min);
    let (mut svg, frame) = begin(pod, [low, 1.04 * high], say!("Signals against size"), look);
    axes(&mut svg, &frame, &say!("height, {}", text::visible(&pod.signal_unit)), look);
    let y = frame.y(decision);
    svg.line((LEFT, y), (WIDTH - RIGHT, y), &look.alert, 1.2);
    svg.text((LEFT + 4.0, y - 5.0), say!("decision"), Type::new(12.0, &look.alert, Anchor::Start));
    for t in drawn().filter(|t| frame.holds(t.size)) {
        let (x, y) = (frame.x(t.size), frame.y(t.response));
        let words =
            format!("{} {}: {}", text::number(t.size, 3), pod.unit, text::number(t.response, 1));
        svg.open_titled("pod-signal", &words);
        match t.censored {
            Censored::None => svg.circle((x, y), 2.3, &look.card, &look.ink, 0.9),
            // Points the way in which the height goes on.
            Censored::Below => svg.path(&arrow(x, y, 1.0), &look.soft, "none", 0.0),
            Censored::Above => svg.path(&arrow(x, y, -1.0), &look.soft, "none", 0.0),
        };
        svg.close();
    }
    svg.text(
        (LEFT - 40.0, TOP + PLOT + 52.0),
        say!("rings: heights; arrows: lost in noise (down) or clipped (up)"),
        Type::new(11.0, &look.soft, Anchor::Start),
    );
    Some(svg.finish())
}

fn arrow(x: f64, y: f64, down: f64) -> String {
    format!("M{:.1} {y:.1}h6l-3 {:.1}z", x - 3.0, 5.0 * down)
}

/// A line of dashes through points.
fn broken(svg: &mut Svg, points: &[(f64, f64)], paint: &str) {
    let mut d = String::new();
    for pair in points.windows(2) {
        dashes_to(&mut d, pair[0], pair[1], [4.0, 3.0]);
    }
    svg.path(&d, "none", paint, 1.3);
}
