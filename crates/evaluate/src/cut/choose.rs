//! One offer of each bar, so that the lot is worth most and no counted length is oversold.
//!
//! *Algorithm.* 1. A price on each piece of a counted length splits the lot into bars; what all bars
//! are then worth at best, and the open pieces at their prices, bounds every plan from above
//! (Lagrangian relaxation). The prices that make the bound least are sought by subgradients and
//! then by bisection, one price at a time. 2. Bar after bar, the best score for each number of
//! pieces sold so far is carried along (dynamic programming). A first pass keeps only the most
//! promising; later and wider ones leave out what by the bound cannot come up to the result so far.
//! If one left out nothing else, its result is proven to be best.
//!
//! *Source.* A. M. Geoffrion, Lagrangean relaxation for integer programming, Mathematical
//! Programming Study 2 (1974); H. Kellerer, U. Pferschy, D. Pisinger, Knapsack Problems (2004),
//! chapter 11.

/// A way to cut a bar: pieces of each counted length, and the score.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Offer {
    pub pieces: Vec<u32>,
    pub score: i64,
}

/// What was chosen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Choice {
    /// The offer taken of each bar.
    pub picks: Vec<usize>,
    /// Their score.
    pub score: i128,
    /// What no choice among these offers can exceed.
    pub bound: i128,
}

/// Sums kept in one pass after the other, until one leaves out none that matters.
const WIDTHS: [usize; 3] = [500, 4_000, 20_000];
/// Bits of a sum for each counted length: an order counts no more lengths, nor more pieces, than
/// such sums can tell.
const BITS: u32 = 16;

/// Chooses. Every bar must offer to sell no counted piece.
pub(super) fn choose(bars: &[&[Offer]], open: &[u32]) -> Choice {
    let mut prices = prices(open, 300, |p| {
        let (bound, sold) = dual(bars, open, p);
        (bound as f64, sold)
    });
    let highest = bars.iter().flat_map(|b| *b).map(|o| o.score).max().unwrap_or(0).max(0);
    bisect(open, &mut prices, highest, |p| dual(bars, open, p));
    let most = dual(bars, open, &prices).0;
    let mut best = pass(bars, open, &prices, None, WIDTHS[0]);
    for width in WIDTHS {
        if best.score == most {
            break;
        }
        let next = pass(bars, open, &prices, Some((most, best.score)), width);
        let proven = !next.cut_short;
        if next.rank() >= best.rank() {
            best = next;
        }
        if proven {
            return Choice { picks: best.picks, score: best.score, bound: best.score };
        }
    }
    Choice { picks: best.picks, score: best.score, bound: most }
}

/// An offer's score less the price of its pieces.
fn reduced(offer: &Offer, prices: &[i64]) -> i128 {
    let price: i128 =
        offer.pieces.iter().zip(prices).map(|(n, p)| i128::from(*n) * i128::from(*p)).sum();
    i128::from(offer.score) - price
}

fn dual(bars: &[&[Offer]], open: &[u32], prices: &[i64]) -> (i128, Vec<i64>) {
    let mut sum: i128 = open.iter().zip(prices).map(|(o, p)| i128::from(*o) * i128::from(*p)).sum();
    let mut sold = vec![0; open.len()];
    for offers in bars {
        let mut best: Option<(i128, &Offer)> = None;
        for offer in *offers {
            let score = reduced(offer, prices);
            if best.is_none_or(|b| score > b.0) {
                best = Some((score, offer));
            }
        }
        if let Some((score, offer)) = best {
            sum += score;
            for (s, n) in sold.iter_mut().zip(&offer.pieces) {
                *s += i64::from(*n);
            }
        }
    }
    (sum, sold)
}

/// Prices with the least bound that was found. `dual` gives the bound at some prices and the
/// pieces that the bars then sell.
pub(super) fn prices(
    open: &[u32],
    steps: usize,
    mut dual: impl FnMut(&[i64]) -> (f64, Vec<i64>),
) -> Vec<i64> {
    let mut at = vec![0f64; open.len()];
    let mut best = (f64::INFINITY, vec![0i64; open.len()]);
    let (mut theta, mut stalled) = (1.0, 0);
    for _ in 0..steps {
        let whole: Vec<i64> = at.iter().map(|p| p.round() as i64).collect();
        let (value, sold) = dual(&whole);
        if value < best.0 {
            best = (value, whole);
            stalled = 0;
        } else {
            stalled += 1;
            if stalled == 8 {
                (theta, stalled) = (theta * 0.6, 0);
                at = best.1.iter().map(|p| *p as f64).collect();
            }
        }
        let slope: Vec<f64> =
            sold.iter().zip(open).map(|(s, o)| *s as f64 - f64::from(*o)).collect();
        // Below nought a price does not go, so that such a slope counts for nothing.
        let norm: f64 =
            slope.iter().zip(&at).filter(|(g, p)| **g > 0.0 || **p > 0.0).map(|(g, _)| g * g).sum();
        if norm == 0.0 {
            break;
        }
        // A twentieth of the bound as the first guess of what is to be gained; it shrinks by theta.
        let step = theta * 0.05 * best.0.abs() / norm;
        for (p, g) in at.iter_mut().zip(&slope) {
            *p = (*p + step * g).max(0.0);
        }
    }
    best.1
}

/// Bisects one price after the other: along one price the bound is convex.
fn bisect(
    open: &[u32],
    prices: &mut [i64],
    highest: i64,
    mut dual: impl FnMut(&[i64]) -> (i128, Vec<i64>),
) {
    let mut least = dual(prices).0;
    for _ in 0..6 {
        let before = least;
        for k in 0..open.len() {
            let kept = prices[k];
            let (mut low, mut high) = (0, highest);
            while high > low {
                prices[k] = low + (high - low) / 2;
                // More sold than open: the bound still falls with a higher price.
                if dual(prices).1[k] > i64::from(open[k]) {
                    low = prices[k] + 1;
                } else {
                    high = prices[k];
                }
            }
            prices[k] = low;
            let found = dual(prices).0;
            if found < least {
                least = found;
            } else {
                prices[k] = kept;
            }
        }
        if least == before {
            break;
        }
    }
}

/// A sum on the way: pieces sold so far, packed; score; counted pieces; and where it came from.
#[derive(Debug, Clone, Copy)]
struct Sum {
    key: u128,
    score: i128,
    loss: i128,
    sold: u32,
    from: u32,
    offer: u16,
}

struct Passed {
    picks: Vec<usize>,
    score: i128,
    sold: u32,
    cut_short: bool,
}

impl Passed {
    fn rank(&self) -> (i128, u32) {
        (self.score, self.sold)
    }
}

fn packed(pieces: &[u32]) -> u128 {
    pieces.iter().rev().fold(0, |key, n| key << BITS | u128::from(*n))
}

fn taken(key: u128, counted: usize) -> u32 {
    (key >> (BITS * counted as u32)) as u32 & ((1 << BITS) - 1)
}

fn fits(key: u128, open: &[u32]) -> bool {
    open.iter().enumerate().all(|(k, o)| taken(key, k) <= *o)
}

/// Fewest and most pieces of each counted length that the bars after each sell by offers that are
/// best at the prices.
fn reach(bars: &[&[Offer]], prices: &[i64]) -> Vec<(Vec<i64>, Vec<i64>)> {
    let (mut least, mut most) = (vec![0; prices.len()], vec![0; prices.len()]);
    let mut out = Vec::with_capacity(bars.len());
    for offers in bars.iter().rev() {
        out.push((least.clone(), most.clone()));
        let top = offers.iter().map(|o| reduced(o, prices)).max();
        let best = offers.iter().filter(|o| Some(reduced(o, prices)) == top);
        let best: Vec<&Offer> = best.collect();
        for k in 0..prices.len() {
            let pieces = || best.iter().map(|o| i64::from(o.pieces[k]));
            least[k] += pieces().min().unwrap_or(0);
            most[k] += pieces().max().unwrap_or(0);
        }
    }
    out.reverse();
    out
}

/// One pass over the bars. With a bound and a result to come up to, offers and sums that cannot are
/// left out; of the rest at most `width` are kept, the most promising ones.
fn pass(
    bars: &[&[Offer]],
    open: &[u32],
    prices: &[i64],
    target: Option<(i128, i128)>,
    width: usize,
) -> Passed {
    let room = target.map(|(bound, result)| bound - result);
    let may = |loss: i128| room.is_none_or(|r| loss <= r);
    let mut sums = vec![Sum { key: 0, score: 0, loss: 0, sold: 0, from: 0, offer: 0 }];
    let mut path: Vec<Vec<(u32, u16)>> = Vec::with_capacity(bars.len());
    let mut cut_short = false;
    let reach = reach(bars, prices);
    for (offers, (least, most)) in bars.iter().zip(reach) {
        let top = offers.iter().map(|o| reduced(o, prices)).max().unwrap_or(0);
        let mut next: Vec<Sum> = Vec::with_capacity(sums.len() * 2);
        for (i, offer) in offers.iter().enumerate() {
            let loss = top - reduced(offer, prices);
            if !may(loss) {
                continue;
            }
            let (key, sold) = (packed(&offer.pieces), offer.pieces.iter().sum::<u32>());
            for (from, sum) in sums.iter().enumerate() {
                let sum = Sum {
                    key: sum.key + key,
                    score: sum.score + i128::from(offer.score),
                    loss: sum.loss + loss,
                    sold: sum.sold + sold,
                    from: from as u32,
                    offer: i as u16,
                };
                if may(sum.loss) && fits(sum.key, open) {
                    next.push(sum);
                }
            }
        }
        // Equal sums are neighbours then, the best and first found ahead; the runs of the offers
        // are sorted already.
        next.sort_by_key(|s| s.key);
        next.dedup_by(|later, kept| {
            let same = later.key == kept.key;
            if same && later.score > kept.score {
                *kept = *later;
            }
            same
        });
        if next.len() > width {
            cut_short = true;
            // Promising is what has lost little and can still sell what is open, but no more, by
            // taking the best offers from here on.
            let astray = |s: &Sum| -> i128 {
                let each = open.iter().zip(prices).enumerate().map(|(k, (open, price))| {
                    let (sold, open) = (i64::from(taken(s.key, k)), i64::from(*open));
                    let missed = (open - sold - most[k]).max(sold + least[k] - open).max(0);
                    i128::from(missed) * i128::from(*price)
                });
                each.sum()
            };
            next.sort_by_cached_key(|s| s.loss + astray(s));
            next.truncate(width);
            next.sort_by_key(|s| s.key);
        }
        path.push(next.iter().map(|s| (s.from, s.offer)).collect());
        sums = next;
    }
    let best = sums.iter().enumerate().max_by_key(|(i, s)| (s.score, s.sold, usize::MAX - i));
    let mut picks = vec![0; bars.len()];
    let (mut at, score, sold) = match best {
        Some((i, s)) => (i, s.score, s.sold),
        // Nothing came up to the result before: it stands.
        None => return Passed { picks, score: i128::MIN, sold: 0, cut_short },
    };
    for (pick, layer) in picks.iter_mut().zip(&path).rev() {
        let (from, offer) = layer[at];
        *pick = usize::from(offer);
        at = from as usize;
    }
    Passed { picks, score, sold, cut_short }
}
