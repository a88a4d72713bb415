//! Sensitivities of the elements of one probe, from heights that overlapping apertures read.
//!
//! # Algorithm
//! 1. Sound elements differ a little (a normal prior about their common mean); together with noise
//!    and with what each echo's own place and level leave open, that gives the covariance of all
//!    heights of the probe.
//! 2. Faults are runs of elements (mostly of one) that lost much. Each run's likelihood is taken from
//!    the linear model; the most likely are weighed again with the full one, since a dead element is
//!    no small change. The best is kept if it explains far more than it costs, and the search goes on.
//! 3. Runs that do nearly as well as one that was kept are told together with it: the apertures do
//!    not tell them apart.
//!
//! Generalised least squares and the Bayesian information criterion: Bishop, *Pattern Recognition
//! and Machine Learning* (2006), ch. 3 and 4.4.

use std::sync::Arc;

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use num_complex::Complex64;

use super::{aperture::Shares, mirror::Mirror};

/// Longest run of elements that is thought of as one fault: a connector's.
const LONGEST_RUN: usize = 32;
/// Most faults of one probe.
const MOST_FAULTS: usize = 6;
/// Candidates that are weighed with the full model.
const WEIGHED: usize = 24;
/// Sensitivities that a fault is tried with: dead to 2 dB.
const TRIED: [f64; 9] = [0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8];
/// What a fault must explain beyond its cost (twice the logarithm of the likelihood ratio): odds
/// of 20 to 1.
const LEAST_GAIN: f64 = 6.0;
/// Difference up to which another place explains as much.
const CLOSE_GAIN: f64 = 5.0;
/// Uncertainty of the probe's common level, as a relative amplitude: it is not asked for here.
const PROBE_LEVEL: f64 = 0.3;

/// What readings are compared with.
#[derive(Debug, Clone)]
pub(super) enum Model {
    /// One height in dB.
    Height(Arc<Shares>),
    /// A surface echo, real and imaginary part line by line, over its size.
    Surface {
        /// The echo's dependence on its elements.
        mirror: Arc<Mirror>,
        /// Factor of each line.
        scale: Vec<Complex64>,
        /// Size of the echo.
        size: f64,
    },
}

/// Readings of one aperture that share what is loose about them.
#[derive(Debug, Clone)]
pub(super) struct Block {
    /// First element of the aperture.
    pub first: usize,
    /// Number of elements.
    pub count: usize,
    /// What they are compared with: one for all, or for heights one a reading.
    pub model: Model,
    /// Readings against those of like beams.
    pub values: Vec<f64>,
    /// Their standard deviations by noise and model.
    pub sigmas: Vec<f64>,
    /// Directions in which the readings are loose together, one standard deviation each.
    pub loose: Vec<Vec<f64>>,
}

impl Block {
    /// Values for sensitivities of the aperture's elements, and their derivatives (`[value][element]`).
    fn predicted(&self, s: &[f64]) -> (Vec<f64>, Vec<Vec<f64>>) {
        match &self.model {
            Model::Height(shares) => {
                let (height, slope) = shares.height_db(s);
                (vec![height; self.values.len()], vec![slope; self.values.len()])
            }
            Model::Surface { mirror, scale, size } => {
                let (mut values, mut slopes) = (Vec::new(), Vec::new());
                for ((value, slope), k) in mirror.echo(s).into_iter().zip(scale) {
                    let value = value * k / size;
                    values.extend([value.re, value.im]);
                    let slope: Vec<Complex64> = slope.into_iter().map(|d| d * k / size).collect();
                    slopes.push(slope.iter().map(|d| d.re).collect());
                    slopes.push(slope.iter().map(|d| d.im).collect());
                }
                (values, slopes)
            }
        }
    }
}

/// A run of elements that lost sensitivity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fault {
    /// First and last element within which it lies.
    pub first: usize,
    pub last: usize,
    /// Relative amplitude of these elements in the mean.
    pub amplitude: f64,
    /// Its standard deviation.
    pub sigma: f64,
    /// Number of elements that are at fault, at most all of the run.
    pub count: usize,
    /// Twice the logarithm of how much likelier the data are with it.
    pub gain: f64,
}

/// The readings of a probe, ready to be asked.
pub(super) struct Problem<'r> {
    blocks: Vec<Ready<'r>>,
    elements: usize,
    /// Precision of the sound elements after the readings.
    posterior: Cholesky<f64, Dyn>,
    /// Sound elements' spread, and the logarithm of what it costs.
    spread: f64,
    log_det: f64,
}

/// A block with what does not change while faults are tried.
struct Ready<'r> {
    block: &'r Block,
    /// Lower triangle of the covariance of its readings.
    noise: Cholesky<f64, Dyn>,
    /// Values for sound elements.
    base: Vec<f64>,
    /// Derivatives at the sensitivities about which elements spread, over the noise: `value x
    /// element of the aperture`.
    white: DMatrix<f64>,
}

impl<'r> Ready<'r> {
    fn of(block: &'r Block, about: &[f64]) -> Option<Self> {
        let n = block.values.len();
        let mut c = DMatrix::zeros(n, n);
        for i in 0..n {
            c[(i, i)] = block.sigmas[i] * block.sigmas[i];
            for j in 0..n {
                c[(i, j)] += block.loose.iter().map(|l| l[i] * l[j]).sum::<f64>();
            }
        }
        let noise = c.cholesky()?;
        let (base, _) = block.predicted(&vec![1.0; block.count]);
        let (_, slopes) = block.predicted(&about[block.first..block.first + block.count]);
        let white = whitened(&noise, &slopes, block.count);
        Some(Self { block, noise, base, white })
    }

    /// What is left of the readings for sensitivities of all elements, over the noise.
    fn rest(&self, s: &[f64]) -> DVector<f64> {
        let b = self.block;
        let (values, _) = b.predicted(&s[b.first..b.first + b.count]);
        let rest = b.values.iter().zip(values).zip(&self.base).map(|((v, p), base)| v - (p - base));
        let mut out = DVector::from_iterator(b.values.len(), rest);
        self.noise.l_dirty().solve_lower_triangular_mut(&mut out);
        out
    }
}

fn whitened(noise: &Cholesky<f64, Dyn>, slopes: &[Vec<f64>], count: usize) -> DMatrix<f64> {
    let mut white = DMatrix::from_fn(slopes.len(), count, |i, j| slopes[i][j]);
    noise.l_dirty().solve_lower_triangular_mut(&mut white);
    white
}

impl<'r> Problem<'r> {
    /// For a spread of sound elements (relative amplitude); absent when the covariance is not one.
    pub fn new(blocks: &'r [Block], elements: usize, spread: f64) -> Option<Self> {
        Self::about(blocks, spread, &vec![1.0; elements])
    }

    /// The same about other sensitivities than those of sound elements.
    fn about(blocks: &'r [Block], spread: f64, s: &[f64]) -> Option<Self> {
        let blocks: Vec<Ready<'_>> =
            blocks.iter().map(|b| Ready::of(b, s)).collect::<Option<_>>()?;
        let elements = s.len();
        let n = elements as f64;
        // The inverse of spread² I + level² 1 1ᵀ (Sherman and Morrison, Ann. Math. Stat. 21 (1950)
        // 124).
        let (own, all) = (spread * spread, PROBE_LEVEL * PROBE_LEVEL);
        let common = all / (own * (own + n * all));
        let prior = DMatrix::from_fn(elements, elements, |i, j| {
            (if i == j { 1.0 / own } else { 0.0 }) - common
        });
        let mut power = DMatrix::zeros(elements, elements);
        let mut log_det = n * own.ln() + (1.0 + n * all / own).ln();
        for r in &blocks {
            let own = r.white.transpose() * &r.white;
            let (f, c) = (r.block.first, r.block.count);
            let mut view = power.view_mut((f, f), (c, c));
            view += own;
        }
        let posterior = (&prior + &power).cholesky()?;
        let l = posterior.l_dirty();
        log_det += 2.0 * (0..elements).map(|i| l[(i, i)].ln()).sum::<f64>();
        Some(Self { blocks, elements, posterior, spread, log_det })
    }

    /// Twice the negative logarithm of the likelihood for sensitivities about which sound elements
    /// spread, but for a constant that the spread decides.
    fn misfit(&self, s: &[f64]) -> f64 {
        let mut pull = DVector::zeros(self.elements);
        let mut sum = 0.0;
        for r in &self.blocks {
            let rest = r.rest(s);
            sum += rest.norm_squared();
            let own = r.white.tr_mul(&rest);
            let mut view = pull.rows_mut(r.block.first, r.block.count);
            view += own;
        }
        sum - pull.dot(&self.posterior.solve(&pull))
    }

    /// Twice the negative logarithm of the likelihood of sound elements with this spread.
    pub fn evidence(&self) -> f64 {
        self.misfit(&vec![1.0; self.elements]) + self.log_det
    }

    /// Precision and pull of the elements at sensitivities, with the spread of the sound ones taken
    /// into account.
    fn linear(&self, s: &[f64]) -> (DMatrix<f64>, DVector<f64>) {
        let n = self.elements;
        let (mut own, mut cross) = (DMatrix::zeros(n, n), DMatrix::zeros(n, n));
        let (mut pull, mut prior_pull) = (DVector::zeros(n), DVector::zeros(n));
        for r in &self.blocks {
            let b = r.block;
            let (f, c) = (b.first, b.count);
            let (_, slopes) = b.predicted(&s[f..f + c]);
            let white = whitened(&r.noise, &slopes, c);
            let rest = r.rest(s);
            let mut view = own.view_mut((f, f), (c, c));
            view += white.tr_mul(&white);
            let mut view = cross.view_mut((f, f), (c, c));
            view += r.white.tr_mul(&white);
            let mut view = pull.rows_mut(f, c);
            view += white.tr_mul(&rest);
            let mut view = prior_pull.rows_mut(f, c);
            view += r.white.tr_mul(&rest);
        }
        let power = own - cross.tr_mul(&self.posterior.solve(&cross));
        let pull = pull - cross.tr_mul(&self.posterior.solve(&prior_pull));
        (power, pull)
    }

    /// The same readings with elements that spread about other sensitivities.
    fn moved_to(&self, blocks: &'r [Block], s: &[f64]) -> Option<Self> {
        Self::about(blocks, self.spread, s)
    }

    /// Faults that cost a run of elements at least so much (as an amplitude at most), the clearest
    /// first. `blocks` are those that the problem was made from.
    pub fn faults(&self, blocks: &'r [Block], most_left: f64) -> Vec<Fault> {
        let mut s = vec![1.0; self.elements];
        let mut found: Vec<(usize, usize, f64)> = Vec::new();
        while found.len() < MOST_FAULTS {
            // A dead element changes what its neighbours do: everything is taken anew about it.
            let Some(at) = self.moved_to(blocks, &s) else { break };
            let here = at.misfit(&s);
            let best = at
                .candidates(&s)
                .iter()
                .take(WEIGHED)
                .filter_map(|c| {
                    let (amplitude, misfit) = at.weighed(&s, c.first, c.last)?;
                    let gain = here - misfit - cost(c.last - c.first + 1, self.elements);
                    (amplitude <= most_left).then_some((c.first, c.last, amplitude, gain))
                })
                .max_by(|a, b| a.3.total_cmp(&b.3));
            let Some((first, last, amplitude, gain)) = best.filter(|b| b.3 >= LEAST_GAIN) else {
                break;
            };
            s[first..=last].iter_mut().for_each(|x| *x = amplitude);
            found.push((first, last, gain));
        }
        let mut out: Vec<Fault> = found
            .iter()
            .filter_map(|&(first, last, gain)| {
                let mut without = s.clone();
                without[first..=last].iter_mut().for_each(|x| *x = 1.0);
                let at = self.moved_to(blocks, &without)?;
                Some(at.widened(&without, first, last, s[first], gain))
            })
            .collect();
        merge(&mut out);
        out
    }

    /// Runs by how much likelier the linear model makes the data with them, best first.
    fn candidates(&self, s: &[f64]) -> Vec<Candidate> {
        let (power, pull) = self.linear(s);
        let mut out = Vec::new();
        for first in 0..self.elements {
            let (mut p, mut k) = (0.0, 0.0);
            for last in first..self.elements.min(first + LONGEST_RUN) {
                // Elements already at fault are not found twice.
                if s[last] != 1.0 {
                    break;
                }
                p += pull[last];
                k += power[(last, last)]
                    + 2.0 * (first..last).map(|i| power[(i, last)]).sum::<f64>();
                if p < 0.0 && k > 0.0 {
                    // No element loses more than all.
                    let change = (p / k).max(-1.0);
                    let gain = 2.0 * change * p - change * change * k;
                    out.push(Candidate { first, last, power: k, gain });
                }
            }
        }
        let net = |c: &Candidate| c.gain - cost(c.last - c.first + 1, self.elements);
        out.sort_by(|a, b| net(b).total_cmp(&net(a)));
        out
    }

    /// Best amplitude of a run with the full model, and the misfit then.
    fn weighed(&self, s: &[f64], first: usize, last: usize) -> Option<(f64, f64)> {
        let misfit = |amplitude: f64| {
            let mut s = s.to_vec();
            s[first..=last].iter_mut().for_each(|x| *x = amplitude);
            self.misfit(&s)
        };
        let tried: Vec<(f64, f64)> = TRIED.iter().map(|&a| (a, misfit(a))).collect();
        let best = (0..tried.len()).min_by(|&a, &b| tried[a].1.total_cmp(&tried[b].1))?;
        let Some(before) = best.checked_sub(1).map(|i| tried[i]) else {
            return Some(tried[best]);
        };
        let Some(&after) = tried.get(best + 1) else { return Some(tried[best]) };
        // Golden section between the neighbours; a hundredth of the amplitude is enough.
        let (mut low, mut high) = (before.0, after.0);
        let part = 0.381_966;
        for _ in 0..8 {
            let (a, b) = (low + part * (high - low), high - part * (high - low));
            if misfit(a) < misfit(b) { high = b } else { low = a }
        }
        let middle = 0.5 * (low + high);
        Some((middle, misfit(middle)))
    }

    /// A fault with the elements that explain as much in its place; `s` are the sensitivities
    /// without it.
    fn widened(&self, s: &[f64], first: usize, last: usize, amplitude: f64, gain: f64) -> Fault {
        let candidates = self.candidates(s);
        let sigma = candidates
            .iter()
            .find(|c| c.first == first && c.last == last)
            .map_or(0.5, |own| 1.0 / own.power.sqrt());
        let net = |from: usize, to: usize| {
            self.weighed(s, from, to)
                .map(|(_, misfit)| -misfit - cost(to - from + 1, self.elements))
        };
        let best = net(first, last).unwrap_or(f64::MAX);
        let close = |from: usize, to: usize| net(from, to).is_some_and(|n| best - n < CLOSE_GAIN);
        let length = last - first;
        let (mut from, mut to) = (first, last);
        while from > 0 && from + LONGEST_RUN > first && close(from - 1, from - 1 + length) {
            from -= 1;
        }
        while to + 1 < self.elements && to < last + LONGEST_RUN && close(to + 1 - length, to + 1) {
            to += 1;
        }
        let count = length + 1;
        let share = count as f64 / (to - from + 1) as f64;
        Fault {
            first: from,
            last: to,
            amplitude: 1.0 - (1.0 - amplitude) * share,
            sigma: sigma * share,
            count,
            gain,
        }
    }
}

/// A run of elements with what the linear model says of it.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    first: usize,
    last: usize,
    power: f64,
    gain: f64,
}

/// What naming a run costs: one of so many places and, for more than one element, of so many
/// lengths.
fn cost(length: usize, elements: usize) -> f64 {
    let places = 2.0 * (elements as f64).ln();
    if length == 1 { places } else { places + 2.0 * (LONGEST_RUN as f64).ln() }
}

/// Joins faults that overlap.
fn merge(faults: &mut Vec<Fault>) {
    faults.sort_by_key(|f| f.first);
    let mut out: Vec<Fault> = Vec::new();
    for f in faults.drain(..) {
        match out.last_mut() {
            Some(before) if f.first <= before.last => {
                let (a, b) = (before.last - before.first + 1, f.last - f.first + 1);
                let lost = (1.0 - before.amplitude) * a as f64 + (1.0 - f.amplitude) * b as f64;
                before.last = before.last.max(f.last);
                let run = (before.last - before.first + 1) as f64;
                before.amplitude = (1.0 - lost / run).max(0.0);
                before.sigma = before.sigma.hypot(f.sigma);
                before.count += f.count;
                before.gain += f.gain;
            }
            _ => out.push(f),
        }
    }
    out.sort_by(|a, b| b.gain.total_cmp(&a.gain));
    *faults = out;
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Heights of apertures of `width` elements that start every `step`, for true sensitivities.
    fn blocks(truth: &[f64], width: usize, step: usize) -> Vec<Block> {
        let shares = Arc::new(Shares::even(width));
        (0..=truth.len() - width)
            .step_by(step)
            .map(|first| {
                let sum: f64 = truth[first..first + width].iter().sum();
                Block {
                    first,
                    count: width,
                    model: Model::Height(shares.clone()),
                    values: vec![40.0 * (sum / width as f64).max(1e-3).log10()],
                    sigmas: vec![0.1],
                    loose: Vec::new(),
                }
            })
            .collect()
    }

    fn faults(truth: &[f64], width: usize, step: usize) -> Vec<Fault> {
        let blocks = blocks(truth, width, step);
        let problem = Problem::new(&blocks, truth.len(), 0.03).expect("a covariance");
        problem.faults(&blocks, 0.63)
    }

    // Truth: worked by hand. Pairs of four elements (0 1), (1 2), (2 3): with element 1 dead the first two
    // read a quarter (-12.04 dB), the third what it should.
    #[test]
    fn a_dead_element_of_four_is_found_by_hand_and_by_machine() {
        let truth = [1.0, 0.0, 1.0, 1.0];
        let read: Vec<f64> = blocks(&truth, 2, 1).iter().map(|b| b.values[0]).collect();
        assert!((read[0] + 12.041).abs() < 1e-2 && (read[1] + 12.041).abs() < 1e-2);
        assert_eq!(read[2], 0.0);
        let found = faults(&truth, 2, 1);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!((found[0].first, found[0].last), (1, 1));
        assert!(found[0].amplitude < 0.05, "{found:?}");
    }

    #[test]
    fn a_weak_element_is_told_within_its_uncertainty() {
        let mut truth = vec![1.0; 24];
        truth[10] = 0.4;
        let found = faults(&truth, 4, 1);
        assert_eq!((found[0].first, found[0].last), (10, 10), "{found:?}");
        // 0.1 dB of height on a sum of four: 0.05 of one element; a prior of 0.03 beside it.
        assert!((found[0].amplitude - 0.4).abs() < 0.08, "{found:?}");
    }

    // Apertures that do not overlap cannot tell their elements apart: one entry names them all.
    #[test]
    fn elements_that_no_aperture_tells_apart_are_named_as_a_run() {
        let mut truth = vec![1.0; 16];
        truth[6] = 0.0;
        let found = faults(&truth, 4, 4);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!((found[0].first, found[0].last, found[0].count), (4, 7, 1));
        // One of four gone: three quarters are left in the mean.
        assert!((found[0].amplitude - 0.75).abs() < 0.03, "{found:?}");
    }

    #[test]
    fn sound_elements_are_left_in_peace() {
        // 0.3 dB up and down.
        let truth: Vec<f64> =
            (0..32).map(|i| 1.0 + 0.035 * f64::from((i * 37 % 11) - 5) / 5.0).collect();
        assert!(faults(&truth, 8, 4).is_empty());
    }
}
