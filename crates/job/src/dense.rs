//! A dense proof: the worst case over many combinations of an order's tolerances, beside what the tolerances one by one said.

use std::f64::consts::TAU;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{
    limits::Limits,
    proof::{MarginMap, ProvedClass},
    seal::Document,
};

/// Worst cases over many combinations of tolerances. Its sources are `order`, `station` and `technique`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DenseProof {
    /// What computed the fields.
    pub engine: String,
    /// Seed of draws and directions.
    pub seed: u64,
    /// Combinations tried.
    pub combinations: usize,
    /// Directions in which each was tried.
    pub directions: usize,
    /// Deviations tried one by one beside them: those of the proof.
    pub one_by_one: usize,
    /// Flaw classes of the order.
    pub classes: Vec<DenseClass>,
}

/// A combination that is named.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Cited {
    /// Its number, from 0.
    pub combination: usize,
    /// What deviates.
    pub words: String,
}

/// One flaw class.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DenseClass {
    /// The class.
    pub class: ProvedClass,
    /// The flaw in words.
    pub flaw: String,
    /// Share of its places that is ordered.
    pub ordered: f64,
    /// Share covered nominally; at each place the worst counts.
    pub nominal: f64,
    /// The same with every tolerance at its ends, one by one.
    pub one_by_one: f64,
    /// The same with all combinations.
    pub combined: f64,
    /// Least share that one combination covers.
    pub lowest: f64,
    /// That combination.
    pub lowest_in: Cited,
    /// Margins that shares of all steel that is asked for, taken over all combinations and directions, stand at or above: how likely the
    /// ordered flaw stands, wherever it lies and whatever comes together.
    pub standing: Vec<Standing>,
    /// Worst place of each ring, from the middle outward.
    pub rings: Vec<DenseRing>,
    /// All places.
    pub map: DenseMap,
}

/// A margin with the share of steel and combinations that stands at or above it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Standing {
    /// The share.
    pub share: f64,
    /// The margin in dB over the alarm height, to a quarter of a decibel; absent where so much is not seen at all.
    pub margin_db: Option<f32>,
}

/// Worst place of a ring.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DenseRing {
    /// Its radius in m.
    pub radius_m: f64,
    /// Angle of the worst place in rad.
    pub angle_rad: f64,
    /// Worst margin in dB over the alarm height over all combinations; absent where a place is not seen.
    pub worst_db: Option<f32>,
    /// The combination it came from.
    pub of: Cited,
    /// Worst margin on this ring with the tolerances one by one.
    pub one_by_one_db: Option<f32>,
    /// Least nominal margin on this ring.
    pub nominal_db: Option<f32>,
}

/// Margins in dB over the alarm height at `[ring * angles + angle]`; absent where a place is not seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DenseMap {
    /// Radius of each ring in m.
    pub radii_m: Vec<f64>,
    /// Angles of the places of each ring in rad. Where all probes are alike, from one to the next: it
    /// repeats from there.
    pub angles_rad: Vec<f64>,
    /// Whether the class is asked for.
    pub asked: Vec<bool>,
    /// Nominal margin.
    pub nominal_db: Vec<Option<f32>>,
    /// Worst margin with the tolerances one by one.
    pub one_by_one_db: Vec<Option<f32>>,
    /// Worst margin over all combinations.
    pub worst_db: Vec<Option<f32>>,
    /// The combination it came from.
    pub combination: Vec<usize>,
}

impl Document for DenseProof {
    const KIND: &'static str = "dense proof";
    const FORMAT: u32 = 1;

    fn check(&self, name: &str) -> crate::Result<()> {
        let l = Limits { document: name };
        for (i, class) in self.classes.iter().enumerate() {
            let map = &class.map;
            let places = map.radii_m.len() * map.angles_rad.len();
            let lists = [
                map.asked.len(),
                map.nominal_db.len(),
                map.one_by_one_db.len(),
                map.worst_db.len(),
                map.combination.len(),
            ];
            if lists.iter().any(|n| *n != places) {
                let key = format!("body.classes.{i}.map");
                let expected = format!("one for each of {places} places");
                return Err(l.impossible(&key, format!("{lists:?}"), expected));
            }
        }
        Ok(())
    }
}

impl DenseProof {
    /// Whether every class is covered as far as it is ordered, whatever comes together.
    #[must_use]
    pub fn is_met(&self) -> bool {
        self.classes.iter().all(|c| c.combined >= c.ordered)
    }
}

impl DenseClass {
    /// Size over the ordered one at which a share of steel and combinations stands at the alarm height, by echo height: diameters
    /// of discs by its root, depths of cracks by the height itself. None for round inclusions and pipes, whose echoes follow no
    /// power of their size, where so much is not seen at all, and for a share that was not counted.
    #[must_use]
    pub fn size_standing(&self, share: f64) -> Option<f64> {
        let standing = self.standing.iter().find(|s| (s.share - share).abs() < 1e-9)?;
        let db = f64::from(standing.margin_db?);
        let per_decade = match self.class {
            ProvedClass::Disc => 40.0,
            ProvedClass::Crack => 20.0,
            ProvedClass::Inclusion | ProvedClass::Pipe => return None,
        };
        Some(10f64.powf(-db / per_decade))
    }

    /// Share of the places asked for that stand with the tolerances one by one, but not with all combinations: what the corners
    /// missed. And by how much the worst margin lies lower there at most, in dB; none where it is not seen any more, or none is
    /// missed.
    #[must_use]
    pub fn missed(&self) -> (f64, Option<f32>) {
        let m = &self.map;
        let stands = |margin: Option<f32>| margin.is_some_and(|db| db >= 0.0);
        let asked: Vec<usize> = (0..m.asked.len()).filter(|p| m.asked[*p]).collect();
        // Outer rings stand for more steel.
        let weight = |p: &usize| m.radii_m[p / m.angles_rad.len().max(1)];
        let whole: f64 = asked.iter().map(weight).sum();
        let missed: Vec<usize> = asked
            .iter()
            .copied()
            .filter(|p| stands(m.one_by_one_db[*p]) && !stands(m.worst_db[*p]))
            .collect();
        let lower = missed
            .iter()
            .map(|p| Some(m.one_by_one_db[*p]? - m.worst_db[*p]?))
            .reduce(|a, b| Some(a?.max(b?)))
            .flatten();
        (missed.iter().map(weight).sum::<f64>() / whole.max(f64::MIN_POSITIVE), lower)
    }

    /// The map over the whole section, as proofs draw it: with the tolerances one by one where a proof has the nominal margin, with
    /// all combinations where it has the worst.
    #[must_use]
    pub fn margin_map(&self) -> MarginMap {
        let m = &self.map;
        let part = m.angles_rad.len().max(1);
        // Where all probes are alike, one probe's share of the circle stands for all.
        let step = m.angles_rad.get(1).map_or(TAU, |a| a - m.angles_rad[0]);
        let repeats = ((TAU / (step * part as f64)).round() as usize).max(1);
        let whole = |values: &[Option<f32>]| -> Vec<Option<f32>> {
            let rings = values.chunks(part);
            rings.flat_map(|ring| std::iter::repeat_n(ring, repeats).flatten().copied()).collect()
        };
        let (nominal_db, worst_db) = (whole(&m.one_by_one_db), whole(&m.worst_db));
        if m.radii_m.len() <= 1 {
            return MarginMap::Rim { nominal_db, worst_db };
        }
        let asked = m
            .asked
            .chunks(part)
            .flat_map(|ring| std::iter::repeat_n(ring, repeats).flatten().copied())
            .collect();
        MarginMap::Polar {
            radii_m: m.radii_m.clone(),
            angles: part * repeats,
            nominal_db,
            worst_db,
            asked,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn class() -> DenseClass {
        let cited = || Cited { combination: 3, words: "off centre".into() };
        DenseClass {
            class: ProvedClass::Disc,
            flaw: "disc".into(),
            ordered: 0.9,
            nominal: 1.0,
            one_by_one: 1.0,
            combined: 0.75,
            lowest: 0.8,
            lowest_in: cited(),
            standing: vec![Standing { share: 0.9, margin_db: Some(8.0) }],
            rings: vec![],
            map: DenseMap {
                radii_m: vec![0.01, 0.03],
                // A third of the circle.
                angles_rad: vec![0.0, TAU / 6.0],
                asked: vec![true; 4],
                nominal_db: vec![Some(9.0); 4],
                one_by_one_db: vec![Some(1.0), Some(2.0), Some(3.0), Some(0.5)],
                worst_db: vec![Some(0.5), Some(1.0), Some(-1.5), Some(0.1)],
                combination: vec![0; 4],
            },
        }
    }

    // Truth: closed form (areas of rings by their radius).
    #[test]
    fn what_the_corners_missed_is_told_by_area() {
        let (share, lower) = class().missed();
        assert!((share - 0.03 / 0.08).abs() < 1e-12 && lower == Some(4.5), "{share} {lower:?}");
        let mut unseen = class();
        unseen.map.worst_db[3] = None;
        assert_eq!(unseen.missed().1, None);
    }

    // Truth: closed form: a disc's echo grows with the square of its diameter.
    #[test]
    fn a_size_stands_by_its_echo() {
        let size = class().size_standing(0.9).expect("counted");
        assert!((size - 10f64.powf(-0.2)).abs() < 1e-12);
        assert_eq!(class().size_standing(0.5), None);
    }

    // Truth: property.
    #[test]
    fn one_share_of_the_circle_is_repeated() {
        let MarginMap::Polar { angles, worst_db, asked, .. } = class().margin_map() else {
            panic!("rings")
        };
        assert_eq!((angles, worst_db.len(), asked.len()), (6, 12, 12));
        assert_eq!(&worst_db[6..10], [Some(-1.5), Some(0.1), Some(-1.5), Some(0.1)]);
    }

    #[test]
    fn maps_that_do_not_hold_together_are_refused() {
        let mut class = class();
        class.map.worst_db.pop();
        let proof = DenseProof {
            engine: "2 processors".into(),
            seed: 1,
            combinations: 4,
            directions: 3,
            one_by_one: 2,
            classes: vec![class],
        };
        assert!(proof.check("dense").is_err());
    }
}
