//! What the echoes of an indication show of it: how far it reaches in the section, from where and with which
//! waves it was seen.

use std::{
    collections::BTreeSet,
    f64::consts::{FRAC_PI_4, TAU},
};

use barwright_job::{
    Technique,
    screened::Echo,
    technique::{Beam, GateKind},
};
use barwright_wave::Point;

use crate::{
    indications::Group,
    place::{looks, place_of},
    reading::db,
};

/// Largest distance between the places of echoes, in metres, from those farthest along x, y and the
/// diagonals: within 8 % of the true one.
pub(crate) fn across_m(technique: &Technique, kind: GateKind, near: &[&Echo]) -> f64 {
    let places: Vec<Point> = near.iter().map(|e| place_of(technique, kind, e)).collect();
    (0..4)
        .map(|k| {
            let (sin, cos) = (f64::from(k) * FRAC_PI_4).sin_cos();
            let along = places.iter().map(|p| p.x * cos + p.y * sin);
            along.clone().fold(f64::MIN, f64::max) - along.fold(f64::MAX, f64::min)
        })
        .fold(0.0, f64::max)
}

/// Twelfths of the circumference from which a flaw was seen, and those from which beams of its kind
/// look at all.
pub(crate) fn directions(technique: &Technique, kind: GateKind, near: &[&Echo]) -> (usize, usize) {
    let twelfth = |angle: f64| (angle.rem_euclid(TAU) / TAU * 12.0) as u8 % 12;
    let entry = |b: &Beam, turn: f64| twelfth(b.axis.entry.angle() - turn);
    // A bar that turns under the ring shows all its sides to any beam.
    let turn = near.first().map_or(0.0, |e| f64::from(e.turn_rad));
    let of = |b: &Beam| b.gate(kind).is_some();
    let there: BTreeSet<u8> =
        technique.beams.iter().filter(|b| of(b)).map(|b| entry(b, turn)).collect();
    let seen: BTreeSet<u8> = near
        .iter()
        .map(|e| entry(&technique.beams[e.beam as usize], f64::from(e.turn_rad)))
        .collect();
    (seen.len(), there.len().max(seen.len()))
}

/// By how much the echoes of a surface flaw come from before the surface on their beams' axes, in
/// metres of way, as a mean weighted by the square of the height; absent for others.
pub(crate) fn before_surface_m(
    technique: &Technique,
    kind: GateKind,
    near: &[&Echo],
) -> Option<f64> {
    if kind != GateKind::Crack {
        return None;
    }
    let (mut sum, mut total) = (0.0, 0.0);
    for e in near {
        let axis = &technique.beams[e.beam as usize].axis;
        let weight = f64::from(e.height_fsh).powi(2);
        sum += weight * (axis.reach_m - axis.velocity_m_s * e.after_surface_s / 2.0);
        total += weight;
    }
    (total > 0.0).then(|| sum / total)
}

/// Largest height seen one way round over the other way, in dB; infinite where only one saw it.
pub(crate) fn one_sided_db(technique: &Technique, group: &Group, echoes: &[Echo]) -> f64 {
    let largest = |way: i8| {
        group
            .members
            .iter()
            .map(|&m| &echoes[m])
            .filter(|e| looks(&technique.section, &technique.beams[e.beam as usize]) == way)
            .map(|e| f64::from(e.height_fsh))
            .fold(0.0, f64::max)
    };
    let (a, b) = (largest(1), largest(-1));
    if a == 0.0 && b == 0.0 { 0.0 } else { db(a / b) }
}
