//! Finer surface times where the surface echo stands at full scale.
//!
//! A clipped echo is timed by the middle of its clipped part, which jumps by half a cycle with the
//! gain. Its rising flank is not clipped, and in the mean over all shots of a motion it has hardly
//! any noise: the phase of its carrier, against that of like beams, gives the time to some
//! nanoseconds. Steered beams, whose surface echoes are lower, give what is common to all.

use std::f64::consts::PI;

use num_complex::Complex64;

use super::{fit, form, mirror::Mirror, seen::Seen};
use crate::{
    level::Part,
    reading::{median, wrapped},
};

/// Width of the part of the flank that is used (one standard deviation), and its distance before the
/// first clipped sample, in cycles.
const WIDTH_CYCLES: f64 = 0.5;
const BEFORE_CYCLES: f64 = 1.0;
/// What clipped echoes of like beams are read apart by, in cycles (one standard deviation): their
/// middle jumps by half a cycle.
const READ_CYCLES: f64 = 0.35;
/// Fewest beams alike for a common flank.
const FEWEST: usize = 6;
/// Least steepness of a flank, as the time in which it rises by a neper: one that rises slower is no
/// flank.
const STEEPEST_S: f64 = 1e-6;
const NEPER_DB: f64 = 8.685_889_638;

/// Corrects the mean surface times of clipped beams; returns what steered beams say of all.
pub(super) fn refine(seen: &mut Seen<'_>) -> Common {
    let motions = seen.reference.motion.len();
    let beams: Vec<usize> = (0..seen.technique.beams.len())
        .filter(|&b| seen.surface[b].iter().any(Option::is_some))
        .collect();
    let mut any = false;
    for m in 0..motions {
        let clipped: Vec<usize> = beams
            .iter()
            .copied()
            .filter(|&b| seen.forms[b].get(m).is_some_and(|f| f.first_clipped.is_some()))
            .collect();
        any |= !clipped.is_empty();
        flanks(seen, m, &clipped);
    }
    let mut common = common(seen);
    common.doubtful = any && common.late_s.is_none();
    if let Some(late_s) = common.late_s.filter(|_| any) {
        for circle in seen.surface.iter_mut().flatten().flatten() {
            circle.mean_s += late_s;
        }
    }
    common
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
        // Times from each beam's own surface as it was read; a bar that circles moves it with its turn.
        let zero = |b: usize, turn_rad: f64| {
            let circle = seen.surface[b][motion].map_or(0.0, |c| c.at_s(turn_rad));
            t.beams[b].surface_time_s + circle
        };
        let parts = |b: usize| &seen.forms[b][motion].parts;
        let first_clipped = |b: usize| {
            let time = |p: &Part| {
                let sample = p.first_clipped.unwrap_or(p.samples.len());
                t.record.time_s(sample as f64) - zero(b, p.turn_rad)
            };
            parts(b).iter().map(time).fold(f64::MAX, f64::min)
        };
        let start = group.iter().map(|&b| first_clipped(b)).fold(f64::MAX, f64::min);
        let (middle, width) = (start - BEFORE_CYCLES / frequency, WIDTH_CYCLES / frequency);
        let line = |b: usize, middle: f64| -> Complex64 {
            let of_part = |p: &Part| -> Complex64 {
                let zero = zero(b, p.turn_rad);
                p.samples
                    .iter()
                    .enumerate()
                    .map(|(i, &x)| {
                        let time = t.record.time_s(i as f64) - zero;
                        let taper = (-0.5 * ((time - middle) / width).powi(2)).exp();
                        let inside = if time < start { taper } else { 0.0 };
                        Complex64::from_polar(x * inside, 2.0 * PI * frequency * time)
                    })
                    .sum()
            };
            let all: Vec<Complex64> = parts(b).iter().map(of_part).collect();
            let middle =
                |of: fn(&Complex64) -> f64| median(&mut all.iter().map(of).collect::<Vec<_>>());
            Complex64::new(middle(|z| z.re), middle(|z| z.im))
        };
        let lines: Vec<Complex64> = group.iter().map(|&b| line(b, middle)).collect();
        // Half a cycle earlier the flank is lower: so steep is it, in nepers per second.
        let step = 0.5 / frequency;
        let mut steep: Vec<f64> = group
            .iter()
            .zip(&lines)
            .map(|(&b, z)| {
                (z.norm().max(1e-12) / line(b, middle - step).norm().max(1e-12)).ln() / step
            })
            .collect();
        let steep = median(&mut steep).max(1.0 / STEEPEST_S);
        // A later flank is lower, too, once the beam's own level is taken out: that tells the cycle.
        let level = |b: usize| seen.raw_db[b].map_or(0.0, |db| db / NEPER_DB);
        let size: Vec<f64> =
            group.iter().zip(&lines).map(|(&b, z)| z.norm().max(1e-12).ln() - level(b)).collect();
        let usual = median(&mut size.clone());
        let sum: Complex64 = lines.iter().filter(|z| z.norm() > 0.0).map(|z| z / z.norm()).sum();
        let period_s = 1.0 / frequency;
        let late: Vec<(f64, f64)> = lines
            .iter()
            .zip(&size)
            .map(|(z, size)| {
                let fine = (z * sum.conj()).arg() / (2.0 * PI * frequency);
                (fine, (usual - size) / steep)
            })
            .collect();
        // How far the coarse time is to be trusted shows in how much it scatters.
        let coarse: Vec<f64> = late.iter().map(|l| l.1).collect();
        let trust_s = fit::deviation(&coarse, 1).max(1e-9);
        let late: Vec<f64> = late
            .into_iter()
            .map(|(fine, coarse)| {
                let cost = |time: f64| {
                    ((time - coarse) / trust_s).powi(2) + (time / (READ_CYCLES * period_s)).powi(2)
                };
                [-1.0, 0.0, 1.0]
                    .map(|cycles| fine + cycles * period_s)
                    .into_iter()
                    .min_by(|a, b| cost(*a).total_cmp(&cost(*b)))
                    .unwrap_or(fine)
            })
            .collect();
        let shift = median(&mut late.clone());
        for (&b, late) in group.iter().zip(&late) {
            if let Some(circle) = seen.surface[b][motion].as_mut() {
                circle.mean_s += late - shift;
            }
        }
        slips(seen, motion, &group);
    }
}

/// Beams of one probe whose time lies a whole cycle off the straight line of the others of that probe
/// are moved by it.
fn slips(seen: &mut Seen<'_>, motion: usize, beams: &[usize]) {
    let t = seen.technique;
    let period_s = 1.0 / t.pulse.centre_hz;
    for probe in 0..t.probes.len() as u32 {
        let Some(middle) = seen.probe_middle_rad(probe) else { continue };
        let own: Vec<(usize, f64, f64)> = beams
            .iter()
            .filter(|&&b| t.beams[b].probe == probe)
            .filter_map(|&b| {
                let aside = wrapped(t.beams[b].axis.entry.angle() - middle);
                Some((b, aside, seen.surface[b][motion]?.mean_s))
            })
            .collect();
        if own.len() < 5 {
            continue;
        }
        // The line through medians of differences (Theil and Sen), since slips are no small errors.
        let mut slopes: Vec<f64> = own
            .iter()
            .enumerate()
            .flat_map(|(i, a)| own[i + 1..].iter().map(move |b| (b.2 - a.2) / (b.1 - a.1)))
            .collect();
        let slope = median(&mut slopes);
        let level = median(&mut own.iter().map(|o| o.2 - slope * o.1).collect::<Vec<_>>());
        for (b, aside, time) in own {
            let cycles = ((time - level - slope * aside) / period_s).round();
            if let Some(circle) = seen.surface[b][motion].as_mut() {
                circle.mean_s -= cycles * period_s;
            }
        }
    }
}

/// What all steered beams say together.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Common {
    /// Time by which all surfaces are later than they were read, in seconds.
    pub late_s: Option<f64>,
    /// Whether the common time rests on clipped echoes alone.
    pub doubtful: bool,
    /// Share by which their echoes ring higher than the technique's pulse.
    pub high: Option<f64>,
}

/// Time and frequency from the surface echoes of steered beams.
fn common(seen: &Seen<'_>) -> Common {
    let t = seen.technique;
    let (mut late, mut high) = (Vec::new(), Vec::new());
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
        let found =
            Mirror::of(t, beam).and_then(|mirror| form::late_and_high(seen, &alike, &mirror));
        if let Some((l, h)) = found {
            late.push(l);
            high.push(h);
        }
    }
    let middle = |v: &mut Vec<f64>| (!v.is_empty()).then(|| median(v));
    Common { late_s: middle(&mut late), high: middle(&mut high), doubtful: false }
}
