//! From another system's values and times to the technique's record.

use barwright_job::technique::{Beam, Record, Technique};

use super::map::ImportMap;
use crate::error::{CaptureError, Result};
use crate::matrix::CLIPPED;
use crate::sinc::Sinc;

/// Difference of the first sample's time, and of the last's, up to which they agree, in samples.
/// What is written to the nanosecond agrees at 25 MHz; 2 ns are 6 µm of steel.
const AGREES: f64 = 0.05;

/// Brings A-scans of one length to a record.
pub(super) struct Converter<'a> {
    record: &'a Record,
    zero: f64,
    /// From their value to fractions of their full scale.
    per_full_scale: f64,
    /// From fractions of their full scale to sample values of the record.
    to_sample: f64,
    curve: bool,
    rate_hz: f64,
    first_s: f64,
    /// For each sample of the record an interpolator and the position it reads at.
    reading: Option<Vec<(Sinc, f64)>>,
    trace: Vec<f32>,
    /// Gain against depth by beam, as factors.
    curves: Vec<Option<Vec<f64>>>,
}

impl<'a> Converter<'a> {
    /// For A-scans of so many samples.
    pub fn new(map: &ImportMap, technique: &'a Technique, samples: usize) -> Result<Self> {
        let s = &map.samples;
        let record = &technique.record;
        if let Some(count) = s.count.filter(|&n| n as usize != samples) {
            let wanted = format!("the file has {samples} samples of a shot");
            return Err(map.wrong("samples.count", count, wanted));
        }
        let rate_hz = s.sample_rate_mhz * 1e6;
        let first_s = s.first_sample_us * 1e-6;
        let last_s = first_s + samples.saturating_sub(1) as f64 / rate_hz;
        let apart = |a: f64, b: f64| (a - b).abs() * record.sample_rate_hz > AGREES;
        let same = samples == record.samples as usize
            && !apart(first_s, record.first_sample_s)
            && !apart(last_s, record.last_sample_s());
        let spans = |rate_hz: f64, first_s: f64, n: usize| {
            format!("{n} samples at {:.6} MHz from {:.3} us", rate_hz / 1e6, first_s * 1e6)
        };
        let wanted = format!(
            "the technique records {}",
            spans(record.sample_rate_hz, record.first_sample_s, record.samples as usize)
        );
        let found = spans(rate_hz, first_s, samples);
        let reading = if same {
            None
        } else if !s.resample {
            let found = format!("the file has {found}, and samples.resample is not set");
            return Err(CaptureError::Mismatch { what: "recorded samples", found, wanted });
        } else {
            // Half a sample short at either end is within the kernel; more would be silence that
            // nobody listened to.
            let short_s = 0.5 / rate_hz;
            if first_s > record.first_sample_s + short_s
                || last_s < record.last_sample_s() - short_s
            {
                let found = format!("the file has {found}, to {:.3} us", last_s * 1e6);
                let wanted = format!("{wanted}, to {:.3} us", record.last_sample_s() * 1e6);
                return Err(CaptureError::Mismatch { what: "recorded time", found, wanted });
            }
            let at = |k: u32| (record.time_s(f64::from(k)) - first_s) * rate_hz;
            let each = (0..record.samples)
                .map(|k| (Sinc::new(rate_hz, record.sample_rate_hz), at(k)))
                .collect();
            Some(each)
        };
        let height = s.full_scale_fsh_percent.map_or(1.0, |p| p / 100.0 / record.full_scale_fsh);
        Ok(Self {
            record,
            zero: s.zero,
            per_full_scale: 1.0 / s.full_scale,
            to_sample: f64::from(i16::MAX) * height,
            curve: !s.gain_curve_applied,
            rate_hz,
            first_s,
            reading,
            trace: Vec::new(),
            curves: vec![None; technique.beams.len()],
        })
    }

    pub fn resamples(&self) -> bool {
        self.reading.is_some()
    }

    /// Writes the record's samples of an A-scan. Returns whether one was beyond full scale, and the
    /// first and last time at which theirs was at full scale although ours need not be.
    pub fn convert(&mut self, theirs: &[f64], beam: &Beam, out: &mut [i16]) -> (bool, [f32; 2]) {
        let record = self.record;
        let curve = self.curve.then(|| {
            let known = &mut self.curves[beam.id as usize];
            &*known.get_or_insert_with(|| {
                let of = |k: u32| {
                    let after_s = record.time_s(f64::from(k)) - beam.surface_time_s;
                    10_f64.powf(beam.curve_db(after_s) / 20.0)
                };
                (0..record.samples).map(of).collect()
            })
        });
        let mut beyond = false;
        let mut put = |k: usize, y: f64, out: &mut [i16]| {
            let y = (y * curve.map_or(1.0, |c| c[k])).round();
            beyond |= !(f64::from(i16::MIN)..=f64::from(i16::MAX)).contains(&y);
            out[k] = y.clamp(f64::from(i16::MIN), f64::from(i16::MAX)) as i16;
        };
        // One product, so that values that are ours already stay what they are.
        let scale = self.to_sample * self.per_full_scale;
        match &mut self.reading {
            None => {
                theirs.iter().enumerate().for_each(|(k, x)| put(k, (x - self.zero) * scale, out));
            }
            Some(reading) => {
                self.trace.clear();
                self.trace.extend(theirs.iter().map(|x| ((x - self.zero) * scale) as f32));
                for (k, (sinc, position)) in reading.iter_mut().enumerate() {
                    put(k, f64::from(sinc.at(&self.trace, *position)), out);
                }
            }
        }
        (beyond, self.at_full_scale(theirs))
    }

    /// Where ours are theirs unchanged, a sample at full scale tells itself.
    fn at_full_scale(&self, theirs: &[f64]) -> [f32; 2] {
        let plain =
            self.reading.is_none() && !self.curve && self.to_sample.round() >= f64::from(i16::MAX);
        if plain {
            return [f32::NAN; 2];
        }
        let full = |x: &f64| ((x - self.zero) * self.per_full_scale).abs() >= f64::from(CLIPPED);
        let time = |k: usize| (self.first_s + k as f64 / self.rate_hz) as f32;
        match (theirs.iter().position(full), theirs.iter().rposition(full)) {
            (Some(a), Some(b)) => [time(a), time(b)],
            _ => [f32::NAN; 2],
        }
    }
}
