//! One series over the checks: values, weighted average, its limits, and what it runs into.

use crate::{
    palette::Palette,
    svg::{Anchor, Svg, Type, dashes_to, line_to, move_to},
    text,
};
use barwright_phrase::say;

const WIDTH: f64 = 420.0;
const LEFT: f64 = 50.0;
const RIGHT: f64 = 16.0;
const PLOT: f64 = 150.0;
const TOP: f64 = 44.0;
const BELOW: f64 = 56.0;
/// Least span of the scale, in units of the limits' distance.
const LEAST_SPAN: f64 = 2.4;

/// What is drawn. Places count checks from 0.
#[derive(Debug, Clone, PartialEq)]
pub struct Trend<'a> {
    /// Name of the series.
    pub title: &'a str,
    /// Unit, with what a dB is relative to.
    pub unit: &'a str,
    /// What a place is: check or level.
    pub place: &'a str,
    /// The values.
    pub values: &'a [(usize, f64)],
    /// Weighted average, lower and upper limit of the values charted.
    pub average: &'a [(usize, [f64; 3])],
    /// What is usual.
    pub centre: Option<f64>,
    /// A value that must not be passed, with what happens there. Drawn where it is near, else said.
    pub limit: Option<(f64, &'a str)>,
    /// Check since when it has shifted.
    pub since: Option<usize>,
    /// Straight line from a place and value on to another one: the forecast.
    pub line: Option<[(f64, f64); 2]>,
}

/// The series as SVG text, 420 by 250 pixels. A ring is a value, the line the weighted average, the band
/// between its limits is tinted; a broken upright says since when it has shifted, a broken line
/// goes to what it runs into.
#[must_use]
pub fn trend(t: &Trend<'_>, look: &Palette) -> String {
    let mut svg = Svg::new(WIDTH, TOP + PLOT + BELOW, t.title, look);
    svg.text(
        (LEFT, 16.0),
        &format!("{}, {}", t.title, t.unit),
        Type::new(14.0, &look.ink, Anchor::Start).bold(),
    );
    let finite = |v: &f64| v.is_finite();
    let mut shown: Vec<f64> = t.values.iter().map(|v| v.1).filter(finite).collect();
    shown.extend(t.average.iter().flat_map(|a| a.1).filter(finite));
    if shown.is_empty() {
        svg.text((LEFT, TOP + 20.0), say!("no values"), Type::new(12.0, &look.soft, Anchor::Start));
        return svg.finish();
    }
    let (mut low, mut high) = span(&shown);
    let widest = t.average.iter().map(|a| a.1[2] - a.1[1]).filter(finite).fold(0.0, f64::max);
    // A limit that is near is drawn, one far off would flatten all else.
    let near = |l: f64| (l - low).abs().max((l - high).abs()) < 5.0 * (high - low).max(widest);
    let drawn = t.limit.filter(|l| l.0.is_finite() && near(l.0));
    if let Some((l, _)) = drawn {
        (low, high) = (low.min(l), high.max(l));
    }
    let room = (high - low).max(LEAST_SPAN / 2.0 * widest).max(1e-9);
    let middle = 0.5 * (low + high);
    (low, high) = (middle - 0.56 * room, middle + 0.56 * room);
    let last = t.values.iter().map(|v| v.0).max().unwrap_or(0).max(1) as f64;
    let end = t.line.map_or(last, |l| l[1].0.clamp(last, last * 2.2 + 4.0));
    let x = |place: f64| LEFT + (WIDTH - LEFT - RIGHT) * place / end.max(1.0);
    let y = |v: f64| TOP + PLOT * (high - v) / (high - low);
    scale(&mut svg, (low, high), &y, look);
    band(&mut svg, t.average, &x, &y, look);
    if let Some(c) = t.centre {
        svg.line((LEFT, y(c)), (WIDTH - RIGHT, y(c)), &look.soft, 0.6);
    }
    if let Some((l, what)) = drawn {
        svg.line((LEFT, y(l)), (WIDTH - RIGHT, y(l)), &look.alert, 1.4);
        svg.text((LEFT + 4.0, y(l) - 4.0), what, Type::new(12.0, &look.alert, Anchor::Start));
    }
    if let Some(since) = t.since {
        let at = x(since as f64);
        dashes(&mut svg, (at, TOP), (at, TOP + PLOT), &look.ink);
        let words = say!("since {} {}", t.place, since + 1);
        let (at, anchor) =
            if at > 0.6 * WIDTH { (at + 4.0, Anchor::End) } else { (at - 4.0, Anchor::Start) };
        svg.text((at, TOP - 6.0), &words, Type::new(12.0, &look.ink, anchor));
    }
    if let Some([a, b]) = t.line {
        // Cut where the plot ends.
        let share = if b.0 > end { (end - a.0) / (b.0 - a.0) } else { 1.0 };
        let to = (a.0 + share * (b.0 - a.0), a.1 + share * (b.1 - a.1));
        let (p, q) = ((x(a.0), y(a.1)), (x(to.0), y(to.1.clamp(low, high))));
        dashes(&mut svg, p, q, &look.alert);
    }
    let mut d = String::new();
    for (i, (place, [average, ..])) in t.average.iter().enumerate() {
        let p = (x(*place as f64), y(*average));
        if i == 0 { move_to(&mut d, p) } else { line_to(&mut d, p) }
    }
    svg.path(&d, "none", &look.accent, 1.8);
    for &(place, v) in t.values {
        svg.open_titled(
            "trend-value",
            &format!("{} {}: {} {}", t.place, place + 1, text::number(v, 3), t.unit),
        );
        svg.circle((x(place as f64), y(v)), 2.4, &look.card, &look.ink, 0.9);
        svg.close();
    }
    axis(&mut svg, t, last, &x, look);
    svg.finish()
}

fn span(values: &[f64]) -> (f64, f64) {
    values.iter().fold((f64::MAX, f64::MIN), |(a, b), &v| (a.min(v), b.max(v)))
}

/// Three rules with their values.
fn scale(svg: &mut Svg, (low, high): (f64, f64), y: &impl Fn(f64) -> f64, look: &Palette) {
    let step = nice((high - low) / 4.0);
    let digits =
        if step >= 1.0 { 0 } else { (-step.log10() - 1e-9).ceil().clamp(0.0, 3.0) as usize };
    svg.open("trend-scale");
    let mut v = (low / step).ceil() * step;
    while v <= high {
        svg.line((LEFT, y(v)), (WIDTH - RIGHT, y(v)), &look.rule, 0.5).text(
            (LEFT - 6.0, y(v) + 4.0),
            &text::number(v, digits),
            Type::new(12.0, &look.soft, Anchor::End),
        );
        v += step;
    }
    svg.close();
}

/// The next of 1, 2 and 5 times a power of ten.
pub(crate) fn nice(step: f64) -> f64 {
    let power = 10f64.powf(step.abs().max(1e-9).log10().floor());
    [1.0, 2.0, 5.0].into_iter().map(|m| m * power).find(|s| *s >= step).unwrap_or(10.0 * power)
}

fn band(
    svg: &mut Svg,
    average: &[(usize, [f64; 3])],
    x: &impl Fn(f64) -> f64,
    y: &impl Fn(f64) -> f64,
    look: &Palette,
) {
    let mut d = String::new();
    let edge = |k: usize| move |a: &(usize, [f64; 3])| (a.0 as f64, a.1[k]);
    let there = average.iter().map(edge(2)).chain(average.iter().rev().map(edge(1)));
    for (i, (place, v)) in there.enumerate() {
        let p = (x(place), y(v));
        if i == 0 { move_to(&mut d, p) } else { line_to(&mut d, p) }
    }
    if !d.is_empty() {
        d.push('Z');
    }
    svg.path(&d, &look.tint, &look.accent, 0.6);
}

fn dashes(svg: &mut Svg, from: (f64, f64), to: (f64, f64), paint: &str) {
    let mut d = String::new();
    dashes_to(&mut d, from, to, [5.0, 4.0]);
    svg.path(&d, "none", paint, 1.1);
}

fn axis(svg: &mut Svg, t: &Trend<'_>, last: f64, x: &impl Fn(f64) -> f64, look: &Palette) {
    let bottom = TOP + PLOT;
    svg.line((LEFT, bottom), (WIDTH - RIGHT, bottom), &look.soft, 0.8);
    let step = nice((last + 1.0) / 6.0).max(1.0);
    let mut n = step;
    svg.text(
        (x(0.0), bottom + 15.0),
        &format!("{} 1", t.place),
        Type::new(12.0, &look.soft, Anchor::Start),
    );
    while n <= last + 1.0 {
        let at = x(n - 1.0);
        svg.line((at, bottom), (at, bottom + 4.0), &look.soft, 0.8);
        if n > 1.0 && at > LEFT + 60.0 {
            svg.text(
                (at, bottom + 15.0),
                &text::number(n, 0),
                Type::new(12.0, &look.soft, Anchor::Middle),
            );
        }
        n += step;
    }
    let look_at = |y: f64| (LEFT, bottom + y);
    let style = || Type::new(12.0, &look.soft, Anchor::Start);
    svg.text(look_at(32.0), say!("ring: value; line: weighted average; band: its limits"), style());
    if let Some((l, what)) = t.limit {
        svg.text(look_at(48.0), &say!("at {}: {what}", text::number(l, 2)), style());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one<'a>(values: &'a [(usize, f64)], average: &'a [(usize, [f64; 3])]) -> Trend<'a> {
        Trend {
            title: "probe-4-wall",
            unit: "dB re the first checks",
            place: "check",
            values,
            average,
            centre: Some(0.0),
            limit: Some((-4.4, "reflector <H1> fails the check")),
            since: Some(2),
            line: Some([(2.0, 0.0), (30.0, -4.4)]),
        }
    }

    // Property: a picture of whatever numbers is well-formed XML without numbers that are none, says what it
    // shows, and keeps its marks inside.
    #[test]
    fn any_series_makes_a_picture() {
        let falling: Vec<(usize, f64)> =
            (0..20usize).map(|i| (i, -0.15 * i.saturating_sub(2) as f64)).collect();
        let average: Vec<(usize, [f64; 3])> =
            (10..20).map(|i| (i, [-0.1 * i as f64, -0.05, 0.05])).collect();
        let odd = [(0, f64::NAN), (1, 1e9), (2, f64::INFINITY)];
        for (values, average) in [
            (&falling[..], &average[..]),
            (&falling[..1], &[][..]),
            (&odd[..], &[][..]),
            (&[][..], &[][..]),
        ] {
            let svg = trend(&one(values, average), &Palette::paper());
            let xml = roxmltree::Document::parse(&svg).expect("well-formed");
            assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
            for c in xml.descendants().filter(|n| n.has_tag_name("circle")) {
                let x: f64 = c.attribute("cx").expect("cx").parse().expect("a number");
                assert!((0.0..=WIDTH).contains(&x), "{x}");
            }
        }
        let svg = trend(&one(&falling, &average), &Palette::paper());
        assert!(
            svg.contains("reflector &lt;H1&gt; fails the check") && svg.contains("since check 3")
        );
    }
}
