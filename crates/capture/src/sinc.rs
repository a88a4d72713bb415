//! Band-limited interpolation of sampled traces.

use std::f64::consts::PI;

/// Zero crossings of the kernel to each side. With 8, signals up to 0.28 of the slower sampling
/// rate are passed to better than 0.2 %.
const CROSSINGS: f64 = 8.0;

/// A sinc under a Hann window. Where the new rate is below the old one it is stretched, so that
/// what the new rate cannot hold is taken out (Crochiere & Rabiner, *Multirate Digital Signal
/// Processing*, 1983, ch. 2).
#[derive(Debug)]
pub(crate) struct Sinc {
    stretch: f64,
    half: usize,
    fraction: f64,
    weights: Vec<f32>,
}

impl Sinc {
    /// For traces of one sampling rate that are read at another, both in Hz and positive.
    pub(crate) fn new(from_hz: f64, to_hz: f64) -> Self {
        let stretch = (from_hz / to_hz).max(1.0);
        let half = (CROSSINGS * stretch).ceil() as usize;
        Self { stretch, half, fraction: f64::NAN, weights: vec![0.0; 2 * half] }
    }

    /// Value of a trace at a position in samples; what lies outside the trace counts as zero.
    pub(crate) fn at(&mut self, trace: &[f32], position: f64) -> f32 {
        // A hair under a whole number is that number: the weights need not be made anew for it.
        let whole = (position + 1e-7).floor();
        self.set((position - whole).max(0.0));
        // The trace's sample under the first weight, and the weights that lie on the trace.
        let first = (whole as i64).saturating_sub(self.half as i64 - 1);
        let skip = usize::try_from(first.saturating_neg()).unwrap_or(0).min(self.weights.len());
        let start = usize::try_from(first).unwrap_or(0).min(trace.len());
        self.weights[skip..].iter().zip(&trace[start..]).map(|(w, x)| w * x).sum()
    }

    /// Weights for a fraction of a sample, kept while the fraction stays.
    fn set(&mut self, fraction: f64) {
        // 1e-6 of a sample moves nothing that single precision shows.
        if (fraction - self.fraction).abs() < 1e-6 {
            return;
        }
        self.fraction = fraction;
        let mut sum = 0.0;
        let mut exact = Vec::with_capacity(self.weights.len());
        for k in 0..2 * self.half {
            let x = (k as f64 + 1.0 - self.half as f64 - fraction) / self.stretch;
            let w = if x.abs() < CROSSINGS {
                sinc(x) * (PI * x / (2.0 * CROSSINGS)).cos().powi(2)
            } else {
                0.0
            };
            sum += w;
            exact.push(w);
        }
        for (w, x) in self.weights.iter_mut().zip(&exact) {
            *w = (x / sum) as f32;
        }
    }
}

fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn largest_error(from_hz: f64, to_hz: f64, signal_hz: f64) -> f32 {
        let wave = |t: f64| (2.0 * PI * signal_hz * t + 0.3).cos() as f32;
        let trace: Vec<f32> = (0..400).map(|i| wave(f64::from(i) / from_hz)).collect();
        let mut sinc = Sinc::new(from_hz, to_hz);
        (0..1000)
            .map(|i| 150.0 + 0.0971 * f64::from(i))
            .map(|p| (sinc.at(&trace, p) - wave(p / from_hz)).abs())
            .fold(0.0, f32::max)
    }

    // Truth: closed form (a cosine). 0.2 %: what CROSSINGS promises.
    #[test]
    fn waves_are_read_between_their_samples() {
        for signal in [0.1, 3.5, 5.0, 7.0] {
            assert!(largest_error(25.0, 25.0, signal) < 2e-3, "{signal}");
            assert!(largest_error(100.0, 25.0, signal) < 2e-3, "{signal}");
            assert!(largest_error(50.0, 100.0, signal) < 2e-3, "{signal}");
        }
    }

    // Truth: closed form. A wave above the new rate's reach would come back as another one.
    #[test]
    fn what_the_new_rate_cannot_hold_is_taken_out() {
        let trace: Vec<f32> =
            (0..400).map(|i| (2.0 * PI * 0.20 * f64::from(i)).cos() as f32).collect();
        let mut sinc = Sinc::new(100.0, 25.0);
        let left = (0..200)
            .map(|i| sinc.at(&trace, 150.0 + 0.31 * f64::from(i)).abs())
            .fold(0.0, f32::max);
        // Hann side lobes lie 44 dB down.
        assert!(left < 6e-3, "{left}");
    }

    #[test]
    fn outside_the_trace_is_silence() {
        let mut sinc = Sinc::new(25.0, 25.0);
        for position in [-1e9, -40.0, 30.0, 1e9] {
            assert_eq!(sinc.at(&[1.0; 10], position), 0.0);
        }
        assert_eq!(sinc.at(&[1.0; 10], 0.0), 1.0);
    }
}
