//! Whether time counts from where it is said to, and channels are in the order they are said to be.
//!
//! A picture hardly tells: with another origin of time all of it moves, and stays sharp. Sound that arrives by a way of known shape does,
//! since a common time and a longer way differ between elements close together and far apart.

use barwright_wave::{Point, Surface};

use super::{Records, Traces, records::reciprocity};

/// How much later time seems to count than it is said to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Origin {
    /// That time in s.
    pub later_s: f64,
    /// Its standard uncertainty, in s.
    pub uncertainty_s: f64,
}

/// Pairs that must be read.
const LEAST: usize = 12;
/// Time on each side of the expected echo in which it is looked for, in periods.
const PERIODS: f64 = 2.5;
/// Rounds of leaving out what stands farther off than three times the scatter.
const ROUNDS: usize = 3;
/// From the echoes of a surface between different elements. The surface must have been found with the same delay and velocity. A
/// water velocity that is off has nearly the same effect: by r it looks like an origin off by r times the time to the surface and
/// back. None where too few pairs are heard.
#[must_use]
pub fn origin_by_surface(
    records: &Records,
    elements: &[Point],
    surface: &Surface,
    water_m_s: f64,
    delay_s: f64,
    centre_hz: f64,
) -> Option<Origin> {
    let mut read = Vec::new();
    for (k, &i) in records.live.iter().enumerate() {
        for (l, &j) in records.live.iter().enumerate().skip(k + 1) {
            let (a, b) = (elements[i], elements[j]);
            let by = |surface: &Surface| reflected_m(surface, a, b) / water_m_s;
            let expected = by(surface);
            // A later origin moved the surface away by half of it, as elements by themselves see it.
            let step_m = 1e-6;
            let farther = (by(&moved(surface, step_m)) - expected) / step_m;
            let share = 1.0 - farther * water_m_s / 2.0;
            if let Some(time) = top(records, k, l, expected + delay_s, PERIODS / centre_hz) {
                read.push(Reading { pair: [k, l], share, late_s: time - delay_s - expected });
            }
        }
    }
    for _ in 0..ROUNDS {
        let later_s = slope(&read, None)?;
        let off = |r: &Reading| (r.late_s - later_s * r.share).powi(2);
        let scatter = (read.iter().map(off).sum::<f64>() / read.len() as f64).sqrt();
        read.retain(|r| off(r) <= (3.0 * scatter.max(1e-12)).powi(2));
    }
    if read.len() < LEAST {
        return None;
    }
    let later_s = slope(&read, None)?;
    // Readings of one element err together: each is left out in turn (jackknife).
    let count = records.live.len();
    let without: Vec<f64> = (0..count).filter_map(|e| slope(&read, Some(e))).collect();
    let apart: f64 = without.iter().map(|s| (s - later_s).powi(2)).sum();
    let uncertainty_s = (apart * (count as f64 - 1.0) / count as f64).sqrt();
    Some(Origin { later_s, uncertainty_s })
}

/// How late a pair heard the surface, and the share of a later origin that it hears.
struct Reading {
    pair: [usize; 2],
    share: f64,
    late_s: f64,
}

/// Slope of a line through nought, without the pairs of one element.
fn slope(read: &[Reading], without: Option<usize>) -> Option<f64> {
    let used = || read.iter().filter(|r| without.is_none_or(|e| !r.pair.contains(&e)));
    let square: f64 = used().map(|r| r.share * r.share).sum();
    (square > 0.0).then(|| used().map(|r| r.share * r.late_s).sum::<f64>() / square)
}

/// The highest place of a record within some time of a time, in s; none at the edges of that.
fn top(records: &Records, k: usize, l: usize, about_s: f64, within_s: f64) -> Option<f64> {
    let sample = |t: f64| ((t - records.first_s) * records.rate_hz).round();
    let (from, to) = (sample(about_s - within_s), sample(about_s + within_s));
    if from < 1.0 || to + 1.0 >= records.samples as f64 {
        return None;
    }
    let (time_s, height) = records.top(k, l, from as usize, to as usize)?;
    (height > 0.0).then_some(time_s)
}

fn moved(surface: &Surface, by_m: f64) -> Surface {
    let up = |p: Point| Point::new(p.x, p.y + by_m);
    match *surface {
        Surface::Round { centre, radius_m } => Surface::Round { centre: up(centre), radius_m },
        Surface::Flat { a, b } => Surface::Flat { a: up(a), b: up(b) },
    }
}

/// Shortest way from a point to another by way of a surface, in m.
fn reflected_m(surface: &Surface, from: Point, to: Point) -> f64 {
    match *surface {
        Surface::Flat { a, b } => {
            let along = b - a;
            let normal = Point::new(-along.y, along.x) * (1.0 / along.radius());
            let far = (from.x - a.x) * normal.x + (from.y - a.y) * normal.y;
            (from - normal * (2.0 * far)).distance(to)
        }
        Surface::Round { centre, radius_m } => {
            let way = |angle: f64| {
                let place = centre + Point::polar(radius_m, angle);
                from.distance(place) + place.distance(to)
            };
            // Between the feet of both points the way has one least length.
            let foot = |p: Point| (p - centre).angle();
            let (mut low, mut high) = (foot(from).min(foot(to)), foot(from).max(foot(to)));
            for _ in 0..80 {
                let third = (high - low) / 3.0;
                if way(low + third) < way(high - third) {
                    high -= third;
                } else {
                    low += third;
                }
            }
            way((low + high) / 2.0)
        }
    }
}

/// Median relative difference between what a pair hears one way and the other way, were the receiving channels counted from the
/// other end.
#[must_use]
pub fn reversed_reciprocity(traces: &Traces<'_>) -> f64 {
    let n = traces.elements;
    let trace = |t: usize, r: usize| {
        let start = (t * n + (n - 1 - r)) * traces.samples;
        &traces.values[start..start + traces.samples]
    };
    let pairs: Vec<(usize, usize)> = (0..n).flat_map(|i| (i + 1..n).map(move |j| (i, j))).collect();
    reciprocity(&pairs, |t, r| Some(trace(t, r))).unwrap_or(f64::INFINITY)
}
