//! Finer surface times where the surface echo stands at full scale.
//!
//! A clipped echo is timed by the middle of its clipped part, which jumps by half a cycle with the
//! gain. Its rising flank is not clipped, and in the mean over all shots of a motion it has hardly
//! any noise: the phase of its carrier, against that of like beams, gives the time to some
//! nanoseconds. Steered beams, whose surface echoes are lower, give what is common to all.

use std::f64::consts::PI;

use num_complex::Complex64;

use super::{form, mirror::Mirror, seen::Seen};
use crate::reading::median;

/// Width of the part of the flank that is used (one standard deviation), and its distance before the
/// first clipped sample, in cycles.
const WIDTH_CYCLES: f64 = 0.5;
const BEFORE_CYCLES: f64 = 1.0;
/// Fewest beams alike for a common flank.
const FEWEST: usize = 6;
/// Largest correction that is believed, in cycles: beyond, the cycle itself is in doubt.
const MOST_CYCLES: f64 = 0.45;

/// Corrects the mean surface times of clipped beams.
pub(super) fn refine(seen: &mut Seen<'_>) {
    let motions = seen.reference.motion.len();
    let beams: Vec<usize> = (0..seen.technique.beams.len())
        .filter(|&b| seen.surface[b].iter().any(Option::is_some))
        .collect();
    for m in 0..motions {
        let clipped: Vec<usize> = beams
            .iter()
            .copied()
            .filter(|&b| seen.forms[b].get(m).is_some_and(|f| f.first_clipped().is_some()))
            .collect();
        flanks(seen, m, &clipped);
    }
    if let Some(late_s) = common(seen) {
        for circle in seen.surface.iter_mut().flatten().flatten() {
            circle.mean_s += late_s;
        }
    }
}

/// Corrects beams against the middle of those alike.
fn flanks(seen: &mut Seen<'_>, motion: usize, beams: &[usize]) {
    let t = seen.technique;
    let frequency = t.pulse.centre_hz;
    let alike = |a: usize, b: usize| {
        t.beams[a].transmit_delays_s == t.beams[b].transmit_delays_s
            && t.beams[a].receive_delays_s == t.beams[b].receive_delays_s
    };
    let mut left: Vec<usize> = beams.to_vec();
    while let Some(&first) = left.first() {
        let (group, rest) = left.iter().partition::<Vec<usize>, _>(|&&b| alike(first, b));
        left = rest;
        if group.len() < FEWEST {
            continue;
        }
        // Times from each beam's own surface as it was read.
        let zero = |b: usize| {
            let circle = seen.surface[b][motion].map_or(0.0, |c| c.mean_s);
            t.beams[b].surface_time_s + circle
        };
        let first_clipped = |b: usize| {
            let sample = seen.forms[b][motion].first_clipped().unwrap_or(0);
            t.record.time_s(sample as f64) - zero(b)
        };
        let start = group.iter().map(|&b| first_clipped(b)).fold(f64::MAX, f64::min);
        let (middle, width) =
            (start - BEFORE_CYCLES / frequency, WIDTH_CYCLES / frequency);
        let line = |b: usize| -> Complex64 {
            let trace = seen.forms[b][motion].trace();
            trace
                .iter()
                .enumerate()
                .map(|(i, &x)| {
                    let time = t.record.time_s(i as f64) - zero(b);
                    let taper = (-0.5 * ((time - middle) / width).powi(2)).exp();
                    let inside = if time < start { taper } else { 0.0 };
                    Complex64::from_polar(x * inside, 2.0 * PI * frequency * time)
                })
                .sum()
        };
        let lines: Vec<Complex64> = group.iter().map(|&b| line(b)).collect();
        // The middle of the directions: that of the sum of unit vectors.
        let sum: Complex64 =
            lines.iter().filter(|z| z.norm() > 0.0).map(|z| z / z.norm()).sum();
        let late: Vec<f64> = lines
            .iter()
            .map(|z| (z * sum.conj()).arg() / (2.0 * PI * frequency))
            .collect();
        let shift = median(&mut late.clone());
        for (&b, late) in group.iter().zip(&late) {
            let late = late - shift;
            if let Some(circle) = seen.surface[b][motion].as_mut()
                && late.abs() * frequency < MOST_CYCLES
            {
                circle.mean_s += late;
            }
        }
    }
}

/// Time by which all surfaces are later than they were read, from steered beams.
fn common(seen: &Seen<'_>) -> Option<f64> {
    let t = seen.technique;
    let clipped = (0..t.beams.len())
        .any(|b| seen.surface[b].iter().any(Option::is_some) && seen.forms[b].iter().any(|f| f.first_clipped().is_some()));
    if !clipped {
        return None;
    }
    let mut late = Vec::new();
    let mut done: Vec<usize> = Vec::new();
    for (b, beam) in t.beams.iter().enumerate() {
        if beam.surface_beam.is_none_or(|leader| leader == beam.id)
            || done.iter().any(|&d| t.beams[d].transmit_delays_s == beam.transmit_delays_s)
        {
            continue;
        }
        done.push(b);
        let alike: Vec<usize> = (0..t.beams.len())
            .filter(|&i| {
                t.beams[i].transmit_delays_s == beam.transmit_delays_s
                    && t.beams[i].receive_delays_s == beam.receive_delays_s
            })
            .collect();
        if let Some(mirror) = Mirror::of(t, beam) {
            late.extend(form::late_s(seen, &alike, &mirror));
        }
    }
    (!late.is_empty()).then(|| median(&mut late))
}
