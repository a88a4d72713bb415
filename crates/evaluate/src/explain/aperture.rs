//! How each element of an aperture shares in the echo of a place, by rays.
//!
//! The echo of a small reflector is the sum over elements that fire times the sum over elements that
//! receive, frequency by frequency. What counts here is its change when elements lose sensitivity;
//! that of a far wall in contact is a sum over pairs, each by way of the wall.

use std::f64::consts::PI;

use barwright_job::technique::{Beam, Section, Technique};
use barwright_wave::{
    Point,
    pulse::Pulse,
    ray::{self, Attenuation, RayMedium},
};
use num_complex::Complex64;

/// Frequencies of the band, 0.75 standard deviations apart: a Gaussian band beyond 2.25 holds 2 %.
const LINES: usize = 7;
const STEP_SIGMAS: f64 = 0.75;
/// Times around the mean arrival among which the peak is looked for, and their step, in seconds.
const SEARCH_S: f64 = 0.4e-6;
const SEARCH_STEP_S: f64 = 0.01e-6;

/// Shares of the elements in one echo.
#[derive(Debug, Clone)]
pub(super) struct Shares {
    /// Pair terms where the echo is no product of two sums: `[line][i * n + j]`.
    pairs: Option<Vec<Vec<Complex64>>>,
    /// `[line][element]`, firing and receiving.
    fire: Vec<Vec<Complex64>>,
    receive: Vec<Vec<Complex64>>,
    /// Weight of each line at the echo's peak.
    weights: Vec<Complex64>,
    elements: usize,
}

impl Shares {
    /// Shares in the echo of a place of a bar in water; absent without elements or rays.
    pub fn of_place(technique: &Technique, beam: &Beam, place: Point) -> Option<Self> {
        let (elements, pulse) = (elements(technique, beam)?, pulse(technique)?);
        let media = technique.media;
        let medium = RayMedium {
            fluid: media.water?,
            solid: media.steel,
            attenuation: Attenuation {
                longitudinal_np_m: media.attenuation_l_np_m,
                shear_np_m: media.attenuation_s_np_m,
                reference_hz: pulse.centre_hz,
                ..Attenuation::default()
            },
        };
        let surface = match technique.section {
            Section::Round { .. } => technique.section.surface()?,
            _ => return None,
        };
        let driven = ray::Aperture { elements, delays_s: &beam.transmit_delays_s, weights: None };
        let field =
            ray::field(&surface, &medium, &driven, beam.mode, pulse.centre_hz, place).ok()?;
        let n = elements.len();
        let mut amplitude = vec![Complex64::ZERO; n];
        let mut time = vec![0.0; n];
        for a in &field.arrivals {
            amplitude[a.element] = a.amplitude * a.directivity;
            time[a.element] = a.time_s;
        }
        let sum: f64 = amplitude.iter().map(|a| a.norm()).sum();
        if sum <= 0.0 {
            return None;
        }
        let mean = |t: &dyn Fn(usize) -> f64| {
            (0..n).map(|i| amplitude[i].norm() * t(i)).sum::<f64>() / sum
        };
        let heard = |i: usize| time[i] + beam.receive_delays_s[i] - beam.transmit_delays_s[i];
        let (sent, got) = (mean(&|i| time[i]), mean(&heard));
        let line = |f: f64, t: &dyn Fn(usize) -> f64, middle: f64| -> Vec<Complex64> {
            (0..n)
                .map(|i| amplitude[i] * Complex64::from_polar(1.0, 2.0 * PI * f * (t(i) - middle)))
                .collect()
        };
        let lines = lines(&pulse);
        let fire: Vec<_> = lines.iter().map(|&(f, _)| line(f, &|i| time[i], sent)).collect();
        let receive: Vec<_> = lines.iter().map(|&(f, _)| line(f, &heard, got)).collect();
        let shares = Self { pairs: None, fire, receive, weights: vec![], elements: n };
        Some(shares.at_peak(&lines))
    }

    /// Shares in the echo of the far wall of a flat block in contact: each pair of elements by way
    /// of the wall.
    pub fn of_wall(technique: &Technique, beam: &Beam) -> Option<Self> {
        let (elements, pulse) = (elements(technique, beam)?, pulse(technique)?);
        let Section::Flat { thickness_m } = technique.section else { return None };
        let c = technique.media.steel.velocity_m_s(beam.mode);
        let n = elements.len();
        let way = |i: usize, j: usize| {
            let across = elements[i].centre.distance(elements[j].centre);
            (across.hypot(2.0 * thickness_m), across)
        };
        let time = |i: usize, j: usize| {
            way(i, j).0 / c + beam.transmit_delays_s[i] + beam.receive_delays_s[j]
        };
        let middle = (0..n * n).map(|k| time(k / n, k % n)).sum::<f64>() / (n * n) as f64;
        let lines = lines(&pulse);
        let pairs = lines
            .iter()
            .map(|&(f, _)| {
                (0..n * n)
                    .map(|k| {
                        let (i, j) = (k / n, k % n);
                        let (length, across) = way(i, j);
                        let x = PI * f / c * elements[i].width_m * across / length;
                        let narrow = if x > 1e-6 { x.sin() / x } else { 1.0 };
                        // Cylindrical spreading, and each element's width, going and coming.
                        let size = narrow * narrow / length.sqrt();
                        Complex64::from_polar(size, 2.0 * PI * f * (time(i, j) - middle))
                    })
                    .collect()
            })
            .collect();
        let shares = Self {
            pairs: Some(pairs),
            fire: vec![],
            receive: vec![],
            weights: vec![],
            elements: n,
        };
        Some(shares.at_peak(&lines))
    }

    /// The same with the weights of the lines at the time of the echo's peak.
    fn at_peak(mut self, lines: &[(f64, f64)]) -> Self {
        let ones = vec![1.0; self.elements];
        let products: Vec<Complex64> = (0..lines.len()).map(|k| self.product(k, &ones).0).collect();
        let steps = (SEARCH_S / SEARCH_STEP_S) as i32;
        let at = |step: i32| -> (f64, Vec<Complex64>) {
            let t = f64::from(step) * SEARCH_STEP_S;
            let weights: Vec<Complex64> =
                lines.iter().map(|&(f, w)| Complex64::from_polar(w, -2.0 * PI * f * t)).collect();
            let sum: Complex64 = products.iter().zip(&weights).map(|(p, w)| p * w).sum();
            (sum.norm(), weights)
        };
        let best = (-steps..=steps).map(at).max_by(|a, b| a.0.total_cmp(&b.0));
        self.weights = best.map(|b| b.1).unwrap_or_default();
        self
    }

    /// Echo at one line for sensitivities, with its derivatives.
    fn product(&self, k: usize, s: &[f64]) -> (Complex64, Vec<Complex64>) {
        let n = self.elements;
        if let Some(pairs) = &self.pairs {
            let p = &pairs[k];
            let row = |i: usize| (0..n).map(|j| p[i * n + j] * s[j]).sum::<Complex64>();
            let column = |j: usize| (0..n).map(|i| p[i * n + j] * s[i]).sum::<Complex64>();
            let rows: Vec<Complex64> = (0..n).map(row).collect();
            let value = rows.iter().zip(s).map(|(r, s)| r * s).sum();
            let slope = rows.iter().enumerate().map(|(i, r)| r + column(i)).collect();
            return (value, slope);
        }
        let sum = |a: &[Complex64]| a.iter().zip(s).map(|(a, s)| a * s).sum::<Complex64>();
        let (fire, receive) = (sum(&self.fire[k]), sum(&self.receive[k]));
        let slope = (0..n).map(|i| self.fire[k][i] * receive + self.receive[k][i] * fire).collect();
        (fire * receive, slope)
    }

    /// Height in dB (of no meaning by itself) for relative sensitivities of the elements, and its
    /// derivative by each of them.
    pub fn height_db(&self, s: &[f64]) -> (f64, Vec<f64>) {
        let mut value = Complex64::ZERO;
        let mut slope = vec![Complex64::ZERO; self.elements];
        for (k, w) in self.weights.iter().enumerate() {
            let (v, d) = self.product(k, s);
            value += v * w;
            slope.iter_mut().zip(d).for_each(|(to, d)| *to += d * w);
        }
        let per_neper = 20.0 / std::f64::consts::LN_10;
        let derivative = slope.iter().map(|d| per_neper * (d / value).re).collect();
        (per_neper * value.norm().max(1e-300).ln(), derivative)
    }
}

fn elements<'t>(t: &'t Technique, beam: &Beam) -> Option<&'t [barwright_wave::Element]> {
    let first = beam.first_element as usize;
    t.probes.get(beam.probe as usize)?.elements.get(first..first + beam.transmit_delays_s.len())
}

fn pulse(technique: &Technique) -> Option<Pulse> {
    Pulse::new(technique.pulse.centre_hz, technique.pulse.bandwidth_rel).ok()
}

/// Frequencies with the pulse's weight at each.
fn lines(pulse: &Pulse) -> Vec<(f64, f64)> {
    (0..LINES)
        .map(|k| {
            let z = (k as f64 - (LINES / 2) as f64) * STEP_SIGMAS;
            (pulse.centre_hz + z * pulse.sigma_hz(), (-0.5 * z * z).exp())
        })
        .collect()
}

#[cfg(test)]
impl Shares {
    /// Elements that all share alike.
    pub fn even(elements: usize) -> Self {
        let ones = vec![vec![Complex64::new(1.0, 0.0); elements]];
        let weights = vec![Complex64::new(1.0, 0.0)];
        Self { pairs: None, fire: ones.clone(), receive: ones, weights, elements }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed form. Two of four elements left: half the amplitude on firing and on receiving, a
    // quarter in all, 12.04 dB.
    #[test]
    fn heights_follow_the_square_of_the_sum() {
        let shares = Shares::even(4);
        let whole = shares.height_db(&[1.0; 4]);
        let half = shares.height_db(&[1.0, 0.0, 1.0, 0.0]);
        assert!((whole.0 - half.0 - 12.0412).abs() < 1e-3);
        // Derivative of 40 log10 of the sum: 40 / ln 10 / 4.
        assert!((whole.1[2] - 4.3429).abs() < 1e-3);
    }
}
