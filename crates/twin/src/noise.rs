//! Randomness: seeds for named purposes, and a table of band-limited noise.

use barwright_job::Hash;
use num_complex::Complex32;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;
use realfft::RealFftPlanner;

/// A generator for one purpose: the same seed and purpose give the same numbers whatever else is
/// drawn, and by whom.
pub(crate) fn generator(seed: u64, purpose: &str) -> Xoshiro256PlusPlus {
    Xoshiro256PlusPlus::seed_from_u64(seed_for(seed, purpose))
}

/// Seed for a purpose, from the BLAKE3 hash of both.
pub(crate) fn seed_for(seed: u64, purpose: &str) -> u64 {
    let hash = Hash::of(format!("{seed}/{purpose}").as_bytes());
    // 16 hexadecimal digits are 64 bits; a hash always has them.
    hash.0.get(..16).and_then(|digits| u64::from_str_radix(digits, 16).ok()).unwrap_or(seed)
}

/// Table of noise with the probes' spectrum.
pub(crate) struct NoiseTable {
    samples: Vec<f32>,
    offsets: usize,
    seed: u64,
}

/// Offsets into the table. A shot of some hundred samples repeats another only by chance.
const OFFSETS: usize = 1 << 16;

impl NoiseTable {
    /// A table of an rms for shots of `shot` samples; `spectrum` gives the relative amplitude at a frequency
    /// in units of the sampling rate (0 to 0.5).
    pub(crate) fn new(seed: u64, shot: usize, rms: f64, spectrum: impl Fn(f64) -> f64) -> Self {
        let mut random = generator(seed, "noise table");
        let to_time = RealFftPlanner::<f32>::new().plan_fft_inverse(OFFSETS);
        let mut bins = to_time.make_input_vec();
        let count = bins.len();
        for (k, bin) in bins.iter_mut().enumerate().take(count - 1).skip(1) {
            let amplitude = spectrum(k as f64 / OFFSETS as f64) as f32;
            let re: f32 = StandardNormal.sample(&mut random);
            let im: f32 = StandardNormal.sample(&mut random);
            *bin = Complex32::new(re * amplitude, im * amplitude);
        }
        let mut samples = to_time.make_output_vec();
        to_time
            .process(&mut bins, &mut samples)
            .expect("the lengths come from the plan itself; first and last bin are real");
        let power: f64 = samples.iter().map(|&x| f64::from(x).powi(2)).sum();
        let scale = (rms * (OFFSETS as f64 / power.max(f64::MIN_POSITIVE)).sqrt()) as f32;
        samples.iter_mut().for_each(|x| *x *= scale);
        // The table closes on itself, so a shot may start anywhere.
        samples.extend_from_within(..shot.min(OFFSETS));
        while samples.len() < OFFSETS + shot {
            let more = (OFFSETS + shot - samples.len()).min(OFFSETS);
            samples.extend_from_within(..more);
        }
        Self { samples, offsets: OFFSETS, seed: random.next_u64() }
    }

    /// Noise of one shot of a capture.
    pub(crate) fn of_shot(&self, capture: u64, shot: u64, samples: usize) -> &[f32] {
        let offset = (mix(self.seed ^ mix(capture ^ mix(shot))) % self.offsets as u64) as usize;
        &self.samples[offset..offset + samples]
    }
}

/// One step of SplitMix64: spreads counters over all 64 bits.
fn mix(x: u64) -> u64 {
    let x = x.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    x ^ (x >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: property. Rms one, band kept, reproducible, different from shot to shot.
    #[test]
    fn noise_has_its_level_and_band() {
        let band = |f: f64| if (0.15..0.25).contains(&f) { 1.0 } else { 0.0 };
        let table = NoiseTable::new(3, 600, 1.0, band);
        let all: Vec<f32> = (0..400).flat_map(|i| table.of_shot(1, i, 600).to_vec()).collect();
        let rms =
            (all.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / all.len() as f64).sqrt();
        // 240 000 samples of 65 536 different ones, a fifth of them independent: 1 % is 1.5 sigma
        // of that many, 3 % is safe.
        assert!((rms - 1.0).abs() < 0.03, "{rms}");
        // At the middle of the band a sample and the one 2.5 later stand half a period apart: the
        // mean product of samples 5 apart (one period) is near the mean square.
        let lag = |n: usize| -> f64 {
            all[..590].iter().zip(&all[n..]).map(|(a, b)| f64::from(a * b)).sum::<f64>() / 590.0
        };
        assert!(lag(5) > 0.2 * lag(0));
        let again = NoiseTable::new(3, 600, 1.0, band);
        assert_eq!(again.of_shot(1, 7, 600), table.of_shot(1, 7, 600));
        assert_ne!(table.of_shot(1, 7, 600), table.of_shot(1, 8, 600));
        assert_ne!(table.of_shot(1, 7, 600), table.of_shot(2, 7, 600));
    }
}
