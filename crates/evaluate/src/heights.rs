//! Heights of echoes counted by size: a few kilobytes however many there are.

use hdrhistogram::Histogram;

/// Heights are counted in millionths of full screen height.
const COUNTS: f64 = 1e6;
/// Two digits: a quantile is told within 1 %, far finer than what rests on it.
const DIGITS: u8 = 2;
/// Largest height counted, in full screens; larger ones count as this.
const LARGEST_FSH: f64 = 1e3;

/// Counted heights.
#[derive(Debug, Clone)]
pub(crate) struct Heights(Histogram<u32>);

impl Heights {
    pub fn new() -> Self {
        let largest = (LARGEST_FSH * COUNTS) as u64;
        Self(Histogram::new_with_bounds(1, largest, DIGITS).expect("the bounds are constants"))
    }

    /// Counts one; what is not a number counts as silence.
    pub fn add(&mut self, height_fsh: f64) {
        self.0.saturating_record((height_fsh.max(0.0) * COUNTS) as u64);
    }

    /// The height below which the given share lies, within 1 %; zero for none.
    pub fn quantile(&self, share: f64) -> f64 {
        let of = |share| self.0.value_at_quantile(share) as f64 / COUNTS;
        if self.0.is_empty() { 0.0 } else { of(share) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: the sorted heights themselves.
    #[test]
    fn quantiles_are_those_of_the_heights() {
        let mut heights = Heights::new();
        assert_eq!(heights.quantile(0.5), 0.0);
        for k in 1..=1000 {
            heights.add(f64::from(k) * 0.004);
        }
        heights.add(f64::NAN);
        for share in [0.25, 0.5, 0.75] {
            // 1 %: the digits kept.
            assert!((heights.quantile(share) / (4.0 * share) - 1.0).abs() < 0.012);
        }
    }
}
