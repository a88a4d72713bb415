//! The surface echo of a beam that is steered aslant, as a sum over pairs of elements.
//!
//! A shear beam's delays spread its elements over time: what returns from the surface is nearly the
//! product of its elements with themselves, drawn out over a microsecond or two. It stays the same
//! while the bar turns, so its mean over all shots of a motion has hardly any noise, and tells
//! elements apart that no height does.
//!
//! Each pair contributes the mirror ray: specular reflection at the round surface (Schmerr,
//! *Fundamentals of Ultrasonic Phased Arrays* (2015), ch. 4).

use std::f64::consts::PI;

use barwright_job::technique::{Beam, Section, Technique};
use barwright_wave::{Element, Point, pulse::Pulse};
use num_complex::Complex64;

/// Frequencies, and how far from the centre they reach in standard deviations.
pub(super) const LINES: usize = 15;
const REACH_SIGMAS: f64 = 1.8;
/// Halvings of the arc on which the mirror point is looked for: a nanometre of 20 mm.
const HALVINGS: usize = 40;

/// A beam's surface echo at a few frequencies, as it depends on its elements.
#[derive(Debug, Clone)]
pub(super) struct Mirror {
    elements: usize,
    /// Frequencies in Hz.
    pub lines_hz: Vec<f64>,
    /// Standard deviation of the pulse's band in Hz.
    pub sigma_hz: f64,
    /// `[line][i * n + j]`, firing i and receiving j.
    pairs: Vec<Vec<Complex64>>,
    /// How far aside each element stands from the aperture's middle, in metres.
    aside_m: Vec<f64>,
    water_m_s: f64,
}

impl Mirror {
    /// For a beam of a technique with a round section in water.
    pub fn of(technique: &Technique, beam: &Beam) -> Option<Self> {
        let Section::Round { radius_m } = technique.section else { return None };
        let c = technique.media.water?.velocity_m_s;
        let pulse = Pulse::new(technique.pulse.centre_hz, technique.pulse.bandwidth_rel).ok()?;
        let first = beam.first_element as usize;
        let n = beam.transmit_delays_s.len();
        let all = &technique.probes.get(beam.probe as usize)?.elements;
        let elements = all.get(first..first + n)?;
        let middle = elements.iter().fold(Point::default(), |sum, e| sum + e.centre);
        let middle = middle * (1.0 / n as f64);
        let across = Point::polar(1.0, middle.angle() + PI / 2.0);
        let aside_m = elements
            .iter()
            .map(|e| (e.centre - middle).x * across.x + (e.centre - middle).y * across.y)
            .collect();
        let mut ways = vec![None; n * n];
        for i in 0..n {
            for j in i..n {
                let way = mirrored(&elements[i], &elements[j], radius_m);
                ways[i * n + j] = way;
                ways[j * n + i] = way.map(|(length, a, b)| (length, b, a));
            }
        }
        let lines_hz: Vec<f64> = (0..LINES)
            .map(|k| {
                let share = k as f64 / (LINES - 1) as f64 * 2.0 - 1.0;
                pulse.centre_hz + share * REACH_SIGMAS * pulse.sigma_hz()
            })
            .collect();
        let pairs = lines_hz
            .iter()
            .map(|&f| {
                let size = pulse.spectrum(f);
                (0..n * n)
                    .map(|k| {
                        let (i, j) = (k / n, k % n);
                        let Some((length, out, back)) = ways[k] else {
                            return Complex64::ZERO;
                        };
                        let face = |sine: f64, e: &Element| sinc(PI * f / c * e.width_m * sine);
                        let time =
                            length / c + beam.transmit_delays_s[i] + beam.receive_delays_s[j];
                        let time = time - beam.surface_time_s;
                        let size = size * face(out, &elements[i]) * face(back, &elements[j])
                            / length.sqrt();
                        Complex64::from_polar(size, 2.0 * PI * f * time)
                    })
                    .collect()
            })
            .collect();
        let sigma_hz = pulse.sigma_hz();
        Some(Self { elements: n, lines_hz, sigma_hz, pairs, aside_m, water_m_s: c })
    }

    /// The echo at each line for sensitivities, and its derivatives by the elements.
    pub fn echo(&self, s: &[f64]) -> Vec<(Complex64, Vec<Complex64>)> {
        let n = self.elements;
        self.pairs
            .iter()
            .map(|p| {
                let mut slope = vec![Complex64::ZERO; n];
                let mut value = Complex64::ZERO;
                for i in 0..n {
                    let row = &p[i * n..(i + 1) * n];
                    let sum: Complex64 = row.iter().zip(s).map(|(p, s)| p * s).sum();
                    value += sum * s[i];
                    slope[i] += sum;
                    slope.iter_mut().zip(row).for_each(|(to, p)| *to += p * s[i]);
                }
                (value, slope)
            })
            .collect()
    }

    /// Change of the echo with a turn of the surface seen by the aperture (a bar off the beam's
    /// line), per metre of offset across the beam for a bar of a radius at a distance; up to scale.
    pub fn tilt(&self, s: &[f64]) -> Vec<Complex64> {
        let n = self.elements;
        self.pairs
            .iter()
            .zip(&self.lines_hz)
            .map(|(p, f)| {
                let k = Complex64::i() * 2.0 * PI * f / self.water_m_s;
                (0..n * n)
                    .map(|q| {
                        let (i, j) = (q / n, q % n);
                        p[q] * s[i] * s[j] * (self.aside_m[i] + self.aside_m[j])
                    })
                    .sum::<Complex64>()
                    * k
            })
            .collect()
    }
}

fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-6 { 1.0 } else { x.sin() / x }
}

/// Way from one element to another by way of the surface of a bar about the origin, in metres, with
/// the sines of the angles at the two faces; absent where none of the two sees it.
fn mirrored(a: &Element, b: &Element, radius_m: f64) -> Option<(f64, f64, f64)> {
    let (from, to) = (a.centre.angle(), b.centre.angle());
    let turn = crate::reading::wrapped(to - from);
    let at = |share: f64| Point::polar(radius_m, from + share * turn);
    let way = |share: f64| a.centre.distance(at(share)) + b.centre.distance(at(share));
    // The way has one minimum between the two directions.
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..HALVINGS {
        let (x, y) = (low + 0.382 * (high - low), high - 0.382 * (high - low));
        if way(x) < way(y) { high = y } else { low = x }
    }
    let place = at(0.5 * (low + high));
    let sine = |e: &Element| {
        let leg = place - e.centre;
        let angle = crate::reading::wrapped(leg.angle() - e.facing_rad);
        (angle.abs() < PI / 2.0).then(|| angle.sin())
    };
    Some((way(0.5 * (low + high)), sine(a)?, sine(b)?))
}
