//! Waits between firings that late echoes forbid.

use std::collections::HashMap;

use rayon::prelude::*;

use super::late::Surround;
use super::view::View;
use crate::bench::Bench;
use crate::echo::turn;

/// Guard in s by which a wait keeps clear of a forbidden one: far below any sample.
const GUARD_S: f64 = 1e-9;

/// Forbidden waits, as closed stretches in s that rise and do not touch.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Lags(Vec<(f64, f64)>);

impl Lags {
    /// From stretches in any order.
    #[must_use]
    pub fn new(mut stretches: Vec<(f64, f64)>) -> Self {
        stretches.retain(|(from, to)| from <= to);
        stretches.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut merged: Vec<(f64, f64)> = Vec::with_capacity(stretches.len());
        for (from, to) in stretches {
            match merged.last_mut() {
                Some(last) if from <= last.1 + GUARD_S => last.1 = last.1.max(to),
                _ => merged.push((from, to)),
            }
        }
        Self(merged)
    }

    /// All that any of them forbids.
    #[must_use]
    pub fn union<'a>(sets: impl IntoIterator<Item = &'a Self>) -> Self {
        Self::new(sets.into_iter().flat_map(|s| s.0.iter().copied()).collect())
    }

    /// The shortest wait of at least `lag_s` that is not forbidden, in s.
    #[must_use]
    pub fn next(&self, lag_s: f64) -> f64 {
        let i = self.0.partition_point(|(_, to)| *to < lag_s);
        match self.0.get(i) {
            Some((from, to)) if *from <= lag_s => to + GUARD_S,
            _ => lag_s,
        }
    }

    /// Where allowed stretches of waits of at least `lag_s` begin, rising.
    pub fn allowed_from(&self, lag_s: f64) -> impl Iterator<Item = f64> {
        let first = self.next(lag_s);
        let ends = self.0.iter().map(|(_, to)| to + GUARD_S);
        std::iter::once(first).chain(ends.filter(move |t| *t > first))
    }

    /// Whether a wait is forbidden.
    #[must_use]
    pub fn forbids(&self, lag_s: f64) -> bool {
        self.next(lag_s) > lag_s
    }

    /// The longest forbidden wait in s, zero if there is none.
    #[must_use]
    pub fn last_s(&self) -> f64 {
        self.0.last().map_or(0.0, |s| s.1.max(0.0))
    }
}

/// Forbidden waits between all beams.
///
/// Beams that a turn of the ring maps onto each other have the same waits; they are computed once.
#[derive(Debug, Clone)]
pub struct Between {
    count: usize,
    /// For each pair its place in `lags`.
    of: Vec<usize>,
    lags: Vec<Lags>,
    /// For each pair whether they may not fire together.
    apart: Vec<bool>,
}

impl Between {
    /// Computes them; beams are known by their place in the list.
    #[must_use]
    pub fn of(bench: &Bench<'_>, views: &[View]) -> Self {
        let count = views.len();
        let Some(surround) = Surround::of(bench) else {
            let none = count * count;
            return Self {
                count,
                of: vec![0; none],
                lags: vec![Lags::default()],
                apart: vec![false; none],
            };
        };
        let mut classes: HashMap<Vec<i64>, usize> = HashMap::new();
        let class: Vec<usize> = views
            .iter()
            .map(|v| {
                let next = classes.len();
                *classes.entry(v.turned()).or_insert(next)
            })
            .collect();
        let mut known: HashMap<(usize, usize, i64, bool, bool), usize> = HashMap::new();
        let (mut of, mut apart) = (Vec::with_capacity(count * count), Vec::new());
        let mut first: Vec<(&View, &View)> = Vec::new();
        for (a, class_a) in views.iter().zip(&class) {
            for (b, class_b) in views.iter().zip(&class) {
                // 1e-9 rad: far above rounding, far below any time that matters.
                let turned = (turn(b.entry_rad - a.entry_rad) * 1e9).round() as i64;
                let same = (a.probe == b.probe, a.shares_elements(b));
                let key = (*class_a, *class_b, turned, same.0, same.1);
                of.push(*known.entry(key).or_insert_with(|| {
                    first.push((a, b));
                    first.len() - 1
                }));
                apart.push(surround.forbids_together(a, b));
            }
        }
        let lags = first.into_par_iter().map(|(a, b)| forbidden(bench, &surround, a, b)).collect();
        Self { count, of, lags, apart }.settled()
    }

    /// With what late echoes forbid at the same moment beside what the section does.
    fn settled(mut self) -> Self {
        let at_once: Vec<bool> = self.lags.iter().map(|l| l.forbids(0.0)).collect();
        let count = self.count;
        for a in 0..count {
            for b in 0..count {
                let (there, back) = (self.of[a * count + b], self.of[b * count + a]);
                self.apart[a * count + b] |= at_once[there] || at_once[back];
            }
        }
        self
    }

    /// Given ones, pair by pair.
    #[cfg(test)]
    pub(super) fn of_lags(count: usize, lags: Vec<Lags>) -> Self {
        let pairs = count * count;
        Self { count, of: (0..pairs).collect(), lags, apart: vec![false; pairs] }.settled()
    }

    /// Waits from a firing of beam `a` to one of beam `b` that are forbidden.
    #[must_use]
    pub fn lags(&self, a: usize, b: usize) -> &Lags {
        &self.lags[self.of[a * self.count + b]]
    }

    /// Whether the late echoes and the section let both beams fire at the same moment.
    #[must_use]
    pub fn together(&self, a: usize, b: usize) -> bool {
        !self.apart[a * self.count + b]
    }
}

/// The stretches of wait with which something late of `a` falls into a gate of `b`.
fn forbidden(bench: &Bench<'_>, surround: &Surround, a: &View, b: &View) -> Lags {
    let floor_db = b.windows.iter().map(|w| w.limit_db).fold(f64::INFINITY, f64::min) - 1e-3;
    let mut stretches: Vec<(f64, f64)> = Vec::new();
    for late in surround.late(a, b, floor_db) {
        for w in &b.windows {
            // A turned pair differs by rounding: what is a thousandth of a dB too quiet counts.
            let over_db = late.level_db - w.limit_db + 1e-3;
            if over_db >= 0.0 {
                let half = late.play_s + bench.nominal.pulse.duration_s(over_db) / 2.0 + GUARD_S;
                let (from, to) = (late.after_s - half - w.end_s, late.after_s + half - w.start_s);
                // Pieces of one gate touch, so their stretches do; joined here, few need sorting.
                match stretches.last_mut() {
                    Some((low, high)) if from <= *high && to >= *low => {
                        *low = low.min(from);
                        *high = high.max(to);
                    }
                    _ if to >= 0.0 => stretches.push((from, to)),
                    _ => {}
                }
            }
        }
    }
    Lags::new(stretches)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed form. Stretches that overlap become one; the next allowed wait lies a guard
    // behind it.
    #[test]
    fn the_next_wait_lies_behind_every_stretch() {
        let lags = Lags::new(vec![(5e-6, 6e-6), (1e-6, 2e-6), (1.5e-6, 3e-6), (9e-6, 8e-6)]);
        assert_eq!(lags.next(0.5e-6), 0.5e-6);
        assert_eq!(lags.next(1e-6), 3e-6 + GUARD_S);
        assert_eq!(lags.next(4e-6), 4e-6);
        assert_eq!(lags.next(5.5e-6), 6e-6 + GUARD_S);
        assert_eq!(lags.next(7e-6), 7e-6);
        assert_eq!(lags.last_s(), 6e-6);
        let both = Lags::union([&lags, &Lags::new(vec![(2.5e-6, 5.5e-6)])]);
        assert_eq!(both.next(1e-6), 6e-6 + GUARD_S);
        assert!(both.forbids(2e-6) && !both.forbids(0.9e-6));
    }
}
