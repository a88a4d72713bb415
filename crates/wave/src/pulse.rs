//! The Gaussian pulse that stands for transmitter, element and receiver together.

use std::f64::consts::{LN_2, PI};

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::error::{Result, WaveError, positive};

/// exp(-t²/(2σ²)) cos(2π f₀ t): unit peak of the envelope at time zero.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Pulse {
    /// Centre frequency in Hz.
    pub centre_hz: f64,
    /// Full width of the spectrum at half amplitude (-6 dB) over the centre frequency.
    pub bandwidth_rel: f64,
}

impl Pulse {
    /// A pulse after checking its numbers; relative bandwidths up to two.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a frequency that is not positive or a bandwidth outside (0, 2].
    pub fn new(centre_hz: f64, bandwidth_rel: f64) -> Result<Self> {
        positive("the centre frequency", centre_hz, "Hz")?;
        if bandwidth_rel > 0.0 && bandwidth_rel <= 2.0 {
            return Ok(Self { centre_hz, bandwidth_rel });
        }
        Err(WaveError::OutOfRange {
            what: "the relative -6 dB bandwidth",
            value: bandwidth_rel,
            unit: "",
            expected: "above 0 and at most 2",
        })
    }

    /// Standard deviation of the amplitude spectrum in Hz: B f₀ / (2 √(2 ln 2)).
    #[must_use]
    pub fn sigma_hz(&self) -> f64 {
        self.bandwidth_rel * self.centre_hz / (2.0 * (2.0 * LN_2).sqrt())
    }

    /// Standard deviation of the envelope in s.
    #[must_use]
    pub fn sigma_s(&self) -> f64 {
        1.0 / (2.0 * PI * self.sigma_hz())
    }

    /// Amplitude spectrum of the analytic signal, one at the centre frequency; real, since the pulse
    /// is centred on time zero.
    #[must_use]
    pub fn spectrum(&self, f_hz: f64) -> f64 {
        let x = (f_hz - self.centre_hz) / self.sigma_hz();
        (-0.5 * x * x).exp()
    }

    /// Analytic signal at a time in s (time factor exp(-iωt)); its modulus is the envelope, its real
    /// part the pulse.
    #[must_use]
    pub fn analytic(&self, t_s: f64) -> Complex64 {
        let x = t_s / self.sigma_s();
        Complex64::from_polar((-0.5 * x * x).exp(), -2.0 * PI * self.centre_hz * t_s)
    }

    /// Time in s between the points where the envelope stands `drop_db` (positive) below its peak.
    #[must_use]
    pub fn duration_s(&self, drop_db: f64) -> f64 {
        2.0 * self.sigma_s() * (2.0 * drop_db.max(0.0) * std::f64::consts::LN_10 / 20.0).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed form (definition of the bandwidth; Fourier pair of a Gaussian).
    #[test]
    fn half_amplitude_where_the_bandwidth_says() {
        let pulse = Pulse::new(5e6, 0.6).expect("a pulse");
        for side in [-1.0, 1.0] {
            assert!((pulse.spectrum(5e6 * (1.0 + side * 0.3)) - 0.5).abs() < 1e-14);
        }
        assert!(
            (pulse.analytic(pulse.duration_s(6.0) / 2.0).norm() - 10f64.powf(-0.3)).abs() < 1e-12
        );
        // Fourier sum of the spectrum; 1e-12: Gaussian tails cut at 8 sigma (1e-14).
        let (df, t) = (pulse.sigma_hz() / 20.0, 0.7 / 5e6);
        let sum: Complex64 = (-160..=160)
            .map(|i| {
                let f = 5e6 + f64::from(i) * df;
                Complex64::from_polar(pulse.spectrum(f), -2.0 * PI * f * t)
            })
            .sum();
        let scale = df / (pulse.sigma_hz() * (2.0 * PI).sqrt());
        assert!((sum * scale - pulse.analytic(t)).norm() < 1e-12);
    }

    #[test]
    fn meaningless_pulses_are_refused() {
        assert!(Pulse::new(0.0, 0.5).is_err());
        for b in [0.0, -0.1, 2.1, f64::NAN] {
            assert!(Pulse::new(5e6, b).is_err());
        }
    }
}
