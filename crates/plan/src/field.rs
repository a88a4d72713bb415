//! Pulse-echo field of a beam at a place, by rays: all elements, the law and the pulse's band.
//!
//! Each element is a unit line source in the section, (i/4) H₀; the ray amplitude is that of
//! Schmerr, *Fundamentals of Ultrasonic Phased Arrays* (2015), ch. 5 (ray tube through a curved
//! face), with the plane-wave transmission coefficient and the element's directivity. The pulse's
//! band is summed over a few frequencies about the mean arrival, which the peak of the envelope
//! needs; amplitudes other than phase are taken at the centre frequency.

use std::f64::consts::PI;

use barwright_wave::{Element, Fluid, Mode, Point, Surface, interface, path};
use num_complex::Complex64;

use crate::conditions::Conditions;

/// Frequencies of the band: centre and three either side, 0.75 standard deviations apart. Their
/// sum repeats after 4/3 of 1/σ (about 1 µs at 5 MHz and 60 %), longer than any spread of arrivals
/// that adds up to an echo worth counting.
const LINES: usize = 7;
const STEP_SIGMAS: f64 = 0.75;

/// Rays this close to a critical incidence are left out: the plane-wave coefficient changes there
/// over less than the angle a ray tube fills.
const NEAR_CRITICAL_RAD: f64 = 0.3 * PI / 180.0;

/// The law and elements a field is computed for.
#[derive(Debug, Clone, Copy)]
pub struct Aperture<'a> {
    /// Elements in the section.
    pub elements: &'a [Element],
    /// Delays of the elements in s, transmission.
    pub transmit_s: &'a [f64],
    /// Delays of the elements in s, reception.
    pub receive_s: &'a [f64],
    /// Kind of wave in the steel.
    pub mode: Mode,
}

/// Product of transmit and receive field at a place.
#[derive(Debug, Clone, Copy)]
pub struct TwoWay {
    /// Product at the lines of the band, weighted with the pulse, phases about `mean_s`.
    lines: [Complex64; LINES],
    /// Distance of the lines in Hz.
    step_hz: f64,
    /// Mean arrival there and back, laws included, in s from firing.
    pub mean_s: f64,
    /// Mean way in the water in m (0 in contact).
    pub water_m: f64,
    /// Mean way in the steel in m.
    pub steel_m: f64,
    /// Mean direction in which the sound arrives at the place: angle from +x in rad.
    pub heading_rad: f64,
}

impl TwoWay {
    fn envelope(&self, t_s: f64) -> f64 {
        let middle = (LINES / 2) as f64;
        self.lines
            .iter()
            .enumerate()
            .map(|(k, z)| {
                let x = (k as f64 - middle) * self.step_hz;
                z * Complex64::from_polar(1.0, -2.0 * PI * x * t_s)
            })
            .sum::<Complex64>()
            .norm()
    }

    /// Peak of the envelope and its time from firing in s.
    #[must_use]
    pub fn peak(&self) -> (f64, f64) {
        // About a third of the envelope's standard deviation.
        let step = 0.3 / (self.step_hz * LINES as f64);
        let values: [f64; 5] = std::array::from_fn(|i| self.envelope((i as f64 - 2.0) * step));
        let best = (1..4).fold(0, |b, i| if values[i] > values[b] { i } else { b });
        let best = if values[4] > values[best] { 4 } else { best };
        if best == 0 || best == 4 {
            return (values[best], self.mean_s + (best as f64 - 2.0) * step);
        }
        // Parabola through three samples of the envelope.
        let (l, c, r) = (values[best - 1], values[best], values[best + 1]);
        let curvature = l - 2.0 * c + r;
        let shift = if curvature < 0.0 { 0.5 * (l - r) / curvature } else { 0.0 };
        (c - 0.25 * (l - r) * shift, self.mean_s + (best as f64 - 2.0 + shift) * step)
    }

    /// The sum of fields at several places, each weighted, for reflectors longer than a point:
    /// phases about the mean arrival of the first. `None` for an empty list.
    #[must_use]
    pub fn sum(parts: &[(Self, f64)], centre_hz: f64) -> Option<Self> {
        let mut whole = parts.first()?.0;
        whole.lines = [Complex64::ZERO; LINES];
        let middle = (LINES / 2) as f64;
        for (part, weight) in parts {
            let late = part.mean_s - whole.mean_s;
            for (k, (to, from)) in whole.lines.iter_mut().zip(&part.lines).enumerate() {
                let f = centre_hz + (k as f64 - middle) * part.step_hz;
                *to += from * Complex64::from_polar(*weight, 2.0 * PI * f * late);
            }
        }
        Some(whole)
    }
}

/// Ray of one element: complex amplitude (without the phase of its time), time, ways and heading.
struct Ray {
    amplitude: Complex64,
    time_s: f64,
    water_m: f64,
    steel_m: f64,
    heading: Point,
}

/// Field of an aperture, there and back, at a place of the steel; `None` where no ray arrives.
#[must_use]
pub fn two_way(conditions: &Conditions, aperture: &Aperture<'_>, place: Point) -> Option<TwoWay> {
    let n = aperture.elements.len();
    let lost = conditions.lost_middle.then_some(n / 2);
    let mut rays = Vec::with_capacity(n);
    for (i, element) in aperture.elements.iter().enumerate() {
        if Some(i) == lost {
            continue;
        }
        let ray = match conditions.media.water {
            Some(water) => through_water(conditions, &water, element, aperture.mode, place),
            None => in_contact(conditions, element, aperture.mode, place),
        };
        if let Some(ray) = ray {
            rays.push((i, ray));
        }
    }
    let weight: f64 = rays.iter().map(|(_, r)| r.amplitude.norm()).sum();
    if weight <= 0.0 {
        return None;
    }
    let mean = |value: &dyn Fn(usize, &Ray) -> f64| {
        rays.iter().map(|(i, r)| r.amplitude.norm() * value(*i, r)).sum::<f64>() / weight
    };
    let delay = |law: &[f64], i: usize| law.get(i).copied().unwrap_or(0.0);
    let line_sum = |law: &[f64]| {
        let mean_s = mean(&|i, r| r.time_s + delay(law, i));
        let sigma = conditions.pulse.sigma_hz();
        let lowest = conditions.pulse.centre_hz - (LINES / 2) as f64 * STEP_SIGMAS * sigma;
        let mut lines = [Complex64::ZERO; LINES];
        for (i, r) in &rays {
            let late = 2.0 * PI * (r.time_s + delay(law, *i) - mean_s);
            let mut z = r.amplitude * Complex64::from_polar(1.0, lowest * late);
            let turn = Complex64::from_polar(1.0, STEP_SIGMAS * sigma * late);
            for line in &mut lines {
                *line += z;
                z *= turn;
            }
        }
        (lines, mean_s)
    };
    let (sent, sent_s) = line_sum(aperture.transmit_s);
    let (got, got_s) = if aperture.transmit_s == aperture.receive_s {
        (sent, sent_s)
    } else {
        line_sum(aperture.receive_s)
    };
    let weights = band_weights();
    let heading =
        rays.iter().fold(Point::default(), |sum, (_, r)| sum + r.heading * r.amplitude.norm());
    Some(TwoWay {
        lines: std::array::from_fn(|k| sent[k] * got[k] * weights[k]),
        step_hz: STEP_SIGMAS * conditions.pulse.sigma_hz(),
        mean_s: sent_s + got_s,
        water_m: mean(&|_, r| r.water_m),
        steel_m: mean(&|_, r| r.steel_m),
        heading_rad: heading.angle(),
    })
}

/// Weights of the lines of a Gaussian spectrum, adding up to one.
fn band_weights() -> [f64; LINES] {
    let raw: [f64; LINES] = std::array::from_fn(|k| {
        let x = (k as f64 - (LINES / 2) as f64) * STEP_SIGMAS;
        (-0.5 * x * x).exp()
    });
    let sum: f64 = raw.iter().sum();
    raw.map(|w| w / sum)
}

/// Directivity of a strip of width w, sinc(k w sin α / 2); zero behind the face.
fn directivity(k: f64, element: &Element, towards: Point) -> f64 {
    let angle = towards.angle() - element.facing_rad;
    let (sine, cosine) = angle.sin_cos();
    if cosine <= 0.0 {
        return 0.0;
    }
    let x = 0.5 * k * element.width_m * sine;
    if x.abs() < 1e-9 { 1.0 } else { x.sin() / x }
}

fn through_water(
    conditions: &Conditions,
    water: &Fluid,
    element: &Element,
    mode: Mode,
    place: Point,
) -> Option<Ray> {
    let steel = &conditions.media.steel;
    let (cf, c2) = (water.velocity_m_s, steel.velocity_m_s(mode));
    let p = path::least_time(&conditions.surface, element.centre, place, cf, c2).ok()?;
    let incidence = p.angle_in_rad.abs();
    if [steel.longitudinal_m_s, steel.shear_m_s]
        .iter()
        .any(|c| (incidence - (cf / c).asin()).abs() < NEAR_CRITICAL_RAD)
    {
        return None;
    }
    let wave = interface::plane_wave(water, steel, p.angle_in_rad).ok()?;
    let k = 2.0 * PI * conditions.pulse.centre_hz / cf;
    let curvature = match conditions.surface {
        Surface::Round { radius_m, .. } => 1.0 / radius_m,
        Surface::Flat { .. } => 0.0,
    };
    let (cos_in, cos_out) = (p.angle_in_rad.cos(), p.angle_out_rad.cos());
    if cos_out <= 1e-6 {
        return None;
    }
    let tube =
        ((c2 * cos_in) / (cf * cos_out) * (cos_in / p.water_m + curvature) - curvature) / cos_out;
    let spread = 1.0 + p.steel_m * tube;
    if spread <= 0.0 {
        return None;
    }
    let magnitude = 0.25 * (2.0 / (PI * k * p.water_m)).sqrt() / spread.sqrt()
        * directivity(k, element, p.entry - element.centre)
        * (-conditions.media.attenuation_np_m(mode) * p.steel_m).exp();
    let leg = place - p.entry;
    let length = leg.radius();
    Some(Ray {
        amplitude: wave.transmitted(mode) * magnitude,
        time_s: p.time_s,
        water_m: p.water_m,
        steel_m: p.steel_m,
        heading: if length > 0.0 { leg * (1.0 / length) } else { Point::default() },
    })
}

fn in_contact(conditions: &Conditions, element: &Element, mode: Mode, place: Point) -> Option<Ray> {
    let c = conditions.media.steel.velocity_m_s(mode);
    let k = 2.0 * PI * conditions.pulse.centre_hz / c;
    let leg = place - element.centre;
    let r = leg.radius();
    if r <= 0.0 {
        return None;
    }
    let magnitude = 0.25
        * (2.0 / (PI * k * r)).sqrt()
        * directivity(k, element, leg)
        * (-conditions.media.attenuation_np_m(mode) * r).exp();
    Some(Ray {
        amplitude: Complex64::from(magnitude),
        time_s: r / c,
        water_m: 0.0,
        steel_m: r,
        heading: leg * (1.0 / r),
    })
}
