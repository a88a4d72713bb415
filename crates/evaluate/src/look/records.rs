//! Traces of a full matrix made fit for imaging.

use num_complex::{Complex, Complex32};
use rayon::prelude::*;
use rustfft::FftPlanner;

use super::LookError;

/// Traces as they were recorded, `[transmit][receive][sample]`, as fractions of full scale. A trace that was not
/// recorded is all nought or not a number.
#[derive(Debug, Clone, Copy)]
pub struct Traces<'a> {
    /// Elements.
    pub elements: usize,
    /// Samples of a trace.
    pub samples: usize,
    /// Sampling rate in Hz.
    pub sample_rate_hz: f64,
    /// Time of the first sample from firing, in s.
    pub first_sample_s: f64,
    /// The values.
    pub values: &'a [f32],
    /// Centre frequency of the array in Hz.
    pub centre_hz: f64,
}

/// What was noticed of the records.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Noticed {
    /// Elements whose own records are so much weaker than the others' that they count as dead.
    pub dead: Vec<usize>,
    /// Pairs that were completed from the other direction.
    pub completed: usize,
    /// Traces that reached full scale, and the first and last time they did, in s.
    pub clipped: usize,
    /// When; none where none did.
    pub clipped_s: Option<[f64; 2]>,
    /// Median relative difference between the two directions of a pair; none where none has both.
    pub reciprocity: Option<f64>,
}

/// Records of all pairs of live elements, each pair once, analytic.
#[derive(Debug, Clone)]
pub struct Records {
    /// Elements of the array.
    pub elements: usize,
    /// Live elements, by number.
    pub live: Vec<usize>,
    /// Samples of a record.
    pub samples: usize,
    /// Rate of the records in Hz, a multiple of that of the traces.
    pub rate_hz: f64,
    /// Time of the first sample in s.
    pub first_s: f64,
    /// What was noticed.
    pub noticed: Noticed,
    /// Record of each pair of live elements with the second not before the first, both directions added.
    pairs: Vec<Complex32>,
    /// For each pair the parts of the record, of [`PARTS`], in which a direction of it was at full scale, as bits.
    full: Vec<u64>,
}

/// An element counts as dead if its median energy lies so far below the array's median, in dB.
const DEAD_DB: f64 = 20.0;
/// Samples of a period at least, so that a straight line between two of them errs by under 1 %: (π/16)²/4.
const PER_PERIOD: f64 = 16.0;
/// Full scale is reached from here on: the last code of a 12-bit converter is at 0.9995.
const CLIPPED: f32 = 0.9995;
/// Parts of a record that are told apart when it comes to full scale.
const PARTS: usize = 64;
/// Samples of silence kept before each record, and behind it.
pub(super) const SILENCE: usize = 2;
/// Elements that an image needs.
const LEAST: usize = 4;

impl Records {
    /// Looks through traces, completes what reciprocity completes, and makes them analytic.
    ///
    /// # Errors
    /// [`LookError::Shape`], [`LookError::Dead`], [`LookError::Missing`].
    pub fn of(traces: &Traces<'_>) -> Result<Self, LookError> {
        let n = traces.elements;
        let wanted = n * n * traces.samples;
        if traces.values.len() != wanted || traces.samples < 16 {
            let found = traces.values.len();
            return Err(LookError::Shape { what: "samples of the matrix", found, wanted });
        }
        let trace = |t: usize, r: usize| {
            let start = (t * n + r) * traces.samples;
            &traces.values[start..start + traces.samples]
        };
        let recorded = |t: usize, r: usize| {
            let x = trace(t, r);
            x.iter().all(|v| v.is_finite()) && x.iter().any(|v| *v != 0.0)
        };
        let there: Vec<bool> = (0..n * n).map(|k| recorded(k / n, k % n)).collect();
        let mut noticed = clipping(traces, &there);
        let energy = |t: usize, r: usize| -> f64 {
            trace(t, r).iter().map(|v| f64::from(*v) * f64::from(*v)).sum()
        };
        let (live, dead) = living(n, &there, &energy);
        noticed.dead = dead;
        if live.len() < LEAST {
            return Err(LookError::Dead { alive: live.len(), elements: n, wanted: LEAST });
        }
        let both: Vec<(usize, usize)> = live
            .iter()
            .enumerate()
            .flat_map(|(k, &i)| live[k..].iter().map(move |&j| (i, j)))
            .collect();
        let missing: Vec<_> =
            both.iter().filter(|&&(i, j)| !there[i * n + j] && !there[j * n + i]).collect();
        if let Some(&&(i, j)) = missing.first() {
            let (missing, pairs) = (missing.len(), both.len());
            return Err(LookError::Missing { missing, pairs, first: [i, j] });
        }
        noticed.completed =
            both.iter().filter(|&&(i, j)| i != j && there[i * n + j] != there[j * n + i]).count();
        noticed.reciprocity = reciprocity(&both, |i, j| there[i * n + j].then(|| trace(i, j)));
        let factor =
            (PER_PERIOD * traces.centre_hz / traces.sample_rate_hz).ceil().max(1.0) as usize;
        let full =
            both.iter().map(|&(i, j)| full_parts(trace(i, j)) | full_parts(trace(j, i))).collect();
        let maker = Analytic::new(traces.samples, factor);
        let pairs = both
            .par_iter()
            .flat_map_iter(|&(i, j)| {
                let sum: Vec<f32> = if i == j {
                    trace(i, i).to_vec()
                } else {
                    match (there[i * n + j], there[j * n + i]) {
                        (true, true) => {
                            trace(i, j).iter().zip(trace(j, i)).map(|(a, b)| a + b).collect()
                        }
                        (true, false) => trace(i, j).iter().map(|a| 2.0 * a).collect(),
                        _ => trace(j, i).iter().map(|a| 2.0 * a).collect(),
                    }
                };
                maker.of(&sum)
            })
            .collect();
        Ok(Self {
            elements: n,
            live,
            samples: traces.samples * factor,
            rate_hz: traces.sample_rate_hz * factor as f64,
            first_s: traces.first_sample_s,
            noticed,
            pairs,
            full,
        })
    }

    /// The record of the pair of the k-th and l-th live element, both directions added; `k` not behind `l`.
    #[must_use]
    pub fn pair(&self, k: usize, l: usize) -> &[Complex32] {
        &self.padded(k, l)[SILENCE..SILENCE + self.samples]
    }

    /// The same with [`SILENCE`] before and behind it.
    pub(super) fn padded(&self, k: usize, l: usize) -> &[Complex32] {
        let (at, stride) = (self.number(k, l), self.samples + 2 * SILENCE);
        &self.pairs[at * stride..(at + 1) * stride]
    }

    /// Time in s and height of the highest place among the samples from `from` to before `to` of the record of the k-th and l-th
    /// live element, between samples by a parabola; none where that is at an edge.
    pub(super) fn top(&self, k: usize, l: usize, from: usize, to: usize) -> Option<(f64, f64)> {
        let record = self.pair(k, l);
        let height = |s: usize| f64::from(record[s].norm());
        let best = (from..to).max_by(|a, b| height(*a).total_cmp(&height(*b)))?;
        if best == from || best + 1 == to {
            return None;
        }
        let shift = parabola_top(height(best - 1), height(best), height(best + 1));
        Some((self.first_s + (best as f64 + shift) / self.rate_hz, height(best)))
    }

    /// Number of a pair: rows of the upper triangle, m, m - 1, m - 2 … long.
    fn number(&self, k: usize, l: usize) -> usize {
        k * self.live.len() - k * k.saturating_sub(1) / 2 + (l - k)
    }

    /// Whether the pair of the k-th and l-th live element (`k` not behind `l`) was at full scale about a time in s, to a 64th of
    /// the record.
    pub(super) fn was_full(&self, k: usize, l: usize, time_s: f64) -> bool {
        let part = (time_s - self.first_s) * self.rate_hz / self.samples as f64 * PARTS as f64;
        (0.0..PARTS as f64).contains(&part)
            && self.full[self.number(k, l)] & (1 << (part as u64)) != 0
    }
}

/// How far the top of a parabola through three values at even steps lies from the middle one, in steps; nought where there is none.
pub(super) fn parabola_top(before: f64, here: f64, behind: f64) -> f64 {
    let bend = before - 2.0 * here + behind;
    if bend < 0.0 { 0.5 * (before - behind) / bend } else { 0.0 }
}

/// Parts of a trace at full scale, as bits.
fn full_parts(trace: &[f32]) -> u64 {
    let part = |s: usize| s * PARTS / trace.len();
    let full = trace.iter().enumerate().filter(|(_, v)| v.abs() >= CLIPPED);
    full.fold(0, |bits, (s, _)| bits | 1 << part(s))
}

fn clipping(traces: &Traces<'_>, there: &[bool]) -> Noticed {
    let mut noticed = Noticed::default();
    let recorded =
        traces.values.chunks_exact(traces.samples).zip(there).filter(|(_, there)| **there);
    for (x, _) in recorded {
        let full = |v: &f32| v.abs() >= CLIPPED;
        let (Some(first), Some(last)) = (x.iter().position(full), x.iter().rposition(full)) else {
            continue;
        };
        noticed.clipped += 1;
        let time = |s: usize| traces.first_sample_s + s as f64 / traces.sample_rate_hz;
        let [a, b] = noticed.clipped_s.unwrap_or([f64::INFINITY, f64::NEG_INFINITY]);
        noticed.clipped_s = Some([a.min(time(first)), b.max(time(last))]);
    }
    noticed
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

/// Live elements and dead ones: by the median energy of what each sent and received.
fn living(
    n: usize,
    there: &[bool],
    energy: &dyn Fn(usize, usize) -> f64,
) -> (Vec<usize>, Vec<usize>) {
    let of = |e: usize| {
        let with =
            (0..n).flat_map(|o| [(e, o), (o, e)]).filter(|&(t, r)| t != r && there[t * n + r]);
        median(with.map(|(t, r)| energy(t, r)).collect())
    };
    let each: Vec<f64> = (0..n).map(of).collect();
    let least = median(each.clone()) * 10f64.powf(-DEAD_DB / 10.0);
    (0..n).partition(|e| each[*e] > least && each[*e] > 0.0)
}

/// Median relative difference of the two directions of pairs; none where no pair has both.
pub(super) fn reciprocity<'a>(
    both: &[(usize, usize)],
    trace: impl Fn(usize, usize) -> Option<&'a [f32]>,
) -> Option<f64> {
    let differences: Vec<f64> = both
        .iter()
        .filter(|(i, j)| i != j)
        .filter_map(|&(i, j)| {
            let (a, b) = (trace(i, j)?, trace(j, i)?);
            let square = |x: f32| f64::from(x) * f64::from(x);
            let apart: f64 = a.iter().zip(b).map(|(a, b)| square(a - b)).sum();
            let whole: f64 = a.iter().zip(b).map(|(a, b)| (square(*a) + square(*b)) / 2.0).sum();
            (whole > 0.0).then(|| (apart / whole).sqrt())
        })
        .collect();
    (!differences.is_empty()).then(|| median(differences))
}

/// Makes traces analytic, and finer by a factor, by Fourier transforms.
struct Analytic {
    samples: usize,
    /// Room behind the trace, so that its end does not reach its begin.
    padded: usize,
    factor: usize,
    forward: std::sync::Arc<dyn rustfft::Fft<f32>>,
    back: std::sync::Arc<dyn rustfft::Fft<f32>>,
}

impl Analytic {
    fn new(samples: usize, factor: usize) -> Self {
        let padded = (samples + 64).next_power_of_two();
        let mut planner = FftPlanner::new();
        let forward = planner.plan_fft_forward(padded);
        let back = planner.plan_fft_inverse(padded * factor);
        Self { samples, padded, factor, forward, back }
    }

    fn of(&self, trace: &[f32]) -> Vec<Complex32> {
        let mut spectrum = vec![Complex::new(0.0, 0.0); self.padded];
        for (s, x) in spectrum.iter_mut().zip(trace) {
            s.re = *x;
        }
        self.forward.process(&mut spectrum);
        // One-sided: nought and the highest stay, the others count twice.
        let half = self.padded / 2;
        let mut fine = vec![Complex::new(0.0, 0.0); self.padded * self.factor];
        fine[0] = spectrum[0];
        for k in 1..half {
            fine[k] = spectrum[k] * 2.0;
        }
        fine[half] = spectrum[half];
        self.back.process(&mut fine);
        let scale = 1.0 / self.padded as f32;
        let silence = |count| std::iter::repeat_n(Complex32::new(0.0, 0.0), count);
        let record = fine.iter().take(self.samples * self.factor).map(|v| v * scale);
        silence(SILENCE).chain(record).chain(silence(SILENCE)).collect()
    }
}
