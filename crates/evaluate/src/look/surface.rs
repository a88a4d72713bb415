//! Where the steel begins, from the records themselves.

use barwright_wave::{Point, Surface};
use nalgebra::{Matrix3, Vector3};

use super::{LookError, Records};

/// What the surface is known to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// A flat face without ends.
    Flat,
    /// A side of a square bar: a flat face of a width in m whose middle stands opposite that of the array.
    Side {
        /// Its width, corners left out.
        width_m: f64,
    },
    /// A round bar of a radius in m.
    Round {
        /// Its radius.
        radius_m: f64,
    },
    /// A round bar of unknown radius.
    RoundFree,
}

/// A surface that was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// The surface.
    pub surface: Surface,
    /// Elements that read it.
    pub elements: usize,
    /// Root mean square of what is left of their distances, in m.
    pub scatter_m: f64,
    /// Standard uncertainty of its distance from the array, in m.
    pub uncertainty_m: f64,
}

/// Elements that must read the surface.
const LEAST: usize = 4;
/// A face of that width in m has no ends for any array.
const ENDLESS_M: f64 = 2.0;
/// What may be left of distances about the best surface, in wavelengths in water.
const MOST_LEFT: f64 = 0.5;

/// Finds the surface from the echoes that each live element hears of its own pulses between two times (s from firing; the
/// pulse's middle `delay_s` later than its time of firing). `elements`: where they stand.
///
/// Of each echo the highest place of its envelope counts, between samples by a parabola.
///
/// # Errors
/// [`LookError::NoSurface`], [`LookError::NoFit`].
pub fn find_surface(
    records: &Records,
    elements: &[Point],
    shape: Shape,
    water_m_s: f64,
    window_s: [f64; 2],
    delay_s: f64,
    centre_hz: f64,
) -> Result<Found, LookError> {
    let sample = |t: f64| ((t - records.first_s) * records.rate_hz).max(0.0);
    let from = sample(window_s[0]) as usize;
    let to = (sample(window_s[1]) as usize + 1).min(records.samples);
    let mut read: Vec<(Point, f64)> = Vec::new();
    let mut heights = Vec::new();
    if from + 3 < to {
        for (k, &e) in records.live.iter().enumerate() {
            let Some((time, height)) = records.top(k, k, from, to) else { continue };
            heights.push(height);
            read.push((elements[e], water_m_s * (time - delay_s) / 2.0));
        }
    }
    // Echoes under a tenth of the highest are none of the surface.
    let highest = heights.iter().copied().fold(0.0, f64::max);
    let mut kept = heights.iter().map(|h| *h >= 0.1 * highest && *h > 0.0);
    read.retain(|_| kept.next().unwrap_or(false));
    if read.len() < LEAST {
        return Err(LookError::NoSurface {
            found: read.len(),
            elements: records.live.len(),
            from_us: window_s[0] * 1e6,
            to_us: window_s[1] * 1e6,
            wanted: LEAST,
        });
    }
    let (surface, left, unknowns) = match shape {
        Shape::Flat => flat(&read, ENDLESS_M),
        Shape::Side { width_m } => flat(&read, width_m),
        Shape::Round { radius_m } => round(&read, radius_m, false),
        Shape::RoundFree => round(&read, 0.03, true),
    };
    let n = read.len() as f64;
    let scatter_m = (left / n).sqrt();
    let most = MOST_LEFT * water_m_s / centre_hz;
    if !scatter_m.is_finite() || scatter_m > most {
        return Err(LookError::NoFit { scatter_mm: scatter_m * 1e3, most_mm: most * 1e3 });
    }
    let free = (n - unknowns).max(1.0);
    let uncertainty_m = (left / free / n).sqrt();
    Ok(Found { surface, elements: read.len(), scatter_m, uncertainty_m })
}

/// The face that stands at the distances read: its normal (cos, sin of an angle) and its distance from the origin, by
/// Gauss's steps. Steel lies on the far side.
fn flat(read: &[(Point, f64)], width_m: f64) -> (Surface, f64, f64) {
    let n = read.len() as f64;
    let middle = |f: &dyn Fn(&(Point, f64)) -> f64| read.iter().map(f).sum::<f64>() / n;
    let (mx, my) = (middle(&|p| p.0.x), middle(&|p| p.0.y));
    let far = middle(&|p| p.1);
    // Begins along the direction in which the elements face, +y.
    let (mut angle, mut reach) = (std::f64::consts::FRAC_PI_2, my + far);
    let residual = |angle: f64, reach: f64, p: &(Point, f64)| {
        reach - (p.0.x * angle.cos() + p.0.y * angle.sin()) - p.1
    };
    for _ in 0..50 {
        // Normal equations of angle and reach.
        let (mut aa, mut ar, mut ba, mut br) = (0.0, 0.0, 0.0, 0.0);
        for p in read {
            let r = residual(angle, reach, p);
            let by = p.0.x * angle.sin() - p.0.y * angle.cos();
            aa += by * by;
            ar += by;
            ba -= by * r;
            br -= r;
        }
        let determinant = aa * n - ar * ar;
        if determinant.abs() < 1e-30 {
            break;
        }
        let (da, dr) = ((ba * n - ar * br) / determinant, (aa * br - ar * ba) / determinant);
        angle += da;
        reach += dr;
        if da.abs() < 1e-14 && dr.abs() < 1e-14 {
            break;
        }
    }
    let left = read.iter().map(|p| residual(angle, reach, p).powi(2)).sum();
    let normal = Point { x: angle.cos(), y: angle.sin() };
    let foot = {
        let along = mx * normal.x + my * normal.y;
        Point { x: mx + (reach - along) * normal.x, y: my + (reach - along) * normal.y }
    };
    // The steel lies on the left-hand side going from a to b, which is where the normal points.
    let half = width_m / 2.0;
    let a = Point { x: foot.x - half * normal.y, y: foot.y + half * normal.x };
    let b = Point { x: foot.x + half * normal.y, y: foot.y - half * normal.x };
    (Surface::Flat { a, b }, left, 2.0)
}

/// The circle whose skin stands at the distances read, by Gauss's steps with halved lengths.
fn round(read: &[(Point, f64)], radius: f64, free: bool) -> (Surface, f64, f64) {
    let n = read.len() as f64;
    let mx = read.iter().map(|p| p.0.x).sum::<f64>() / n;
    let my = read.iter().map(|p| p.0.y).sum::<f64>() / n;
    let nearest = read.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
    let mut at = [mx, my + nearest + radius, radius];
    let residual =
        |at: &[f64; 3], p: &(Point, f64)| (at[0] - p.0.x).hypot(at[1] - p.0.y) - at[2] - p.1;
    let sum = |at: &[f64; 3]| read.iter().map(|p| residual(at, p).powi(2)).sum::<f64>();
    for _ in 0..200 {
        let (mut a, mut b) = (Matrix3::zeros(), Vector3::zeros());
        for p in read {
            let d = (at[0] - p.0.x).hypot(at[1] - p.0.y).max(1e-12);
            let radius = if free { -1.0 } else { 0.0 };
            let by = Vector3::new((at[0] - p.0.x) / d, (at[1] - p.0.y) / d, radius);
            b -= by * residual(&at, p);
            a += by * by.transpose();
        }
        if !free {
            a[(2, 2)] = 1.0;
        }
        let Some(step) = a.lu().solve(&b) else { break };
        let before = sum(&at);
        let mut share = 1.0;
        let next = loop {
            let mut next = at;
            next.iter_mut().zip(step.iter()).for_each(|(at, step)| *at += share * step);
            if next[2] > 0.0 && sum(&next) <= before {
                break Some(next);
            }
            share *= 0.5;
            if share < 1e-9 {
                break None;
            }
        };
        let Some(next) = next else { break };
        let moved = (0..3).map(|i| (next[i] - at[i]).abs()).fold(0.0, f64::max);
        at = next;
        if moved < 1e-13 {
            break;
        }
    }
    let left = sum(&at);
    let centre = Point { x: at[0], y: at[1] };
    (Surface::Round { centre, radius_m: at[2] }, left, if free { 3.0 } else { 2.0 })
}
