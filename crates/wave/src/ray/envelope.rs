//! The envelope of a sum of Gaussian pulses, and its peak.

use num_complex::Complex64;
use std::f64::consts::PI;

use super::spectrum::{Spectra, Spectrum};
use super::{RayFlags, RayPeak};
use crate::error::{Result, WaveError};
use crate::lanes::{Kernel, LANES, Lane, fma, turn, widest};

/// Samples of the envelope per standard deviation of the pulse.
const SAMPLES: f64 = 4.0;
/// Samples either side of a pulse: five standard deviations, after which 4e-6 is left.
const REACH: usize = 20;
const WINDOW: usize = 2 * REACH;
/// More samples than any aperture needs; delays that call for more are a mistake.
const MAX_SAMPLES: f64 = 65_536.0;

/// Arrivals at one point and what is needed to sum them; kept between points, so that none
/// allocates.
#[derive(Debug, Default)]
pub(super) struct Envelope {
    arrivals: Vec<Pulse>,
    /// Line sources in which the widths of the elements are resolved: time, complex weight.
    at_s: Vec<f64>,
    re: Vec<f64>,
    im: Vec<f64>,
    samples_re: Vec<f64>,
    samples_im: Vec<f64>,
}

#[derive(Debug, Clone, Copy)]
struct Pulse {
    time_s: f64,
    amplitude: Complex64,
    across_s: f64,
    steel_m: f64,
}

impl Envelope {
    pub(super) fn clear(&mut self) {
        self.arrivals.clear();
    }

    pub(super) fn push(&mut self, time_s: f64, amplitude: Complex64, across_s: f64, steel_m: f64) {
        self.arrivals.push(Pulse { time_s, amplitude, across_s, steel_m });
    }

    pub(super) fn is_empty(&self) -> bool {
        self.arrivals.is_empty()
    }

    /// Peak of all arrivals pushed since the last clearing; at least one.
    pub(super) fn peak(&mut self, spectra: &Spectra, mut flags: RayFlags) -> Result<RayPeak> {
        let mean_m = if spectra.is_lossless() { 0.0 } else { self.mean_steel_m() };
        let spectrum = spectra.after(mean_m)?;
        if spectrum.more_np_m != 0.0 {
            for a in &mut self.arrivals {
                a.amplitude *= (-spectrum.more_np_m * (a.steel_m - mean_m)).exp();
            }
        }
        flags.bent_spectrum = spectrum.bent;
        let (amplitude, time_s) = self.crest(&spectrum)?;
        Ok(RayPeak { amplitude, time_s, centre_hz: spectrum.centre_hz, flags })
    }

    /// Mean way in the steel, weighted by the power of the arrivals.
    fn mean_steel_m(&self) -> f64 {
        let (mut sum, mut power) = (0.0, 0.0);
        for a in &self.arrivals {
            sum += a.amplitude.norm_sqr() * a.steel_m;
            power += a.amplitude.norm_sqr();
        }
        if power > 0.0 {
            return sum / power;
        }
        let all: f64 = self.arrivals.iter().map(|a| a.steel_m).sum();
        all / self.arrivals.len().max(1) as f64
    }

    fn crest(&mut self, spectrum: &Spectrum) -> Result<(f64, f64)> {
        let step_s = 1.0 / (2.0 * PI * spectrum.sigma_hz * SAMPLES);
        self.resolve_widths(spectrum);
        let (first, last) = self
            .at_s
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), t| (a.min(*t), b.max(*t)));
        let span = (last - first) / step_s;
        if span.is_nan() || span > MAX_SAMPLES {
            return Err(WaveError::OutOfRange {
                what: "the time between the first and the last arrival",
                value: last - first,
                unit: "s",
                expected: "at most 16 000 standard deviations of the pulse",
            });
        }
        // Spare lanes carry no weight.
        let lanes = self.at_s.len().next_multiple_of(LANES);
        self.at_s.resize(lanes, first);
        self.re.resize(lanes, 0.0);
        self.im.resize(lanes, 0.0);
        let count = span as usize + WINDOW + 2;
        for samples in [&mut self.samples_re, &mut self.samples_im] {
            samples.clear();
            samples.resize(count, 0.0);
        }
        let start_s = first - REACH as f64 * step_s;
        widest(Sum {
            at_s: &self.at_s,
            re: &self.re,
            im: &self.im,
            first_s: first,
            centre_hz: spectrum.centre_hz,
            per_step: 1.0 / step_s,
            samples_re: &mut self.samples_re,
            samples_im: &mut self.samples_im,
        });
        Ok(highest(&self.samples_re, &self.samples_im, start_s, step_s))
    }

    /// Cuts every element into as many line sources as its width asks for.
    fn resolve_widths(&mut self, spectrum: &Spectrum) {
        self.at_s.clear();
        self.re.clear();
        self.im.clear();
        for a in &self.arrivals {
            let part = a.amplitude * spectrum.scale;
            let periods = a.across_s.abs() * spectrum.centre_hz;
            let rule = GAUSS.iter().find(|r| periods <= r.periods).unwrap_or(&GAUSS[5]);
            let panels = (periods / rule.periods).ceil().max(1.0);
            let width_s = a.across_s / panels;
            for panel in 0..panels as usize {
                let middle = (panel as f64 + 0.5) * width_s - 0.5 * a.across_s;
                for (node, weight) in rule.nodes {
                    self.at_s.push(a.time_s + middle + 0.5 * node * width_s);
                    self.re.push(part.re * weight / panels);
                    self.im.push(part.im * weight / panels);
                }
            }
        }
    }
}

/// A Gauss-Legendre rule and the difference in periods over which it is used; its error for
/// frequencies up to 1.6 times the centre is then below 4e-4 (Abramowitz & Stegun, 25.4.29).
struct Rule {
    periods: f64,
    /// Nodes in -1..1 and weights that add up to one.
    nodes: &'static [(f64, f64)],
}

const GAUSS: [Rule; 6] = [
    Rule { periods: 0.01, nodes: &[(0.0, 1.0)] },
    Rule {
        periods: 0.11,
        nodes: &[(-0.577_350_269_189_625_8, 0.5), (0.577_350_269_189_625_8, 0.5)],
    },
    Rule {
        periods: 0.29,
        nodes: &[
            (-0.774_596_669_241_483_4, 5.0 / 18.0),
            (0.0, 8.0 / 18.0),
            (0.774_596_669_241_483_4, 5.0 / 18.0),
        ],
    },
    Rule {
        periods: 0.52,
        nodes: &[
            (-0.861_136_311_594_052_6, 0.173_927_422_568_726_93),
            (-0.339_981_043_584_856_3, 0.326_072_577_431_273_07),
            (0.339_981_043_584_856_3, 0.326_072_577_431_273_07),
            (0.861_136_311_594_052_6, 0.173_927_422_568_726_93),
        ],
    },
    Rule {
        periods: 0.77,
        nodes: &[
            (-0.906_179_845_938_664, 0.118_463_442_528_094_54),
            (-0.538_469_310_105_683_1, 0.239_314_335_249_683_24),
            (0.0, 0.284_444_444_444_444_44),
            (0.538_469_310_105_683_1, 0.239_314_335_249_683_24),
            (0.906_179_845_938_664, 0.118_463_442_528_094_54),
        ],
    },
    Rule {
        periods: 1.04,
        nodes: &[
            (-0.932_469_514_203_152, 0.085_662_246_189_585_18),
            (-0.661_209_386_466_264_5, 0.180_380_786_524_069_3),
            (-0.238_619_186_083_196_9, 0.233_956_967_286_345_53),
            (0.238_619_186_083_196_9, 0.233_956_967_286_345_53),
            (0.661_209_386_466_264_5, 0.180_380_786_524_069_3),
            (0.932_469_514_203_152, 0.085_662_246_189_585_18),
        ],
    },
];

/// Adds weight · exp(iωt) · exp(-(j - t)²/(2 SAMPLES²)) of all sources to the samples j.
struct Sum<'a> {
    at_s: &'a [f64],
    re: &'a [f64],
    im: &'a [f64],
    /// First arrival, at sample `REACH`; phases count from it, which leaves the modulus alone.
    first_s: f64,
    centre_hz: f64,
    per_step: f64,
    samples_re: &'a mut [f64],
    samples_im: &'a mut [f64],
}

impl Kernel for Sum<'_> {
    #[inline(always)]
    fn run<const FMA: bool>(self) {
        let square = SAMPLES * SAMPLES;
        let table = gaussian();
        let (mut re, mut im, mut ratio): (Lane, Lane, Lane) =
            ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
        let mut nearest: Lane = [0.0; LANES];
        let blocks = self.at_s.as_chunks::<LANES>().0.iter();
        let weights = self.re.as_chunks::<LANES>().0.iter().zip(self.im.as_chunks::<LANES>().0);
        for (at, (weight_re, weight_im)) in blocks.zip(weights) {
            for i in 0..LANES {
                let late = at[i] - self.first_s;
                let (sin, cos) = turn::<FMA>(late * self.centre_hz);
                let place = late * self.per_step;
                let near = place.round_ties_even();
                // With x = near - place: exp(-(k - REACH - x)²/(2 S²)) = table[k] · rest · ratio^k.
                let y = (place - near) / square;
                let rest = rest::<FMA>((-(REACH as f64) * y - 0.5 * square * y * y) / 16.0);
                nearest[i] = near;
                ratio[i] = small_exp::<FMA>(y);
                re[i] = rest * (weight_re[i] * cos - weight_im[i] * sin);
                im[i] = rest * (weight_re[i] * sin + weight_im[i] * cos);
            }
            for i in 0..LANES {
                if re[i] == 0.0 && im[i] == 0.0 {
                    continue;
                }
                // Not below 0, since no source is before the first.
                let low = nearest[i] as usize;
                let (Some(to_re), Some(to_im)) = (
                    self.samples_re[low..].first_chunk_mut::<WINDOW>(),
                    self.samples_im[low..].first_chunk_mut::<WINDOW>(),
                ) else {
                    continue;
                };
                add::<FMA>(to_re, to_im, &table, re[i], im[i], ratio[i]);
            }
        }
    }
}

/// Adds weight · table[k] · ratio^k.
#[inline(always)]
fn add<const FMA: bool>(
    to_re: &mut [f64; WINDOW],
    to_im: &mut [f64; WINDOW],
    table: &[f64; WINDOW],
    re: f64,
    im: f64,
    ratio: f64,
) {
    const WIDE: usize = 8;
    let (r2, r4) = (ratio * ratio, (ratio * ratio) * (ratio * ratio));
    let first = [1.0, ratio, r2, r2 * ratio];
    let mut power: [f64; WIDE] = std::array::from_fn(
        #[inline(always)]
        |k| if k < 4 { first[k] } else { first[k - 4] * r4 },
    );
    let wide = r4 * r4;
    for group in (0..WINDOW).step_by(WIDE) {
        for k in 0..WIDE {
            let value = table[group + k] * power[k];
            to_re[group + k] = fma::<_, FMA>(value, re, to_re[group + k]);
            to_im[group + k] = fma::<_, FMA>(value, im, to_im[group + k]);
            power[k] *= wide;
        }
    }
}

/// exp(-(k - REACH)²/(2 SAMPLES²)) for all k of a window.
fn gaussian() -> [f64; WINDOW] {
    std::array::from_fn(|k| {
        let x = (k as f64 - REACH as f64) / SAMPLES;
        (-0.5 * x * x).exp()
    })
}

/// exp(x) for |x| up to 0.04; 1e-16.
#[inline(always)]
fn small_exp<const FMA: bool>(x: f64) -> f64 {
    let mut sum = 1.0 / 40_320.0;
    for c in [1.0 / 5040.0, 1.0 / 720.0, 1.0 / 120.0, 1.0 / 24.0, 1.0 / 6.0, 0.5, 1.0, 1.0] {
        sum = fma::<_, FMA>(sum, x, c);
    }
    sum
}

/// exp(16 x) for |x| up to 0.04.
#[inline(always)]
fn rest<const FMA: bool>(x: f64) -> f64 {
    let e = small_exp::<FMA>(x);
    let e4 = (e * e) * (e * e);
    (e4 * e4) * (e4 * e4)
}

/// Highest modulus with its time: a parabola through the logarithms, exact for a Gaussian.
fn highest(re: &[f64], im: &[f64], start_s: f64, step_s: f64) -> (f64, f64) {
    let power = |j: usize| re[j] * re[j] + im[j] * im[j];
    let mut top = (0, power(0));
    for j in 1..re.len() {
        let p = power(j);
        if p > top.1 {
            top = (j, p);
        }
    }
    let (top, most) = top;
    let at = |shift: f64| start_s + (top as f64 + shift) * step_s;
    if top == 0 || top + 1 == re.len() || power(top - 1) <= 0.0 || power(top + 1) <= 0.0 {
        return (most.sqrt(), at(0.0));
    }
    let (a, b, c) = (power(top - 1).ln(), most.ln(), power(top + 1).ln());
    let bend = a - 2.0 * b + c;
    if bend >= 0.0 {
        return (most.sqrt(), at(0.0));
    }
    let shift = 0.5 * (a - c) / bend;
    ((0.5 * (b - 0.25 * (a - c) * shift)).exp(), at(shift))
}

#[cfg(test)]
mod tests;
