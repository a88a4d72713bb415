//! What a beam read of its reflectors: one robust height from all visits.

use barwright_job::reference::ReferenceBar;

use super::track::{Point, Track};
use crate::{
    fit,
    kernel::vertex,
    reading::{db, mean, median},
};

/// A visit this far from the median of the visits is left out where there are others: bubbles and
/// lost coupling, not noise, change a height by as much (in dB).
const OUTLIER_DB: f64 = 3.0;
/// Height in floors below which noise decides which reading is the highest.
const NEAR_FLOOR: f64 = 6.0;
/// Part of a visit's top that a parabola goes through there, in dB.
const TOP_DB: f64 = 3.0;
/// A second echo counts as of like height from this share of the first (3 dB).
const LIKE_HEIGHT: f64 = 0.7;

/// What a beam read of its reflectors.
#[derive(Debug, Clone, Default)]
pub(crate) struct BeamRead {
    /// Height expected of its first reflector.
    pub expected_fsh: Option<f64>,
    /// Mean over its reflectors: height against the expected one at the gain of the latest capture,
    /// in dB.
    pub deviation_db: Option<f64>,
    /// Standard uncertainty of that from the visits.
    pub uncertainty_db: Option<f64>,
    /// Difference between its reflectors in dB.
    pub disagreement_db: f64,
    /// Most visits of any reflector.
    pub visits: u32,
    /// Whether its echo was clipped in every capture.
    pub clipped: bool,
    /// Visits that were left out because they differed from the rest.
    pub outliers: u32,
    /// Whether two echoes of like height stand in the window.
    pub doubled: bool,
    /// Each of its reflectors: number of the expected echo, and height against the expected one in
    /// dB where there is one.
    pub echoes: Vec<(usize, Option<f64>)>,
    /// The capture whose gain gave the heights.
    pub capture: u8,
}

/// Reads the echoes of a beam; `gains` are those of each capture.
pub(super) fn read(
    reference: &ReferenceBar,
    own: &[usize],
    tracks: &[Track],
    gains: &[&[f64]],
    beam: usize,
) -> BeamRead {
    let gain = |capture: u8| gains.get(usize::from(capture)).map_or(0.0, |g| g[beam]);
    let latest = gains.last().map_or(0.0, |g| g[beam]);
    let step = |number: usize| {
        let e = &reference.expected[number];
        reference.motion.get(e.motion as usize).map_or(0.0, |m| m.turn_step_rad)
    };
    let visits = |number: usize| -> Vec<Vec<Point>> {
        let all = tracks[number].visits(reference.expected[number].turn_window_rad, step(number));
        let over = |v: &[Point]| {
            let floor = v.first().map_or(f64::MAX, |p| tracks[number].floor_fsh(p.capture));
            v.iter().any(|p| f64::from(p.height_fsh) > floor)
        };
        let heard: Vec<&[Point]> = all.into_iter().filter(|v| over(v)).collect();
        // What the water spoilt is left out where there is another visit; a visit that has lost most of
        // its middle tells no height.
        let half = reference.expected[number].turn_window_rad / 2.0;
        let inner = |v: &[Point], also: fn(&Point) -> bool| {
            v.iter().filter(|p| f64::from(p.offset_rad).abs() <= half && also(p)).count()
        };
        let spoilt = |v: &[Point]| inner(v, |p| p.spoilt);
        let sound: Vec<Vec<Point>> =
            heard.iter().filter(|v| spoilt(v) == 0).map(|v| v.to_vec()).collect();
        if !sound.is_empty() {
            return sound;
        }
        heard
            .into_iter()
            .filter(|v| 2 * spoilt(v) <= inner(v, |_| true))
            .map(|v| v.iter().filter(|p| !p.spoilt).copied().collect::<Vec<Point>>())
            .filter(|v| over(v))
            .collect()
    };
    let by_echo: Vec<(usize, Vec<Vec<Point>>)> = own.iter().map(|&n| (n, visits(n))).collect();
    // A capture in which any of this beam's echoes was clipped tells nothing of its height.
    let spoilt = |capture: u8| {
        by_echo
            .iter()
            .flat_map(|(_, v)| v)
            .any(|v| v.first().is_some_and(|p| p.capture == capture) && v.iter().any(|p| p.clipped))
    };
    let captures = 0..gains.len() as u8;
    let whole: Vec<u8> = captures.filter(|&c| !spoilt(c)).collect();
    let heard = |c: &u8| {
        by_echo.iter().flat_map(|(_, v)| v).any(|v| v.first().is_some_and(|p| p.capture == *c))
    };
    let sound: Vec<u8> = whole.iter().copied().filter(heard).collect();
    let any = by_echo.iter().any(|(_, v)| !v.is_empty());
    let mut out = BeamRead {
        expected_fsh: own.first().map(|&n| reference.expected[n].height_fsh),
        clipped: any && sound.is_empty(),
        capture: sound.first().or(whole.first()).copied().unwrap_or(0),
        ..BeamRead::default()
    };
    let (mut means, mut scatter) = (Vec::new(), Vec::new());
    for (number, visits) in &by_echo {
        let expected = reference.expected[*number].height_fsh;
        let used: Vec<&Vec<Point>> = visits
            .iter()
            .filter(|v| out.clipped || v.first().is_some_and(|p| sound.contains(&p.capture)))
            .collect();
        let mut all: Vec<f64> = used
            .iter()
            .map(|v| {
                let floor = tracks[*number].floor_fsh(v[0].capture);
                db(height_fsh(v, floor) / expected) + latest - gain(v[0].capture)
            })
            .collect();
        out.visits = out.visits.max(all.len() as u32);
        let middle = median(&mut all.clone());
        // Two visits that differ cannot be told which is right by a median: sound is only ever
        // lost on the way, so the higher one is.
        let middle = if all.len() == 2 { all[0].max(all[1]) } else { middle };
        let before = all.len();
        all.retain(|d| (d - middle).abs() <= OUTLIER_DB);
        out.outliers += (before - all.len()) as u32;
        let doubled = used.iter().filter(|v| has_second(v)).count();
        out.doubled |= !used.is_empty() && 2 * doubled > used.len();
        out.echoes.push((*number, mean(&all)));
        if let Some(m) = mean(&all) {
            means.push(m);
            if all.len() > 1 {
                let sum: f64 = all.iter().map(|d| (d - m).powi(2)).sum();
                let n = all.len() as f64;
                scatter.push((sum / (n - 1.0) / n).sqrt());
            }
        }
    }
    out.deviation_db = mean(&means);
    let n = scatter.len() as f64;
    out.uncertainty_db =
        (!scatter.is_empty()).then(|| scatter.iter().map(|s| s * s).sum::<f64>().sqrt() / n);
    let (low, high) = means.iter().fold((f64::MAX, f64::MIN), |(l, h), &m| (l.min(m), h.max(m)));
    out.disagreement_db = if means.len() > 1 { high - low } else { 0.0 };
    out
}

/// Number of a visit's highest reading.
fn highest(visit: &[Point]) -> Option<usize> {
    (0..visit.len()).max_by(|&a, &b| visit[a].height_fsh.total_cmp(&visit[b].height_fsh))
}

/// Height of the vertex of a parabola through the decibels of a visit's top; absent where the top has
/// fewer than five unclipped readings or no vertex among them.
fn top_fsh(visit: &[Point], at: usize) -> Option<f64> {
    let height = |p: &Point| db(f64::from(p.height_fsh).max(1e-6));
    let least = height(&visit[at]) - TOP_DB;
    let within = |p: &&Point| height(p) > least;
    let before = visit[..at].iter().rev().take_while(within).count();
    let after = visit[at..].iter().take_while(within).count();
    let top = &visit[at - before..at + after];
    if top.len() < 5 || top.iter().any(|p| p.clipped) {
        return None;
    }
    let middle = f64::from(visit[at].offset_rad);
    let turns: Vec<f64> = top.iter().map(|p| f64::from(p.offset_rad) - middle).collect();
    // The turn in units of the top's half width keeps the columns of like size.
    let half = turns.iter().fold(0.0, |m: f64, t| m.max(t.abs()));
    let rows: Vec<Vec<f64>> =
        turns.iter().map(|t| vec![1.0, t / half, (t / half).powi(2)]).collect();
    let y: Vec<f64> = top.iter().map(height).collect();
    let x = fit::weighted(&rows, &y, &vec![1.0; y.len()])?.x;
    let place = -0.5 * x[1] / x[2];
    let (low, high) = (turns.first()? / half, turns.last()? / half);
    (x[2] < 0.0 && (low..=high).contains(&place))
        .then(|| 10f64.powf((x[0] + 0.5 * x[1] * place) / 20.0))
}

fn has_second(visit: &[Point]) -> bool {
    highest(visit).is_some_and(|at| {
        let p = visit[at];
        !p.clipped && f64::from(p.second_fsh) > LIKE_HEIGHT * f64::from(p.height_fsh)
    })
}

/// Largest height of a visit, refined by a parabola through the decibels of its neighbours where
/// these are evenly spaced. Near the clutter, whose floor is given, the highest of many readings is the
/// luckiest one: there the parabola goes through all of the top.
pub(super) fn height_fsh(visit: &[Point], floor_fsh: f64) -> f64 {
    let Some(at) = highest(visit) else {
        return 0.0;
    };
    if f64::from(visit[at].height_fsh) < NEAR_FLOOR * floor_fsh
        && let Some(height) = top_fsh(visit, at)
    {
        return height;
    }
    let of = |p: &Point| (f64::from(p.offset_rad), f64::from(p.height_fsh));
    let (turn, height) = of(&visit[at]);
    let clipped = visit.iter().any(|p| p.clipped);
    match (at.checked_sub(1).and_then(|i| visit.get(i)).map(of), visit.get(at + 1).map(of)) {
        (Some((t0, h0)), Some((t2, h2))) if !clipped && h0 > 0.0 && h2 > 0.0 => {
            let (left, right) = (turn - t0, t2 - turn);
            let even = left > 0.0 && (left - right).abs() < 0.1 * left;
            let (_, gain) = vertex(db(h0), db(height), db(h2));
            if even { height * 10f64.powf(gain / 20.0) } else { height }
        }
        _ => height,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn visit(heights: &[f64]) -> Vec<Point> {
        let middle = heights.len() as f64 / 2.0;
        let point = |(i, h): (usize, &f64)| Point {
            offset_rad: ((i as f64 - middle) * 0.0175) as f32,
            height_fsh: *h as f32,
            time_off_s: 0.0,
            second_fsh: 0.0,
            inside: true,
            clipped: false,
            run: 0,
            capture: 0,
            time_s: 0.0,
            spoilt: false,
        };
        heights.iter().enumerate().map(point).collect()
    }

    /// A bell of a height with noise of an rms, from a fixed sequence.
    fn noisy(height: f64, rms: f64, seed: u64) -> Vec<Point> {
        let mut state = seed.wrapping_mul(2).wrapping_add(1);
        let mut random = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (state >> 33) as f64 / f64::from(1u32 << 31) - 0.5
        };
        let heights: Vec<f64> = (0..17)
            .map(|i| {
                let x = (f64::from(i) - 8.2) / 8.0;
                // Twelve even draws have a variance of one.
                let noise: f64 = (0..12).map(|_| random()).sum();
                height * (-1.4 * x * x).exp() + rms * noise
            })
            .collect();
        visit(&heights)
    }

    // Truth: closed form. Without noise both readings give the bell's height; with noise of a fifteenth of
    // it the highest reading is too high in the mean, the parabola through the top is not.
    #[test]
    fn near_the_floor_the_luckiest_reading_is_not_the_height() {
        let far = height_fsh(&noisy(0.8, 0.0, 1), 0.01);
        let near = height_fsh(&noisy(0.8, 0.0, 1), 0.3);
        // Heights in single precision.
        assert!((far / 0.8 - 1.0).abs() < 1e-5 && (near / 0.8 - 1.0).abs() < 1e-5, "{far} {near}");
        let mean = |floor: f64| -> f64 {
            let all = (0..400).map(|seed| height_fsh(&noisy(0.12, 0.008, seed), floor) / 0.12);
            all.sum::<f64>() / 400.0
        };
        let (lucky, top) = (mean(0.001), mean(0.04));
        // 400 draws of 4 % each: 0.2 % of uncertainty. The luckiest of some nine is a good sigma high.
        assert!(lucky > 1.04, "{lucky}");
        assert!((top - 1.0).abs() < 0.02, "{top}");
    }
}
