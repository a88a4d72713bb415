//! Collects what a dense proof says.

use std::collections::BTreeMap;

use barwright_job::dense::{Cited, DenseClass, DenseMap, DenseRing, Standing};
use barwright_job::proof::ProvedClass;

use super::Looked;
use crate::proof::round::Wanted;

/// Shares of steel whose margins are told.
const SHARES: [f64; 5] = [0.5, 0.9, 0.95, 0.99, 0.999];
/// Margins that are told apart, in dB over the alarm height.
const LEAST_DB: f64 = -60.0;
const MOST_DB: f64 = 60.0;
const STEP_DB: f64 = 0.25;

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
    /// Weight of steel by margin, in steps of [`STEP_DB`] from [`LEAST_DB`] on; what is not seen stands apart.
    weights: Vec<f64>,
    unseen: f64,
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
            weights: vec![0.0; ((MOST_DB - LEAST_DB) / STEP_DB) as usize + 1],
            unseen: 0.0,
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
        let (places, asked) = (looked.places(wanted), looked.asked(wanted));
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
            for ((value, place), _) in margins.iter().zip(places).zip(&asked).filter(|x| *x.1) {
                // Outer rings stand for more steel.
                match value {
                    Some(db) => {
                        let step = (f64::from(*db).clamp(LEAST_DB, MOST_DB) - LEAST_DB) / STEP_DB;
                        self.weights[step as usize] += place.share;
                    }
                    None => self.unseen += place.share,
                }
            }
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

    /// The margin at or above which a share stands.
    fn standing(&self, share: f64) -> Option<f32> {
        let whole = self.weights.iter().sum::<f64>() + self.unseen;
        let mut above = 0.0;
        self.weights.iter().enumerate().rev().find_map(|(step, weight)| {
            above += weight;
            (above >= share * whole && whole > 0.0)
                .then_some((LEAST_DB + step as f64 * STEP_DB) as f32)
        })
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
        let standing = SHARES.map(|share| Standing { share, margin_db: self.standing(share) });
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
            standing: standing.to_vec(),
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
