//! Matrices for the tests of second looks: made ones and measured ones.

use std::{f64::consts::TAU, path::Path};

use barwright_wave::Point;

pub const RATE_HZ: f64 = 50e6;
pub const CENTRE_HZ: f64 = 5e6;
pub const WATER: f64 = 1480.0;
pub const STEEL_L: f64 = 5920.0;
pub const STEEL_S: f64 = 3255.0;

/// Middles of elements in a row.
pub fn elements(count: usize, pitch_m: f64) -> Vec<Point> {
    let middle = (count as f64 - 1.0) / 2.0;
    (0..count).map(|k| Point { x: (k as f64 - middle) * pitch_m, y: 0.0 }).collect()
}

/// A pulse about time nought.
pub fn pulse(t: f64) -> f64 {
    (-(t * CENTRE_HZ * 1.2).powi(2)).exp() * (TAU * CENTRE_HZ * t).cos()
}

/// A matrix of echoes: for each pair the times and heights of what it hears.
pub fn made(
    count: usize,
    first_s: f64,
    samples: usize,
    echoes: impl Fn(usize, usize) -> Vec<(f64, f64)>,
) -> Vec<f32> {
    let mut values = Vec::with_capacity(count * count * samples);
    for t in 0..count {
        for r in 0..count {
            let heard = echoes(t, r);
            values.extend((0..samples).map(|s| {
                let now = first_s + s as f64 / RATE_HZ;
                heard.iter().map(|(at, height)| height * pulse(now - at)).sum::<f64>() as f32
            }));
        }
    }
    values
}

/// A measured matrix of the shared data.
pub fn measured(name: &str) -> Option<barwright_capture::matrix::FullMatrix> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data").join(name);
    if !folder.exists() {
        eprintln!("SKIPPED: the measured matrix {name} is not beside the project");
        return None;
    }
    Some(barwright_capture::matrix::FullMatrix::read(&folder).expect("the data's own format"))
}
