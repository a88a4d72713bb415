//! Cut plans by ordered lengths, against trying everything and by hand.

use std::collections::BTreeMap;

use barwright_evaluate::cut::{self, LotBar, Unsound};
use barwright_job::{
    Order,
    judgement::{CutPlan, Fate, Judgement, MustGo, Verdict},
    lengths::{CutLength, FixedLength, MultipleLength, RandomLength},
    lot_cut::LotCut,
    order::Cut,
    seal::Hash,
};
use proptest::prelude::*;

mod by_hand;
mod every;

use every::{Tried, counts, every_plan, worth_of};

/// Metres of a cell. Lengths and kerfs are whole tenths of a millimetre, two cells; what must go
/// may begin and end at any cell, so that places off that raster occur.
const CELL_M: f64 = 5e-5;
const CELL_MM: f64 = 0.05;

fn length(name: &str) -> CutLength {
    CutLength {
        name: name.into(),
        fixed: None,
        random: None,
        multiple: None,
        value_per_m: 1.0,
        open_pieces: None,
    }
}

fn fixed(name: &str, length_mm: f64, plus_mm: f64) -> CutLength {
    let fixed = Some(FixedLength { length_mm, plus_mm, minus_mm: 0.0 });
    CutLength { fixed, ..length(name) }
}

fn random(name: &str, from_mm: f64, to_mm: f64) -> CutLength {
    CutLength { random: Some(RandomLength { from_mm, to_mm }), ..length(name) }
}

fn worth(value_per_m: f64, length: CutLength) -> CutLength {
    CutLength { value_per_m, ..length }
}

fn open(pieces: u32, length: CutLength) -> CutLength {
    CutLength { open_pieces: Some(pieces), ..length }
}

fn must_go(from_m: f64, to_m: f64, reason: &str) -> Unsound {
    Unsound { from_m, to_m, reason: reason.into() }
}

/// Unsound cells as stretches.
fn stretches(cells: &[bool]) -> Vec<Unsound> {
    let bad = cells.iter().enumerate().filter(|c| *c.1);
    bad.map(|(i, _)| must_go(i as f64 * CELL_M, (i + 1) as f64 * CELL_M, "indication A")).collect()
}

/// An order with these lengths and a kerf.
fn order(kerf_mm: f64, lengths: Vec<CutLength>) -> Order {
    let text = include_str!("../../../../examples/order-round-42.toml");
    let mut order = Order::from_toml("order", text).expect("the example reads");
    order.cut = Cut { shortest_mm: 0.1, kerf_mm, lengths };
    order
}

fn judgement(bar: &str, length_m: f64, verdict: Verdict, unsound: &[Unsound]) -> Judgement {
    let of = |u: &Unsound| MustGo { from_m: u.from_m, to_m: u.to_m, reason: u.reason.clone() };
    Judgement {
        bar: bar.into(),
        heat: "H1".into(),
        length_m,
        indications: vec![],
        verdict,
        reasons: vec![],
        cut: CutPlan { unsound: unsound.iter().map(of).collect(), ..CutPlan::default() },
        findings: vec![],
        decisions: vec![],
    }
}

fn lot(order: &Order, bars: &[(f64, Vec<Unsound>)]) -> LotCut {
    let judged: Vec<Judgement> = bars
        .iter()
        .enumerate()
        .map(|(i, (length_m, u))| judgement(&format!("{i:03}"), *length_m, Verdict::Crop, u))
        .collect();
    let hash = Hash::of(b"judgement");
    let bars: Vec<LotBar<'_>> =
        judged.iter().map(|judgement| LotBar { judgement, hash: &hash }).collect();
    cut::lot(order, &bars)
}

/// A plan read back into cells.
fn read_back(plan: &CutPlan, cut: &Cut) -> Vec<Tried> {
    let whole = |m: f64| {
        let cells = m / CELL_M;
        // Micrometres are written as decimals of a metre: 1e-6 of a cell is far above rounding.
        assert!((cells - cells.round()).abs() < 1e-6, "{m} m is not at a cell");
        cells.round() as usize
    };
    plan.pieces
        .iter()
        .filter(|p| p.fate == Fate::Keep)
        .map(|p| {
            let name = p.sold_as.as_deref().expect("a kept piece is sold as something");
            let i = cut.lengths.iter().position(|l| l.name == name).expect("an ordered length");
            let from = whole(p.from_m);
            (from, whole(p.to_m) - from, i, p.multiple)
        })
        .collect()
}

/// What holds for every plan.
fn check_rules(cells: &[bool], plan: &CutPlan, cut: &Cut) -> Result<Vec<Tried>, TestCaseError> {
    let n = cells.len();
    let kerf = (cut.kerf_mm / CELL_MM).round() as usize;
    let kept = read_back(plan, cut);
    for p in &kept {
        prop_assert!(cells[p.0..p.0 + p.1].iter().all(|bad| !bad), "unsound steel is kept");
        let limits = cut.lengths[p.2].limits();
        let long = p.1 as f64 * CELL_MM;
        prop_assert!(
            limits
                .iter()
                .any(|w| w.multiple == p.3 && (w.from_mm - 1e-9..=w.to_mm + 1e-9).contains(&long))
        );
    }
    for p in kept.windows(2) {
        let gap = p[1].0 - p[0].0 - p[0].1;
        prop_assert!(gap == kerf || gap >= 2 * kerf);
    }
    prop_assert!(kept.first().is_none_or(|p| p.0 == 0 || p.0 >= kerf));
    prop_assert!(kept.last().is_none_or(|p| p.0 + p.1 == n || n - p.0 - p.1 >= kerf));
    let long = n as f64 * CELL_M;
    prop_assert!((plan.kept_m + plan.lost_m - long).abs() < 1e-12);
    let mut at = 0.0;
    for p in &plan.pieces {
        prop_assert!(p.from_m >= at - 1e-12 && p.to_m > p.from_m);
        at = p.to_m;
        prop_assert!(p.fate == Fate::Keep || !p.reason.is_empty());
    }
    Ok(kept)
}

fn a_length(name: &'static str, counted: u32) -> impl Strategy<Value = CutLength> {
    let tenth = |k: u32| f64::from(k) / 10.0;
    let kind = prop_oneof![
        (2u32..5, 0u32..2).prop_map(move |(l, p)| fixed(name, tenth(l), tenth(p))),
        (2u32..4, 0u32..4).prop_map(move |(f, t)| random(name, tenth(f), tenth(f + t))),
        (1u32..3, 0u32..2, 1u32..3, 0u32..3, 0u32..2).prop_map(move |(b, a, f, t, p)| CutLength {
            multiple: Some(MultipleLength {
                base_mm: tenth(b),
                allowance_mm: tenth(a),
                from_pieces: f + 1,
                to_pieces: f + 1 + t,
                plus_mm: tenth(p),
            }),
            ..length(name)
        }),
    ];
    let value = prop_oneof![Just(1.0), (500u32..1500).prop_map(|v| f64::from(v) / 1e3)];
    let open = prop_oneof![3 => Just(None), 2 => (1..=counted.max(1)).prop_map(Some)];
    (kind, value, open).prop_map(move |(l, value_per_m, open)| CutLength {
        value_per_m,
        open_pieces: if counted > 0 { open } else { None },
        ..l
    })
}

fn a_cut(counted: u32) -> impl Strategy<Value = Cut> {
    let lengths =
        (a_length("a", counted), a_length("b", counted), a_length("c", counted), 1usize..4);
    (lengths, 0u32..3).prop_map(|((a, b, c, n), kerf)| Cut {
        shortest_mm: 0.1,
        kerf_mm: f64::from(kerf) / 10.0,
        lengths: [a, b, c].into_iter().take(n).collect(),
    })
}

fn cells(most: usize) -> impl Strategy<Value = Vec<bool>> {
    proptest::collection::vec(proptest::bool::weighted(0.1), 6..most)
}

/// Value in thousandths of cells of a plan.
fn value(plan: &CutPlan, cut: &Cut) -> i64 {
    worth_of(&read_back(plan, cut), cut, 0).0
}

proptest! {
    // Truth: independent code, every plan of a short bar. The order of plans is compared whole.
    #[test]
    fn one_bar_is_planned_as_by_trying_everything(cells in cells(21), cut in a_cut(2)) {
        let n = cells.len();
        type Rank = (i64, i64, u32, Vec<(usize, i64)>);
        let rank = |tried: &[Tried]| -> Rank {
            let (value, cuts) = worth_of(tried, &cut, n);
            let counted = tried.iter().filter(|p| cut.lengths[p.2].open_pieces.is_some()).count();
            (value, -cuts, counted as u32, tried.iter().map(|p| (p.1, -(p.0 as i64))).collect())
        };
        let mut best: Option<Rank> = None;
        every_plan(&cells, &cut, &mut |tried| {
            let counts = counts(tried, &cut);
            if cut.lengths.iter().zip(counts).all(|(l, n)| l.open_pieces.is_none_or(|o| n <= o)) {
                let found = rank(tried);
                if best.as_ref().is_none_or(|b| found > *b) {
                    best = Some(found);
                }
            }
        });
        let plan = cut::plan_ordered(n as f64 * CELL_M, &stretches(&cells), &cut);
        let kept = check_rules(&cells, &plan, &cut)?;
        let (found, best) = (rank(&kept), best.expect("no piece at all is a plan"));
        prop_assert_eq!((found.0, found.1, found.2), (best.0, best.1, best.2));
        if cut.lengths.iter().all(|l| l.open_pieces.is_none()) {
            prop_assert_eq!(found, best);
        }
    }

    // Truth: independent code, every plan of each bar in every combination.
    #[test]
    fn a_lot_is_planned_as_by_trying_everything(
        bars in proptest::collection::vec(cells(13), 1..4),
        cut in a_cut(4),
    ) {
        // Best value and cuts for each number of pieces.
        let mut all: BTreeMap<Vec<u32>, (i64, i64)> = [(vec![0; cut.lengths.len()], (0, 0))].into();
        for cells in &bars {
            let mut one: BTreeMap<Vec<u32>, (i64, i64)> = BTreeMap::new();
            every_plan(cells, &cut, &mut |tried| {
                let (value, cuts) = worth_of(tried, &cut, cells.len());
                let slot = one.entry(counts(tried, &cut)).or_insert((value, -cuts));
                *slot = (*slot).max((value, -cuts));
            });
            let mut joined: BTreeMap<Vec<u32>, (i64, i64)> = BTreeMap::new();
            for (a, x) in &all {
                for (b, y) in &one {
                    let sum: Vec<u32> = a.iter().zip(b).map(|(a, b)| a + b).collect();
                    let open = cut.lengths.iter().zip(&sum);
                    if open.into_iter().all(|(l, n)| l.open_pieces.is_none_or(|o| *n <= o)) {
                        let both = (x.0 + y.0, x.1 + y.1);
                        let slot = joined.entry(sum).or_insert(both);
                        *slot = (*slot).max(both);
                    }
                }
            }
            all = joined;
        }
        let best = all.values().max().copied().expect("nothing kept is a plan");
        let order = order(cut.kerf_mm, cut.lengths.clone());
        let given: Vec<_> =
            bars.iter().map(|c| (c.len() as f64 * CELL_M, stretches(c))).collect();
        let found = lot(&order, &given);
        let mut sum = (0, 0);
        let mut sold = vec![0; cut.lengths.len()];
        for (bar, cells) in found.bars.iter().zip(&bars) {
            let kept = check_rules(cells, &bar.cut, &cut)?;
            let (value, cuts) = worth_of(&kept, &cut, cells.len());
            sum = (sum.0 + value, sum.1 - cuts);
            for (s, n) in sold.iter_mut().zip(counts(&kept, &cut)) {
                *s += n;
            }
            // Thousandths of cells as metres: 1e-9 is rounding of sums.
            prop_assert!((bar.value_m - value as f64 * 1e-3 * CELL_M).abs() < 1e-9);
        }
        prop_assert_eq!(sum, best);
        prop_assert_eq!(found.gap_percent, 0.0);
        prop_assert!((found.value_m - sum.0 as f64 * 1e-3 * CELL_M).abs() < 1e-9);
        for (said, (length, sold)) in found.lengths.iter().zip(cut.lengths.iter().zip(sold)) {
            prop_assert_eq!(said.pieces, sold);
            prop_assert_eq!(said.still_open, length.open_pieces.map(|o| o - sold));
        }
        let lost: f64 = found.losses.rows().iter().map(|r| r.1).sum();
        prop_assert!((lost - found.lost_m).abs() < 1e-9);
        prop_assert!((found.kept_m + found.lost_m - found.planned_m).abs() < 1e-9);
    }

    // Truth: symmetry. A bar turned round keeps its value.
    #[test]
    fn the_mirror_image_of_a_bar_keeps_the_value(cells in cells(60), cut in a_cut(3)) {
        let plan = |cells: &[bool]| {
            cut::plan_ordered(cells.len() as f64 * CELL_M, &stretches(cells), &cut)
        };
        let turned: Vec<bool> = cells.iter().rev().copied().collect();
        prop_assert_eq!(value(&plan(&cells), &cut), value(&plan(&turned), &cut));
    }

    // Truth: monotony. More that must go never gains; one more ordered length never loses.
    #[test]
    fn unsound_steel_never_gains_and_a_length_never_loses(
        bars in proptest::collection::vec(cells(60), 1..4),
        spoilt in proptest::collection::vec(0usize..60, 1..6),
        cut in a_cut(5),
    ) {
        let plan = |bars: &[Vec<bool>], lengths: &[CutLength]| {
            let given: Vec<_> =
                bars.iter().map(|c| (c.len() as f64 * CELL_M, stretches(c))).collect();
            lot(&order(cut.kerf_mm, lengths.to_vec()), &given)
        };
        let all = plan(&bars, &cut.lengths);
        prop_assert_eq!(all.gap_percent, 0.0);
        let mut worse = bars.clone();
        for s in spoilt {
            if let Some(cell) = worse[0].get_mut(s) {
                *cell = true;
            }
        }
        // 1e-12: sums of metres.
        prop_assert!(plan(&worse, &cut.lengths).value_m <= all.value_m + 1e-12);
        let fewer = &cut.lengths[..cut.lengths.len() - 1];
        if !fewer.is_empty() {
            prop_assert!(plan(&bars, fewer).value_m <= all.value_m + 1e-12);
        }
    }
}
