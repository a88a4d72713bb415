//! How a series goes on: a break from level to slope, and the checks left until a limit.
//!
//! # Algorithm
//! 1. Three models are fitted by least squares: level all along; a level and a step; a level and a
//!    slope from a check on. Place of step or break: every check and every half between.
//! 2. A slope is told only where it explains more than a step and differs from nought with a chance of
//!    error below 0.001 (Student).
//! 3. Expected crossing: where the line meets the limit. Cautious figure: the last check at which a
//!    single value stays inside with 90 %, the bound's own scatter included (one-sided prediction
//!    limit of the line; Draper & Smith, *Applied Regression Analysis*, ch. 1 and 3), the earliest
//!    over all breaks that the data do not exclude at 90 % (Fisher).

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, FisherSnedecor, StudentsT};

/// Chance of calling a slope where there is none, for one series that was called already.
const SIGNIFICANT: f64 = 0.001;
/// Confidence of the cautious figure.
pub const CONFIDENCE: f64 = 0.90;
/// Fewest values, and fewest on the slope.
const FEWEST: usize = 6;
const FEWEST_ON_SLOPE: usize = 3;
/// Coefficients of the broken line: level, slope and break.
const COEFFICIENTS: usize = 3;
/// Farthest a figure is given, in checks.
pub const HORIZON: u32 = 1000;

/// A value at a place: the number of the check in the series.
pub type At = (f64, f64);

/// What a series did.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case", tag = "shape")]
pub enum Course {
    /// Too few values, or nothing but scatter.
    NoTrend,
    /// It stands elsewhere since a check, without a slope that could be told.
    Step {
        /// Check from which on.
        from: f64,
        /// By how much, in the unit of the series.
        by: f64,
    },
    /// It changes steadily since a check.
    Slope(Slope),
}

/// A slope.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Slope {
    /// Check from which on.
    pub from: f64,
    /// Value before, in the unit of the series.
    pub level: f64,
    /// Change per check, in the unit of the series.
    pub per_check: f64,
    /// Its standard uncertainty.
    pub uncertainty: f64,
    /// Change so far.
    pub so_far: f64,
}

/// Checks left until a limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Left {
    /// Expected number of checks after the last one until the line meets the limit; 0: it is there.
    pub expected: f64,
    /// So many checks after the last one stay inside with 90 %; [`HORIZON`] stands for that many or more.
    pub cautious: u32,
}

/// One fit of the broken line.
#[derive(Debug, Clone, Copy)]
struct Line {
    from: f64,
    level: f64,
    slope: f64,
    rss: f64,
    /// Sums of the slope's column: mean and squares about it.
    mean_u: f64,
    squares_u: f64,
    n: f64,
}

impl Line {
    /// Least squares of level and slope with a given column of x.
    fn of(values: &[At], from: f64, column: impl Fn(f64) -> f64) -> Option<Self> {
        let n = values.len() as f64;
        let u = |x: f64| column(x);
        let mean_u = values.iter().map(|v| u(v.0)).sum::<f64>() / n;
        let mean_y = values.iter().map(|v| v.1).sum::<f64>() / n;
        let squares_u: f64 = values.iter().map(|v| (u(v.0) - mean_u).powi(2)).sum();
        if squares_u <= 0.0 {
            return None;
        }
        let both: f64 = values.iter().map(|v| (u(v.0) - mean_u) * (v.1 - mean_y)).sum();
        let slope = both / squares_u;
        let level = mean_y - slope * mean_u;
        let rss = values.iter().map(|v| (v.1 - level - slope * u(v.0)).powi(2)).sum();
        Some(Self { from, level, slope, rss, mean_u, squares_u, n })
    }

    fn at(&self, x: f64) -> f64 {
        self.level + self.slope * (x - self.from).max(0.0)
    }

    /// Standard uncertainty of one more value at x, for a scatter of one value.
    fn prediction(&self, x: f64, sigma: f64) -> f64 {
        let u = (x - self.from).max(0.0) - self.mean_u;
        sigma * (1.0 + 1.0 / self.n + u * u / self.squares_u).sqrt()
    }
}

/// A value that must not be passed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bound {
    /// The value.
    pub at: f64,
    /// Whether it must not be passed upwards; else downwards.
    pub upper: bool,
    /// Standard deviation with which the bound itself differs from check to check; 0 where it is fixed.
    pub sigma: f64,
}

/// What a series did, and how many checks are left until it passes a bound; where it goes the other way,
/// nothing is said of that. `least` is the least scatter of a value (its rounding).
///
/// Values come in order of their place. Under six of them, or fewer than three on the slope: no trend.
#[must_use]
pub fn forecast(values: &[At], bound: Option<Bound>, least: f64) -> (Course, Option<Left>) {
    let n = values.len();
    if n < FEWEST {
        return (Course::NoTrend, None);
    }
    let degrees = (n - COEFFICIENTS) as f64;
    let breaks = breaks(values);
    let slopes: Vec<Line> =
        breaks.iter().filter_map(|&b| Line::of(values, b, |x| (x - b).max(0.0))).collect();
    let steps = breaks
        .iter()
        .filter_map(|&b| Line::of(values, b, |x| f64::from(u8::from(x > b))).map(|l| (b, l)));
    let step = steps.min_by(|a, b| a.1.rss.total_cmp(&b.1.rss));
    let Some(best) = slopes.iter().min_by(|a, b| a.rss.total_cmp(&b.rss)) else {
        return (stepped(values, step, degrees, least), None);
    };
    let floor = least * least;
    let sigma = (best.rss / degrees).max(floor).sqrt();
    let uncertainty = sigma / best.squares_u.sqrt();
    // A step of the size of the rounding is no better explanation.
    // A slope that began a check or two ago is not told: its break and its steepness are one guess.
    let long = values.iter().filter(|v| v.0 > best.from).count() >= FEWEST_ON_SLOPE;
    let steeper = long && step.is_none_or(|(_, s)| best.rss <= s.rss + floor);
    if !steeper || !is_significant(best.slope / uncertainty, degrees) {
        return (stepped(values, step, degrees, least), None);
    }
    let last = values[n - 1].0;
    let slope = Slope {
        from: best.from,
        level: best.level,
        per_check: best.slope,
        uncertainty,
        so_far: best.slope * (last - best.from),
    };
    let ahead = bound.filter(|b| b.upper == (best.slope > 0.0));
    let left = ahead.and_then(|b| left(best, &slopes, &b, last, degrees, floor));
    (Course::Slope(slope), left)
}

/// Places where a break is tried: before the first value, every value and every half between.
fn breaks(values: &[At]) -> Vec<f64> {
    let halves = values.windows(2).flat_map(|w| [w[0].0, 0.5 * (w[0].0 + w[1].0)]);
    halves.collect()
}

fn stepped(values: &[At], step: Option<(f64, Line)>, degrees: f64, least: f64) -> Course {
    let Some((from, line)) = step else { return Course::NoTrend };
    let sigma = (line.rss / degrees).max(least * least).sqrt();
    if !is_significant(line.slope * line.squares_u.sqrt() / sigma, degrees) {
        return Course::NoTrend;
    }
    // The first check of the new level.
    let first = values.iter().map(|v| v.0).find(|x| *x > from).unwrap_or(from);
    Course::Step { from: first, by: line.slope }
}

fn is_significant(t: f64, degrees: f64) -> bool {
    StudentsT::new(0.0, 1.0, degrees).is_ok_and(|d| 2.0 * d.sf(t.abs()) < SIGNIFICANT)
}

fn left(
    best: &Line,
    all: &[Line],
    bound: &Bound,
    last: f64,
    degrees: f64,
    floor: f64,
) -> Option<Left> {
    let t = StudentsT::new(0.0, 1.0, degrees).ok()?.inverse_cdf(CONFIDENCE);
    let worse = FisherSnedecor::new(1.0, degrees).ok()?.inverse_cdf(CONFIDENCE);
    let limit = bound.at;
    let sign = best.slope.signum();
    let beyond = |y: f64| sign * (y - limit) >= 0.0;
    if beyond(best.at(last)) {
        return Some(Left { expected: 0.0, cautious: 0 });
    }
    let expected = best.from + (limit - best.level) / best.slope - last;
    let most = best.rss * (1.0 + worse / degrees) + worse * floor;
    let possible = all.iter().filter(|l| l.rss <= most && l.slope * sign > 0.0);
    let safe = |line: &Line| {
        let sigma = (line.rss / degrees).max(floor).sqrt();
        let inside = |k: u32| {
            let x = last + f64::from(k);
            !beyond(line.at(x) + sign * t * line.prediction(x, sigma).hypot(bound.sigma))
        };
        (1..=HORIZON).take_while(|&k| inside(k)).count() as u32
    };
    let cautious = possible.map(safe).min().unwrap_or(0);
    Some(Left { expected, cautious })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp(n: usize, from: usize, slope: f64) -> Vec<At> {
        (0..n).map(|i| (i as f64, slope * i.saturating_sub(from) as f64)).collect()
    }

    fn lower(at: f64) -> Option<Bound> {
        Some(Bound { at, upper: false, sigma: 0.0 })
    }

    // Truth: closed form. Without scatter the crossing is known, and the cautious figure lies before it by the
    // rounding alone.
    #[test]
    fn a_clean_slope_is_read_off() {
        let values = ramp(20, 10, -0.15);
        let (course, left) = forecast(&values, lower(-6.0), 0.003);
        let Course::Slope(s) = course else { panic!("{course:?}") };
        assert!((s.per_check + 0.15).abs() < 1e-9 && (s.from - 10.0).abs() < 1e-9, "{s:?}");
        let left = left.expect("a limit ahead");
        // 6 dB at 0.15 dB a check are 40 checks from the tenth; nine of them have passed.
        assert!((left.expected - 31.0).abs() < 1e-6, "{left:?}");
        assert!(left.cautious >= 29 && left.cautious <= 31, "{left:?}");
        // A bound on the side from which it comes is none; one that was passed is told as passed.
        assert_eq!(
            forecast(&values, Some(Bound { at: 6.0, upper: true, sigma: 0.0 }), 0.003).1,
            None
        );
        let past = forecast(&values, lower(-1.0), 0.003).1.expect("passed");
        assert_eq!((past.expected, past.cautious), (0.0, 0));
    }

    // Truth: closed form. A step is no slope, scatter is no trend, and few values say nothing.
    #[test]
    fn a_step_or_scatter_is_no_slope() {
        let wiggle = |i: usize| 0.02 * f64::from((i * 7 % 5) as i32 - 2);
        let step: Vec<At> =
            (0..20).map(|i| (i as f64, wiggle(i) - if i >= 12 { 1.0 } else { 0.0 })).collect();
        let (course, left) = forecast(&step, lower(-6.0), 0.003);
        assert!(
            matches!(course, Course::Step { from, by } if from == 12.0 && (by + 1.0).abs() < 0.05),
            "{course:?}"
        );
        assert_eq!(left, None);
        let scatter: Vec<At> = (0..20).map(|i| (i as f64, wiggle(i))).collect();
        assert_eq!(forecast(&scatter, lower(-6.0), 0.003).0, Course::NoTrend);
        assert_eq!(forecast(&ramp(5, 0, -1.0), lower(-6.0), 0.003).0, Course::NoTrend);
    }
}
