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

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::aperture::Shares;

/// Longest run of elements that is thought of as one fault: a connector's.
const LONGEST_RUN: usize = 32;
/// Most faults of one probe.
const MOST_FAULTS: usize = 6;
/// Candidates that are weighed with the full model.
const WEIGHED: usize = 24;
/// Sensitivities that a fault is tried with: dead to 2 dB.
const TRIED: [f64; 10] = [0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8];
/// What a fault must explain beyond its cost (twice the logarithm of the likelihood ratio): odds
/// of 1 to 400 against.
const LEAST_GAIN: f64 = 12.0;
/// Difference up to which another place explains as much.
const CLOSE_GAIN: f64 = 5.0;
/// Uncertainty of each echo's level (by which reflector and coupling differ), in dB.
const ECHO_LEVEL_DB: f64 = 0.15;
/// Uncertainty of the probe's common level, in dB: it is not asked for here.
const PROBE_LEVEL_DB: f64 = 10.0;

/// A height that was read.
#[derive(Debug, Clone)]
pub(super) struct Reading {
    /// Which echo it belongs to; readings of one echo share a level and a place.
    pub echo: usize,
    /// First element of the aperture.
    pub first: usize,
    /// Shares of its elements.
    pub shares: std::sync::Arc<Shares>,
    /// Number of elements.
    pub count: usize,
    /// Height against that of its like, in dB.
    pub height_db: f64,
    /// Its standard deviation by noise, in dB.
    pub sigma_db: f64,
    /// Change of the height with the uncertain place of the echo (one standard deviation), in dB.
    pub place_db: f64,
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
    readings: &'r [Reading],
    elements: usize,
    base_db: Vec<f64>,
    covariance: Cholesky<f64, Dyn>,
}

impl<'r> Problem<'r> {
    /// For a spread of sound elements (relative amplitude); absent when the covariance is not one.
    pub fn new(readings: &'r [Reading], elements: usize, spread: f64) -> Option<Self> {
        let n = readings.len();
        let ones = vec![1.0; elements];
        let (base_db, slopes) = model(readings, &ones);
        let mut c = &slopes * slopes.transpose() * (spread * spread);
        for i in 0..n {
            for j in 0..n {
                let (a, b) = (&readings[i], &readings[j]);
                c[(i, j)] += PROBE_LEVEL_DB * PROBE_LEVEL_DB;
                if a.echo == b.echo {
                    c[(i, j)] += ECHO_LEVEL_DB * ECHO_LEVEL_DB + a.place_db * b.place_db;
                }
            }
            c[(i, i)] += readings[i].sigma_db * readings[i].sigma_db;
        }
        Some(Self { readings, elements, base_db, covariance: c.cholesky()? })
    }

    /// Twice the negative logarithm of the likelihood for sensitivities, but for a constant that the
    /// spread decides.
    fn misfit(&self, s: &[f64]) -> f64 {
        self.whitened(&self.residual(s)).norm_squared()
    }

    /// Twice the negative logarithm of the likelihood of sound elements with this spread.
    pub fn evidence(&self) -> f64 {
        let l = self.covariance.l_dirty();
        let log_det: f64 = (0..self.readings.len()).map(|i| l[(i, i)].ln()).sum();
        self.misfit(&vec![1.0; self.elements]) + 2.0 * log_det
    }

    fn residual(&self, s: &[f64]) -> DVector<f64> {
        let heights = self.readings.iter().zip(&self.base_db).map(|(r, base)| {
            r.height_db - (r.shares.height_db(&s[r.first..r.first + r.count]).0 - base)
        });
        DVector::from_iterator(self.readings.len(), heights)
    }

    fn whitened(&self, v: &DVector<f64>) -> DVector<f64> {
        let l = self.covariance.l_dirty();
        let mut out = v.clone();
        l.solve_lower_triangular_mut(&mut out);
        out
    }

    /// Faults, the clearest first.
    pub fn faults(&self) -> Vec<Fault> {
        let mut s = vec![1.0; self.elements];
        let mut found: Vec<(usize, usize, f64)> = Vec::new();
        let mut here = self.misfit(&s);
        while found.len() < MOST_FAULTS {
            let candidates = self.candidates(&s);
            let best = candidates
                .iter()
                .take(WEIGHED)
                .filter_map(|c| {
                    let (amplitude, misfit) = self.weighed(&s, c.first, c.last)?;
                    let gain = here - misfit - cost(c.last - c.first + 1, self.elements);
                    Some((c.first, c.last, amplitude, misfit, gain))
                })
                .max_by(|a, b| a.4.total_cmp(&b.4));
            let Some((first, last, amplitude, misfit, gain)) = best else { break };
            if gain < LEAST_GAIN || amplitude > 0.85 {
                break;
            }
            s[first..=last].iter_mut().for_each(|x| *x = amplitude);
            found.push((first, last, gain));
            here = misfit;
        }
        let mut out: Vec<Fault> =
            found.iter().map(|&(first, last, gain)| self.widened(&s, first, last, gain)).collect();
        merge(&mut out);
        out
    }

    /// Runs by how much likelier the linear model makes the data with them, best first.
    fn candidates(&self, s: &[f64]) -> Vec<Candidate> {
        let (_, slopes) = model(self.readings, s);
        let l = self.covariance.l_dirty();
        let mut white = slopes;
        l.solve_lower_triangular_mut(&mut white);
        let rest = self.whitened(&self.residual(s));
        let power = white.transpose() * &white;
        let pull = white.transpose() * rest;
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

    /// A fault with the elements that explain as much in its place.
    fn widened(&self, s: &[f64], first: usize, last: usize, gain: f64) -> Fault {
        let mut without = s.to_vec();
        without[first..=last].iter_mut().for_each(|x| *x = 1.0);
        let candidates = self.candidates(&without);
        let net = |c: &Candidate| c.gain - cost(c.last - c.first + 1, self.elements);
        let own = candidates.iter().find(|c| c.first == first && c.last == last);
        let (mut from, mut to) = (first, last);
        let amplitude = s[first];
        let mut sigma = 0.5;
        if let Some(own) = own {
            sigma = 1.0 / own.power.sqrt();
            // Others that overlap or touch, and nearly as likely.
            let close = candidates.iter().filter(|c| net(own) - net(c) < CLOSE_GAIN);
            for c in close {
                if c.first <= to + 2 && c.last + 2 >= from {
                    from = from.min(c.first);
                    to = to.max(c.last);
                }
            }
        }
        let (count, run) = (last - first + 1, to - from + 1);
        let share = count as f64 / run as f64;
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

/// Heights in dB and their derivatives by the elements.
fn model(readings: &[Reading], s: &[f64]) -> (Vec<f64>, DMatrix<f64>) {
    let mut slopes = DMatrix::zeros(readings.len(), s.len());
    let heights = readings
        .iter()
        .enumerate()
        .map(|(i, r)| {
            let (height, d) = r.shares.height_db(&s[r.first..r.first + r.count]);
            d.into_iter().enumerate().for_each(|(e, d)| slopes[(i, r.first + e)] = d);
            height
        })
        .collect();
    (heights, slopes)
}
