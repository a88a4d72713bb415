//! What one bar offers: for each number of pieces of the counted lengths the best score.

use super::{
    along::{Along, Counts, Kept},
    choose::Offer,
    cluster::{Cluster, clusters},
    market::{Market, NONE},
};

/// Most combinations of counted pieces that one bar is solved for at once; a bar with more is
/// priced instead.
const MOST_COMBINATIONS: usize = 1024;

/// A bar to be cut, in clusters.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Bar {
    clusters: Vec<Cluster>,
    /// Combinations of the whole bar; absent where there are too many to solve for each.
    counts: Option<Counts>,
}

impl Bar {
    /// From the sound stretches of a bar.
    pub(super) fn new(sound: &[(i64, i64)], length: i64, market: &Market) -> Self {
        let clusters = clusters(sound, length, market);
        let most = (0..market.open.len())
            .map(|k| {
                let fit: i64 = clusters.iter().map(|c| fitting(c, market, k)).sum();
                u32::try_from(fit).unwrap_or(u32::MAX).min(market.open[k])
            })
            .collect();
        let counts = Counts::new(most, MOST_COMBINATIONS);
        Self { clusters, counts }
    }

    /// Whether the bar can be solved for each combination.
    pub(super) fn is_small(&self) -> bool {
        self.counts.is_some()
    }

    /// The best score of each combination, without those that another one beats with fewer counted
    /// pieces; empty when the bar is not small.
    pub(super) fn offers(&self, market: &Market) -> Vec<Offer> {
        let Some(counts) = &self.counts else { return Vec::new() };
        let free = vec![0; market.open.len()];
        let mut best = vec![NONE; counts.all];
        best[0] = 0;
        for along in self.solve(counts, market, &free).iter().rev() {
            best = joined(counts, along, &best);
        }
        let all: Vec<Offer> = (0..counts.all)
            .filter(|c| best[*c] > NONE)
            .map(|c| Offer { pieces: counts.numbers(c), score: best[c] })
            .collect();
        let beats = |a: &Offer, b: &Offer| {
            a.score > b.score && a.pieces.iter().zip(&b.pieces).all(|(x, y)| x <= y)
        };
        all.iter().filter(|o| !all.iter().any(|a| beats(a, o))).cloned().collect()
    }

    /// The pieces behind an offer. Of equal plans the one whose first piece is longest, then
    /// nearest the head end, and so on.
    pub(super) fn pieces(&self, market: &Market, offer: &[u32]) -> Vec<Kept> {
        let Some(counts) = &self.counts else { return Vec::new() };
        let Some(mut left) = counts.index(offer) else { return Vec::new() };
        let free = vec![0; market.open.len()];
        let solved = self.solve(counts, market, &free);
        // Best of this cluster and all after it.
        let mut after = vec![vec![NONE; counts.all]];
        after[0][0] = 0;
        for along in solved.iter().rev() {
            let best = joined(counts, along, &after[after.len() - 1]);
            after.push(best);
        }
        let mut kept = Vec::new();
        for (i, along) in solved.iter().enumerate() {
            let want = after[solved.len() - i][left];
            let rest = &after[solved.len() - i - 1];
            let mut chosen: Option<(Vec<Kept>, usize)> = None;
            for (c, remaining) in less(counts, left, along).into_iter().enumerate() {
                let Some(remaining) = remaining else { continue };
                if along.best[c] <= NONE
                    || rest[remaining] <= NONE
                    || along.best[c] + rest[remaining] != want
                {
                    continue;
                }
                let pieces = along.pieces(c);
                if chosen.as_ref().is_none_or(|p| nearer(&pieces, &p.0)) {
                    chosen = Some((pieces, remaining));
                }
            }
            let Some((pieces, remaining)) = chosen else { return Vec::new() };
            kept.extend(pieces);
            left = remaining;
        }
        kept
    }

    /// The best pieces at a cost for each piece of a counted length.
    pub(super) fn priced(&self, market: &Market, cost: &[i64]) -> Vec<Kept> {
        let none = || Counts::new(Vec::new(), 1);
        self.clusters
            .iter()
            .filter_map(|c| Some(Along::solve(c, market, none()?, cost).pieces(0)))
            .flatten()
            .collect()
    }

    /// Saw cuts and value of some pieces, as a score.
    pub(super) fn score(&self, market: &Market, kept: &[Kept]) -> i64 {
        let length = self.clusters.first().map_or(0, |c| c.length);
        let value: i64 =
            kept.iter().map(|p| market.windows[p.window].slope * (p.to - p.from)).sum();
        let cuts: i64 =
            kept.windows(2).map(|p| if p[1].from - p[0].to == market.kerf { 1 } else { 2 }).sum();
        let head = kept.first().is_some_and(|p| p.from != 0);
        let tail = kept.last().is_some_and(|p| p.to != length);
        value - cuts - i64::from(head) - i64::from(tail)
    }

    fn solve<'a>(&'a self, whole: &Counts, market: &'a Market, cost: &'a [i64]) -> Vec<Along<'a>> {
        self.clusters
            .iter()
            .filter_map(|c| {
                let most = whole.most.iter().enumerate().map(|(k, most)| {
                    (*most).min(u32::try_from(fitting(c, market, k)).unwrap_or(u32::MAX))
                });
                // No more than the bar's, which are few enough.
                let counts = Counts::new(most.collect(), MOST_COMBINATIONS)?;
                Some(Along::solve(c, market, counts, cost))
            })
            .collect()
    }
}

/// Most pieces of a counted length that a cluster can hold.
fn fitting(cluster: &Cluster, market: &Market, counted: usize) -> i64 {
    let one = market.shortest[counted] + market.kerf;
    cluster.stretches.iter().map(|s| (s.1 - s.0 + market.kerf) / one).sum()
}

/// For each of a cluster's combinations, what it leaves of one of the bar's.
fn less(counts: &Counts, all: usize, along: &Along<'_>) -> Vec<Option<usize>> {
    let all = counts.numbers(all);
    let mut left = vec![0; all.len()];
    (0..along.counts.all)
        .map(|c| {
            for (k, l) in left.iter_mut().enumerate() {
                *l = all[k].checked_sub(along.counts.of(c, k))?;
            }
            counts.index(&left)
        })
        .collect()
}

/// Best scores of a cluster together with what follows it.
fn joined(counts: &Counts, along: &Along<'_>, rest: &[i64]) -> Vec<i64> {
    let best = |all| {
        let left = less(counts, all, along);
        let sums = along.best.iter().zip(left).filter_map(|(best, left)| {
            let rest = rest[left?];
            (*best > NONE && rest > NONE).then_some(best + rest)
        });
        sums.max().unwrap_or(NONE)
    };
    (0..counts.all).map(best).collect()
}

/// Whether pieces come before others of equal score: the first longer piece nearer the head.
pub(super) fn nearer(a: &[Kept], b: &[Kept]) -> bool {
    for (x, y) in a.iter().zip(b) {
        let (long, short) = (x.to - x.from, y.to - y.from);
        if long != short {
            return long > short;
        }
        if x.from != y.from {
            return x.from < y.from;
        }
        if x.window != y.window {
            return x.window < y.window;
        }
    }
    a.len() > b.len()
}
