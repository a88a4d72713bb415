//! Pulse-echo response: transmit field times receive field over the band of the pulse, at few lines.
//!
//! Cheaper than a sampled envelope, for plans that ask at many thousand places.

use std::f64::consts::PI;

use num_complex::Complex64;

use super::arrivals::Arrivals;
use super::{Aperture, Arrival, RayFlags, RayMedium};
use crate::error::{Result, WaveError};
use crate::geometry::Point;
use crate::media::Mode;
use crate::pulse::Pulse;
use crate::section::Faces;

/// Frequencies of the band: the centre and three either side, 0.75 standard deviations apart. Their
/// sum repeats after 4/3 of 1/σ (about 1 µs at 5 MHz and 60 %), longer than any spread of arrivals
/// that adds up to an echo worth counting.
const LINES: usize = 7;
const STEP_SIGMAS: f64 = 0.75;

/// Product of transmit and receive field at a point over the band of a pulse of unit peak.
///
/// Attenuation acts on every line, over the mean way in the steel; amplitudes other than that and
/// phase are those at the centre frequency. For a small reflector that is
/// closer than it looks: two line sources fall with 1/f, its own strength rises with f.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoWay {
    /// Product at the lines, weighted with the pulse's spectrum; phases about `mean_s`.
    lines: [Complex64; LINES],
    centre_hz: f64,
    step_hz: f64,
    /// Mean arrival there and back, laws included, in s from time zero of the laws. All means weigh
    /// the elements by their amplitudes.
    pub mean_s: f64,
    /// Mean one-way path in the water in m; 0 in contact.
    pub water_m: f64,
    /// Mean one-way path in the steel in m.
    pub steel_m: f64,
    /// Mean direction in which the sound arrives at the point: angle from +x in rad.
    pub heading_rad: f64,
    /// Where the answer is not to be trusted.
    pub flags: RayFlags,
}

/// Transmit field times receive field of an aperture at a point, over the band of a pulse; the
/// aperture's delays are those of transmission.
///
/// # Errors
/// Those of [`super::field`]; [`WaveError::Count`] for receive delays that do not match.
pub fn two_way(
    section: &(impl Faces + ?Sized),
    medium: &RayMedium,
    aperture: &Aperture,
    receive_s: &[f64],
    mode: Mode,
    pulse: &Pulse,
    point: Point,
) -> Result<TwoWay> {
    let arrivals = Arrivals::through(section, medium, aperture, mode, pulse.centre_hz, point)?;
    TwoWay::of(&arrivals, aperture, receive_s, pulse, point)
}

impl TwoWay {
    pub(super) fn of(
        found: &Arrivals,
        aperture: &Aperture,
        receive_s: &[f64],
        pulse: &Pulse,
        point: Point,
    ) -> Result<Self> {
        let (arrivals, flags) = (found.list.as_slice(), found.flags);
        Pulse::new(pulse.centre_hz, pulse.bandwidth_rel)?;
        let need = aperture.elements.len();
        if receive_s.len() != need {
            let got = receive_s.len();
            return Err(WaveError::Count { what: "receive delays of the aperture", got, need });
        }
        if let Some(value) = receive_s.iter().copied().find(|d| !d.is_finite()) {
            let (what, unit, expected) = ("the receive delay of an element", "s", "finite");
            return Err(WaveError::OutOfRange { what, value, unit, expected });
        }
        let band = Band { centre_hz: pulse.centre_hz, step_hz: STEP_SIGMAS * pulse.sigma_hz() };
        let sent = band.field(arrivals, |_| 0.0);
        let got = if aperture.delays_s == receive_s {
            sent
        } else {
            band.field(arrivals, |i| receive_s[i] - aperture.delays_s[i])
        };
        let steel_m = mean(arrivals, |a| a.steel_m);
        let alpha = |f: f64| found.attenuation.np_m(found.mode, f);
        let at_centre = alpha(band.centre_hz);
        let mut weights = spectrum();
        for (k, weight) in weights.iter_mut().enumerate() {
            // Lines below zero, of very wide bands, are not attenuated.
            let f = (band.centre_hz + offset(k) * band.step_hz).max(0.0);
            // There and back.
            *weight *= (-2.0 * steel_m * (alpha(f) - at_centre)).exp();
        }
        let heading = arrivals.iter().fold(Point::default(), |sum, a| {
            let leg = point - a.entry;
            let length = leg.radius();
            if length > 0.0 { sum + leg * (strength(a) / length) } else { sum }
        });
        Ok(Self {
            lines: std::array::from_fn(|k| sent.lines[k] * got.lines[k] * weights[k]),
            centre_hz: band.centre_hz,
            step_hz: band.step_hz,
            mean_s: sent.mean_s + got.mean_s,
            water_m: mean(arrivals, |a| a.water_m),
            steel_m,
            heading_rad: heading.angle(),
            flags,
        })
    }

    /// The sum of responses at several points, each weighted, for reflectors longer than a point;
    /// means and flags are those of the first. `None` for an empty list.
    ///
    /// Expects responses of one pulse.
    #[must_use]
    pub fn sum(parts: &[(Self, f64)]) -> Option<Self> {
        let mut whole = parts.first()?.0;
        whole.lines = [Complex64::ZERO; LINES];
        for (part, weight) in parts {
            let late = part.mean_s - whole.mean_s;
            for (k, (to, from)) in whole.lines.iter_mut().zip(&part.lines).enumerate() {
                let f = part.centre_hz + offset(k) * part.step_hz;
                *to += from * Complex64::from_polar(*weight, 2.0 * PI * f * late);
            }
        }
        Some(whole)
    }

    /// The response with every line multiplied by a factor of its frequency in Hz: what the third
    /// dimension or a reflector adds.
    #[must_use]
    pub fn shaped(mut self, factor: impl Fn(f64) -> Complex64) -> Self {
        for (k, line) in self.lines.iter_mut().enumerate() {
            *line *= factor(self.centre_hz + offset(k) * self.step_hz);
        }
        self
    }

    /// Peak of the envelope and its time in s from time zero of the laws.
    ///
    /// Looked for about the mean arrival, uphill as far as the lines tell times apart.
    #[must_use]
    pub fn peak(&self) -> (f64, f64) {
        // About a third of the envelope's standard deviation.
        let step = 0.3 / (self.step_hz * LINES as f64);
        let value = |i: i32| self.envelope(f64::from(i) * step);
        let start = (-2..=2).map(|i| (i, value(i))).max_by(|a, b| a.1.total_cmp(&b.1));
        let (mut best, mut here) = start.unwrap_or((0, 0.0));
        // Half the time after which the lines repeat.
        let far = (0.5 / (self.step_hz * step)).floor() as i32;
        let (mut left, mut right) = (value(best - 1), value(best + 1));
        while best.abs() < far && (left > here || right > here) {
            if right > left {
                best += 1;
                (left, here, right) = (here, right, value(best + 1));
            } else {
                best -= 1;
                (left, here, right) = (value(best - 1), left, here);
            }
        }
        let at = |shift: f64| self.mean_s + (f64::from(best) + shift) * step;
        // Parabola through three samples of the envelope.
        let bend = left - 2.0 * here + right;
        if bend >= 0.0 || left > here || right > here {
            return (here, at(0.0));
        }
        let shift = 0.5 * (left - right) / bend;
        (here - 0.25 * (left - right) * shift, at(shift))
    }

    fn envelope(&self, t_s: f64) -> f64 {
        let turn = Complex64::from_polar(1.0, -2.0 * PI * self.step_hz * t_s);
        // Horner's rule; the phase of the first line does not change the modulus.
        self.lines.iter().rev().fold(Complex64::ZERO, |sum, z| sum * turn + z).norm()
    }
}

/// The lines at which a field is taken.
#[derive(Clone, Copy)]
struct Band {
    centre_hz: f64,
    step_hz: f64,
}

/// One-way field at the lines, phases about its mean arrival.
#[derive(Clone, Copy)]
struct OneWay {
    lines: [Complex64; LINES],
    mean_s: f64,
}

impl Band {
    /// Sum of the arrivals, each `extra` of its element later than it says.
    fn field(&self, arrivals: &[Arrival], extra: impl Fn(usize) -> f64) -> OneWay {
        let mean_s = mean(arrivals, |a| a.time_s + extra(a.element));
        let lowest = self.centre_hz + offset(0) * self.step_hz;
        let mut lines = [Complex64::ZERO; LINES];
        for a in arrivals {
            let late = 2.0 * PI * (a.time_s + extra(a.element) - mean_s);
            let mut z = a.amplitude * Complex64::from_polar(a.directivity, lowest * late);
            let turn = Complex64::from_polar(1.0, self.step_hz * late);
            for line in &mut lines {
                *line += z;
                z *= turn;
            }
        }
        OneWay { lines, mean_s }
    }
}

/// Place of a line in the band, in steps from the centre.
fn offset(line: usize) -> f64 {
    line as f64 - (LINES / 2) as f64
}

/// Weights of the lines of a Gaussian spectrum; they add up to one, the peak of its pulse.
fn spectrum() -> [f64; LINES] {
    let raw: [f64; LINES] =
        std::array::from_fn(|k| (-0.5 * (offset(k) * STEP_SIGMAS).powi(2)).exp());
    let sum: f64 = raw.iter().sum();
    raw.map(|w| w / sum)
}

fn strength(arrival: &Arrival) -> f64 {
    arrival.amplitude.norm() * arrival.directivity.abs()
}

/// Mean over the arrivals, weighted by their strength; the plain mean where all are mute.
fn mean(arrivals: &[Arrival], value: impl Fn(&Arrival) -> f64) -> f64 {
    let weight: f64 = arrivals.iter().map(strength).sum();
    if weight > 0.0 {
        arrivals.iter().map(|a| strength(a) * value(a)).sum::<f64>() / weight
    } else {
        arrivals.iter().map(value).sum::<f64>() / arrivals.len().max(1) as f64
    }
}

#[cfg(test)]
mod tests;
