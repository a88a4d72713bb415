//! Worked cases and bounds.

use barwright_evaluate::cut::{self, LotBar, Unsound};
use barwright_job::{
    judgement::{CutPlan, Verdict},
    lengths::{CutLength, MultipleLength},
    lot_cut::Standing,
    order::Cut,
    seal::Hash,
};

use super::{fixed, judgement, length, lot, must_go, open, order, random, worth};

fn told(plan: &CutPlan) -> Vec<(i64, i64, String)> {
    let mm = |m: f64| (m * 1e3).round() as i64;
    plan.pieces
        .iter()
        .map(|p| {
            let words = match (&p.sold_as, p.multiple) {
                (Some(name), Some(n)) => format!("{name} x {n}"),
                (Some(name), None) => name.clone(),
                _ => p.reason.clone(),
            };
            (mm(p.from_m), mm(p.to_m), words)
        })
        .collect()
}

// Truth: by hand. 9 m, ends of 60 mm, a flaw of 2 mm at 4 m.
#[test]
fn a_bar_of_three_kinds_by_hand() {
    let multiple = CutLength {
        multiple: Some(MultipleLength {
            base_mm: 400.0,
            allowance_mm: 5.0,
            from_pieces: 4,
            to_pieces: 8,
            plus_mm: 0.0,
        }),
        ..length("multiple")
    };
    let cut = Cut {
        shortest_mm: 1000.0,
        kerf_mm: 4.0,
        lengths: vec![
            worth(1.2, fixed("fixed", 3000.0, 5.0)),
            worth(0.9, random("random", 2800.0, 3500.0)),
            multiple,
        ],
    };
    let unsound = [
        must_go(0.0, 0.06, "end, not inspected"),
        must_go(4.0, 4.002, "indication A"),
        must_go(8.94, 9.0, "end, not inspected"),
    ];
    let plan = cut::plan_ordered(9.0, &unsound, &cut);
    // Head: fixed 3005 at 1.2 makes 3606; nine base pieces in two multiples, 2025 and 1620, make 3645.
    // They end one kerf before the tail's first piece, which saves a cut against lying at the head.
    // Tail, 4938 mm: 3005 at 1.2 and 1620 make 5226; twelve base pieces would make 4860.
    assert_eq!(
        told(&plan),
        [
            (0, 345, "end, not inspected; remnant".into()),
            (349, 2374, "multiple x 5".into()),
            (2378, 3998, "multiple x 4".into()),
            (4002, 7007, "fixed".into()),
            (7011, 8631, "multiple x 4".into()),
            (8635, 9000, "end, not inspected; remnant".into()),
        ]
    );
}

// Truth: by hand. Two bars of 3005 and 2900 mm, one fixed piece open at 1.5: it goes where only it
// fits best; the other bar gives a random length, and what would make a fixed piece is named.
#[test]
fn a_lot_with_a_count_that_binds_by_hand() {
    let order = order(
        4.0,
        vec![worth(1.5, open(1, fixed("fixed", 2900.0, 0.0))), random("random", 2000.0, 2500.0)],
    );
    // 2900 at 1.5 and nothing makes 4350, the 3005 bar's other way 2500; for the 2900 bar the fixed
    // length wastes nothing. Either bar gains 1850 by it: then the fewest cuts, none.
    let found = lot(&order, &[(3.005, vec![]), (2.9, vec![])]);
    assert_eq!(told(&found.bars[0].cut)[0], (0, 2500, "random".into()));
    assert_eq!(told(&found.bars[1].cut), [(0, 2900, "fixed".into())]);
    assert_eq!(told(&found.bars[0].cut)[1].2, "remnant");
    assert!((found.value_m - 6.85).abs() < 1e-9);
    assert_eq!((found.lengths[0].pieces, found.lengths[0].still_open), (1, Some(0)));
    assert!((found.losses.kerf_m - 0.004).abs() < 1e-9);
    assert!((found.losses.remnant_m - 0.501).abs() < 1e-9);
    assert_eq!(found.gap_percent, 0.0);
    // With a second such bar and no other length its whole length is lost to the count.
    let order = self::order(4.0, vec![open(1, fixed("fixed", 2900.0, 0.0))]);
    let found = lot(&order, &[(2.9, vec![]), (2.9, vec![])]);
    assert!((found.losses.count_exhausted_m - 2.9).abs() < 1e-9);
    let scrap = found.bars.iter().find(|b| b.cut.kept_m == 0.0).expect("one bar stays");
    assert_eq!(told(&scrap.cut), [(0, 2900, "remnant, no piece open".into())]);
}

// Truth: by hand. Held and rejected bars are listed, not planned; an empty lot is an answer.
#[test]
fn held_and_rejected_bars_are_not_planned() {
    let order = order(4.0, vec![random("any", 1000.0, 4000.0)]);
    let judged = [
        judgement("1", 3.0, Verdict::Hold, &[]),
        judgement("2", 3.0, Verdict::Reject, &[]),
        judgement("3", 3.0, Verdict::Release, &[]),
    ];
    let hash = Hash::of(b"judgement");
    let bars: Vec<LotBar<'_>> =
        judged.iter().map(|judgement| LotBar { judgement, hash: &hash }).collect();
    let found = cut::lot(&order, &bars);
    let standings: Vec<Standing> = found.bars.iter().map(|b| b.standing).collect();
    assert_eq!(standings, [Standing::Waiting, Standing::Rejected, Standing::Planned]);
    assert!(found.bars[..2].iter().all(|b| b.cut.pieces.is_empty()));
    assert_eq!((found.planned_m, found.kept_m), (3.0, 3.0));
    let none = cut::lot(&order, &[]);
    assert_eq!((none.kept_m, none.bound_m, none.gap_percent), (0.0, 0.0, 0.0));
}

// Truth: bounds. Bars with more combinations of counted pieces than are solved for each are priced:
// counts are kept, the value lies within the bound, and the gap that is told is the one there is.
#[test]
fn many_counted_short_lengths_are_priced() {
    let order = order(
        4.0,
        vec![
            worth(1.10, open(150, fixed("a", 310.0, 0.0))),
            worth(1.08, open(140, fixed("b", 433.0, 0.0))),
            worth(1.05, open(90, fixed("c", 577.0, 0.0))),
            random("d", 700.0, 900.0),
        ],
    );
    let bars: Vec<(f64, Vec<Unsound>)> = (0..12)
        .map(|i| {
            let at = 1.0 + 0.81 * f64::from(i);
            (12.0, vec![must_go(at, at + 0.05, "indication A")])
        })
        .collect();
    let found = lot(&order, &bars);
    for (length, open) in found.lengths.iter().zip([150, 140, 90]) {
        assert!(length.pieces <= open, "{length:?}");
    }
    let sum: f64 = found.lengths.iter().map(|l| l.kept_m * l.value_per_m).sum();
    assert!((sum - found.value_m).abs() < 1e-6);
    assert!(found.value_m <= found.bound_m + 1e-9);
    let gap = (found.bound_m - found.value_m) / found.bound_m * 100.0;
    // 1e-6: cuts are part of the gap in percent, not of the value.
    assert!((gap - found.gap_percent).abs() < 1e-6, "{gap} {}", found.gap_percent);
    // Seen: 0.047 %; the pricing has a fixed number of rounds, so that some of it may stay.
    assert!(found.gap_percent < 0.1, "{}", found.gap_percent);
}

// Own rule: the answer does not depend on how many threads work on it.
#[test]
fn one_thread_and_several_give_the_same_plan() {
    let order = order(
        4.0,
        vec![
            worth(1.1, open(9, fixed("fixed", 3000.0, 5.0))),
            worth(1.05, open(7, fixed("short", 2200.0, 5.0))),
            random("random", 2800.0, 3500.0),
        ],
    );
    let bars: Vec<(f64, Vec<Unsound>)> = (0..10)
        .map(|i| {
            let at = 0.4 + 1.13 * f64::from(i);
            (12.0, vec![must_go(at, at + 0.003, "indication A")])
        })
        .collect();
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        pool.expect("a pool").install(|| lot(&order, &bars))
    };
    assert_eq!(with(1), with(5));
}

// Truth: by hand. Without ordered lengths every bar keeps the plan of its judgement, and a scrap
// piece counts for the first of its causes.
#[test]
fn without_lengths_the_judgements_stand() {
    let order = order(4.0, Vec::new());
    let unsound = [must_go(0.0, 0.06, "end, not inspected"), must_go(1.0, 1.1, "indication A")];
    let mut judged = judgement("1", 3.0, Verdict::Crop, &[]);
    judged.cut = cut::plan(3.0, &unsound, 0.8, 0.004);
    let hash = Hash::of(b"judgement");
    let found = cut::lot(&order, &[LotBar { judgement: &judged, hash: &hash }]);
    assert_eq!(found.bars[0].cut, judged.cut);
    assert!(found.lengths.is_empty());
    // 60 mm of end with one kerf; 100 mm of flaw with two: 1e-9 is rounding of sums.
    assert!((found.losses.end_m - 0.056).abs() < 1e-9);
    assert!((found.losses.flaw_m - 0.092).abs() < 1e-9);
    assert!((found.losses.kerf_m - 0.012).abs() < 1e-9);
    assert_eq!((found.value_m, found.gap_percent), (found.kept_m, 0.0));
}
