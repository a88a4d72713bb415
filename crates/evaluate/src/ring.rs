//! What the beams together tell about the station: a bar off centre, a probe that is low.

use barwright_job::{Finding, Technique, Topic};
use barwright_wave::Mode;

use crate::reading::median;

/// Offset of the bar that is worth a finding, in metres.
const OFFSET_WORTH_TELLING_M: f64 = 1e-4;
/// Difference of a probe from the others that points at its cable or coupling, in dB.
const PROBE_LOW_DB: f64 = 3.0;

/// Bar centre against the ring's, in metres, from the shift of the surface time of each beam
/// (seconds; absent where none was measured). Absent itself where fewer than six longitudinal
/// beams, or beams from one side only, tell.
///
/// A bar moved by (x, y) comes nearer by x cos θ + y sin θ to the beam that enters at angle θ; the
/// echo returns earlier by twice that way in water. Least squares for the two components and a
/// common shift (temperature, diameter).
#[must_use]
pub fn bar_offset_m(technique: &Technique, shifts_s: &[Option<f64>]) -> Option<[f64; 2]> {
    let water = technique.media.water?;
    let mut normal = [[0.0; 4]; 3];
    let mut count = 0;
    for (beam, shift) in technique.beams.iter().zip(shifts_s) {
        let (Mode::L, Some(shift)) = (beam.mode, *shift) else {
            continue;
        };
        let angle = beam.axis.entry.angle();
        let row = [1.0, angle.cos(), angle.sin()];
        let way_m = -shift * water.velocity_m_s / 2.0;
        for i in 0..3 {
            for j in 0..3 {
                normal[i][j] += row[i] * row[j];
            }
            normal[i][3] += row[i] * way_m;
        }
        count += 1;
    }
    if count < 6 {
        return None;
    }
    let solved = solve(normal)?;
    Some([solved[1], solved[2]])
}

/// Solves three linear equations by elimination; absent when they are nearly dependent.
fn solve(mut m: [[f64; 4]; 3]) -> Option<[f64; 3]> {
    let size = m[0][0].abs();
    for column in 0..3 {
        let pivot =
            (column..3).max_by(|&a, &b| m[a][column].abs().total_cmp(&m[b][column].abs()))?;
        m.swap(column, pivot);
        // 1e-3 of the number of beams: they all stand within a few degrees.
        if m[column][column].abs() < 1e-3 * size {
            return None;
        }
        for row in 0..3 {
            if row != column {
                let factor = m[row][column] / m[column][column];
                let by = m[column];
                for (value, by) in m[row].iter_mut().zip(by) {
                    *value -= factor * by;
                }
            }
        }
    }
    Some([m[0][3] / m[0][0], m[1][3] / m[1][1], m[2][3] / m[2][2]])
}

/// The finding for an offset above 0.1 mm.
pub(crate) fn offset_finding(offset_m: [f64; 2]) -> Option<Finding> {
    let [x, y] = offset_m.map(|v| v * 1e3);
    let distance = x.hypot(y);
    (distance > OFFSET_WORTH_TELLING_M * 1e3).then(|| {
        let clock = (3.0 - y.atan2(x).to_degrees() / 30.0).rem_euclid(12.0);
        let hour = match clock.round() as u32 {
            0 => 12,
            h => h,
        };
        Finding::new(
            Topic::OffCentre,
            format!(
                "the bar stands {distance:.2} mm off the ring's centre towards {hour} o'clock (x {x:+.2} mm, y {y:+.2} mm): centre it, gain only hides it"
            ),
        )
    })
}

/// Findings for probes all of whose beams read low against the other probes', from each beam's
/// deviation of height in dB (absent where none was read).
pub(crate) fn low_probes(technique: &Technique, deviation_db: &[Option<f64>]) -> Vec<Finding> {
    let of = |wanted: &dyn Fn(u32) -> bool| -> Vec<f64> {
        technique
            .beams
            .iter()
            .zip(deviation_db)
            .filter(|(b, _)| wanted(b.probe))
            .filter_map(|(_, d)| *d)
            .collect()
    };
    (0..technique.probes.len() as u32)
        .filter_map(|probe| {
            let mut own = of(&|p| p == probe);
            let mut others = of(&|p| p != probe);
            if own.len() < 3 || others.len() < 3 {
                return None;
            }
            let low = median(&mut others) - median(&mut own);
            (low > PROBE_LOW_DB).then(|| {
                let beams = technique.beams.iter().filter(|b| b.probe == probe);
                Finding::new(
                    Topic::Missing,
                    format!(
                        "probe {} reads {low:.1} dB lower than the others with all its beams: look at its cable, plug and coupling before gain hides it",
                        probe + 1
                    ),
                )
                .beams(beams.map(|b| b.id))
            })
        })
        .collect()
}
