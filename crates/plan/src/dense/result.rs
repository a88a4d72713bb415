//! What a dense proof says.

use std::collections::BTreeMap;

use barwright_job::proof::ProvedClass;
use serde::{Deserialize, Serialize};

use super::Looked;
use crate::proof::round::Wanted;

/// Worst cases over many combinations of tolerances.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Dense {
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cited {
    /// Its number, from 0.
    pub combination: usize,
    /// What deviates.
    pub words: String,
}

/// One flaw class.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DenseClass {
    /// The class.
    pub class: ProvedClass,
    /// The flaw in words.
    pub flaw: String,
    /// Share of its places that is ordered.
    pub ordered: f64,
    /// Share covered nominally, with every tolerance at its ends one by one, and with all combinations: at
    /// each place the worst counts.
    pub nominal: f64,
    /// See [`Self::nominal`].
    pub one_by_one: f64,
    /// See [`Self::nominal`].
    pub combined: f64,
    /// Least share that one combination covers, and which.
    pub lowest: f64,
    /// See [`Self::lowest`].
    pub lowest_in: Cited,
    /// Worst place of each ring, from the middle outward.
    pub rings: Vec<DenseRing>,
    /// All places.
    pub map: DenseMap,
}

/// Worst place of a ring.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
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

/// Collects the worst of one class.
pub(super) struct Worst {
    class: ProvedClass,
    nominal_db: Vec<Option<f32>>,
    one_by_one_db: Vec<Option<f32>>,
    worst_db: Vec<Option<f32>>,
    of: Vec<usize>,
    /// Words of combinations that are worst somewhere.
    words: BTreeMap<usize, String>,
    lowest: Option<(f64, Cited)>,
    /// States taken in so far.
    states: usize,
    flaw: String,
    ordered: f64,
}

fn is_less(value: Option<f32>, than: Option<f32>) -> bool {
    match (value, than) {
        (_, None) => false,
        (None, Some(_)) => true,
        (Some(v), Some(t)) => v < t,
    }
}

impl Worst {
    pub fn new(wanted: &Wanted, places: usize) -> Self {
        Self {
            class: wanted.class,
            nominal_db: vec![None; places],
            one_by_one_db: vec![None; places],
            worst_db: vec![None; places],
            of: vec![0; places],
            words: BTreeMap::new(),
            lowest: None,
            states: 0,
            flaw: wanted.words.clone(),
            ordered: wanted.ordered,
        }
    }

    /// Takes the nominal state and the deviations one by one.
    pub fn take_alone(&mut self, margins: &[Vec<Option<f32>>]) {
        let Some((nominal, others)) = margins.split_first() else {
            return;
        };
        self.nominal_db.clone_from(nominal);
        self.one_by_one_db.clone_from(nominal);
        for other in others {
            for (worst, value) in self.one_by_one_db.iter_mut().zip(other) {
                if is_less(*value, *worst) {
                    *worst = *value;
                }
            }
        }
    }

    /// Takes combinations from number `first` on, each in all its directions.
    pub fn take(
        &mut self,
        looked: &Looked<'_>,
        first: usize,
        directions: usize,
        margins: &[Vec<Option<f32>>],
        words: &dyn Fn(usize) -> String,
    ) {
        let Some(wanted) = looked.of_class(self.class) else {
            return;
        };
        for (state, margins) in margins.iter().enumerate() {
            let number = first + state / directions;
            let mut named = false;
            for ((worst, of), value) in self.worst_db.iter_mut().zip(&mut self.of).zip(margins) {
                if self.states == 0 || is_less(*value, *worst) {
                    (*worst, *of) = (*value, number);
                    named = true;
                }
            }
            self.states += 1;
            let covered = looked.covered(wanted, margins);
            let lowest = self.lowest.as_ref().is_none_or(|l| covered < l.0);
            if named || lowest {
                let words = words(state);
                if lowest {
                    let cited = Cited { combination: number, words: words.clone() };
                    self.lowest = Some((covered, cited));
                }
                if named {
                    self.words.insert(number, words);
                }
            }
        }
    }

    /// The class's answer.
    pub fn done(self, looked: &Looked<'_>) -> DenseClass {
        let wanted = looked.of_class(self.class);
        let places = wanted.map_or(&[][..], |w| looked.places(w));
        let angles = wanted.map_or(1, |w| looked.angles(w)).max(1);
        let asked = wanted.map_or_else(Vec::new, |w| looked.asked(w));
        let covered = |margins: &[Option<f32>]| wanted.map_or(0.0, |w| looked.covered(w, margins));
        let cite = |number: usize| Cited {
            combination: number,
            words: self.words.get(&number).cloned().unwrap_or_default(),
        };
        let least = |values: &[Option<f32>]| {
            values.iter().copied().reduce(|a, b| if is_less(b, a) { b } else { a }).flatten()
        };
        let rings = (0..places.len() / angles)
            .filter(|ring| asked[ring * angles])
            .map(|ring| {
                let own = ring * angles..(ring + 1) * angles;
                let mut at = own.start;
                for p in own.clone() {
                    if is_less(self.worst_db[p], self.worst_db[at]) {
                        at = p;
                    }
                }
                DenseRing {
                    radius_m: places[at].share * looked.radius_m(),
                    angle_rad: places[at].angle_rad,
                    worst_db: self.worst_db[at],
                    of: cite(self.of[at]),
                    one_by_one_db: least(&self.one_by_one_db[own.clone()]),
                    nominal_db: least(&self.nominal_db[own]),
                }
            })
            .collect();
        let (lowest, lowest_in) =
            self.lowest.clone().unwrap_or((0.0, Cited { combination: 0, words: String::new() }));
        DenseClass {
            class: self.class,
            flaw: self.flaw.clone(),
            ordered: self.ordered,
            nominal: covered(&self.nominal_db),
            one_by_one: covered(&self.one_by_one_db),
            combined: covered(&self.worst_db),
            lowest,
            lowest_in,
            rings,
            map: DenseMap {
                radii_m: places
                    .iter()
                    .step_by(angles)
                    .map(|p| p.share * looked.radius_m())
                    .collect(),
                angles_rad: places.iter().take(angles).map(|p| p.angle_rad).collect(),
                asked,
                nominal_db: self.nominal_db,
                one_by_one_db: self.one_by_one_db,
                worst_db: self.worst_db,
                combination: self.of,
            },
        }
    }
}
