//! Largest magnitude of sampled band-limited signals, between the samples too.

use num_complex::Complex32;
use std::f64::consts::PI;

/// Samples that go into one value between samples.
pub const TAPS: usize = 16;
/// Places between two samples at which values are known.
const PARTS: usize = 8;
/// Lanes compared side by side, and samples of each lane of a block.
const WIDTH: usize = 8;
const DEEP: usize = 4;
/// Local maxima of the samples lower than this share of the largest square (1.5 dB) are not followed
/// between the samples: a pulse's peak stands 0.5 dB above them at most, at one and a half times
/// as many times as frequencies.
const CONTEND: f32 = 0.7;
/// A sample this little below a neighbour (in the square) may have a top of its own beyond.
const LEVEL: f32 = 0.94;
/// Factor by which the square at the top of a shoulder may exceed that of its sample.
const RISE: f32 = 1.1;
/// Share of the largest square so far that a shoulder must reach to be followed.
const NEAR: f32 = 0.99;
/// Square of a neighbour, beside that of the highest sample, from which on there may be another top
/// between the two.
const SHOULDER: f32 = 0.7;
/// Factor by which the square at a peak may exceed what a parabola through three squares says.
const DOUBT: f32 = 1.2;

/// Weights of the samples -7..=8 about a place `part / parts` after sample 0, for each part, in signals of
/// `times` samples made of `frequencies` neighbouring frequencies about zero.
///
/// A sinc under Kaiser's window, whose error falls by 2.3 dB for every radian and tap of the gap between the
/// spectrum and its first image (Kaiser 1974); 80 dB at one and a half times as many times as frequencies.
#[must_use]
pub fn between_samples(frequencies: usize, times: usize, parts: usize) -> Vec<[f32; TAPS]> {
    let gap = 1.0 - frequencies as f64 / times as f64;
    let attenuation_db = 2.285 * 2.0 * PI * gap * (TAPS - 1) as f64 + 8.0;
    let beta = (0.1102 * (attenuation_db - 8.7)).clamp(0.0, 12.0);
    let half = (TAPS / 2) as f64;
    (0..parts)
        .map(|part| {
            std::array::from_fn(|tap| {
                let x = tap as f64 - (half - 1.0) - part as f64 / parts as f64;
                let sinc = if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) };
                let across = (1.0 - (x / half).powi(2)).max(0.0).sqrt();
                (sinc * bessel_i0(beta * across) / bessel_i0(beta)) as f32
            })
        })
        .collect()
}

/// Finds peaks in signals that repeat themselves and whose spectrum is centred on zero.
pub(super) struct PeakFinder {
    /// Weights of the samples -7..=8 about a place `part / 8` after sample 0.
    weights: [[f32; TAPS]; PARTS],
    /// Square of the growth that takes a damping out again: at each sample, none without damping,
    /// and at the parts of a sample from -9 to 9 beside it.
    growth: Vec<f32>,
    beside: [f32; 2 * PARTS + 3],
    sizes: Vec<f32>,
    coarse: Vec<[f32; WIDTH]>,
}

impl PeakFinder {
    /// For signals of `times` samples made of `frequencies` neighbouring frequencies.
    ///
    /// `growth_np` is the growth in neper at the first sample and from one to the next.
    pub fn new(frequencies: usize, times: usize, growth_np: Option<(f64, f64)>) -> Self {
        let mut weights = [[0.0; TAPS]; PARTS];
        for (row, own) in weights.iter_mut().zip(between_samples(frequencies, times, PARTS)) {
            *row = own;
        }
        let blocks = times / (WIDTH * DEEP);
        let (start, step) = growth_np.unwrap_or((0.0, 0.0));
        let grown = if growth_np.is_some() { times } else { 0 };
        let growth = (0..grown).map(|j| (2.0 * (start + step * j as f64)).exp() as f32).collect();
        let beside = std::array::from_fn(|part| {
            let samples = (part as f64 - (PARTS + 1) as f64) / PARTS as f64;
            (2.0 * step * samples).exp() as f32
        });
        Self {
            weights,
            growth,
            beside,
            sizes: vec![0.0; times],
            coarse: vec![[0.0; WIDTH]; blocks],
        }
    }

    /// The largest magnitude.
    #[inline(always)]
    pub fn peak(&mut self, signal: &[Complex32]) -> f32 {
        for (size, z) in self.sizes.iter_mut().zip(signal) {
            *size = z.re * z.re + z.im * z.im;
        }
        for (size, growth) in self.sizes.iter_mut().zip(&self.growth) {
            *size *= growth;
        }
        let blocks = self.sizes.chunks_exact(WIDTH * DEEP);
        let rest = signal.len() - blocks.remainder().len();
        let mut running = [0.0_f32; WIDTH];
        for (block, coarse) in blocks.zip(&mut self.coarse) {
            let mut here = [0.0_f32; WIDTH];
            for row in block.chunks_exact(WIDTH) {
                for l in 0..WIDTH {
                    here[l] = if row[l] > here[l] { row[l] } else { here[l] };
                }
            }
            for l in 0..WIDTH {
                running[l] = if here[l] > running[l] { here[l] } else { running[l] };
            }
            *coarse = here;
        }
        let largest = running.iter().chain(&self.sizes[rest..]).copied().fold(0.0, f32::max);
        if largest <= 0.0 {
            return 0.0;
        }
        let mut best = largest;
        for (b, coarse) in self.coarse.iter().enumerate() {
            let bar = best * CONTEND;
            let high = coarse.iter().fold(0.0, |top, &size| if size > top { size } else { top });
            if high < bar {
                continue;
            }
            for (l, &size) in coarse.iter().enumerate() {
                if size >= bar {
                    for row in 0..DEEP {
                        best = self.summit(signal, (b * DEEP + row) * WIDTH + l, best);
                    }
                }
            }
        }
        for j in rest..signal.len() {
            best = self.summit(signal, j, best);
        }
        best.sqrt()
    }

    /// The larger of `best` and the squared magnitude at the top about sample `j`, if that can
    /// contend.
    #[inline(always)]
    fn summit(&self, signal: &[Complex32], j: usize, best: f32) -> f32 {
        let last = signal.len() - 1;
        let here = self.sizes[j];
        if here < best * CONTEND {
            return best;
        }
        let before = self.sizes[if j == 0 { last } else { j - 1 }];
        let after = self.sizes[if j == last { 0 } else { j + 1 }];
        if here < LEVEL * before || here < LEVEL * after {
            return best;
        }
        if !self.growth.is_empty() && (j == 0 || j == last) {
            // The record's ends do not meet once the damping is taken out.
            return if here > best { here } else { best };
        }
        let parts = PARTS as isize;
        let at = |place: isize| self.between(signal, j, place);
        let (mut place, mut middle);
        if here < before || here <= after {
            if here * RISE < best {
                return best;
            }
            // A shoulder: its own top, if it has one, lies on the side that falls.
            place = if before > after { parts / 2 } else { -parts / 2 };
            middle = at(place);
            if middle < NEAR * best {
                return best;
            }
        } else {
            // First guess: a parabola through the squares; then uphill in steps of an eighth.
            let bend = 2.0 * here - before - after;
            let guess = if bend > 0.0 { 0.5 * (after - before) / bend } else { 0.0 };
            if (here + 0.25 * (after - before) * guess) * DOUBT < best {
                return best;
            }
            place = ((guess * PARTS as f32).round() as isize).clamp(-parts, parts);
            middle = at(place);
            // A second top may hide between this sample and a neighbour that is nearly as high.
            for (neighbour, probe) in [(before, -parts / 2), (after, parts / 2)] {
                if neighbour > SHOULDER * here && (probe - place).abs() > 1 {
                    let beside = at(probe);
                    if beside > middle {
                        (place, middle) = (probe, beside);
                    }
                }
            }
        }
        let (mut left, mut right) = (at(place - 1), at(place + 1));
        for _ in 0..PARTS {
            if right > middle && place < parts {
                place += 1;
                (left, middle, right) = (middle, right, at(place + 1));
            } else if left > middle && place > -parts {
                place -= 1;
                (left, middle, right) = (at(place - 1), left, middle);
            } else {
                break;
            }
        }
        let bend = 2.0 * middle - left - right;
        let lift = if middle >= left && middle >= right && bend > 0.0 {
            0.125 * (right - left) * (right - left) / bend
        } else {
            0.0
        };
        let top = middle + lift;
        if top > best { top } else { best }
    }

    /// Squared magnitude at `part` eighths of a sample after sample `j`.
    #[inline(always)]
    fn between(&self, signal: &[Complex32], j: usize, part: isize) -> f32 {
        let parts = PARTS as isize;
        let weights = &self.weights[part.rem_euclid(parts) as usize];
        let count = signal.len() as isize;
        let from = j as isize + part.div_euclid(parts) + 1 - (TAPS / 2) as isize;
        let mut taps = [Complex32::ZERO; TAPS];
        if from >= 0 && from + TAPS as isize <= count {
            taps.copy_from_slice(&signal[from as usize..][..TAPS]);
        } else {
            for (tap, z) in taps.iter_mut().enumerate() {
                *z = signal[(from + tap as isize).rem_euclid(count) as usize];
            }
        }
        let (mut re, mut im) = ([0.0; 4], [0.0; 4]);
        for t in (0..TAPS).step_by(4) {
            for l in 0..4 {
                re[l] += taps[t + l].re * weights[t + l];
                im[l] += taps[t + l].im * weights[t + l];
            }
        }
        let [re, im] = [re, im].map(|v| (v[0] + v[2]) + (v[1] + v[3]));
        let size = re * re + im * im;
        match self.growth.get(j) {
            // What grows is not band-limited: the growth comes after.
            Some(growth) => size * growth * self.beside[(part + parts + 1) as usize],
            None => size,
        }
    }
}

/// Modified Bessel function of order 0 by its power series.
fn bessel_i0(x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..60 {
        term *= (x / (2.0 * f64::from(k))).powi(2);
        sum += term;
    }
    sum
}
