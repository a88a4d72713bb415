//! When the firings happen, and in which order: each as soon as all before it allow.

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use rayon::prelude::*;

use super::lags::{Between, Lags};

/// Firings that the local search may place; bounds its time without a clock.
const PLACED: usize = 400_000;
/// Lengthening that the local search takes at first, over the shortest wait.
const WARM: f64 = 0.1;
/// The same where the order is already good.
const WARM_GIVEN: f64 = 0.03;
/// Step of the trigger in s: starts are whole numbers of it.
const TRIGGER_S: f64 = 10e-9;

/// Waits between firings.
#[derive(Debug)]
pub struct Waits {
    count: usize,
    lags: Vec<Lags>,
    /// Shortest wait in s: record and electronics.
    base_s: f64,
    /// Shortest period in s that the data rate allows.
    data_s: f64,
    /// Longest forbidden wait in s.
    horizon_s: f64,
}

/// Firings in order with their starts.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed {
    /// Firings by their place in the list.
    pub order: Vec<usize>,
    /// Start of each in s.
    pub starts_s: Vec<f64>,
    /// Period in s.
    pub period_s: f64,
}

impl Waits {
    /// Waits between firings, each a list of beams.
    #[must_use]
    pub fn of(between: &Between, firings: &[Vec<usize>], base_s: f64, data_s: f64) -> Self {
        let count = firings.len();
        let lags: Vec<Lags> = (0..count * count)
            .into_par_iter()
            .map(|i| {
                let (from, to) = (&firings[i / count], &firings[i % count]);
                Lags::union(from.iter().flat_map(|a| to.iter().map(|b| between.lags(*a, *b))))
            })
            .collect();
        let horizon_s = lags.iter().map(Lags::last_s).fold(0.0, f64::max);
        Self { count, lags, base_s: up(base_s), data_s, horizon_s }
    }

    fn lags(&self, a: usize, b: usize) -> &Lags {
        &self.lags[a * self.count + b]
    }

    /// Earliest start of a firing after those placed.
    fn earliest(&self, order: &[usize], starts_s: &[f64], next: usize) -> f64 {
        let Some(last) = starts_s.last() else {
            return 0.0;
        };
        let mut t = last + self.base_s;
        let recent = starts_s.iter().rev().take_while(|s| t - **s <= self.horizon_s).count();
        let from = starts_s.len() - recent;
        loop {
            let before = t;
            for (i, s) in order[from..].iter().zip(&starts_s[from..]).rev() {
                let lag = t - s;
                let allowed = self.lags(*i, next).next(lag);
                if allowed > lag {
                    t = up(s + allowed);
                }
            }
            if t <= before {
                return t;
            }
        }
    }

    /// Places firings in an order.
    fn place(&self, order: Vec<usize>) -> Placed {
        let mut starts_s = Vec::with_capacity(order.len());
        for i in 0..order.len() {
            starts_s.push(self.earliest(&order[..i], &starts_s, order[i]));
        }
        let period_s = self.period(&order, &starts_s);
        Placed { order, starts_s, period_s }
    }

    /// [`Self::place`] of an order that differs from a placed one only at the stretches `changed`
    /// (both ends included, rising), and how many firings it had to place: where all that can still
    /// be heard stands as it stood, only later or sooner by one time, so does the rest up to the next
    /// change.
    fn place_again(
        &self,
        old: &Placed,
        order: Vec<usize>,
        changed: &[(usize, usize)],
    ) -> (Placed, usize) {
        let first = changed.first().map_or(order.len(), |c| c.0);
        let mut starts_s = old.starts_s[..first].to_vec();
        let mut placed = 0;
        // The shift that holds since some place, and that place.
        let mut shift = (0.0, 0);
        while starts_s.len() < order.len() {
            let i = starts_s.len();
            let within = changed.iter().any(|c| (c.0..=c.1).contains(&i));
            let heard_s = starts_s.last().map_or(0.0, |s| s - starts_s[shift.1.min(i - 1)]);
            if !within && i > shift.1 && heard_s > self.horizon_s {
                let until = changed.iter().map(|c| c.0).find(|c| *c > i).unwrap_or(order.len());
                starts_s.extend(old.starts_s[i..until].iter().map(|s| s + shift.0));
                continue;
            }
            let t = self.earliest(&order[..i], &starts_s, order[i]);
            placed += 1;
            let now = t - old.starts_s[i];
            // A tenth of a trigger step is far above rounding.
            if within || (now - shift.0).abs() > 0.1 * TRIGGER_S {
                shift = (now, if within { i + 1 } else { i });
            }
            starts_s.push(t);
        }
        let period_s = self.period(&order, &starts_s);
        (Placed { order, starts_s, period_s }, placed)
    }

    /// Shortest period after which the order can start again.
    fn period(&self, order: &[usize], starts_s: &[f64]) -> f64 {
        let last = starts_s.last().copied().unwrap_or(0.0);
        let mut period = up((last + self.base_s).max(self.data_s));
        loop {
            let before = period;
            for (i, a) in order.iter().enumerate().rev() {
                if period - starts_s[i] > self.horizon_s {
                    break;
                }
                for (j, b) in order.iter().enumerate() {
                    let forward = starts_s[j] - starts_s[i];
                    if period + forward > self.horizon_s {
                        break;
                    }
                    let mut turns = 1.0;
                    while turns * period + forward <= self.horizon_s {
                        let lag = turns * period + forward;
                        let allowed = self.lags(*a, *b).next(lag);
                        if allowed > lag {
                            period = up(period + (allowed - lag) / turns);
                        }
                        turns += 1.0;
                    }
                }
            }
            if period <= before {
                return period;
            }
        }
    }

    /// The firings in the order they come, each as soon as it can.
    #[must_use]
    pub fn as_given(&self) -> Placed {
        self.place((0..self.count).collect())
    }

    /// Places one firing after another, always one that can start soonest; of several the one that has the
    /// longest waits to others.
    fn soonest(&self, first: usize) -> Placed {
        let hard: Vec<f64> = (0..self.count)
            .map(|i| (0..self.count).map(|j| self.lags(i, j).next(self.base_s)).sum())
            .collect();
        let mut left: Vec<usize> = (0..self.count).filter(|i| *i != first).collect();
        let (mut order, mut starts_s) = (vec![first], vec![0.0]);
        while !left.is_empty() {
            let best = (0..left.len())
                .map(|k| (k, self.earliest(&order, &starts_s, left[k])))
                .min_by(|a, b| {
                    let harder = hard[left[b.0]].total_cmp(&hard[left[a.0]]);
                    a.1.total_cmp(&b.1).then(harder).then(a.0.cmp(&b.0))
                });
            if let Some((k, t)) = best {
                order.push(left.remove(k));
                starts_s.push(t);
            }
        }
        let period_s = self.period(&order, &starts_s);
        Placed { order, starts_s, period_s }
    }

    /// The best order found: constructed, then improved by swapping and moving single firings until
    /// it meets `least_s` or the effort is spent. Deterministic and independent of threads.
    #[must_use]
    pub fn best(&self, least_s: f64) -> Placed {
        let mut best = self.as_given();
        if self.count < 2 {
            return best;
        }
        // A construction places each firing once for each that is left.
        let starts = (PLACED / 4 / (self.count * self.count)).clamp(1, self.count);
        let tried = (0..starts).into_par_iter().map(|k| self.soonest(k * self.count / starts));
        for placed in tried.collect::<Vec<_>>() {
            if placed.period_s < best.period_s {
                best = placed;
            }
        }
        self.improve(best.order, WARM, PLACED, least_s)
    }

    /// The best order found from the one in which the firings are given, which is taken to be good.
    #[must_use]
    pub fn better(&self, least_s: f64) -> Placed {
        self.improve((0..self.count).collect(), WARM_GIVEN, PLACED / 2, least_s)
    }

    /// Threshold accepting (Dueck and Scheuer, J. Comput. Phys. 90, 1990): moves and swaps single
    /// firings or pairs of them and takes what is not longer by more than a threshold that falls to nothing.
    fn improve(&self, order: Vec<usize>, warm: f64, effort_most: usize, least_s: f64) -> Placed {
        let n = order.len();
        let mut random = Xoshiro256PlusPlus::seed_from_u64(n as u64);
        let mut now = self.place(order);
        let mut best = now.clone();
        let mut spent = 0;
        while n > 1 && spent < effort_most && best.period_s > least_s * (1.0 + 1e-6) {
            let (i, j) = (random.random_range(0..n), random.random_range(0..n));
            let (low, high) = (i.min(j), i.max(j));
            let mut order = now.order.clone();
            let swap = high - low > 6 || random.random_range(0..2) == 0;
            // In a pair the first is what the second's gap was filled with.
            let more =
                if swap && high - low > 1 && high + 1 < n { random.random_range(0..2) } else { 0 };
            let changed = if low == high {
                continue;
            } else if swap {
                for k in 0..=more {
                    order.swap(low + k, high + k);
                }
                vec![(low, low + more), (high, high + more)]
            } else {
                let moved = order.remove(i);
                order.insert(j, moved);
                vec![(low, high)]
            };
            let (placed, effort) = self.place_again(&now, order, &changed);
            spent += effort + 1;
            let threshold_s =
                self.base_s * warm * (1.0 - spent as f64 / effort_most as f64).max(0.0);
            if placed.period_s <= now.period_s + threshold_s {
                now = placed;
                if now.period_s < best.period_s {
                    best = now.clone();
                }
            }
        }
        best
    }
}

/// Rounded up to the trigger's step.
fn up(time_s: f64) -> f64 {
    // What lies a billionth of a step over a whole number is rounding.
    (time_s / TRIGGER_S - 1e-9).ceil() * TRIGGER_S
}

#[cfg(test)]
mod tests {
    use super::*;

    fn waits(count: usize) -> Waits {
        // Every pair forbids one stretch of its own, up to three and a half waits of 10 µs long.
        let lags = (0..count * count)
            .map(|i| {
                let from = 1e-6 * ((i * 7919) % 25) as f64;
                Lags::new(vec![(from, from + 1e-6 * ((i * 104_729) % 11) as f64)])
            })
            .collect::<Vec<_>>();
        let horizon_s = lags.iter().map(Lags::last_s).fold(0.0, f64::max);
        Waits { count, lags, base_s: 10e-6, data_s: 0.0, horizon_s }
    }

    // Truth: the plain way. Placing again after a change gives what placing from scratch gives; 1e-12
    // s: rounding of sums.
    #[test]
    fn placing_again_meets_placing_from_scratch() {
        let w = waits(40);
        let old = w.as_given();
        let mut fewer = 0;
        for (i, j) in [(0, 39), (3, 9), (10, 11), (5, 30), (38, 39), (0, 1)] {
            let mut order = old.order.clone();
            order.swap(i, j);
            let (again, effort) = w.place_again(&old, order.clone(), &[(i, i), (j, j)]);
            let plain = w.place(order);
            assert!((again.period_s - plain.period_s).abs() < 1e-12);
            for (a, b) in again.starts_s.iter().zip(&plain.starts_s) {
                assert!((a - b).abs() < 1e-12, "{i} {j}: {a} {b}");
            }
            fewer += usize::from(effort < 40 - i);
        }
        assert!(fewer > 0, "no place was spared");
    }

    // Truth: property. Constructed and improved orders keep every wait; the improved one is no longer.
    #[test]
    fn orders_keep_every_wait() {
        let w = waits(15);
        let given = w.as_given();
        let best = w.best(0.0);
        assert!(best.period_s <= given.period_s);
        for placed in [given, best] {
            for (i, a) in placed.order.iter().enumerate() {
                for (j, b) in placed.order.iter().enumerate() {
                    for turn in 0..4 {
                        let lag = placed.starts_s[j] - placed.starts_s[i]
                            + f64::from(turn) * placed.period_s;
                        let later = turn > 0 || j > i;
                        // 1e-12 s: rounding of sums.
                        assert!(!later || !w.lags(*a, *b).forbids(lag + 1e-12), "{a} {b} {lag}");
                    }
                }
            }
        }
    }
}
