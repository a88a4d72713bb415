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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::Conditions;
    use crate::exact::class::{Like, classes};
    use crate::exact::maps::{Fineness, maps};
    use crate::exact::weights::Flaw;
    use barwright_job::{Order, Rules, Station};

    // Truth: the plain way. Each class of the 42 mm example with probes 1 mm further out, its field computed
    // by itself and shared. Maps keep single precision, 1e-5 dB and 1e-12 s at these sizes; where echoes
    // are 60 dB down rounding shows more, so places within 40 dB of the highest are held to 1e-3 dB.
    #[test]
    fn shared_faces_give_the_fields_of_their_classes() {
        let text = |name: &str, text: &'static str| (name.to_owned(), text);
        let (order, station, rules) = (
            text("order", include_str!("../../../../examples/order-round-42.toml")),
            text("station", include_str!("../../../../examples/station-line-2.toml")),
            text("rules", include_str!("../../../../examples/rules-th-k2.toml")),
        );
        let order = Order::from_toml(&order.0, order.1).expect("an order");
        let station = Station::from_toml(&station.0, station.1).expect("a station");
        let rules = Rules::from_toml(&rules.0, rules.1).expect("rules");
        let mut t = crate::technique(&order, &station, &rules).expect("a technique").body;
        for probe in &mut t.probes {
            let out = Point::polar(1e-3, ring::middle(&probe.elements).angle());
            probe.elements.iter_mut().for_each(|e| e.centre = e.centre + out);
        }
        let nominal = Conditions::nominal(&t).expect("conditions");
        let radius_m = t.section.half_extent_m();
        let likes: Vec<Like<'_>> = t.beams.iter().map(|b| Like::beam(&t.probes, b)).collect();
        let (classes, _) = classes(&likes);
        let rim = crate::proof::rim_angles(&nominal);
        let fineness = Fineness { rings: 6, angles: 120, rim, around: 1 };
        let (mut faces, mut compared) = (Faces::default(), 0);
        for class in &classes {
            let (face_m, centre) = class.face().expect("a face");
            assert!(centre.radius() > 1e-4, "the face has moved");
            let bar = Bar::new(&nominal, radius_m, class.mode).expect("a bar");
            let own: Vec<Element> = class
                .elements
                .iter()
                .map(|e| Element { centre: e.centre - centre, ..*e })
                .collect();
            let by = Point::default() - centre;
            let plain = bar
                .sides(class, &own, Some(face_m), false)
                .and_then(|s| s.displaced(&bar, by))
                .expect("a field");
            let shared = bar.incident(class, false, &mut faces).expect("a field");
            let flaw = match class.mode {
                Mode::L => Flaw::Disc { diameter_m: 1e-3, tilt_rad: 0.0 },
                Mode::S => Flaw::Crack { depth_m: 3e-4, length_m: 10e-3 },
            };
            let map = |sides| {
                let at = [Point::default()];
                maps(&bar, &nominal, class, sides, flaw, &at, &fineness).expect("a map").remove(0)
            };
            let (plain, shared) = (map(&plain), map(&shared));
            let places: Vec<(f64, f64)> = (1..=6)
                .flat_map(|r| (0..60).map(move |a| (f64::from(r) / 6.0, f64::from(a) / 9.5)))
                .collect();
            let seen = |map: &crate::exact::maps::BeamMap| -> Vec<_> {
                places.iter().map(|(share, angle)| map.at(share * radius_m, *angle)).collect()
            };
            let (plain, shared) = (seen(&plain), seen(&shared));
            let top = plain.iter().flatten().map(|s| s.level_db).fold(f64::MIN, f64::max);
            for (a, b) in plain.iter().zip(&shared) {
                assert_eq!(a.is_some(), b.is_some());
                if let (Some(a), Some(b)) = (a, b)
                    && a.level_db > top - 40.0
                {
                    assert!((a.level_db - b.level_db).abs() < 1e-3, "{a:?} {b:?}");
                    compared += 1;
                }
            }
        }
        assert!(compared > 100, "{compared}");
        assert!(faces.0.len() < classes.len(), "{} {}", faces.0.len(), classes.len());
    }
}
