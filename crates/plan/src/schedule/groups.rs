//! Which beams fire together: the conflict graph and its colouring.

use barwright_wave::Mode;
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::lags::Between;
use super::view::View;

/// Beams up to which the colouring is exact.
const EXACT: usize = 12;
/// Random orders that the colouring tries.
const TRIES: usize = 60;
/// Times that firings found are taken apart and put together again.
const REGROUPINGS: usize = 600;

/// Who may fire together, and how many.
#[derive(Debug)]
pub struct Together<'a> {
    views: &'a [View],
    between: &'a Between,
    /// Most beams of one firing.
    pub apertures: usize,
    /// Most elements of one firing.
    pub channels: u64,
}

impl<'a> Together<'a> {
    /// The rules over these beams.
    #[must_use]
    pub fn new(views: &'a [View], between: &'a Between, apertures: usize, channels: u64) -> Self {
        Self { views, between, apertures: apertures.max(1), channels }
    }

    /// Places of the longitudinal beams, the shear beams of one sense, and those of the other: what
    /// runs round the bar runs away from beams of its own sense, so only alike beams fire together
    /// (common practice, no source).
    #[must_use]
    pub fn kinds(&self) -> Vec<Vec<usize>> {
        let of = |mode: Mode, sense: Option<bool>| {
            let alike = |v: &View| v.mode == mode && sense.is_none_or(|s| s == (v.slant_rad > 0.0));
            (0..self.views.len()).filter(|i| alike(&self.views[*i])).collect::<Vec<_>>()
        };
        let mut kinds = vec![of(Mode::L, None), of(Mode::S, Some(true)), of(Mode::S, Some(false))];
        kinds.retain(|k| !k.is_empty());
        kinds
    }

    /// Places of the beams of each probe.
    #[must_use]
    pub fn by_probe(&self) -> Vec<Vec<usize>> {
        let most = self.views.iter().map(|v| v.probe).max().map_or(0, |p| p + 1);
        let own = |p: u32| (0..self.views.len()).filter(|i| self.views[*i].probe == p).collect();
        (0..most).map(own).filter(|l: &Vec<usize>| !l.is_empty()).collect()
    }

    /// Whether two beams of a kind can never fire together.
    #[must_use]
    pub fn conflict(&self, a: usize, b: usize) -> bool {
        self.views[a].probe == self.views[b].probe || !self.between.together(a, b)
    }

    /// Probe of a beam.
    #[must_use]
    pub fn probe(&self, i: usize) -> u32 {
        self.views[i].probe
    }

    /// Elements of a beam.
    #[must_use]
    pub fn elements(&self, i: usize) -> u64 {
        u64::from(self.views[i].elements.1 - self.views[i].elements.0)
    }

    /// Whether one more beam leaves the electronics enough channels.
    #[must_use]
    pub fn has_channels(&self, set: &[usize], beam: usize) -> bool {
        set.iter().map(|i| self.elements(*i)).sum::<u64>() + self.elements(beam) <= self.channels
    }

    /// Whether beams of a kind that fire together leave room for one more of that kind.
    pub fn takes(&self, set: impl Iterator<Item = usize>, beam: usize) -> bool {
        let (mut count, mut elements) = (1, self.elements(beam));
        for i in set {
            count += 1;
            elements += self.elements(i);
            if self.conflict(i, beam) {
                return false;
            }
        }
        count <= self.apertures && elements <= self.channels
    }

    fn fits(&self, set: &[usize], beam: usize) -> bool {
        self.takes(set.iter().copied(), beam)
    }

    /// Each beam into the first firing that takes it, in the order given.
    #[must_use]
    pub fn first_fit(&self, order: &[usize]) -> Vec<Vec<usize>> {
        let mut sets: Vec<Vec<usize>> = Vec::new();
        for beam in order {
            match sets.iter_mut().find(|set| self.fits(set, *beam)) {
                Some(set) => set.push(*beam),
                None => sets.push(vec![*beam]),
            }
        }
        sets
    }

    /// Fewest firings found for the beams of a kind: exact up to twelve beams, else the best of
    /// first-fit over several orders. Deterministic.
    #[must_use]
    pub fn grouped(&self, kind: &[usize]) -> Vec<Vec<usize>> {
        let least = self.least(kind);
        let mut order = kind.to_vec();
        let mut best = self.first_fit(&order);
        if best.len() > least {
            let degree = |i: usize| kind.iter().filter(|j| self.conflict(i, **j)).count();
            order.sort_by_cached_key(|i| (std::cmp::Reverse(degree(*i)), *i));
            best = shorter(best, self.first_fit(&order));
        }
        if best.len() > least && kind.len() <= EXACT {
            self.exact(&order, &mut Vec::new(), &mut best);
        } else {
            let mut random = Xoshiro256PlusPlus::seed_from_u64(kind.len() as u64);
            for _ in 0..TRIES {
                if best.len() <= least {
                    break;
                }
                shuffle(&mut order, &mut random);
                best = shorter(best, self.first_fit(&order));
            }
            best = self.regrouped(best, least, &mut random);
        }
        best
    }

    /// First-fit again and again over the firings found, in other orders: what fires together stays able to,
    /// so that there are never more firings, and now and then one becomes empty.
    ///
    /// Source: Culberson, *Iterated greedy graph coloring and the difficulty landscape* (1992).
    fn regrouped(
        &self,
        mut sets: Vec<Vec<usize>>,
        least: usize,
        random: &mut Xoshiro256PlusPlus,
    ) -> Vec<Vec<usize>> {
        for round in 0..REGROUPINGS {
            if sets.len() <= least {
                break;
            }
            match round % 4 {
                0 => sets.reverse(),
                1 => sets.sort_by_key(|set| std::cmp::Reverse(set.len())),
                _ => shuffle(&mut sets, random),
            }
            sets = self.first_fit(&sets.concat());
        }
        sets
    }

    /// Branch and bound: the next beam into each firing that takes it, or into a new one.
    fn exact(&self, rest: &[usize], sets: &mut Vec<Vec<usize>>, best: &mut Vec<Vec<usize>>) {
        if sets.len() >= best.len() {
            return;
        }
        let Some((beam, rest)) = rest.split_first() else {
            best.clone_from(sets);
            return;
        };
        for i in 0..sets.len() {
            if self.fits(&sets[i], *beam) {
                sets[i].push(*beam);
                self.exact(rest, sets, best);
                sets[i].pop();
            }
        }
        sets.push(vec![*beam]);
        self.exact(rest, sets, best);
        sets.pop();
    }

    /// Fewest firings that any grouping of a kind can have: a clique, or as many as the electronics
    /// need.
    #[must_use]
    pub fn least(&self, kind: &[usize]) -> usize {
        let fewest =
            kind.iter().map(|i| self.views[*i].elements.1 - self.views[*i].elements.0).min();
        let by_channels = self.channels / u64::from(fewest.unwrap_or(1)).max(1);
        let most = self.apertures.min(usize::try_from(by_channels).unwrap_or(usize::MAX)).max(1);
        kind.len().div_ceil(most).max(self.clique(kind).len())
    }

    /// A large set of beams of a kind of which no two can fire together, grown greedily.
    #[must_use]
    pub fn clique(&self, kind: &[usize]) -> Vec<usize> {
        let mut best = Vec::new();
        for start in 0..kind.len() {
            let mut own = vec![kind[start]];
            for step in 1..kind.len() {
                let next = kind[(start + step) % kind.len()];
                if own.iter().all(|i| self.conflict(*i, next)) {
                    own.push(next);
                }
            }
            if own.len() > best.len() {
                best = own;
            }
            if best.len() == kind.len() {
                break;
            }
        }
        best
    }
}

fn shuffle<T>(list: &mut [T], random: &mut Xoshiro256PlusPlus) {
    for i in (1..list.len()).rev() {
        list.swap(i, random.random_range(0..=i));
    }
}

fn shorter(a: Vec<Vec<usize>>, b: Vec<Vec<usize>>) -> Vec<Vec<usize>> {
    if b.len() < a.len() { b } else { a }
}
