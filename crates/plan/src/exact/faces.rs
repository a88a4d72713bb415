//! Incident fields about the centres of probe faces, computed once for all beams that one face sends alike.

use barwright_wave::{Element, Mode, Point};

use super::class::{Class, SAME, SAME_S};
use super::maps::{Bar, Sides};
use crate::echo::turn;
use crate::error::Result;
use crate::ring;

/// What an incident field about a face's centre depends on, with the field, in a frame in which the middle of
/// the aperture lies at the angle zero.
struct Face {
    mode: Mode,
    bar_m: f64,
    face_m: f64,
    lost_middle: bool,
    elements: Vec<Element>,
    transmit_s: Vec<f64>,
    receive_s: Vec<f64>,
    sides: Sides,
}

/// Fields of faces in one state of the bar.
///
/// Probes that were moved off the ring's circle make a class of each place of an aperture on them, though all
/// that differs is how the aperture is turned about the face's centre and how the bar is displaced from it.
#[derive(Default)]
pub(crate) struct Faces(Vec<Face>);

impl Faces {
    /// Incident field of a class whose face has a radius and a centre, about that centre, in the class's
    /// own direction.
    pub fn about_centre(
        &mut self,
        bar: &Bar,
        class: &Class,
        (face_m, centre): (f64, Point),
        lost_middle: bool,
    ) -> Result<Sides> {
        let own: Vec<Element> =
            class.elements.iter().map(|e| Element { centre: e.centre - centre, ..*e }).collect();
        let angle_rad = ring::middle(&own).angle();
        let known = self.0.iter().position(|face| {
            face.mode == class.mode
                && face.bar_m == bar.radius_m
                && face.lost_middle == lost_middle
                && (face.face_m - face_m).abs() <= SAME
                && near(&face.transmit_s, &class.transmit_s)
                && near(&face.receive_s, &class.receive_s)
                && face.elements.len() == own.len()
                && face.elements.iter().zip(&own).all(|(a, b)| {
                    a.centre.rotated(angle_rad).distance(b.centre) <= SAME
                        && turn(a.facing_rad + angle_rad - b.facing_rad).abs() <= SAME
                        && (a.width_m - b.width_m).abs() <= SAME
                })
        });
        let known = match known {
            Some(known) => known,
            None => {
                let elements: Vec<Element> = own
                    .iter()
                    .map(|e| Element {
                        centre: e.centre.rotated(-angle_rad),
                        facing_rad: e.facing_rad - angle_rad,
                        ..*e
                    })
                    .collect();
                self.0.push(Face {
                    mode: class.mode,
                    bar_m: bar.radius_m,
                    face_m,
                    lost_middle,
                    sides: bar.sides(class, &elements, Some(face_m), lost_middle)?,
                    elements,
                    transmit_s: class.transmit_s.clone(),
                    receive_s: class.receive_s.clone(),
                });
                self.0.len() - 1
            }
        };
        Ok(self.0[known].sides.turned(angle_rad))
    }
}

fn near(a: &[f64], b: &[f64]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() <= SAME_S)
}
