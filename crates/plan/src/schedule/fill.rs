//! Which beams fire together in the gaps between firings of the kind that waits longest.
//!
//! Fewest firings are not best where one kind's firings (the spine: in round bars the longitudinal ones)
//! wait long for each other. What stands in such a gap costs nothing until it makes the next firing of the
//! spine wait, and that wait differs from beam to beam. So the beams of the other kinds are grouped by the
//! gap that they stand in, while the spine is put in order.

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::groups::Together;
use super::lags::Between;

/// Moves that the search tries.
const MOVES: usize = 250_000;
/// Times as many where firings of the spine can be regrouped, too.
const REGROUPED: usize = 3;
/// Lengthening that it takes at first, over the shortest wait.
const WARM: f64 = 0.25;

/// Firings, and an order for them.
#[derive(Debug, Clone, PartialEq)]
pub struct Filled {
    /// The firings.
    pub firings: Vec<Vec<usize>>,
    /// The order, by their place in the list.
    pub order: Vec<usize>,
}

/// A gap that ends with a firing of the spine, or, without one, a firing that takes only its own time.
struct Slot {
    /// The firing of the spine that ends it.
    stem: Option<usize>,
    /// What fires together right before that.
    beams: Vec<usize>,
    cost_s: f64,
}

struct Gaps<'a> {
    together: &'a Together<'a>,
    between: &'a Between,
    base_s: f64,
    /// Firings of the spine at first.
    stem: Vec<Vec<usize>>,
    /// Number of the kind of each beam.
    kind: Vec<usize>,
}

/// Groups the beams of all kinds but one about the firings of that one, by threshold accepting on what the
/// gaps last; `None` where there is nothing to group. Deterministic.
#[must_use]
pub fn filled(
    together: &Together<'_>,
    between: &Between,
    spine: usize,
    base_s: f64,
) -> Option<Filled> {
    let kinds = together.kinds();
    let stem = together.grouped(kinds.get(spine)?);
    let mut kind = vec![spine; 1 + kinds.iter().flatten().copied().max()?];
    let mut others: Vec<usize> = Vec::new();
    for (k, beams) in kinds.iter().enumerate().filter(|(k, _)| *k != spine) {
        beams.iter().for_each(|b| kind[*b] = k);
        others.extend(beams);
    }
    if others.is_empty() || stem.len() < 3 {
        return None;
    }
    let gaps = Gaps { together, between, base_s, stem, kind };
    Some(Gaps::in_order(gaps.search(&others)))
}

impl Gaps<'_> {
    /// How long a gap lasts from one firing of the spine to the next with beams between.
    fn gap_s(&self, from: &[usize], beams: &[usize], to: &[usize]) -> f64 {
        let settled = |mut t: f64, next: &dyn Fn(f64) -> f64| loop {
            let later = next(t);
            if later <= t {
                return t;
            }
            t = later;
        };
        let between = |a: &[usize], b: &[usize], t: f64| {
            let each = a.iter().flat_map(|a| b.iter().map(move |b| (*a, *b)));
            each.fold(t, |t, (a, b)| self.between.lags(a, b).next(t))
        };
        if beams.is_empty() {
            return settled(self.base_s, &|t| between(from, to, t));
        }
        let filled_s = settled(self.base_s, &|t| between(from, beams, t));
        settled(filled_s + self.base_s, &|t| {
            between(from, to, filled_s + between(beams, to, t - filled_s))
        })
    }

    fn cost_s(&self, slots: &[Slot], stems: &[Vec<usize>], i: usize) -> f64 {
        let spine = stems.len();
        let before = slots[(i + spine - 1) % spine].stem;
        match (before, slots[i].stem) {
            (Some(from), Some(to)) if i < spine => {
                self.gap_s(&stems[from], &slots[i].beams, &stems[to])
            }
            _ if slots[i].beams.is_empty() => 0.0,
            _ => self.base_s,
        }
    }

    fn takes(&self, slot: &Slot, without: Option<usize>, beam: usize) -> bool {
        let rest = || slot.beams.iter().copied().filter(|b| Some(*b) != without);
        rest().all(|b| self.kind[b] == self.kind[beam]) && self.together.takes(rest(), beam)
    }

    /// Whether a beam may join a firing of the spine, in the place of another.
    fn joins(&self, stem: &[usize], without: Option<usize>, beam: usize) -> bool {
        self.together.takes(stem.iter().copied().filter(|b| Some(*b) != without), beam)
    }

    /// Threshold accepting: single beams go from slot to slot or change places, so do firings of the
    /// spine with or without what stands before them, and so do beams of the spine between its firings.
    fn search(&self, others: &[usize]) -> (Vec<Slot>, Vec<Vec<usize>>) {
        let spine = self.stem.len();
        let mut stems = self.stem.clone();
        let several = stems.iter().any(|stem| stem.len() > 1);
        let slot = |stem, beams| Slot { stem, beams, cost_s: 0.0 };
        // Each beam alone at first.
        let mut slots: Vec<Slot> = (0..spine)
            .map(|b| slot(Some(b), Vec::new()))
            .chain(others.iter().map(|b| slot(None, vec![*b])))
            .collect();
        let mut at = vec![0; self.kind.len()];
        others.iter().enumerate().for_each(|(i, beam)| at[*beam] = spine + i);
        for i in 0..slots.len() {
            slots[i].cost_s = self.cost_s(&slots, &stems, i);
        }
        let mut random = Xoshiro256PlusPlus::seed_from_u64(others.len() as u64);
        let (mut cost_s, mut best_s) = (0.0, 0.0);
        let kept = |slots: &[Slot]| -> Vec<(Option<usize>, Vec<usize>)> {
            slots.iter().map(|s| (s.stem, s.beams.clone())).collect()
        };
        let mut best = (kept(&slots), stems.clone());
        let mut touched: Vec<(usize, f64)> = Vec::new();
        let moves = if several { REGROUPED * MOVES } else { MOVES };
        for step in 0..moves {
            let threshold_s = self.base_s * WARM * (1.0 - step as f64 / moves as f64).powi(2);
            touched.clear();
            if several && random.random_range(0..4) == 0 {
                let more_s = self.regroup(&mut slots, &mut stems, threshold_s, &mut random);
                cost_s += more_s;
                if cost_s < best_s - 1e-9 * self.base_s {
                    best_s = cost_s;
                    best = (kept(&slots), stems.clone());
                }
                continue;
            }
            let of_spine = random.random_range(0..3) == 0;
            let (i, j);
            let mut moved = (0, None);
            let whole = random.random_range(0..2) == 0;
            if of_spine {
                (i, j) = (random.random_range(0..spine), random.random_range(0..spine));
                if i == j {
                    continue;
                }
                let next = |i: usize| (i + 1) % spine;
                touched.extend([i, next(i), j, next(j)].map(|k| (k, slots[k].cost_s)));
                Self::exchange(&mut slots, i, j, whole);
            } else {
                let beam = others[random.random_range(0..others.len())];
                let swap = random.random_range(0..3) == 0;
                let other = swap.then(|| others[random.random_range(0..others.len())]);
                i = at[beam];
                j = other.map_or_else(|| random.random_range(0..slots.len()), |o| at[o]);
                if j == i
                    || !self.takes(&slots[j], other, beam)
                    || other.is_some_and(|o| !self.takes(&slots[i], Some(beam), o))
                {
                    continue;
                }
                touched.extend([i, j].map(|k| (k, slots[k].cost_s)));
                moved = (beam, other);
                Self::carry(&mut slots, i, j, moved);
            }
            touched.sort_by_key(|t| t.0);
            touched.dedup_by_key(|t| t.0);
            let mut more_s = 0.0;
            for (k, before_s) in &touched {
                slots[*k].cost_s = self.cost_s(&slots, &stems, *k);
                more_s += slots[*k].cost_s - before_s;
            }
            if more_s > threshold_s {
                if of_spine {
                    Self::exchange(&mut slots, i, j, whole);
                } else {
                    Self::carry_back(&mut slots, i, j, moved);
                }
                touched.iter().for_each(|(k, before_s)| slots[*k].cost_s = *before_s);
                continue;
            }
            for k in [i, j] {
                slots[k].beams.iter().for_each(|b| at[*b] = k);
            }
            cost_s += more_s;
            // A billionth of a wait is rounding.
            if cost_s < best_s - 1e-9 * self.base_s {
                best_s = cost_s;
                best = (kept(&slots), stems.clone());
            }
        }
        let (best, stems) = best;
        (best.into_iter().map(|(stem, beams)| slot(stem, beams)).collect(), stems)
    }

    /// Moves a beam of the spine into another of its firings, or exchanges two, where that lengthens the gaps
    /// by no more than the threshold; returns by how much it does, in s.
    fn regroup(
        &self,
        slots: &mut [Slot],
        stems: &mut [Vec<usize>],
        threshold_s: f64,
        random: &mut Xoshiro256PlusPlus,
    ) -> f64 {
        let spine = stems.len();
        let (i, j) = (random.random_range(0..spine), random.random_range(0..spine));
        let (Some(from), Some(to)) = (slots[i].stem, slots[j].stem) else { return 0.0 };
        let beam = stems[from][random.random_range(0..stems[from].len())];
        let swap = random.random_range(0..2) == 0;
        let other = swap.then(|| stems[to][random.random_range(0..stems[to].len())]);
        let alone = other.is_none() && stems[from].len() == 1;
        if i == j
            || alone
            || !self.joins(&stems[to], other, beam)
            || other.is_some_and(|o| !self.joins(&stems[from], Some(beam), o))
        {
            return 0.0;
        }
        let before = (stems[from].clone(), stems[to].clone());
        stems[from].retain(|b| *b != beam);
        stems[to].retain(|b| Some(*b) != other);
        stems[from].extend(other);
        stems[to].push(beam);
        let mut touched = vec![i, (i + 1) % spine, j, (j + 1) % spine];
        touched.sort_unstable();
        touched.dedup();
        let costs: Vec<f64> = touched.iter().map(|k| self.cost_s(slots, stems, *k)).collect();
        let more_s: f64 = touched.iter().zip(&costs).map(|(k, new)| new - slots[*k].cost_s).sum();
        if more_s > threshold_s {
            (stems[from], stems[to]) = before;
            return 0.0;
        }
        touched.iter().zip(costs).for_each(|(k, new)| slots[*k].cost_s = new);
        more_s
    }

    fn exchange(slots: &mut [Slot], i: usize, j: usize, whole: bool) {
        let stem = slots[i].stem;
        slots[i].stem = slots[j].stem;
        slots[j].stem = stem;
        if whole {
            let beams = std::mem::take(&mut slots[i].beams);
            slots[i].beams = std::mem::replace(&mut slots[j].beams, beams);
        }
    }

    fn carry(slots: &mut [Slot], i: usize, j: usize, (beam, other): (usize, Option<usize>)) {
        slots[i].beams.retain(|x| *x != beam);
        slots[j].beams.retain(|x| Some(*x) != other);
        slots[i].beams.extend(other);
        slots[j].beams.push(beam);
    }

    fn carry_back(slots: &mut [Slot], i: usize, j: usize, (beam, other): (usize, Option<usize>)) {
        slots[j].beams.retain(|x| *x != beam);
        slots[i].beams.retain(|x| Some(*x) != other);
        slots[j].beams.extend(other);
        slots[i].beams.push(beam);
    }

    /// Firings and their order; those that take only their own time go before filled gaps, evenly.
    fn in_order((slots, stems): (Vec<Slot>, Vec<Vec<usize>>)) -> Filled {
        let spine = stems.len();
        let (gaps, rest) = slots.split_at(spine);
        let mut rest = rest.iter().filter(|s| !s.beams.is_empty());
        let filled = gaps.iter().filter(|s| !s.beams.is_empty()).count();
        let mut before: Vec<Vec<&[usize]>> = vec![Vec::new(); spine];
        let takes = |g: &Slot| filled == 0 || !g.beams.is_empty();
        for i in (0..spine).filter(|i| takes(&gaps[*i])).cycle() {
            let Some(slot) = rest.next() else {
                break;
            };
            before[i].push(&slot.beams);
        }
        let mut firings: Vec<Vec<usize>> = Vec::new();
        for (gap, more) in gaps.iter().zip(before) {
            firings.extend(more.into_iter().map(<[usize]>::to_vec));
            firings.extend((!gap.beams.is_empty()).then(|| gap.beams.clone()));
            firings.extend(gap.stem.map(|b| stems[b].clone()));
        }
        let order = (0..firings.len()).collect();
        Filled { firings, order }
    }
}
