//! Heights freed of what a misplaced bar does to them.
//!
//! A bar off centre is met aslant: heights rise on one side of the ring and fall on the other, once
//! around and, since some effects go with the square of the offset, twice. Longitudinal beams and
//! shear beams of either way each have their own such wave. What remains is the probes' and
//! elements' own.

use barwright_wave::Mode;

use super::{fit, seen::Seen};
use crate::reading::{median, wrapped};

/// Scatter of heights about the wave, in dB, from which a beam counts as an outlier of its fit:
/// spread of sound elements over an aperture and of probes.
const SCATTER_DB: f64 = 1.0;
/// Fewest beams of a kind for a wave of five coefficients.
const FEWEST: usize = 12;

/// Heights in parts.
pub(super) struct Freed {
    /// What is the beam's own, against the median of its kind, in dB.
    pub own_db: Vec<Option<f64>>,
    /// What the misplaced bar does, in dB.
    pub cured_db: Vec<f64>,
    /// Whether the bar is misplaced.
    pub misplaced: bool,
}

/// Kinds of beams: longitudinal, shear one way round, shear the other way.
pub(super) fn kind(seen: &Seen<'_>, beam: usize) -> u8 {
    let b = &seen.technique.beams[beam];
    let aslant = wrapped(b.axis.direction_rad - b.axis.entry.angle() - std::f64::consts::PI);
    match (b.mode, aslant > 0.0) {
        (Mode::L, _) => 0,
        (Mode::S, true) => 1,
        (Mode::S, false) => 2,
    }
}

/// Takes the heights apart.
pub(super) fn heights(seen: &Seen<'_>, misplaced: bool) -> Freed {
    let n = seen.raw_db.len();
    let mut out = Freed { own_db: vec![None; n], cured_db: vec![0.0; n], misplaced };
    for k in 0..3 {
        let members: Vec<(usize, f64)> = (0..n)
            .filter(|&b| kind(seen, b) == k)
            .filter_map(|b| Some((b, seen.raw_db[b]?)))
            .collect();
        let middle = median(&mut members.iter().map(|m| m.1).collect::<Vec<_>>());
        let wave = if misplaced { wave(seen, &members, middle) } else { None };
        for (i, &(b, height)) in members.iter().enumerate() {
            let part = wave.as_ref().map_or(0.0, |w| w[i]);
            out.cured_db[b] = part;
            out.own_db[b] = Some(height - middle - part);
        }
    }
    out
}

/// First and second harmonic of heights around the ring, by beam.
fn wave(seen: &Seen<'_>, members: &[(usize, f64)], middle: f64) -> Option<Vec<f64>> {
    if members.len() < FEWEST {
        return None;
    }
    let rows: Vec<Vec<f64>> = members
        .iter()
        .map(|&(b, _)| {
            let angle = seen.technique.beams[b].axis.entry.angle();
            let ((s, c), (s2, c2)) = (angle.sin_cos(), (2.0 * angle).sin_cos());
            vec![1.0, c, s, c2, s2]
        })
        .collect();
    let y: Vec<f64> = members.iter().map(|m| m.1 - middle).collect();
    let fit = fit::robust(&rows, &y, SCATTER_DB)?;
    let part = |row: &Vec<f64>| row.iter().zip(&fit.x).skip(1).map(|(a, x)| a * x).sum();
    Some(rows.iter().map(part).collect())
}
