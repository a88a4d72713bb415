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
mod tests {
    use super::*;
    use crate::array::{Element, arc};
    use crate::delay::focus;
    use crate::geometry::Surface;
    use crate::media::{Fluid, Solid};
    use crate::ray::{Attenuation, contact_two_way, field};
    use std::f64::consts::FRAC_PI_2;

    const BAR: Surface = Surface::Round { centre: Point::new(0.0, 0.0), radius_m: 0.021 };

    fn medium() -> RayMedium {
        RayMedium {
            fluid: Fluid::new(1480.0, 1000.0).expect("water"),
            solid: Solid::new(5900.0, 3230.0, 7800.0).expect("steel"),
            attenuation: Attenuation::default(),
        }
    }

    fn pulse() -> Pulse {
        Pulse::new(5e6, 0.6).expect("a pulse")
    }

    fn probe() -> (Vec<Element>, Vec<f64>) {
        let elements = arc(0.06, FRAC_PI_2, 16, 6e-4, 5e-4, 1.2e-2);
        let centre = Point::default();
        let law = focus(&BAR, &elements, centre, 1480.0, 5900.0, None).expect("a law");
        (elements, law.delays_s)
    }

    fn at(elements: &[Element], send: &[f64], receive: &[f64], point: Point) -> TwoWay {
        let aperture = Aperture { elements, delays_s: send, weights: None };
        two_way(&BAR, &medium(), &aperture, receive, Mode::L, &pulse(), point).expect("a response")
    }

    // Truth: closed form. In the focus all elements coincide: the square of the sum of moduli, at
    // twice the time of flight, with the heading of the axis.
    #[test]
    fn a_focus_reads_the_square_of_all_elements() {
        let (elements, law) = probe();
        let got = at(&elements, &law, &law, Point::default());
        let aperture = Aperture { elements: &elements, delays_s: &law, weights: None };
        let one = field(&BAR, &medium(), &aperture, Mode::L, 5e6, Point::default());
        let one = one.expect("a field");
        let (peak, time_s) = got.peak();
        assert!((peak / one.amplitude.norm_sqr() - 1.0).abs() < 1e-9);
        assert!((time_s - 2.0 * one.arrivals[0].time_s).abs() < 1e-12);
        assert!((got.heading_rad + FRAC_PI_2).abs() < 1e-9);
        assert!((got.water_m - 0.039).abs() < 1e-9 && (got.steel_m - 0.021).abs() < 1e-9);
    }

    // Truth: independent computation (the product of both fields at 400 frequencies, each with its
    // own attenuation). 5e-3: parabola over a third of a standard deviation; 2e-2 with attenuation,
    // whose single ways are taken at their mean.
    #[test]
    fn few_lines_meet_a_fine_spectrum() {
        let (elements, law) = probe();
        let other: Vec<f64> = (0..16).map(|i| f64::from(i) * 8e-9).collect();
        let places = [Point::new(0.0, 0.012), Point::new(0.0015, -0.01), Point::new(-0.002, 0.0)];
        for (point, np_m, tolerance) in
            places.iter().flat_map(|p| [(*p, 0.0, 5e-3), (*p, 15.0, 2e-2)])
        {
            let mut medium = medium();
            medium.attenuation.longitudinal_np_m = np_m;
            let sending = Aperture { elements: &elements, delays_s: &law, weights: None };
            let two = two_way(&BAR, &medium, &sending, &other, Mode::L, &pulse(), point);
            let (peak, time_s) = two.expect("a response").peak();
            let arrivals = |delays: &[f64]| {
                let aperture = Aperture { elements: &elements, delays_s: delays, weights: None };
                field(&BAR, &medium, &aperture, Mode::L, 5e6, point).expect("a field").arrivals
            };
            let (sent, got) = (arrivals(&law), arrivals(&other));
            let line = |list: &[Arrival], f: f64| -> Complex64 {
                let mean = time_s / 2.0;
                let more = medium.attenuation.np_m(Mode::L, f) - np_m;
                let ray = |a: &Arrival| {
                    let phase = 2.0 * PI * f * (a.time_s - mean);
                    let size = a.directivity * (-more * a.steel_m).exp();
                    a.amplitude * Complex64::from_polar(size, phase)
                };
                list.iter().map(ray).sum()
            };
            let df = 2.5e4;
            let lines: Vec<(f64, Complex64)> = (1..400)
                .map(|i| {
                    let f = f64::from(i) * df;
                    (f, line(&sent, f) * line(&got, f) * pulse().spectrum(f))
                })
                .collect();
            let scale = df / (pulse().sigma_hz() * (2.0 * PI).sqrt());
            let exact = (-200..=200)
                .map(|j| {
                    let t = f64::from(j) * 1e-9;
                    let sum: Complex64 = lines
                        .iter()
                        .map(|(f, z)| z * Complex64::from_polar(1.0, -2.0 * PI * f * t))
                        .sum();
                    sum.norm() * scale
                })
                .fold(0.0, f64::max);
            assert!((peak / exact - 1.0).abs() < tolerance, "{point:?} {np_m}: {peak} {exact}");
        }
    }

    // Truth: property (reciprocity). Laws of transmission and reception may be exchanged.
    #[test]
    fn laws_may_be_exchanged() {
        let (elements, law) = probe();
        let other: Vec<f64> = (0..16).map(|i| f64::from(i * i) * 1e-9).collect();
        let point = Point::new(0.002, 0.008);
        let (a, b) = (at(&elements, &law, &other, point), at(&elements, &other, &law, point));
        // Rounding of sums.
        assert!((a.peak().0 / b.peak().0 - 1.0).abs() < 1e-12);
        assert!((a.peak().1 - b.peak().1).abs() < 1e-16);
    }

    // Truth: property. Parts of one place add up; equal shares of it change nothing.
    #[test]
    fn a_sum_of_one_place_is_that_place() {
        let (elements, law) = probe();
        let one = at(&elements, &law, &law, Point::new(0.001, 0.01));
        let whole = TwoWay::sum(&[(one, 0.25), (one, 0.75)]).expect("not empty");
        assert!((whole.peak().0 / one.peak().0 - 1.0).abs() < 1e-12);
        assert_eq!(TwoWay::sum(&[]), None);
    }

    // Truth: property. A delay as a factor of frequency moves the peak and leaves its height, however
    // far within the half microsecond that the lines tell apart; a scale scales.
    #[test]
    fn shapes_delay_and_scale() {
        let (elements, law) = probe();
        let one = at(&elements, &law, &law, Point::new(0.001, 0.01));
        let (height, time_s) = one.peak();
        for late_s in [-3e-7, -4e-8, 1e-8, 1.3e-7, 4e-7] {
            let moved = one.shaped(|f| Complex64::from_polar(0.5, 2.0 * PI * f * late_s)).peak();
            // 1e-2 and 3 ns: the parabola over a third of a standard deviation.
            assert!((moved.0 / (0.5 * height) - 1.0).abs() < 1e-2, "{late_s}");
            assert!((moved.1 - time_s - late_s).abs() < 3e-9, "{late_s} {}", moved.1 - time_s);
        }
    }

    #[test]
    fn lists_that_do_not_match_are_refused() {
        let (elements, law) = probe();
        let aperture = Aperture { elements: &elements, delays_s: &law, weights: None };
        let (water, steel) = (medium(), medium().solid);
        let place = Point::default();
        let got = two_way(&BAR, &water, &aperture, &law[..3], Mode::L, &pulse(), place);
        assert!(matches!(got, Err(WaveError::Count { got: 3, need: 16, .. })));
        let none = Attenuation::default();
        let got = contact_two_way(&steel, &none, &aperture, &[], Mode::L, &pulse(), place);
        assert!(matches!(got, Err(WaveError::Count { got: 0, need: 16, .. })));
    }
}
