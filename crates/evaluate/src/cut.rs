//! The cut plan: pieces between what must go, so that the most steel is kept, or, where the order
//! names lengths, so that the most value is.
//!
//! [`plan`] keeps any length from the shortest on. [`plan_ordered`] serves an order with or without
//! [named lengths](barwright_job::lengths) for one bar, [`lot`] for all bars with their open
//! pieces. All keep the same rules for saw cuts.
//!
//! For [`plan`], lengths are whole micrometres, so that sums and ties are exact. A saw cut takes a
//! kerf. Between two kept pieces lies either one kerf, if what must go there is no longer than it, or
//! two kerfs with the scrap between them; at an end of the bar that must go lies one kerf. Kerfs lie
//! inside what must go as far as it reaches and take sound steel for the rest. Splitting a sound
//! stretch only adds kerfs, so each gives at most one piece; which ones, and which neighbour pays for
//! a kerf, is found by dynamic programming over the kept pieces.

mod along;
mod bar;
mod choose;
mod cluster;
mod lot;
mod market;
mod ordered;

use barwright_job::judgement::{CutPlan, Fate, Piece};

pub use lot::{LotBar, lot};
pub use ordered::plan_ordered;

/// A stretch that must not be sold, metres from the head end, and why.
#[derive(Debug, Clone, PartialEq)]
pub struct Unsound {
    /// Start.
    pub from_m: f64,
    /// End.
    pub to_m: f64,
    /// Why, in words.
    pub reason: String,
}

/// Best way to keep pieces that ends with a given sound stretch.
#[derive(Debug, Clone, Copy)]
struct State {
    /// Kept so far, the last piece with all it can still spare, in µm.
    kept: i64,
    /// What the last piece can still give to a kerf on its right, in µm.
    spare: i64,
    /// Start of the last piece.
    start: i64,
    /// The state before: stretch, place in its list, and end of its piece.
    before: Option<(usize, usize, i64)>,
}

const UM: f64 = 1e6;

/// The plan that keeps the most steel; of equal plans the one found first from the head end.
///
/// Lengths in metres; stretches may overlap and reach over the ends. What is unsound is rounded
/// outwards to micrometres.
#[must_use]
pub fn plan(length_m: f64, unsound: &[Unsound], shortest_m: f64, kerf_m: f64) -> CutPlan {
    let length = (length_m * UM).floor() as i64;
    let shortest = ((shortest_m * UM).ceil() as i64).max(1);
    let kerf = (kerf_m * UM).ceil() as i64;
    let sound = sound(length, unsound);
    let kept = best(&sound, length, shortest, kerf);
    describe(length_m, length, unsound, &kept, kerf)
}

/// Sound stretches between the unsound ones, in µm.
fn sound(length: i64, unsound: &[Unsound]) -> Vec<(i64, i64)> {
    // A hundredth of a micrometre of rounding in the metres does not move a limit.
    let mut bad: Vec<(i64, i64)> = unsound
        .iter()
        .map(|u| ((u.from_m * UM + 0.01).floor() as i64, (u.to_m * UM - 0.01).ceil() as i64))
        .filter(|b| b.1 >= b.0)
        .collect();
    bad.sort_unstable();
    let (mut out, mut from) = (Vec::new(), 0);
    for (a, b) in bad {
        if a.min(length) > from {
            out.push((from, a.min(length)));
        }
        from = from.max(b);
    }
    if from < length {
        out.push((from, length));
    }
    out
}

/// What must lie between two kept pieces where `gap` must or may go.
fn between(gap: i64, kerf: i64) -> i64 {
    if gap <= kerf { kerf } else { gap.max(2 * kerf) }
}

/// What must lie before the first or after the last kept piece.
fn outside(gap: i64, kerf: i64) -> i64 {
    if gap == 0 { 0 } else { gap.max(kerf) }
}

/// Kept pieces in µm.
fn best(sound: &[(i64, i64)], length: i64, shortest: i64, kerf: i64) -> Vec<(i64, i64)> {
    let mut states: Vec<Vec<State>> = vec![Vec::new(); sound.len()];
    let mut best: Option<(i64, usize, usize, i64)> = None;
    for j in 0..sound.len() {
        let (from, to) = sound[j];
        let mut list: Vec<State> = Vec::new();
        let mut offer = |start: i64, kept_before: i64, before| {
            if to - start >= shortest {
                list.push(State {
                    kept: kept_before + to - start,
                    spare: to - start - shortest,
                    start,
                    before,
                });
            }
        };
        offer(outside(from, kerf), 0, None);
        for (i, earlier) in states.iter().enumerate().take(j) {
            let gap = from - sound[i].1;
            let extra = between(gap, kerf) - gap;
            for (k, s) in earlier.iter().enumerate() {
                // The left neighbour pays as far as it can: what is kept is the same, and the
                // right one keeps the most to spare.
                let left = extra.min(s.spare);
                offer(from + extra - left, s.kept - left, Some((i, k, sound[i].1 - left)));
            }
        }
        // Only states that no other one beats in both kept and spare are worth keeping.
        list.sort_by(|a, b| b.kept.cmp(&a.kept).then(b.spare.cmp(&a.spare)));
        let mut front: Vec<State> = Vec::new();
        for s in list {
            if front.last().is_none_or(|f| s.spare > f.spare) {
                front.push(s);
            }
        }
        for (k, s) in front.iter().enumerate() {
            let gap = length - to;
            let extra = outside(gap, kerf) - gap;
            if extra <= s.spare && best.is_none_or(|b| s.kept - extra > b.0) {
                best = Some((s.kept - extra, j, k, to - extra));
            }
        }
        states[j] = front;
    }
    let mut pieces = Vec::new();
    let mut at = best.map(|b| (b.1, b.2, b.3));
    while let Some((j, k, end)) = at {
        let s = &states[j][k];
        pieces.push((s.start, end));
        at = s.before;
    }
    pieces.reverse();
    pieces
}

/// Puts kept pieces, scrap and kerfs in order.
fn describe(
    length_m: f64,
    length: i64,
    unsound: &[Unsound],
    kept: &[(i64, i64)],
    kerf: i64,
) -> CutPlan {
    let m = |um: i64| {
        if um == length { length_m } else { um as f64 / UM }
    };
    let mut pieces = Vec::new();
    let mut scrap = |from: i64, to: i64, whole: (i64, i64)| {
        if to > from {
            pieces.push(Piece {
                from_m: m(from),
                to_m: m(to),
                fate: Fate::Scrap,
                reason: reasons(unsound, m(whole.0), m(whole.1)),
                sold_as: None,
                multiple: None,
            });
        }
    };
    let mut at = 0;
    let mut order: Vec<(i64, i64)> = Vec::new();
    for (i, &(from, to)) in kept.iter().enumerate() {
        let left = if i == 0 { at } else { (at + kerf).min(from) };
        scrap(left, (from - kerf).max(left), (at, from));
        order.push((from, to));
        at = to;
    }
    if kept.is_empty() {
        scrap(0, length, (0, length));
    } else if at < length {
        scrap((at + kerf).min(length), length, (at, length));
    }
    pieces.extend(order.into_iter().map(|(from, to)| Piece {
        from_m: m(from),
        to_m: m(to),
        fate: Fate::Keep,
        reason: String::new(),
        sold_as: None,
        multiple: None,
    }));
    pieces.sort_by(|a, b| a.from_m.total_cmp(&b.from_m));
    let kept_m = kept.iter().map(|(a, b)| b - a).sum::<i64>() as f64 / UM;
    CutPlan { pieces, kept_m, lost_m: length_m - kept_m, unsound: Vec::new() }
}

/// Why a scrap piece is scrap.
fn reasons(unsound: &[Unsound], from_m: f64, to_m: f64) -> String {
    let mut words: Vec<&str> = Vec::new();
    let mut reach = from_m;
    let mut remnant = false;
    let mut inside: Vec<&Unsound> =
        unsound.iter().filter(|u| u.from_m < to_m && u.to_m > from_m).collect();
    inside.sort_by(|a, b| a.from_m.total_cmp(&b.from_m));
    for u in inside {
        remnant |= u.from_m > reach + 1e-6;
        reach = reach.max(u.to_m);
        if !words.contains(&u.reason.as_str()) {
            words.push(&u.reason);
        }
    }
    if remnant || to_m > reach + 1e-6 {
        words.push("remnant");
    }
    words.join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Unsound cells of a bar of unit cells; kept pieces by trying every set of them.
    fn plain(cells: &[bool], shortest: usize, kerf: usize) -> usize {
        let n = cells.len();
        let mut best = 0;
        // Each cell kept or not: runs of kept cells are pieces.
        for mask in 0..1u32 << n {
            let keep = |i: usize| mask >> i & 1 == 1;
            if (0..n).any(|i| keep(i) && cells[i]) {
                continue;
            }
            let mut runs: Vec<(usize, usize)> = Vec::new();
            for i in 0..n {
                if keep(i) {
                    match runs.last_mut() {
                        Some(r) if r.1 == i => r.1 = i + 1,
                        _ => runs.push((i, i + 1)),
                    }
                }
            }
            let long = runs.iter().all(|r| r.1 - r.0 >= shortest);
            let inner = runs.windows(2).all(|w| {
                let gap = w[1].0 - w[0].1;
                gap == kerf || gap >= 2 * kerf
            });
            let ends = runs.first().is_none_or(|r| r.0 == 0 || r.0 >= kerf)
                && runs.last().is_none_or(|r| r.1 == n || n - r.1 >= kerf);
            if long && inner && ends {
                best = best.max(mask.count_ones() as usize);
            }
        }
        best
    }

    proptest::proptest! {
        // Truth: independent code, every set of cells of a short bar.
        #[test]
        fn keeps_as_much_as_trying_everything(
            cells in proptest::collection::vec(proptest::bool::weighted(0.2), 1..15),
            shortest in 1usize..5,
            kerf in 1usize..4,
        ) {
            let unsound: Vec<Unsound> = cells
                .iter()
                .enumerate()
                .filter(|(_, bad)| **bad)
                .map(|(i, _)| Unsound {
                    from_m: i as f64 * 1e-3,
                    to_m: (i + 1) as f64 * 1e-3,
                    reason: "A".into(),
                })
                .collect();
            let length = cells.len() as f64 * 1e-3;
            let plan = plan(length, &unsound, shortest as f64 * 1e-3, kerf as f64 * 1e-3);
            let kept = (plan.kept_m * 1e3).round() as usize;
            proptest::prop_assert_eq!(kept, plain(&cells, shortest, kerf));
            proptest::prop_assert!((plan.kept_m + plan.lost_m - length).abs() < 1e-12);
            let mut at = 0.0;
            for p in &plan.pieces {
                proptest::prop_assert!(p.from_m >= at - 1e-12 && p.to_m > p.from_m);
                at = p.to_m;
                if p.fate == Fate::Keep {
                    proptest::prop_assert!(p.to_m - p.from_m >= shortest as f64 * 1e-3 - 1e-9);
                    proptest::prop_assert!(unsound.iter().all(
                        |u| u.to_m <= p.from_m + 1e-9 || u.from_m >= p.to_m - 1e-9
                    ));
                } else {
                    proptest::prop_assert!(!p.reason.is_empty());
                }
            }
            proptest::prop_assert!(at <= length + 1e-12);
        }
    }

    // Truth: by hand.
    #[test]
    fn kerfs_lie_inside_what_must_go() {
        let unsound =
            |from_m: f64, to_m: f64, reason: &str| Unsound { from_m, to_m, reason: reason.into() };
        let stretches = [
            unsound(0.0, 0.06, "end"),
            unsound(1.0, 1.05, "A"),
            unsound(1.5, 1.502, "B"),
            unsound(2.94, 3.0, "end"),
        ];
        let plan = plan(3.0, &stretches, 0.8, 0.004);
        let told: Vec<(i64, i64, Fate, &str)> = plan
            .pieces
            .iter()
            .map(|p| {
                let mm = |m: f64| (m * 1e3).round() as i64;
                (mm(p.from_m), mm(p.to_m), p.fate, p.reason.as_str())
            })
            .collect();
        assert_eq!(
            told,
            [
                (0, 56, Fate::Scrap, "end"),
                (60, 1000, Fate::Keep, ""),
                (1004, 1498, Fate::Scrap, "A; B; remnant"),
                (1502, 2940, Fate::Keep, ""),
                (2944, 3000, Fate::Scrap, "end"),
            ]
        );
        assert!((plan.kept_m - 2.378).abs() < 1e-9);
    }

    #[test]
    fn a_sound_bar_is_one_piece_and_a_bad_one_is_scrap() {
        let whole = plan(0.015, &[], 0.001, 0.0);
        assert_eq!(whole.kept_m, 0.015);
        assert_eq!(whole.pieces.len(), 1);
        let all = Unsound { from_m: -1.0, to_m: 4.0, reason: "A".into() };
        let none = plan(3.0, &[all], 0.8, 0.004);
        assert_eq!((none.kept_m, none.lost_m, none.pieces.len()), (0.0, 3.0, 1));
    }
}
