//! The best pieces of one cluster, by dynamic programming from its tail to its head.
//!
//! For each number of pieces of the counted lengths the best score is found. From a start a piece
//! of some window reaches the ends within the window: the best of them is a sliding maximum, kept
//! in a queue, so that all places cost about places times windows.

use super::{
    cluster::Cluster,
    market::{Market, NONE, Window},
};

/// A kept piece: start and end in µm and the place of its window.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Kept {
    pub from: i64,
    pub to: i64,
    pub window: usize,
}

/// Numbers of pieces of the counted lengths as one index: the first counts slowest.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Counts {
    /// Most pieces of each.
    pub most: Vec<u32>,
    stride: Vec<usize>,
    /// How many combinations there are.
    pub all: usize,
}

impl Counts {
    /// Combinations up to `most` of each; `None` when there are more than `limit`.
    pub(super) fn new(most: Vec<u32>, limit: usize) -> Option<Self> {
        let mut stride = vec![0; most.len()];
        let mut all = 1usize;
        for (s, m) in stride.iter_mut().zip(&most).rev() {
            *s = all;
            all = all.checked_mul(*m as usize + 1).filter(|a| *a <= limit)?;
        }
        Some(Self { most, stride, all })
    }

    /// Pieces of one counted length in a combination.
    pub(super) fn of(&self, index: usize, counted: usize) -> u32 {
        ((index / self.stride[counted]) % (self.most[counted] as usize + 1)) as u32
    }

    /// All numbers of a combination.
    pub(super) fn numbers(&self, index: usize) -> Vec<u32> {
        (0..self.most.len()).map(|k| self.of(index, k)).collect()
    }

    /// The combination with these numbers, if it is one.
    pub(super) fn index(&self, numbers: &[u32]) -> Option<usize> {
        let fits = numbers.iter().zip(&self.most).all(|(n, m)| n <= m);
        fits.then(|| numbers.iter().zip(&self.stride).map(|(n, s)| *n as usize * s).sum())
    }
}

/// A solved cluster.
#[derive(Debug)]
pub(super) struct Along<'a> {
    cluster: &'a Cluster,
    market: &'a Market,
    cost: &'a [i64],
    pub counts: Counts,
    /// Best score with a piece that begins at a start, by start and combination.
    from_start: Vec<i64>,
    /// Best score of what follows an end.
    after_end: Vec<i64>,
    /// Best score of the cluster, by combination.
    pub best: Vec<i64>,
}

/// Whether a start or an end needs a saw cut.
fn cut(at: i64, edge: i64) -> i64 {
    i64::from(at != edge)
}

impl<'a> Along<'a> {
    /// Solves a cluster; `cost` is what a piece of each counted length costs, in score.
    pub(super) fn solve(
        cluster: &'a Cluster,
        market: &'a Market,
        counts: Counts,
        cost: &'a [i64],
    ) -> Self {
        let n = counts.all;
        let (starts, ends) = (&cluster.starts, &cluster.ends);
        let mut along = Self {
            cluster,
            market,
            cost,
            from_start: vec![NONE; starts.len() * n],
            after_end: vec![NONE; ends.len() * n],
            best: vec![NONE; n],
            counts,
        };
        // Best over this start and all later ones.
        let mut later = vec![NONE; (starts.len() + 1) * n];
        let mut queues: Vec<Queue> = vec![Queue::default(); market.windows.len() * n];
        let mut next_end = ends.len();
        let mut entered = vec![ends.len(); market.windows.len()];
        let mut stretch = None;
        for si in (0..starts.len()).rev() {
            let s = starts[si];
            while next_end > 0 && ends[next_end - 1] > s {
                next_end -= 1;
                along.follow(next_end, &later);
            }
            let here = cluster.holds_start(s);
            if here != stretch {
                stretch = here;
                queues.iter_mut().for_each(Queue::clear);
                let beyond = here.map_or(0, |h| ends.partition_point(|e| *e <= h.1));
                entered.fill(beyond);
            }
            for (wi, w) in market.windows.iter().enumerate() {
                let queues = &mut queues[wi * n..(wi + 1) * n];
                while entered[wi] > 0 && ends[entered[wi] - 1] >= s + w.low {
                    entered[wi] -= 1;
                    let ei = entered[wi];
                    for (c, queue) in queues.iter_mut().enumerate() {
                        let after = along.after_end[ei * n + c];
                        if after > NONE {
                            queue.push(ei, after + w.slope * ends[ei]);
                        }
                    }
                }
                for (c, queue) in queues.iter_mut().enumerate() {
                    let Some((ei, key)) = queue.front(|ei| ends[ei] <= s + w.high) else {
                        continue;
                    };
                    debug_assert!(ends[ei] - s >= w.low);
                    if let Some(taken) = along.taking(w, c) {
                        let score = key - w.slope * s - along.cost_of(w);
                        let slot = &mut along.from_start[si * n + taken];
                        *slot = (*slot).max(score);
                    }
                }
            }
            for c in 0..n {
                later[si * n + c] = later[(si + 1) * n + c].max(along.from_start[si * n + c]);
            }
        }
        for (si, s) in starts.iter().enumerate() {
            for c in 0..n {
                let score = along.from_start[si * n + c];
                if score > NONE {
                    along.best[c] = along.best[c].max(score - cut(*s, 0));
                }
            }
        }
        along.best[0] = along.best[0].max(0);
        along
    }

    fn cost_of(&self, w: &Window) -> i64 {
        w.counted.map_or(0, |k| self.cost[k])
    }

    /// The combination with one more piece of a window.
    fn taking(&self, w: &Window, c: usize) -> Option<usize> {
        match w.counted {
            // Costs alone hold it back where pieces are not counted.
            Some(k) if !self.counts.most.is_empty() => {
                (self.counts.of(c, k) < self.counts.most[k]).then(|| c + self.counts.stride[k])
            }
            _ => Some(c),
        }
    }

    /// The best of what follows an end.
    fn follow(&mut self, ei: usize, later: &[i64]) {
        let (n, kerf) = (self.counts.all, self.market.kerf);
        let starts = &self.cluster.starts;
        let e = self.cluster.ends[ei];
        let next = starts.partition_point(|s| *s < e + kerf);
        let next = (starts.get(next) == Some(&(e + kerf))).then_some(next);
        let far = starts.partition_point(|s| *s < e + 2 * kerf);
        for c in 0..n {
            let mut best = if c == 0 { -cut(e, self.cluster.length) } else { NONE };
            if let Some(next) = next {
                best = best.max(self.from_start[next * n + c] - 1);
            }
            best = best.max(later[far * n + c] - 2);
            self.after_end[ei * n + c] = if best < NONE / 2 { NONE } else { best };
        }
    }

    /// The pieces behind the best score of a combination. Of equal plans the one whose first piece
    /// is longest, then nearest the head end, and so on from piece to piece.
    pub(super) fn pieces(&self, combination: usize) -> Vec<Kept> {
        let (n, kerf) = (self.counts.all, self.market.kerf);
        let (starts, ends) = (&self.cluster.starts, &self.cluster.ends);
        let mut kept = Vec::new();
        let mut c = combination;
        let want = self.best[c];
        if c == 0 && want == 0 {
            return kept;
        }
        let mut at: Vec<usize> = (0..starts.len())
            .filter(|si| self.from_start[si * n + c] - cut(starts[*si], 0) == want)
            .collect();
        while let Some((piece, ei, rest)) = self.longest(&at, c) {
            kept.push(piece);
            c = rest;
            let want = self.after_end[ei * n + c];
            if c == 0 && want == -cut(ends[ei], self.cluster.length) {
                break;
            }
            let from = starts.partition_point(|s| *s < ends[ei] + kerf);
            at = (from..starts.len())
                .filter(|si| {
                    let gap = starts[*si] - ends[ei];
                    let cuts = if gap == kerf { 1 } else { 2 };
                    (gap == kerf || gap >= 2 * kerf) && self.from_start[si * n + c] - cuts == want
                })
                .collect();
        }
        kept
    }

    /// The longest best piece from any of some starts, its end and what is left of the combination.
    fn longest(&self, at: &[usize], c: usize) -> Option<(Kept, usize, usize)> {
        let n = self.counts.all;
        let (starts, ends) = (&self.cluster.starts, &self.cluster.ends);
        let mut found: Option<(Kept, usize, usize)> = None;
        for &si in at {
            let s = starts[si];
            let Some((_, to)) = self.cluster.holds_start(s) else { continue };
            for (window, w) in self.market.windows.iter().enumerate() {
                let Some(rest) = (0..n).find(|r| self.taking(w, *r) == Some(c)) else { continue };
                let least = found.map_or(w.low, |f| w.low.max(f.0.to - f.0.from + 1));
                let top = ends.partition_point(|e| *e <= to.min(s + w.high));
                let hit = (0..top).rev().take_while(|ei| ends[*ei] - s >= least).find(|ei| {
                    let after = self.after_end[ei * n + rest];
                    after > NONE
                        && after + w.slope * (ends[*ei] - s) - self.cost_of(w)
                            == self.from_start[si * n + c]
                });
                if let Some(ei) = hit {
                    found = Some((Kept { from: s, to: ends[ei], window }, ei, rest));
                }
            }
        }
        found
    }
}

/// A queue of falling keys: its front is the largest of a sliding window.
#[derive(Debug, Clone, Default)]
struct Queue {
    items: std::collections::VecDeque<(u32, i64)>,
}

impl Queue {
    fn clear(&mut self) {
        self.items.clear();
    }

    fn push(&mut self, end: usize, key: i64) {
        while self.items.back().is_some_and(|b| b.1 < key) {
            self.items.pop_back();
        }
        self.items.push_back((end as u32, key));
    }

    fn front(&mut self, inside: impl Fn(usize) -> bool) -> Option<(usize, i64)> {
        while let Some(&(end, key)) = self.items.front() {
            if inside(end as usize) {
                return Some((end as usize, key));
            }
            self.items.pop_front();
        }
        None
    }
}
