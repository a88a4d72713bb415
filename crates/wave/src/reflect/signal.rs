//! From the spectrum of an echo to its time signal.

use num_complex::Complex64;
use rustfft::FftPlanner;
use std::f64::consts::TAU;

use super::finding::EchoFinding;
use crate::cylinder::peak_envelope;
use crate::error::{Result, WaveError, positive};
use crate::pulse::Pulse;

/// What a beam receives of a reflector, in m of unit transfer per unit of the pulse's spectrum.
#[derive(Debug, Clone, PartialEq)]
pub struct EchoSpectrum {
    /// Frequencies in Hz, evenly spaced.
    pub frequencies_hz: Vec<f64>,
    /// The spectrum at each (time factor exp(-iωt), from time zero of the laws).
    pub values: Vec<Complex64>,
    /// Damping of the frequencies in 1/s; time signals have it taken out.
    pub damping_1_s: f64,
    /// What to know about it.
    pub findings: Vec<EchoFinding>,
}

/// The strongest moment of an echo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Peak of the envelope in m of unit transfer, for a pulse of unit peak.
    pub amplitude_m: f64,
    /// When it occurs, in s from time zero of the laws.
    pub time_s: f64,
}

impl Peak {
    /// Level in dB re 1 m of unit transfer; -400 dB for none.
    #[must_use]
    pub fn level_db(&self) -> f64 {
        20.0 * self.amplitude_m.max(1e-20).log10()
    }
}

impl EchoSpectrum {
    /// Itself if every value is a number.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] with the frequency of the first value that is none: a field or an
    /// axial factor was not finite there.
    pub fn finite(self) -> Result<Self> {
        let bad = self.values.iter().position(|v| !v.is_finite());
        match bad.and_then(|i| self.frequencies_hz.get(i)) {
            None => Ok(self),
            Some(&value) => Err(WaveError::OutOfRange {
                what: "a frequency at which the field or the axial factor is no number",
                value,
                unit: "Hz",
                expected: "one at which both are finite",
            }),
        }
    }

    /// Peak of the envelope for a pulse, within one record (one over the frequency step) from
    /// `earliest_s` on. The signal repeats itself after a record: nothing earlier may belong to the
    /// echo, and nothing that matters may come later.
    ///
    /// # Errors
    /// [`WaveError::Count`] for fewer than two frequencies or a list of values that does not match;
    /// [`WaveError::OutOfRange`] for frequencies that are not evenly spaced, or a time that is not
    /// finite.
    pub fn peak(&self, pulse: &Pulse, earliest_s: f64) -> Result<Peak> {
        let (step_hz, weighted) = self.weighted(pulse, earliest_s)?;
        // Eight times the critical rate of the envelope: the parabola in the logarithm of a Gaussian
        // is then exact to its non-Gaussian remainder.
        let count = (8 * weighted.len()).next_power_of_two();
        let mut buffer = weighted;
        buffer.resize(count, Complex64::ZERO);
        FftPlanner::new().plan_fft_forward(count).process(&mut buffer);
        let spacing_s = 1.0 / (step_hz * count as f64);
        for (j, z) in buffer.iter_mut().enumerate() {
            *z *= (self.damping_1_s * (earliest_s + j as f64 * spacing_s)).exp();
        }
        let (amplitude_m, place) = peak_envelope(&buffer);
        Ok(Peak { amplitude_m, time_s: earliest_s + place * spacing_s })
    }

    /// Analytic signal for a pulse of unit peak, in m of unit transfer: the real part is the signal,
    /// the modulus the envelope.
    ///
    /// # Errors
    /// As [`Self::peak`]; [`WaveError::OutOfRange`] for a rate that is not positive.
    pub fn analytic(
        &self,
        pulse: &Pulse,
        start_s: f64,
        rate_hz: f64,
        samples: usize,
    ) -> Result<Vec<Complex64>> {
        positive("the sampling rate", rate_hz, "Hz")?;
        let (step_hz, weighted) = self.weighted(pulse, start_s)?;
        let turn = |cycles: f64| Complex64::from_polar(1.0, -TAU * cycles.fract());
        let first = self.frequencies_hz[0];
        Ok((0..samples)
            .map(|j| {
                let t = j as f64 / rate_hz;
                let step = turn(step_hz * t);
                let sum = weighted.iter().rev().fold(Complex64::ZERO, |sum, x| sum * step + x);
                sum * turn(first * t) * (self.damping_1_s * (start_s + t)).exp()
            })
            .collect())
    }

    /// Frequency step, and the spectrum times that of a pulse of unit peak, seen from a start time.
    fn weighted(&self, pulse: &Pulse, start_s: f64) -> Result<(f64, Vec<Complex64>)> {
        let step_hz = even_step_hz(&self.frequencies_hz)?;
        if self.values.len() != self.frequencies_hz.len() {
            return Err(WaveError::Count {
                what: "values of a spectrum",
                got: self.values.len(),
                need: self.frequencies_hz.len(),
            });
        }
        if !start_s.is_finite() {
            let (what, value) = ("the start of the signal", start_s);
            return Err(WaveError::OutOfRange { what, value, unit: "s", expected: "finite" });
        }
        let sigma = pulse.sigma_hz();
        let scale = step_hz / (sigma * TAU.sqrt());
        let weighted = self.values.iter().zip(&self.frequencies_hz).map(|(value, &f)| {
            let x = (Complex64::new(f, self.damping_1_s / TAU) - pulse.centre_hz) / sigma;
            let turn = Complex64::from_polar(scale, -TAU * (f * start_s).fract());
            value * (-0.5 * x * x).exp() * turn
        });
        Ok((step_hz, weighted.collect()))
    }
}

/// Frequencies in Hz for a pulse in a record of a length in s: the multiples of one over that length
/// at which the pulse has more than 3e-4 (four standard deviations) of its peak, from a twentieth of
/// its centre on.
///
/// # Errors
/// [`WaveError::OutOfRange`] for a record that is not positive, or so short that fewer than eight
/// frequencies fall into the pulse's band.
pub fn pulse_frequencies_hz(pulse: &Pulse, record_s: f64) -> Result<Vec<f64>> {
    let step = 1.0 / positive("the length of the record", record_s, "s")?;
    let reach = 4.0 * pulse.sigma_hz();
    let low = (pulse.centre_hz - reach).max(0.05 * pulse.centre_hz);
    let (first, last) = ((low / step).ceil(), ((pulse.centre_hz + reach) / step).floor());
    if last - first < 7.0 || last - first > 1e7 {
        return Err(WaveError::OutOfRange {
            what: "the length of the record",
            value: record_s,
            unit: "s",
            expected: "some periods of the pulse, and below 1e7 of them",
        });
    }
    Ok((0..=(last - first) as usize).map(|k| (first + k as f64) * step).collect())
}

fn even_step_hz(frequencies_hz: &[f64]) -> Result<f64> {
    let count = frequencies_hz.len();
    if count < 2 {
        return Err(WaveError::Count { what: "frequencies of the echo", got: count, need: 2 });
    }
    let step = (frequencies_hz[count - 1] - frequencies_hz[0]) / (count - 1) as f64;
    let uneven = |(k, f): (usize, &f64)| {
        !((f - frequencies_hz[0] - k as f64 * step).abs() <= 1e-6 * step && step > 0.0)
    };
    match frequencies_hz.iter().enumerate().find(|&(k, f)| uneven((k, f))) {
        Some((_, &value)) => Err(WaveError::OutOfRange {
            what: "a frequency of the echo",
            value,
            unit: "Hz",
            expected: "evenly spaced with the others, rising",
        }),
        None => Ok(step),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn delayed(pulse: &Pulse, record_s: f64, time_s: f64, damping_1_s: f64) -> EchoSpectrum {
        let frequencies_hz = pulse_frequencies_hz(pulse, record_s).expect("a band");
        let values = frequencies_hz
            .iter()
            .map(|f| {
                let angular = Complex64::new(TAU * f, damping_1_s);
                (Complex64::i() * angular * time_s).exp() * 2e-3
            })
            .collect();
        EchoSpectrum { frequencies_hz, values, damping_1_s, findings: Vec::new() }
    }

    // Truth: closed form. A delayed copy of the pulse has its peak, its time and its shape, damped
    // or not. 4e-4: the band is cut at four standard deviations.
    #[test]
    fn a_delay_is_a_delay() {
        let pulse = Pulse::new(5e6, 0.6).expect("a pulse");
        for damping in [0.0, 2e5] {
            let echo = delayed(&pulse, 20e-6, 33.337e-6, damping);
            let peak = echo.peak(&pulse, 25e-6).expect("a peak");
            assert!((peak.amplitude_m / 2e-3 - 1.0).abs() < 4e-4, "{}", peak.amplitude_m);
            assert!((peak.time_s - 33.337e-6).abs() < 1e-9, "{}", peak.time_s);
            assert!((peak.level_db() + 53.979).abs() < 0.01);
            let signal = echo.analytic(&pulse, 33e-6, 1e8, 60).expect("a signal");
            for (j, z) in signal.iter().enumerate() {
                let want = pulse.analytic(j as f64 / 1e8 - 0.337e-6) * 2e-3;
                assert!((z - want).norm() < 8e-4 * 2e-3, "{j}: {z} {want}");
            }
        }
    }

    #[test]
    fn what_is_no_spectrum_is_refused() {
        let pulse = Pulse::new(5e6, 0.6).expect("a pulse");
        assert!(pulse_frequencies_hz(&pulse, 0.0).is_err());
        assert!(pulse_frequencies_hz(&pulse, 1e-7).is_err());
        let mut echo = delayed(&pulse, 20e-6, 1e-6, 0.0);
        assert!(echo.peak(&pulse, f64::NAN).is_err());
        assert!(echo.analytic(&pulse, 0.0, 0.0, 10).is_err());
        echo.frequencies_hz[3] += 1e3;
        assert!(echo.peak(&pulse, 0.0).is_err());
        echo.frequencies_hz.truncate(1);
        assert!(echo.peak(&pulse, 0.0).is_err());
    }
}
