//! Which reflectors a reference bar has, and where along it they lie.

use barwright_job::{
    Technique,
    reference::{Reflector, Shape},
    technique::Beam,
};
use barwright_wave::Mode;

use crate::beams;
use crate::echo;

/// Least distance of two reflectors along the bar in m (common practice, no source).
const LEAST_APART_M: f64 = 0.1;
/// Length of the notch in m; ISO 10893-10 allows 25 mm at most on machined bars.
pub(super) const NOTCH_M: f64 = 0.025;
/// Error of a place along the bar that checks usually accept, in m (common practice, no source).
const PLACE_M: f64 = 8e-3;
/// Longest step in depth between two holes in m: a gain curve is shown at its ends and between.
const DEPTH_STEP_M: f64 = 0.025;
/// How much deeper than the skin the shallowest hole lies at least, in m.
const BELOW_SKIN_M: f64 = 1e-3;

/// Distance of two reflectors, and of the first and last from the ends, in m: what a check takes for one
/// reflector's stretch (one and a half of the widest beam, three shots and a place's error on either side)
/// never meets the next one's. In whole centimetres, as a workshop marks them.
pub(super) fn apart_m(t: &Technique) -> f64 {
    let widest = t.beams.iter().map(|b| b.axial_width_m).fold(0.0, f64::max);
    let own = 3.0 * widest + 6.0 * t.pulse_spacing_m + NOTCH_M + 2.0 * PLACE_M;
    ((own * 100.0).ceil() / 100.0).max(LEAST_APART_M)
}

/// Depths of the holes' bottoms under the surface they face, in m: at half and at three quarters of the
/// radius, at a quarter where the skin leaves room, and between where two lie far apart.
fn depths_m(t: &Technique, radius_m: f64) -> Vec<f64> {
    let skin = t.sensitivity.skin_m;
    let shallow = (radius_m * 0.5).max(skin + BELOW_SKIN_M);
    let deep = (radius_m * 0.75).max(skin + 2.0 * BELOW_SKIN_M);
    let mut ends = vec![shallow, deep];
    if radius_m * 0.25 >= skin + 2.0 * BELOW_SKIN_M {
        ends.insert(0, radius_m * 0.25);
    }
    let mut depths = vec![ends[0]];
    for pair in ends.windows(2) {
        let parts = ((pair[1] - pair[0]) / DEPTH_STEP_M).ceil().max(1.0);
        let step = (pair[1] - pair[0]) / parts;
        depths.extend((1..=parts as usize).map(|i| pair[0] + i as f64 * step));
    }
    depths
}

/// Holes from the shallowest on, then the notch where cracks are ordered, from the head end.
pub(super) fn reflectors(t: &Technique, radius_m: f64) -> Vec<Reflector> {
    let apart_m = apart_m(t);
    let facing = nearest_degree(t, Mode::L, |b| b.axis.entry.angle());
    let place = |n: usize| (n + 1) as f64 * apart_m + t.unguided_end_m;
    let mut reflectors: Vec<Reflector> = depths_m(t, radius_m)
        .into_iter()
        .enumerate()
        .map(|(n, depth_m)| Reflector {
            name: format!("H{}", n + 1),
            shape: Shape::FlatBottomedHole { diameter_m: t.sensitivity.disc_diameter_m },
            z_m: place(n),
            angle_rad: facing,
            radius_m: radius_m - depth_m,
        })
        .collect();
    if let Some(depth_m) = t.sensitivity.crack_depth_m
        && t.beams.iter().any(|b| b.mode == Mode::S)
    {
        reflectors.push(Reflector {
            name: "N1".into(),
            shape: Shape::Notch { depth_m, length_m: NOTCH_M },
            z_m: place(reflectors.len()),
            angle_rad: nearest_degree(t, Mode::S, |b| beams::end(b).angle()),
            radius_m,
        });
    }
    reflectors
}

/// Angle around the bar, to the degree that a workshop marks, of the beam of a mode that looks nearest
/// to 0: a bar that passes without turning shows its reflectors squarely to one beam at least.
fn nearest_degree(t: &Technique, mode: Mode, angle_rad: impl Fn(&Beam) -> f64) -> f64 {
    t.beams
        .iter()
        .filter(|b| b.mode == mode)
        .map(|b| echo::turn(angle_rad(b)))
        .min_by(|a, b| a.abs().total_cmp(&b.abs()))
        .map_or(0.0, |angle| angle.to_degrees().round().to_radians())
}
