//! A lower bound of the period from the gaps of beams that fire one after another.
//!
//! Let `C` be beams of one kind of which no two fire together (a clique), and let every beam `s` of the other
//! kinds have a price π(s) ≥ 0. Take any sound order. Its period is the sum of the gaps from one firing of a
//! member of `C` to the next. Beams of other kinds never fire together with a member of `C`, and each fires
//! once, so it stands in exactly one gap. Hence
//!
//! ```text
//! period = Σ π(s) + Σ over gaps (length - prices of what stands in it)
//! ```
//!
//! and the least that the second sum can be is bounded gap by gap. For a gap from `a` to `b`:
//!
//! 1. its length is a wait that `a` allows `b`;
//! 2. let `F` be the last firing in it of beams of other kinds, at a wait of `t` before `b`. Every beam of `F`
//!    allows `b` the wait `t`. With `j` more such firings before it, the gap lasts `(j + 1) base + t` at
//!    least, so at least the shortest wait from there on that `a` allows `b`;
//! 3. this grows with `t`, and the set of beams that allow `t` only grows where a forbidden stretch of one of
//!    them ends. So it is enough to look at those ends, with the dearest `F` that holds that beam;
//! 4. each of the `j` firings has at most the price `W` of the dearest set that may fire together. With
//!    `W` ≤ `base` more firings than the gap holds for nothing never lower the difference.
//!
//! The gaps form a way through all members of `C` and back, whose cost is not below that of the cheapest set of
//! cycles that visits each member once: an assignment. Every choice of prices gives a bound; good ones come
//! from ascending along the bound's subgradient (Held and Karp, Math. Programming 1, 1971).

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use super::assignment::assign;
use super::groups::Together;
use super::lags::Between;

/// Sets of beams that may be looked at before the ascent ends; bounds its time without a clock.
const EFFORT: usize = 800_000;
/// Most steps of the ascent.
const STEPS: usize = 80;
/// Steps without a better bound after which the steps become shorter.
const PATIENCE: usize = 5;

/// One wait before a member of the clique, with what may stand there.
struct Candidate {
    wait_s: f64,
    /// The beam whose forbidden stretch ends here.
    beam: usize,
    /// Beams that allow the same wait and may fire together with that one.
    with: Vec<usize>,
}

/// A firing of other kinds: its price and its beams.
#[derive(Clone, Default)]
struct Priced {
    price: f64,
    beams: Vec<usize>,
}

struct Problem<'a> {
    together: &'a Together<'a>,
    between: &'a Between,
    base_s: f64,
    clique: &'a [usize],
    /// Beams of other kinds, one list for each.
    kinds: Vec<Vec<usize>>,
    /// For each member of the clique, by rising wait.
    candidates: Vec<Vec<Candidate>>,
    /// For each beam, those after it in its kind's list that may fire together with it.
    after: Vec<Vec<usize>>,
    conflict: Vec<Vec<bool>>,
    /// Sets of beams looked at: a sum, whoever counts first.
    spent: AtomicUsize,
}

/// Bound in s of the period, from the gaps between the members of a clique of kind `own` and what the beams
/// of all other kinds need in them; `None` where there is nothing to price. `reached_s` is a period that was
/// reached: it sets the length of the steps, and the ascent ends there. Deterministic.
#[must_use]
pub fn priced(
    together: &Together<'_>,
    between: &Between,
    own: usize,
    base_s: f64,
    reached_s: f64,
) -> Option<f64> {
    let mut kinds = together.kinds();
    if own >= kinds.len() {
        return None;
    }
    let clique = together.clique(&kinds.remove(own));
    if clique.len() < 2 || kinds.is_empty() {
        return None;
    }
    let problem = Problem::new(together, between, base_s, &clique, kinds);
    Some(problem.ascend(reached_s))
}

impl<'a> Problem<'a> {
    fn new(
        together: &'a Together<'a>,
        between: &'a Between,
        base_s: f64,
        clique: &'a [usize],
        kinds: Vec<Vec<usize>>,
    ) -> Self {
        let most = 1 + kinds.iter().flatten().chain(clique).copied().max().unwrap_or(0);
        let mut conflict = vec![vec![true; most]; most];
        let mut after = vec![Vec::new(); most];
        for kind in &kinds {
            for (i, a) in kind.iter().enumerate() {
                for b in &kind[i + 1..] {
                    if !together.conflict(*a, *b) {
                        conflict[*a][*b] = false;
                        conflict[*b][*a] = false;
                        after[*a].push(*b);
                    }
                }
            }
        }
        let before = |b: &usize| {
            let mut own: Vec<Candidate> = Vec::new();
            for kind in &kinds {
                for s in kind {
                    for wait_s in between.lags(*s, *b).allowed_from(base_s) {
                        let fits = |u: &&usize| {
                            !conflict[*s][**u] && !between.lags(**u, *b).forbids(wait_s)
                        };
                        let with = kind.iter().filter(fits).copied().collect();
                        own.push(Candidate { wait_s, beam: *s, with });
                    }
                }
            }
            own.sort_by(|a, b| a.wait_s.total_cmp(&b.wait_s));
            own
        };
        let candidates = clique.iter().map(before).collect();
        Self {
            together,
            between,
            base_s,
            clique,
            kinds,
            candidates,
            after,
            conflict,
            spent: AtomicUsize::new(0),
        }
    }

    /// The dearest set of `beam` and some of `with` that may fire together, if it is dearer than `floor`.
    fn dearest(&self, prices: &[f64], beam: usize, with: &[usize], floor: f64) -> Option<Priced> {
        let mut best = Priced { price: floor, beams: Vec::new() };
        let mut own = vec![beam];
        let sets = self.grow(prices, &mut own, prices[beam], with, &mut best);
        self.spent.fetch_add(sets, Ordering::Relaxed);
        (!best.beams.is_empty()).then_some(best)
    }

    fn grow(
        &self,
        prices: &[f64],
        own: &mut Vec<usize>,
        price: f64,
        with: &[usize],
        best: &mut Priced,
    ) -> usize {
        if price > best.price {
            *best = Priced { price, beams: own.clone() };
        }
        let room = self.together.apertures.saturating_sub(own.len());
        if room == 0 || price + self.at_most(prices, with, room) <= best.price {
            return 1;
        }
        let mut sets = 1;
        for (i, next) in with.iter().enumerate() {
            let price = price + prices[*next];
            // The last to fit needs no further look.
            if room == 1 && price <= best.price || !self.together.has_channels(own, *next) {
                continue;
            }
            let free = &self.conflict[*next];
            let rest: Vec<usize> = match room {
                1 => Vec::new(),
                _ => with[i + 1..].iter().copied().filter(|u| !free[*u]).collect(),
            };
            own.push(*next);
            sets += self.grow(prices, own, price, &rest, best);
            own.pop();
        }
        sets
    }

    /// What `room` beams of a list can cost at most, one of each probe.
    fn at_most(&self, prices: &[f64], beams: &[usize], room: usize) -> f64 {
        // Lists keep the beams of a probe together; a probe met twice only loosens this.
        let mut of_probes: Vec<(u32, f64)> = Vec::with_capacity(beams.len());
        for b in beams {
            let probe = self.together.probe(*b);
            match of_probes.last_mut() {
                Some((p, price)) if *p == probe => *price = price.max(prices[*b]),
                _ => of_probes.push((probe, prices[*b])),
            }
        }
        if of_probes.len() > room {
            of_probes.sort_unstable_by(|a, b| b.1.total_cmp(&a.1));
        }
        of_probes.iter().take(room).map(|p| p.1).sum()
    }

    /// The dearest firing of all.
    fn dearest_of_all(&self, prices: &[f64]) -> Priced {
        let mut best = Priced::default();
        for beam in self.kinds.iter().flatten() {
            if let Some(dearer) = self.dearest(prices, *beam, &self.after[*beam], best.price) {
                best = dearer;
            }
        }
        best
    }

    /// The bound that prices give, in s, and how often each beam stands in the cheapest gaps.
    fn bound(&self, prices: &[f64], dearest: &Priced) -> (f64, Vec<f64>) {
        let n = self.clique.len();
        // Of candidates that wait longer only dearer ones matter.
        let fronts: Vec<Vec<(f64, Priced)>> = self
            .candidates
            .par_iter()
            .map(|own| {
                let mut front: Vec<(f64, Priced)> = Vec::new();
                for c in own {
                    let floor = front.last().map_or(0.0, |f| f.1.price);
                    if let Some(dearer) = self.dearest(prices, c.beam, &c.with, floor) {
                        front.push((c.wait_s, dearer));
                    }
                }
                front
            })
            .collect();
        let mut costs = vec![f64::INFINITY; n * n];
        // Which candidate it was, and how many firings stand before it.
        let mut taken = vec![(None, 0); n * n];
        for (i, a) in self.clique.iter().enumerate() {
            for (j, b) in self.clique.iter().enumerate().filter(|(j, _)| *j != i) {
                let lags = self.between.lags(*a, *b);
                let k = i * n + j;
                costs[k] = lags.next(self.base_s);
                for (c, (wait_s, front)) in fronts[j].iter().enumerate() {
                    let mut more = 0;
                    loop {
                        let least_s = f64::from(more + 1) * self.base_s + wait_s;
                        let cost =
                            lags.next(least_s) - front.price - f64::from(more) * dearest.price;
                        if cost < costs[k] {
                            costs[k] = cost;
                            taken[k] = (Some(c), more);
                        }
                        if least_s > lags.last_s() {
                            break;
                        }
                        more += 1;
                    }
                }
            }
        }
        let next = assign(&costs, n);
        let mut times = vec![0.0; prices.len()];
        let mut sum: f64 = self.kinds.iter().flatten().map(|s| prices[*s]).sum();
        for (i, j) in next.into_iter().enumerate() {
            sum += costs[i * n + j];
            if let (Some(c), more) = taken[i * n + j] {
                fronts[j][c].1.beams.iter().for_each(|s| times[*s] += 1.0);
                dearest.beams.iter().for_each(|s| times[*s] += f64::from(more));
            }
        }
        (sum, times)
    }

    /// Lowers prices until no firing costs more than the shortest wait, and returns the dearest.
    fn lowered(&self, prices: &mut [f64]) -> Priced {
        let mut dearest = self.dearest_of_all(prices);
        if dearest.price > self.base_s {
            let share = self.base_s / dearest.price;
            prices.iter_mut().for_each(|p| *p *= share);
            dearest.price *= share;
        }
        dearest
    }

    fn ascend(&self, reached_s: f64) -> f64 {
        let others: Vec<usize> = self.kinds.iter().flatten().copied().collect();
        // One price for all, at first the best of a few.
        let equal = |price: f64| {
            let mut prices = vec![0.0; self.conflict.len()];
            others.iter().for_each(|s| prices[*s] = price);
            let dearest = self.lowered(&mut prices);
            let (bound, times) = self.bound(&prices, &dearest);
            (bound, prices, times)
        };
        let mut best = equal(0.0);
        for share in [0.03, 0.06, 0.1, 0.2, 0.4, 1.0] {
            let next = equal(share * self.base_s);
            if next.0 > best.0 {
                best = next;
            }
        }
        let (mut bound, mut prices, mut times) = best.clone();
        let (mut factor, mut waited) = (1.0, 0);
        for _ in 0..STEPS {
            let over: f64 = others.iter().map(|s| (1.0 - times[*s]).powi(2)).sum();
            let spent = self.spent.load(Ordering::Relaxed);
            if over == 0.0 || best.0 >= reached_s || spent > EFFORT {
                break;
            }
            let step = factor * (reached_s - bound) / over;
            others
                .iter()
                .for_each(|s| prices[*s] = (prices[*s] + step * (1.0 - times[*s])).max(0.0));
            let dearest = self.lowered(&mut prices);
            (bound, times) = self.bound(&prices, &dearest);
            if bound > best.0 {
                best = (bound, prices.clone(), times.clone());
                waited = 0;
            } else {
                waited += 1;
                if waited == PATIENCE {
                    (bound, prices, times) = best.clone();
                    factor *= 0.5;
                    waited = 0;
                }
            }
        }
        best.0
    }
}

#[cfg(test)]
mod tests {
    use super::super::bound::bound;
    use super::super::fill::filled;
    use super::super::lags::Lags;
    use super::super::order::Waits;
    use super::super::view::View;
    use super::*;
    use barwright_wave::Mode;
    use rand::{RngExt, SeedableRng};
    use rand_xoshiro::Xoshiro256PlusPlus;

    /// Times are whole numbers of this many seconds.
    const UNIT_S: f64 = 10e-6;
    /// Shortest wait in units.
    const BASE: usize = 3;

    fn view(id: u32, mode: Mode, probe: u32, slant_rad: f64) -> View {
        View {
            id,
            probe,
            elements: (0, 8),
            mode,
            entry_rad: 0.0,
            slant_rad,
            lead_rad: 0.0,
            footprint_m: 0.0,
            width_m: 0.0,
            radius_m: 0.0,
            length_m: 0.0,
            surface_s: 0.0,
            velocity_m_s: 0.0,
            reach_m: 0.0,
            returned_db: 0.0,
            surface_db: 0.0,
            leg_loss_db: 0.0,
            water_loss_db: 0.0,
            windows: Vec::new(),
        }
    }

    /// Some beams of three kinds with random forbidden waits, ends at whole units; longitudinal ones never
    /// together.
    fn scene(random: &mut Xoshiro256PlusPlus) -> (Vec<View>, Between) {
        let (l, p, m) =
            (random.random_range(2..4), random.random_range(1..4), random.random_range(0..2));
        let kinds = [(l, Mode::L, 0.0), (p, Mode::S, 0.7), (m, Mode::S, -0.7)];
        let mut views: Vec<View> = Vec::new();
        for (count, mode, slant_rad) in kinds {
            for probe in 0..count {
                views.push(view(views.len() as u32, mode, probe, slant_rad));
            }
        }
        let n = views.len();
        let lags = (0..n * n)
            .map(|k| {
                let both_l = views[k / n].mode == Mode::L && views[k % n].mode == Mode::L;
                let mut stretches: Vec<(i32, i32)> = (0..random.random_range(0..3))
                    .map(|_| {
                        let from = random.random_range(0..7);
                        (from, from + random.random_range(1..4))
                    })
                    .collect();
                if both_l {
                    stretches.push((-1, random.random_range(4..8)));
                }
                // Open at both ends: whole units stay allowed.
                let open = |(a, b): (i32, i32)| {
                    (f64::from(a) * UNIT_S + 2e-9, f64::from(b) * UNIT_S - 2e-9)
                };
                Lags::new(stretches.into_iter().map(open).collect())
            })
            .collect();
        (views, Between::of_lags(n, lags))
    }

    /// Whether firings can be given starts in a period of so many units; brute force over all starts.
    fn placed(
        waits: &dyn Fn(usize, usize, usize) -> bool,
        starts: &mut Vec<usize>,
        count: usize,
        period: usize,
    ) -> bool {
        let next = starts.len();
        if next == count {
            return true;
        }
        let from = if next == 0 { 0..1 } else { 1..period };
        for t in from {
            let sound = (0..next).all(|i| {
                let (there, back) =
                    ((t + period - starts[i]) % period, (starts[i] + period - t) % period);
                there >= BASE && back >= BASE && waits(i, next, there) && waits(next, i, back)
            }) && waits(next, next, period);
            if sound {
                starts.push(t);
                if placed(waits, starts, count, period) {
                    return true;
                }
                starts.pop();
            }
        }
        false
    }

    /// All ways to let beams fire together.
    fn groupings(
        together: &Together<'_>,
        kind: &[usize],
        beams: &[usize],
        sets: &mut Vec<Vec<usize>>,
        all: &mut Vec<Vec<Vec<usize>>>,
    ) {
        let Some((beam, rest)) = beams.split_first() else {
            all.push(sets.clone());
            return;
        };
        for i in 0..=sets.len() {
            if i == sets.len() {
                sets.push(vec![*beam]);
                groupings(together, kind, rest, sets, all);
                sets.pop();
            } else if kind[sets[i][0]] == kind[*beam]
                && together.takes(sets[i].iter().copied(), *beam)
            {
                sets[i].push(*beam);
                groupings(together, kind, rest, sets, all);
                sets[i].pop();
            }
        }
    }

    // Truth: brute force over groupings, orders and all starts on a grid that holds every end of a forbidden
    // stretch. Bound <= best <= what the maker's search finds. 1e-7 s: a trigger step for each firing.
    #[test]
    fn no_order_beats_the_bound() {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(11);
        let (mut sharper, mut met) = (0, 0);
        for case in 0..120 {
            let (views, between) = scene(&mut random);
            let together = Together::new(&views, &between, 1 + case % 3, 1000);
            let base_s = BASE as f64 * UNIT_S;
            let kinds = together.kinds();
            let mut kind = vec![0; views.len()];
            kinds.iter().enumerate().for_each(|(k, own)| own.iter().for_each(|b| kind[*b] = k));
            let beams: Vec<usize> = (0..views.len()).collect();
            let mut all = Vec::new();
            groupings(&together, &kind, &beams, &mut Vec::new(), &mut all);
            let least = (BASE..)
                .find(|period| {
                    all.iter().any(|firings| {
                        let allowed = |a: usize, b: usize, lag: usize| {
                            let turns = (lag..=12.max(lag)).step_by(*period);
                            turns.into_iter().all(|t| {
                                firings[a].iter().all(|x| {
                                    let own = |y: &usize| {
                                        !between.lags(*x, *y).forbids(t as f64 * UNIT_S)
                                    };
                                    firings[b].iter().all(own)
                                })
                            })
                        };
                        placed(&allowed, &mut Vec::new(), firings.len(), *period)
                    })
                })
                .expect("some period is long enough");
            let least_s = least as f64 * UNIT_S;
            let plain = bound(&together, &between, base_s, 0.0);
            assert!(plain.period_s <= least_s + 1e-7, "{case}: plain {} {least}", plain.period_s);
            for own in 0..kinds.len() {
                if let Some(own_s) = priced(&together, &between, own, base_s, least_s) {
                    assert!(own_s <= least_s + 1e-7, "{case} {own}: {own_s} {least}");
                    sharper += usize::from(own_s > plain.period_s + 1e-7);
                    met += usize::from(own_s > least_s - 1e-7);
                }
                if let Some(made) = filled(&together, &between, own, base_s) {
                    let placed = Waits::of(&between, &made.firings, base_s, 0.0).better(0.0);
                    assert!(placed.period_s >= least_s - 1e-7, "{case} {own}: {placed:?} {least}");
                }
            }
        }
        // Cases in which it matters, so that the test can fail.
        assert!(sharper >= 10 && met >= 10, "{sharper} {met}");
        eprintln!("{sharper} {met}");
    }
}
