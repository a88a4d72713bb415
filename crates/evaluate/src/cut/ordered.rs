//! Plans by ordered lengths: of several bars together, and of one.

use std::collections::BTreeMap;

use barwright_job::{
    judgement::{CutPlan, Fate, MustGo},
    order::Cut,
};
use rayon::prelude::*;

use super::{
    UM, Unsound,
    along::Kept,
    bar::Bar,
    choose::{Offer, choose, prices},
    describe,
    market::Market,
    plan, sound,
};

/// Rounds of pricing where bars have too many combinations of counted pieces to solve for each.
const PRICING_ROUNDS: usize = 60;

/// The plan of one bar that keeps the most value of the lengths ordered.
///
/// Without ordered lengths this is [`plan`]. With them every piece is one of them, no more pieces
/// of a length are cut than are open, and the sum of length times value per metre is largest; of
/// equal values the plan with the fewest saw cuts, then with the most pieces of counted lengths,
/// then with the longest piece first from the head end, which then lies nearest to it, is taken. The
/// places are exact to a micrometre; kerfs are rounded up to tenths of a millimetre, values to
/// thousandths.
#[must_use]
pub fn plan_ordered(length_m: f64, unsound: &[Unsound], cut: &Cut) -> CutPlan {
    if cut.lengths.is_empty() {
        return plan(length_m, unsound, cut.shortest_mm / 1e3, cut.kerf_mm / 1e3);
    }
    let market = Market::new(cut);
    let planned = Planned::new(&[(length_m, unsound)], &market);
    let kept = planned.kept.first().map_or(&[][..], Vec::as_slice);
    describe_ordered(length_m, unsound, kept, &market, cut)
}

/// Pieces of several bars, and how good they are.
pub(super) struct Planned {
    /// Kept pieces of each bar.
    pub kept: Vec<Vec<Kept>>,
    /// Their score.
    pub score: i128,
    /// What no plan can exceed.
    pub bound: i128,
}

impl Planned {
    /// Plans bars, given by length and what must go, within the open pieces.
    pub(super) fn new(bars: &[(f64, &[Unsound])], market: &Market) -> Self {
        // Equal bars are solved once.
        let mut known: BTreeMap<(i64, Vec<(i64, i64)>), usize> = BTreeMap::new();
        let which: Vec<usize> = bars
            .iter()
            .map(|(length_m, unsound)| {
                let length = (length_m * UM).floor() as i64;
                let next = known.len();
                *known.entry((length, sound(length, unsound))).or_insert(next)
            })
            .collect();
        let mut different: Vec<_> = known.into_iter().collect();
        different.sort_by_key(|(_, i)| *i);
        let mut solved: Vec<Offered> = different
            .par_iter()
            .map(|((length, sound), _)| {
                let bar = Bar::new(sound, *length, market);
                let offers = bar.offers(market);
                Offered { bar, offers, found: Vec::new() }
            })
            .collect();
        let priced = price(&mut solved, &which, market);
        let offers: Vec<&[Offer]> = which.iter().map(|w| solved[*w].offers.as_slice()).collect();
        let choice = choose(&offers, &market.open);
        let taken: BTreeMap<(usize, usize), Vec<Kept>> = which
            .iter()
            .copied()
            .zip(choice.picks.iter().copied())
            .collect::<std::collections::BTreeSet<_>>()
            .into_par_iter()
            .map(|(w, pick)| ((w, pick), solved[w].pieces(market, pick)))
            .collect();
        let kept = which
            .iter()
            .zip(&choice.picks)
            .map(|(w, pick)| taken.get(&(*w, *pick)).cloned().unwrap_or_default())
            .collect();
        // Priced bars have not all their offers: only the pricing bounds what they may be worth.
        let bound = priced.unwrap_or(choice.bound).max(choice.score);
        Self { kept, score: choice.score, bound }
    }
}

/// A bar with its offers; where it is priced, the pieces behind each.
struct Offered {
    bar: Bar,
    offers: Vec<Offer>,
    found: Vec<Vec<Kept>>,
}

impl Offered {
    fn pieces(&self, market: &Market, pick: usize) -> Vec<Kept> {
        match (self.found.get(pick), self.offers.get(pick)) {
            (Some(kept), _) => kept.clone(),
            (None, Some(offer)) => self.bar.pieces(market, &offer.pieces),
            (None, None) => Vec::new(),
        }
    }

    /// Adds pieces as an offer, and what is left of it when counted pieces are given up one by one:
    /// sold as an uncounted length where they can be, else scrapped.
    fn add(&mut self, market: &Market, mut kept: Vec<Kept>) {
        loop {
            let offer =
                Offer { pieces: counted(market, &kept), score: self.bar.score(market, &kept) };
            if !self.offers.contains(&offer) {
                self.offers.push(offer);
                self.found.push(kept.clone());
            }
            let is_counted = |p: &Kept| market.windows[p.window].counted.is_some();
            let Some(last) = kept.iter().rposition(is_counted) else { return };
            let length = kept[last].to - kept[last].from;
            let other = (0..market.windows.len())
                .filter(|w| {
                    let w = market.windows[*w];
                    w.counted.is_none() && (w.low..=w.high).contains(&length)
                })
                .max_by_key(|w| (market.windows[*w].slope, usize::MAX - w));
            match other {
                Some(window) => kept[last].window = window,
                None => {
                    kept.remove(last);
                }
            }
        }
    }
}

/// Pieces of each counted length.
fn counted(market: &Market, kept: &[Kept]) -> Vec<u32> {
    let mut pieces = vec![0; market.open.len()];
    for k in kept.iter().filter_map(|p| market.windows[p.window].counted) {
        pieces[k] += 1;
    }
    pieces
}

/// Makes offers of the bars that have too many combinations, at prices that lower the bound; the
/// least bound found, or nothing where no bar needs it.
fn price(solved: &mut [Offered], which: &[usize], market: &Market) -> Option<i128> {
    if solved.iter().all(|s| s.bar.is_small()) {
        return None;
    }
    let mut times = vec![0i64; solved.len()];
    for w in which {
        times[*w] += 1;
    }
    let mut least: Option<i128> = None;
    for large in solved.iter_mut().filter(|s| !s.bar.is_small()) {
        large.add(market, Vec::new());
    }
    let _ = prices(&market.open, PRICING_ROUNDS, |cost| {
        let best: Vec<(i128, Vec<u32>, Option<Vec<Kept>>)> = solved
            .par_iter()
            .map(|s| {
                let price = |pieces: &[u32]| -> i128 {
                    let each = pieces.iter().zip(cost);
                    each.map(|(n, c)| i128::from(*n) * i128::from(*c)).sum()
                };
                if s.bar.is_small() {
                    let best =
                        s.offers.iter().max_by_key(|o| i128::from(o.score) - price(&o.pieces));
                    best.map_or((0, vec![0; cost.len()], None), |o| {
                        (i128::from(o.score) - price(&o.pieces), o.pieces.clone(), None)
                    })
                } else {
                    let kept = s.bar.priced(market, cost);
                    let pieces = counted(market, &kept);
                    let score = i128::from(s.bar.score(market, &kept)) - price(&pieces);
                    (score, pieces, Some(kept))
                }
            })
            .collect();
        let mut bound: i128 =
            market.open.iter().zip(cost).map(|(o, c)| i128::from(*o) * i128::from(*c)).sum();
        let mut sold = vec![0i64; cost.len()];
        for (i, (score, pieces, kept)) in best.into_iter().enumerate() {
            bound += score * i128::from(times[i]);
            for (s, n) in sold.iter_mut().zip(&pieces) {
                *s += i64::from(*n) * times[i];
            }
            if let Some(kept) = kept {
                solved[i].add(market, kept);
            }
        }
        least = Some(least.map_or(bound, |l| l.min(bound)));
        (bound as f64, sold)
    });
    least
}

/// The plan in words: pieces with what they are sold as, scrap with its reasons.
pub(super) fn describe_ordered(
    length_m: f64,
    unsound: &[Unsound],
    kept: &[Kept],
    market: &Market,
    cut: &Cut,
) -> CutPlan {
    let length = (length_m * UM).floor() as i64;
    let places: Vec<(i64, i64)> = kept.iter().map(|p| (p.from, p.to)).collect();
    let mut plan = describe(length_m, length, unsound, &places, market.kerf);
    let sold = plan.pieces.iter_mut().filter(|p| p.fate == Fate::Keep);
    for (piece, kept) in sold.zip(kept) {
        let window = market.windows[kept.window];
        piece.sold_as = Some(cut.lengths[window.length].name.clone());
        piece.multiple = window.multiple;
    }
    plan.unsound = unsound
        .iter()
        .map(|u| MustGo { from_m: u.from_m, to_m: u.to_m, reason: u.reason.clone() })
        .collect();
    plan
}
