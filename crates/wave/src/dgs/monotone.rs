//! Interpolation that makes no new extremes.

/// A curve through points, monotone wherever they are (piecewise cubic).
///
/// Source: Fritsch & Carlson, SIAM J. Numer. Anal. 17 (1980) 238, with the harmonic slopes of Fritsch &
/// Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Monotone {
    x: Vec<f64>,
    y: Vec<f64>,
    slope: Vec<f64>,
}

impl Monotone {
    /// Through points with rising x; a single point is a constant.
    pub(super) fn new(x: Vec<f64>, y: Vec<f64>) -> Self {
        let count = x.len().min(y.len());
        let steps: Vec<f64> = x.windows(2).map(|w| w[1] - w[0]).collect();
        let rises: Vec<f64> = y.windows(2).zip(&steps).map(|(w, h)| (w[1] - w[0]) / h).collect();
        let slope = (0..count)
            .map(|i| {
                if count < 2 {
                    return 0.0;
                }
                if i == 0 {
                    return rises[0];
                }
                if i == count - 1 {
                    return rises[i - 1];
                }
                let (a, b) = (rises[i - 1], rises[i]);
                if a * b <= 0.0 {
                    return 0.0;
                }
                let (left, right) = (steps[i - 1], steps[i]);
                let (w1, w2) = (2.0 * right + left, right + 2.0 * left);
                (w1 + w2) / (w1 / a + w2 / b)
            })
            .collect();
        Self { x, y, slope }
    }

    /// Value at a place; the end values outside.
    pub(super) fn at(&self, x: f64) -> f64 {
        let last = self.x.len() - 1;
        if last == 0 || x <= self.x[0] {
            return self.y[0];
        }
        if x >= self.x[last] {
            return self.y[last];
        }
        let i = self.x.partition_point(|&v| v <= x) - 1;
        let h = self.x[i + 1] - self.x[i];
        let t = (x - self.x[i]) / h;
        let (t2, t3) = (t * t, t * t * t);
        self.y[i] * (2.0 * t3 - 3.0 * t2 + 1.0)
            + self.slope[i] * h * (t3 - 2.0 * t2 + t)
            + self.y[i + 1] * (3.0 * t2 - 2.0 * t3)
            + self.slope[i + 1] * h * (t3 - t2)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // Truth: property. Points are kept, straight lines too, and no value leaves its two neighbours.
    #[test]
    fn points_and_lines_are_kept() {
        let line = Monotone::new(vec![0.0, 1.0, 3.0], vec![1.0, 3.0, 7.0]);
        for x in [0.0, 0.3, 1.0, 2.2, 3.0] {
            assert!((line.at(x) - (1.0 + 2.0 * x)).abs() < 1e-14);
        }
        assert_eq!(Monotone::new(vec![1.0], vec![5.0]).at(3.0), 5.0);
    }

    proptest! {
        #[test]
        fn no_overshoot(y in prop::collection::vec(-10.0_f64..10.0, 3..9), t in 0.0_f64..1.0) {
            let x: Vec<f64> = (0..y.len()).map(|i| (i as f64).powf(1.3)).collect();
            let curve = Monotone::new(x.clone(), y.clone());
            for i in 0..y.len() - 1 {
                let value = curve.at(x[i] + t * (x[i + 1] - x[i]));
                let (low, high) = (y[i].min(y[i + 1]), y[i].max(y[i + 1]));
                // Rounding.
                prop_assert!(value >= low - 1e-12 && value <= high + 1e-12);
            }
        }
    }
}
