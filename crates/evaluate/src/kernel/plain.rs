//! The kernel's definition, sample by sample: what the fast form must equal to the last bit.

use super::sample::Sample;
use super::{Detector, Reading, Waveform, vertex};

impl Detector {
    /// As [`Detector::peak`], by looking at one sample after the other.
    #[must_use]
    pub fn peak_plain<S: Sample>(&self, ascan: &[S], from_s: f64, to_s: f64) -> Option<Reading> {
        let record = &self.record;
        let (from, to) = (record.position(from_s), record.position(to_s));
        let last = ascan.len().checked_sub(1)? as f64;
        if !(from <= to && from <= last && to >= 0.0) {
            return None;
        }
        let mut best: Option<(usize, S::Magnitude)> = None;
        for (i, x) in ascan.iter().enumerate() {
            let inside = (i as f64) >= from && (i as f64) <= to;
            if inside && best.is_none_or(|(_, m)| x.magnitude() > m) {
                best = Some((i, x.magnitude()));
            }
        }
        let (at, largest) = best?;
        let whole = from >= -super::SLACK && to <= last + super::SLACK;
        if S::at_full_scale(largest) {
            let full = |i: &usize| {
                let inside = (*i as f64) >= from && (*i as f64) <= to;
                inside && S::at_full_scale(ascan[*i].magnitude())
            };
            let at = (0..ascan.len()).find(full)?;
            let mut end = at;
            for (i, x) in ascan.iter().enumerate().skip(at) {
                if (i as f64) > to || i - end > self.cycle {
                    break;
                }
                if S::at_full_scale(x.magnitude()) {
                    end = i;
                }
            }
            return Some(Reading {
                height_fsh: record.full_scale_fsh,
                time_s: record.time_s(0.5 * (at + end) as f64),
                clipped: true,
                whole,
            });
        }
        let inside = |i: usize| (i as f64) >= from && (i as f64) <= to;
        let (position, height) = match self.waveform {
            Waveform::RadioFrequency => self.climb_plain(ascan, inside, at),
            Waveform::Rectified => {
                let value = |i: usize| f64::from(ascan[i].value());
                let around = at > 0 && inside(at - 1) && at + 1 < ascan.len() && inside(at + 1);
                let (offset, gain) = if around {
                    vertex(value(at - 1).abs(), value(at).abs(), value(at + 1).abs())
                } else {
                    (0.0, 0.0)
                };
                (at as f64 + offset, value(at).abs() + gain)
            }
        };
        let scale = record.full_scale_fsh / S::FULL_SCALE;
        Some(Reading {
            height_fsh: scale * height,
            time_s: record.time_s(position),
            clipped: false,
            whole,
        })
    }

    /// The envelope's maximum that is reached by always going to the higher neighbour.
    fn climb_plain<S: Sample>(
        &self,
        ascan: &[S],
        inside: impl Fn(usize) -> bool,
        start: usize,
    ) -> (f64, f64) {
        let power = |i: usize| {
            let sample = |i: usize| ascan.get(i).map_or(0.0, |x| x.value());
            let mut q = 0.0_f32;
            for (j, c) in self.taps.iter().enumerate() {
                let k = 2 * j + 1;
                let before = if i >= k { sample(i - k) } else { 0.0 };
                q += c * (sample(i + k) - before);
            }
            let x = f64::from(sample(i));
            x * x + f64::from(q) * f64::from(q)
        };
        let value = |i: Option<usize>| i.filter(|&i| i < ascan.len() && inside(i)).map(power);
        let mut at = start;
        for _ in 0..self.cycle {
            let here = power(at);
            let (before, after) = (value(at.checked_sub(1)), value(Some(at + 1)));
            if after.is_some_and(|a| a > here && before.is_none_or(|b| a >= b)) {
                at += 1;
            } else if before.is_some_and(|b| b > here) {
                at -= 1;
            } else {
                break;
            }
        }
        let (here, before, after) = (power(at), value(at.checked_sub(1)), value(Some(at + 1)));
        let (offset, gain) = match (before, after) {
            (Some(b), Some(a)) if b > 0.0 && a > 0.0 && here >= a && here >= b => {
                vertex(b.ln(), here.ln(), a.ln())
            }
            _ => (0.0, 0.0),
        };
        (at as f64 + offset, (0.5 * (here.ln() + gain)).exp())
    }
}
