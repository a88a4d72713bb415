//! The proven zone: the margin that the proof gives at a flaw's place.

use barwright_job::proof::{MarginMap, Proof, ProvedClass};
use barwright_twin::reflector::Kind;
use barwright_twin::truth::TrueFlaw;
use std::f64::consts::TAU;

/// Margins of a proof by class.
pub struct Zone {
    proof: Proof,
}

impl Zone {
    pub fn new(proof: Proof) -> Self {
        Self { proof }
    }

    /// Margin in dB over the alarm of the ordered flaw at a flaw's place, worst over the tolerances: the
    /// least of the places of the map around it, of those that the order asks for where it asks for any. Pipes
    /// count as discs on the axis unless the order has a class for them. Absent where a place has none.
    pub fn margin_db(&self, flaw: &TrueFlaw) -> Option<f64> {
        let class = |c: ProvedClass| self.proof.classes.iter().find(|p| p.class == c);
        let proof = match flaw.kind {
            Kind::Disc { .. } => class(ProvedClass::Disc),
            Kind::Hole { .. } => class(ProvedClass::Pipe).or_else(|| class(ProvedClass::Disc)),
            Kind::Crack { .. } => class(ProvedClass::Crack),
        }?;
        match &proof.map {
            MarginMap::Rim { worst_db, .. } => {
                let [a, b] = around(flaw.angle_rad, worst_db.len())?;
                least([worst_db[a], worst_db[b]])
            }
            MarginMap::Polar { radii_m, angles, worst_db, asked, .. } => {
                let next = radii_m.partition_point(|&r| r < flaw.radius_m);
                let last = radii_m.len().checked_sub(1)?;
                let rings = [next.saturating_sub(1).min(last), next.min(last)];
                let turns = around(flaw.angle_rad, *angles)?;
                let places: Vec<usize> =
                    rings.iter().flat_map(|r| turns.map(|t| r * angles + t)).collect();
                let any = places.iter().any(|&i| asked[i]);
                least(places.iter().filter(|&&i| asked[i] || !any).map(|&i| worst_db[i]))
            }
            // Square bars: the virtual station has none.
            MarginMap::Grid { .. } => None,
        }
    }
}

/// The two of so many even angles between which an angle lies.
fn around(angle_rad: f64, count: usize) -> Option<[usize; 2]> {
    let below = (angle_rad.rem_euclid(TAU) / TAU * count as f64).floor() as usize;
    (count > 0).then(|| [below % count, (below + 1) % count])
}

fn least(margins: impl IntoIterator<Item = Option<f32>>) -> Option<f64> {
    let all: Option<Vec<f32>> = margins.into_iter().collect();
    all?.into_iter().reduce(f32::min).map(f64::from)
}

#[cfg(test)]
mod tests {
    use super::*;
    use barwright_job::proof::{ClassProof, Engine, Weakest};

    fn class(class: ProvedClass, map: MarginMap) -> ClassProof {
        let weakest = Weakest { x_m: 0.0, y_m: 0.0, margin_db: None, cause: String::new() };
        let flaw = String::new();
        let (ordered, nominal, worst, doubted) = (1.0, 1.0, 1.0, 0.0);
        ClassProof { class, flaw, ordered, nominal, worst, doubted, draws: None, map, weakest }
    }

    fn flaw(kind: Kind, radius_m: f64, angle_deg: f64) -> TrueFlaw {
        let angle_rad = angle_deg.to_radians();
        TrueFlaw { kind, radius_m, angle_rad, depth_m: 0.0, from_m: 0.5, to_m: 0.5 }
    }

    // Truth: by hand. Two rings of four places; the outer one is not asked for.
    #[test]
    fn a_place_has_the_least_margin_of_those_around_it() {
        let worst_db: Vec<Option<f32>> =
            [1.0, 2.0, 3.0, 4.0, -5.0, -6.0, -7.0, -8.0].map(Some).to_vec();
        let disc = MarginMap::Polar {
            radii_m: vec![0.005, 0.015],
            angles: 4,
            nominal_db: vec![Some(9.0); 8],
            worst_db,
            asked: [[true; 4], [false; 4]].concat(),
        };
        let rim = MarginMap::Rim {
            nominal_db: vec![Some(9.0); 4],
            worst_db: vec![Some(1.0), Some(-2.0), None, Some(4.0)],
        };
        let zone = Zone::new(Proof {
            engine: Engine::Exact,
            classes: vec![class(ProvedClass::Disc, disc), class(ProvedClass::Crack, rim)],
            tolerances: Vec::new(),
            met: true,
            findings: Vec::new(),
            by_rays: Vec::new(),
        });
        let round = Kind::Disc { diameter_m: 1e-3, tilt_rad: 0.0, outward_only: false };
        let disc = |r, a| zone.margin_db(&flaw(round, r, a));
        assert_eq!(disc(0.010, 100.0), Some(2.0));
        // Past the last angle comes the first one.
        assert_eq!(disc(0.010, 350.0), Some(1.0));
        assert_eq!(disc(0.001, 190.0), Some(3.0));
        assert_eq!(disc(0.020, 100.0), Some(-7.0));
        let crack = |a| zone.margin_db(&flaw(Kind::Crack { depth_m: 1e-3 }, 0.02, a));
        assert_eq!((crack(45.0), crack(135.0), crack(300.0)), (Some(-2.0), None, Some(1.0)));
        let pipe = flaw(Kind::Hole { diameter_m: 1e-3 }, 0.0, 0.0);
        assert_eq!(zone.margin_db(&pipe), Some(1.0));
    }
}
