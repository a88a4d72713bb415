//! Echo of a surface crack: straight and mirrored fields over its face.

use num_complex::Complex64;
use std::f64::consts::PI;

use super::finding;
use super::finding::EchoFinding;
use super::one_way::Sight;
use crate::error::Result;
use crate::geometry::Point;
use crate::media::Mode;
use crate::scatter::{Corner, Front, Meeting, face_coupling};

/// Product of both fields with the strength of the crack, at each frequency: Σ over the face and the
/// four pairs of straight and mirrored waves.
pub(super) fn received(
    sight: &Sight<'_>,
    corner: &Corner,
    findings: &mut Vec<EchoFinding>,
) -> Result<Vec<Complex64>> {
    let solid = sight.transmit.solid();
    let top_hz = sight.transmit.frequencies_hz().iter().copied().fold(0.0, f64::max);
    let shortest = solid.shear_m_s / top_hz;
    // The direction of arrival is that in front of the crack, where the field engine is at home.
    let ahead = corner.place((0.5 * corner.depth_m()).max(0.5 * shortest));
    let deeper = corner.place(corner.depth_m() + shortest);
    let fronts = fronts(sight.headings_rad(ahead)?, sight.headings_rad(deeper)?, ahead, deeper);
    let incidence = corner.incidence_rad(fronts[0].heading_rad)?;
    findings.extend(finding::of_corner(solid, incidence));
    let nodes = corner.nodes(shortest)?;
    let mirrored = nodes
        .iter()
        .map(|(place, _)| {
            let one = corner.mirrored(solid, *place, &fronts[0])?;
            let other = if fronts[1] == fronts[0] {
                one
            } else {
                corner.mirrored(solid, *place, &fronts[1])?
            };
            Ok([one, other])
        })
        .collect::<Result<Vec<_>>>()?;
    // Straight places, then where each side's mirrored wave meets the surface.
    let places: Vec<Point> = nodes
        .iter()
        .map(|(place, _)| *place)
        .chain(mirrored.iter().map(|m| m[0].from))
        .chain(mirrored.iter().map(|m| m[1].from))
        .collect();
    let [sent, heard] = sight.fields(&places)?;
    let count = nodes.len();
    let angular: Vec<Complex64> = sight.angular().collect();
    let mut sum = vec![Complex64::ZERO; angular.len()];
    for (i, ((place, weight), [by_sent, by_heard])) in nodes.iter().zip(&mirrored).enumerate() {
        let couple = |sent: f64, received: f64| {
            let wave = |heading_rad| Meeting { mode: Mode::S, heading_rad };
            face_coupling(solid, corner.normal_rad(), wave(sent), wave(received))
        };
        let [sent_rad, heard_rad] = fronts.map(|front| front.heading_at(*place));
        let pairs = [
            couple(sent_rad, heard_rad)?,
            couple(sent_rad, by_heard.heading_rad)?,
            couple(by_sent.heading_rad, heard_rad)?,
            couple(by_sent.heading_rad, by_heard.heading_rad)?,
        ];
        for (f, (total, omega)) in sum.iter_mut().zip(&angular).enumerate() {
            let ik = Complex64::i() * omega / solid.shear_m_s;
            let a = sent[i][f];
            let b = heard[i][f];
            let a2 = sent[count + i][f] * (ik * by_sent.way_m).exp() * by_sent.coefficient;
            let b2 = heard[2 * count + i][f] * (ik * by_heard.way_m).exp() * by_heard.coefficient;
            let all = pairs[0] * a * b + pairs[1] * a * b2 + pairs[2] * a2 * b + pairs[3] * a2 * b2;
            *total += all * *weight * Complex64::i() * omega;
        }
    }
    Ok(sum)
}

/// Fronts of both sides from their directions at two places.
fn fronts(near: [f64; 2], far: [f64; 2], ahead: Point, deeper: Point) -> [Front; 2] {
    let off = deeper - ahead;
    [0, 1].map(|i| {
        let (sin, cos) = near[i].sin_cos();
        let turned = (far[i] - near[i] + PI).rem_euclid(2.0 * PI) - PI;
        let left = off.y * cos - off.x * sin;
        // A wave along the crack itself tells nothing about its front; take it as plane.
        let across = left.abs() > 0.1 * off.radius();
        let divergence_1_m = if across { turned / left } else { 0.0 };
        Front { at: ahead, heading_rad: near[i], divergence_1_m }
    })
}
