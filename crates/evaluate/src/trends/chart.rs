//! Control charts of one series: exponentially weighted moving average and tabular cumulative sum.
//!
//! Sources: NIST/SEMATECH e-Handbook 6.3.2.4 and 6.3.2.3; Lucas & Saccucci, Technometrics 32 (1990) 1;
//! Hawkins & Olwell, *Cumulative Sum Charts* (1998).

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::standard::Standard;

/// Weight of the newest value.
pub const WEIGHT: f64 = 0.2;
/// Allowance of the cumulative sum in standard deviations: half the shift that it is quickest for.
pub const ALLOWANCE: f64 = 0.5;
/// Decision interval of the cumulative sum in standard deviations.
pub const DECISION: f64 = 5.0;

/// One value in a chart; all figures in the unit of the series, sums in standard deviations.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Charted {
    /// The weighted average after this value.
    pub average: f64,
    /// Distance of the limits from the centre at this value.
    pub limit: f64,
    /// Sum of what lies above the centre by more than the allowance.
    pub above: f64,
    /// The same below.
    pub below: f64,
}

/// A chart of the values after the stretch that its standard comes from.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Chart {
    /// Centre and spread in control.
    pub standard: Standard,
    /// One entry for each value charted.
    pub values: Vec<Charted>,
}

/// Charts values against a standard. `chance` is the chance with which a value in control may lie outside
/// the limits of the average, both sides together.
///
/// The limits are those of a normal average for a chance known, widened for what ten checks do not tell:
/// the centre's own uncertainty adds to the variance, and Student's distribution stands in for the normal
/// one because the spread is estimated. They open with the first values, as the average's variance does.
#[must_use]
pub fn chart(standard: Standard, values: &[f64], chance: f64) -> Chart {
    let wide = quantile(standard.degrees, chance);
    let s = standard.sigma;
    let (mut above, mut below) = (0.0_f64, 0.0_f64);
    let values = values
        .iter()
        .zip(averages(standard.centre, WEIGHT, values))
        .enumerate()
        .map(|(i, (&x, average))| {
            let z = if s > 0.0 { (x - standard.centre) / s } else { 0.0 };
            above = (above + z - ALLOWANCE).max(0.0);
            below = (below - z - ALLOWANCE).max(0.0);
            let kept = (1.0 - WEIGHT).powi(i as i32 + 1);
            let own = WEIGHT / (2.0 - WEIGHT) * (1.0 - kept * kept);
            let centre = (1.0 - kept).powi(2) / standard.values as f64;
            Charted { average, limit: wide * s * (own + centre).sqrt(), above, below }
        })
        .collect();
    Chart { standard, values }
}

/// The same for a spread that is known.
#[must_use]
pub fn sigmas(chance: f64) -> f64 {
    quantile(f64::INFINITY, chance)
}

/// The weighted average after each value, from the centre on.
fn averages(centre: f64, weight: f64, values: &[f64]) -> Vec<f64> {
    values
        .iter()
        .scan(centre, |average, &x| {
            *average += weight * (x - *average);
            Some(*average)
        })
        .collect()
}

/// Distance that a value in control exceeds with a chance, both sides together, in standard deviations
/// estimated with so many degrees of freedom.
fn quantile(degrees: f64, chance: f64) -> f64 {
    let share = 1.0 - chance / 2.0;
    // Beyond a thousand degrees the two agree to a thousandth.
    if degrees < 1000.0
        && let Ok(t) = StudentsT::new(0.0, 1.0, degrees)
    {
        return t.inverse_cdf(share);
    }
    Normal::standard().inverse_cdf(share)
}

impl Chart {
    /// Whether the average stands outside its limits at a value.
    #[must_use]
    pub fn outside(&self, at: usize) -> bool {
        self.values.get(at).is_some_and(|v| (v.average - self.standard.centre).abs() > v.limit)
    }

    /// Whether it does so at the last value.
    #[must_use]
    pub fn is_out(&self) -> bool {
        self.values.len().checked_sub(1).is_some_and(|last| self.outside(last))
    }

    /// First value of the run with which the average went outside, where it is outside now.
    #[must_use]
    pub fn called_at(&self) -> Option<usize> {
        let inside = (0..self.values.len()).rev().take_while(|&i| self.outside(i));
        inside.last()
    }

    /// Value with which the shift began that stands at the end, as the cumulative sum of its side tells: the
    /// one after its last nought (Montgomery, *Statistical Quality Control*, the counter N). `None`
    /// where that sum is nought.
    #[must_use]
    pub fn shift_from(&self) -> Option<usize> {
        let last = self.values.last()?;
        let up = last.average >= self.standard.centre;
        let sum = |v: &Charted| if up { v.above } else { v.below };
        let rising = self.values.iter().rev().take_while(|v| sum(v) > 0.0).count();
        (rising > 0).then(|| self.values.len() - rising)
    }

    /// Whether the cumulative sum of either side passed the decision interval by the last value.
    #[must_use]
    pub fn sum_is_out(&self) -> bool {
        self.values.last().is_some_and(|v| v.above.max(v.below) > DECISION)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn known(centre: f64, sigma: f64) -> Standard {
        // A centre and a spread that are known: no widening.
        Standard { centre, sigma, degrees: f64::INFINITY, values: usize::MAX }
    }

    // Truth: published. NIST/SEMATECH e-Handbook 6.3.2.4: target 50, s = 2.0539, weight 0.3, limits 3
    // (printed averages and limits; from memory, the arithmetic agrees). The weight here is 0.2, so the
    // recurrence is held to the printed series by itself, and the limit formula with its weight.
    #[test]
    fn the_average_is_that_of_the_handbook() {
        let x = [
            52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
            47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
        ];
        let printed = [
            50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
            49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
        ];
        let got = averages(50.0, 0.3, &x);
        for (a, b) in got.iter().zip(printed) {
            // Printed to a hundredth, from rounded predecessors.
            assert!((a - b).abs() < 0.011, "{a}, not {b}");
        }
        let limit = 3.0 * 2.0539 * (0.3_f64 / 1.7).sqrt();
        assert!((50.0 + limit - 52.5884).abs() < 1e-3);
    }

    // Truth: published. NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k = 0.3175, sums after the
    // groups named (from memory, the arithmetic agrees); sums there are in the unit of the data.
    #[test]
    fn the_sums_are_those_of_the_handbook() {
        let x = [
            324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225,
            324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775,
            326.875, 328.350,
        ];
        // Allowance here is half a standard deviation, there 0.3175: a spread of 0.635.
        let c = chart(known(325.0, 0.635), &x, 0.01);
        let unit = 0.635;
        for (group, above, below) in [
            (4, 0.0, 0.33),
            (7, 0.0, 0.56),
            (8, 0.0, 0.72),
            (12, 0.0, 0.0),
            (13, 3.01, 0.0),
            (14, 4.94, 0.0),
            (20, 19.04, 0.0),
        ] {
            let v = c.values[group - 1];
            assert!((v.above * unit - above).abs() < 0.011, "{group}: {v:?}");
            assert!((v.below * unit - below).abs() < 0.011, "{group}: {v:?}");
        }
        // The shift began with group 13.
        assert_eq!(c.shift_from(), Some(12));
        assert!(c.is_out() && c.sum_is_out());
    }

    // Truth: closed form. With all known, limits go to L sigma sqrt(w / (2 - w)).
    #[test]
    fn limits_open_to_their_steady_value() {
        let c = chart(known(0.0, 1.0), &vec![0.0; 60], 0.0027);
        let steady = 3.0 * (WEIGHT / (2.0 - WEIGHT)).sqrt();
        // 0.0027 is 3 standard deviations to 0.0001.
        assert!((c.values[59].limit / steady - 1.0).abs() < 1e-4);
        assert!((c.values[0].limit / (3.0 * WEIGHT) - 1.0).abs() < 1e-4);
        assert!(!c.is_out() && c.called_at().is_none() && c.shift_from().is_none());
    }
}
