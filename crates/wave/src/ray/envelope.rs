//! Broadband answers of the ray engine: the peak of the envelope.

use num_complex::Complex64;
use rayon::prelude::*;
use std::f64::consts::PI;

use super::{Aperture, Arrival, RayFlags, RayMedium, arrivals, sinc};
use crate::error::Result;
use crate::geometry::{Point, Surface};
use crate::media::Mode;
use crate::pulse::Pulse;

/// Samples of the envelope per standard deviation of the pulse.
const SAMPLES: f64 = 4.0;
/// Standard deviations after which a pulse counts as over (4e-5 of its peak).
const REACH: f64 = 4.5;
/// Strips are added until each one's edges lie closer than this many periods.
const STRIP_PERIODS: f64 = 0.1;

/// Strongest moment of a pulse at a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RayPeak {
    /// Peak of the envelope of `P_L` or `P_S`, for a source whose pulse has unit peak.
    pub amplitude: f64,
    /// When it occurs, in s from time zero of the delay law.
    pub time_s: f64,
    /// Where the answer is not to be trusted.
    pub flags: RayFlags,
}

/// Peak of the envelope at a point for a pulse.
///
/// Sums the analytic pulses of all arrivals, phase included. Amplitudes are those at the centre
/// frequency; wide or slanted elements are cut into strips, so that their directivity acts on the
/// whole spectrum.
///
/// # Errors
/// Those of [`super::field`].
pub fn peak_envelope(
    surface: &Surface,
    medium: &RayMedium,
    aperture: &Aperture,
    mode: Mode,
    pulse: &Pulse,
    point: Point,
) -> Result<RayPeak> {
    let (arrivals, flags) = arrivals(surface, medium, aperture, mode, pulse.centre_hz, point)?;
    let (amplitude, time_s) = peak_of(&arrivals, pulse);
    Ok(RayPeak { amplitude, time_s, flags })
}

/// [`peak_envelope`] at many points, in their order, on all cores.
#[must_use]
pub fn map(
    surface: &Surface,
    medium: &RayMedium,
    aperture: &Aperture,
    mode: Mode,
    pulse: &Pulse,
    points: &[Point],
) -> Vec<Result<RayPeak>> {
    points
        .par_iter()
        .with_min_len(16)
        .map(|point| peak_envelope(surface, medium, aperture, mode, pulse, *point))
        .collect()
}

/// Peak of the envelope of a sum of arrivals of line sources, and its time.
///
/// The far field of a line source goes with 1/√f, which moves the pulse a little to lower
/// frequencies. To second order around the centre the product with the Gaussian spectrum is again a
/// Gaussian: 1/σ'² = 1/σ² - 1/(2f₀²), centre f₀ - σ'²/(2f₀), higher by exp(σ'²/(8f₀²)).
pub(super) fn peak_of(arrivals: &[Arrival], pulse: &Pulse) -> (f64, f64) {
    let (f0, sigma) = (pulse.centre_hz, pulse.sigma_hz());
    let square = 1.0 / (1.0 / (sigma * sigma) - 0.5 / (f0 * f0));
    let centre_hz = f0 - square / (2.0 * f0);
    let seen = Pulse {
        centre_hz,
        bandwidth_rel: pulse.bandwidth_rel * (square.sqrt() / sigma) * (f0 / centre_hz),
    };
    let scale = (square / (8.0 * f0 * f0)).exp() * square.sqrt() / sigma;
    crest_of(arrivals, &seen, scale)
}

/// Peak of the envelope of a sum of pulses, times `scale`, and its time.
fn crest_of(arrivals: &[Arrival], pulse: &Pulse, scale: f64) -> (f64, f64) {
    let (sigma, omega) = (pulse.sigma_s(), 2.0 * PI * pulse.centre_hz);
    let (first, last) =
        arrivals.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), a| {
            let half = a.across_s.abs() / 2.0;
            (low.min(a.time_s - half), high.max(a.time_s + half))
        });
    let step = sigma / SAMPLES;
    let start = first - REACH * sigma;
    let count = ((last - first + 2.0 * REACH * sigma) / step).ceil() as usize + 2;
    let mut envelope = vec![Complex64::ZERO; count];
    for arrival in arrivals {
        let periods = arrival.across_s.abs() * pulse.centre_hz;
        let strips = (periods / STRIP_PERIODS).ceil().max(1.0);
        let part = arrival.amplitude * (scale * sinc(PI * periods / strips) / strips);
        for s in 0..strips as usize {
            let offset = ((s as f64 + 0.5) / strips - 0.5) * arrival.across_s;
            let time = arrival.time_s + offset;
            // Common factor exp(-iωt) left out: it does not change the modulus.
            let weight = part * Complex64::from_polar(1.0, omega * (time - first));
            add_gaussian(&mut envelope, weight, (time - start) / step);
        }
    }
    crest(&envelope, start, step)
}

/// Adds weight · exp(-(j - centre)²/(2 SAMPLES²)) to samples j within reach.
fn add_gaussian(envelope: &mut [Complex64], weight: Complex64, centre: f64) {
    let reach = REACH * SAMPLES;
    let low = (centre - reach).ceil().max(0.0) as usize;
    let high = ((centre + reach).floor() as usize).min(envelope.len() - 1);
    let per = 1.0 / (SAMPLES * SAMPLES);
    let x = low as f64 - centre;
    // Successive ratios of a Gaussian are geometric.
    let mut value = (-0.5 * x * x * per).exp();
    let mut ratio = (-(x + 0.5) * per).exp();
    let quotient = (-per).exp();
    for sample in &mut envelope[low..=high] {
        *sample += weight * value;
        value *= ratio;
        ratio *= quotient;
    }
}

/// Highest modulus with its time: a parabola through the logarithms, exact for a Gaussian.
fn crest(envelope: &[Complex64], start: f64, step: f64) -> (f64, f64) {
    let power: Vec<f64> = envelope.iter().map(Complex64::norm_sqr).collect();
    let mut top = 0;
    for (j, p) in power.iter().enumerate() {
        if *p > power[top] {
            top = j;
        }
    }
    let at = |shift: f64| start + (top as f64 + shift) * step;
    if top == 0 || top + 1 == power.len() || power[top - 1] <= 0.0 || power[top + 1] <= 0.0 {
        return (power[top].sqrt(), at(0.0));
    }
    let (a, b, c) = (power[top - 1].ln(), power[top].ln(), power[top + 1].ln());
    let bend = a - 2.0 * b + c;
    if bend >= 0.0 {
        return (power[top].sqrt(), at(0.0));
    }
    let shift = 0.5 * (a - c) / bend;
    ((0.5 * (b - 0.25 * (a - c) * shift)).exp(), at(shift))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn arrival(time_s: f64, amplitude: Complex64, across_s: f64) -> Arrival {
        Arrival {
            element: 0,
            time_s,
            amplitude,
            directivity: 1.0,
            incidence_rad: 0.0,
            across_s,
            entry: Point::default(),
            water_m: 0.0,
            steel_m: 0.0,
        }
    }

    /// Peak by brute force on a fine grid.
    fn brute(arrivals: &[(f64, Complex64)], pulse: &Pulse) -> f64 {
        (0..10_000)
            .map(|i| {
                let t = -1e-6 + f64::from(i) * 4e-10;
                arrivals.iter().map(|(at, a)| pulse.analytic(t - at) * a).sum::<Complex64>().norm()
            })
            .fold(0.0, f64::max)
    }

    // Truth: independent computation (sums of the analytic pulse on a grid 70 times finer).
    #[test]
    fn peak_equals_that_of_the_summed_pulses() {
        let pulse = Pulse::new(5e6, 0.6).expect("a pulse");
        let one = Complex64::new(0.3, -0.4);
        let (peak, time) = crest_of(&[arrival(1.234e-7, one, 0.0)], &pulse, 1.0);
        assert!((peak - 0.5).abs() < 1e-12 && (time - 1.234e-7).abs() < 1e-15);
        let sets = [
            vec![(0.0, one), (1.3e-7, one * 0.8), (3.1e-7, -one)],
            vec![(0.0, one), (1e-7, one), (2e-7, one), (2.2e-6, one * 1.1)],
        ];
        for set in sets {
            let arrivals: Vec<_> = set.iter().map(|(t, a)| arrival(*t, *a, 0.0)).collect();
            let (peak, _) = crest_of(&arrivals, &pulse, 1.0);
            // Cut tails 4e-5 and the parabola over a quarter of a standard deviation.
            assert!((peak / brute(&set, &pulse) - 1.0).abs() < 1e-3);
        }
    }

    // Truth: closed form (a numerical integral over the true spectrum times 1/√f). 2e-3: third-order
    // terms of the logarithm at 60 % bandwidth.
    #[test]
    fn line_sources_lower_the_frequency_of_a_pulse() {
        let pulse = Pulse::new(5e6, 0.6).expect("a pulse");
        let set = [(0.0, 1.0), (0.9e-7, 1.0), (2.6e-7, 0.7)];
        let df = 2e4;
        let exact = (0..800)
            .map(|i| {
                let t = f64::from(i) * 1e-9 - 2e-7;
                let at = |f: f64| {
                    let weight = pulse.spectrum(f) * (5e6 / f).sqrt() * df;
                    let phases: Complex64 = set
                        .iter()
                        .map(|(at, a)| Complex64::from_polar(*a, 2.0 * PI * f * (at - t)))
                        .sum();
                    phases * weight
                };
                (25..700).map(|j| at(f64::from(j) * df)).sum::<Complex64>().norm()
            })
            .fold(0.0, f64::max)
            / (pulse.sigma_hz() * (2.0 * PI).sqrt());
        let arrivals: Vec<_> =
            set.iter().map(|(t, a)| arrival(*t, Complex64::from(*a), 0.0)).collect();
        let (peak, _) = peak_of(&arrivals, &pulse);
        assert!((peak / exact - 1.0).abs() < 5e-3, "{peak} {exact}");
    }

    // Truth: independent computation (many strips). 5e-3: a strip's own directivity is still taken at
    // the centre frequency, its curvature over the bandwidth is left out.
    #[test]
    fn wide_elements_act_as_their_strips() {
        let pulse = Pulse::new(5e6, 0.6).expect("a pulse");
        for periods in [0.2, 0.7, 1.4, 2.5] {
            let across = periods / 5e6;
            let (peak, _) = crest_of(&[arrival(0.0, Complex64::from(1.0), across)], &pulse, 1.0);
            let strips: Vec<_> = (0..200)
                .map(|s| {
                    (((f64::from(s) + 0.5) / 200.0 - 0.5) * across, Complex64::from(1.0 / 200.0))
                })
                .collect();
            let exact = brute(&strips, &pulse);
            assert!((peak - exact).abs() < 5e-3, "{periods}: {peak} {exact}");
        }
    }
}
