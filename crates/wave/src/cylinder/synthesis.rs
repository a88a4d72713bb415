//! From spectra to time signals.

use num_complex::Complex64;
use rustfft::{Fft, FftPlanner};
use std::f64::consts::TAU;
use std::sync::Arc;

use crate::error::{Result, WaveError, positive};

use super::band::CylinderBand;
use super::limits::{check_growth, check_samples};

/// Turns spectra over a band into signals on a time grid, removing the band's damping.
///
/// The signal is `z(t) = ∫ X(f) exp(-2πi f t) df`, summed over the band's (evenly spaced)
/// frequencies; the record repeats after one over their spacing.
pub struct Synthesis {
    frequencies_hz: Vec<f64>,
    step_hz: f64,
    damping_1_s: f64,
    start_s: f64,
    rate_hz: f64,
    samples: usize,
    /// Present where the sampling rate is a whole number of frequency steps.
    fft: Option<Arc<dyn Fft<f64>>>,
}

impl Synthesis {
    /// A grid of `samples` times from `start_s` on, `rate_hz` of them a second.
    ///
    /// Fast if `rate_hz` is a whole multiple of the band's frequency step.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] if the band's frequencies are not evenly spaced, the rate is not
    /// positive or below twice the highest frequency, or the record is longer than one over the
    /// frequency step or than 67 108 864 samples, or the damping taken out is more than 300 neper.
    pub fn new(band: &CylinderBand, start_s: f64, rate_hz: f64, samples: usize) -> Result<Self> {
        let frequencies_hz = band.frequencies_hz().to_vec();
        let step_hz = even_step_hz(&frequencies_hz)?;
        positive("the sampling rate", rate_hz, "Hz")?;
        let top = frequencies_hz[frequencies_hz.len() - 1];
        if rate_hz < 2.0 * top {
            return Err(WaveError::OutOfRange {
                what: "the sampling rate",
                value: rate_hz,
                unit: "Hz",
                expected: "at least twice the highest frequency of the band",
            });
        }
        let record_s = samples as f64 / rate_hz;
        if !start_s.is_finite() || record_s > (1.0 + 1e-9) / step_hz {
            return Err(WaveError::OutOfRange {
                what: "the record length",
                value: record_s,
                unit: "s",
                expected: "at most one over the frequency step, from a finite start",
            });
        }
        check_growth(band.damping_1_s(), start_s.abs() + record_s)?;
        let period = rate_hz / step_hz;
        check_samples("the samples of one period of the record", period)?;
        check_samples("the samples of the record", samples as f64)?;
        let whole = (period - period.round()).abs() < 1e-9 * period;
        let fft = whole.then(|| FftPlanner::new().plan_fft_forward(period.round() as usize));
        Ok(Self {
            frequencies_hz,
            step_hz,
            damping_1_s: band.damping_1_s(),
            start_s,
            rate_hz,
            samples,
            fft,
        })
    }

    /// Time of a sample in seconds.
    #[must_use]
    pub fn time_s(&self, sample: usize) -> f64 {
        self.start_s + sample as f64 / self.rate_hz
    }

    /// Analytic signal: its real part is the signal, its magnitude the envelope.
    ///
    /// # Errors
    /// [`WaveError::Count`] if the spectrum does not fit the band.
    pub fn analytic(&self, spectrum: &[Complex64]) -> Result<Vec<Complex64>> {
        if spectrum.len() != self.frequencies_hz.len() {
            return Err(WaveError::Count {
                what: "values of a spectrum",
                got: spectrum.len(),
                need: self.frequencies_hz.len(),
            });
        }
        // exp(-2πi f t) with f = f0 + k step, t = start + j/rate: a turn per sample for f0, a turn
        // per frequency for the start, and a Fourier sum over k j.
        let turn = |cycles: f64| Complex64::from_polar(1.0, -TAU * cycles.fract());
        let shifted: Vec<Complex64> = spectrum
            .iter()
            .zip(&self.frequencies_hz)
            .map(|(x, f)| x * turn(f * self.start_s) * self.step_hz)
            .collect();
        let mut sum = match &self.fft {
            Some(fft) => {
                let mut buffer = shifted;
                buffer.resize(fft.len(), Complex64::ZERO);
                fft.process(&mut buffer);
                buffer.truncate(self.samples);
                buffer
            }
            None => (0..self.samples)
                .map(|j| {
                    let step = turn(self.step_hz * j as f64 / self.rate_hz);
                    shifted.iter().rev().fold(Complex64::ZERO, |sum, x| sum * step + x)
                })
                .collect(),
        };
        for (j, value) in sum.iter_mut().enumerate() {
            let undamped = (self.damping_1_s * self.time_s(j)).exp();
            *value *= turn(self.frequencies_hz[0] * j as f64 / self.rate_hz) * undamped;
        }
        Ok(sum)
    }

    /// Samples of the signal (radio frequency, not rectified).
    ///
    /// # Errors
    /// As [`Self::analytic`].
    pub fn signal(&self, spectrum: &[Complex64]) -> Result<Vec<f64>> {
        Ok(self.analytic(spectrum)?.into_iter().map(|z| z.re).collect())
    }
}

/// Spacing of evenly spaced frequencies; that of a single one is its own value.
pub(super) fn even_step_hz(frequencies_hz: &[f64]) -> Result<f64> {
    let count = frequencies_hz.len();
    if count < 2 {
        return Err(WaveError::Count { what: "frequencies of the band", got: count, need: 2 });
    }
    let step = (frequencies_hz[count - 1] - frequencies_hz[0]) / (count - 1) as f64;
    for (k, &f) in frequencies_hz.iter().enumerate() {
        if (f - frequencies_hz[0] - k as f64 * step).abs() > 1e-6 * step {
            return Err(WaveError::OutOfRange {
                what: "a frequency of the band",
                value: f,
                unit: "Hz",
                expected: "evenly spaced with the others",
            });
        }
    }
    Ok(step)
}

/// Largest magnitude of a sampled analytic signal that repeats itself, and its place in samples.
///
/// Between the samples a parabola through the logarithms of three magnitudes is followed, which is
/// exact for a Gaussian pulse.
#[must_use]
pub fn peak_envelope(samples: &[Complex64]) -> (f64, f64) {
    let mut best = (0, 0.0);
    for (j, z) in samples.iter().enumerate() {
        let size = z.norm_sqr();
        if size > best.1 {
            best = (j, size);
        }
    }
    let (j, size) = best;
    let count = samples.len();
    if count < 3 || size <= 0.0 {
        return (size.sqrt(), j as f64);
    }
    let before = samples[(j + count - 1) % count].norm_sqr();
    let after = samples[(j + 1) % count].norm_sqr();
    if before <= 0.0 || after <= 0.0 {
        return (size.sqrt(), j as f64);
    }
    let (left, middle, right) = (before.ln() / 2.0, size.ln() / 2.0, after.ln() / 2.0);
    let bend = left - 2.0 * middle + right;
    if bend >= 0.0 {
        return (size.sqrt(), j as f64);
    }
    let shift = 0.5 * (left - right) / bend;
    ((middle - 0.25 * (left - right) * shift).exp(), j as f64 + shift)
}
