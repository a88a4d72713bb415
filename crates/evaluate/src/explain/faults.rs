//! Elements of one probe that lost sensitivity, looked for in the likelihood of its readings.
//!
//! # Algorithm
//! 1. Faults are runs of elements (mostly of one) that lost much. Each run's likelihood is taken from
//!    the linear model; the most likely are weighed again with the full one, since a dead element is
//!    no small change. The best is kept if it explains far more than it costs, and the search goes on.
//! 2. Runs that do nearly as well as one that was kept are told together with it: the apertures do
//!    not tell them apart.
//!
//! Bayesian information criterion: Bishop, *Pattern Recognition and Machine Learning* (2006), ch. 4.4.

use super::{likelihood::Problem, readings::Block};

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

impl<'r> Problem<'r> {
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
    use std::sync::Arc;

    use super::*;
    use crate::explain::{aperture::Shares, readings::Model};

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
