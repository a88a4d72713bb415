//! How long the cut plan of a lot takes here: 500 different bars of 12 m with four lengths, two of
//! them counted, and one bar by itself. Prints a table; nothing is asserted.

use std::time::Instant;

use barwright_evaluate::cut::{self, LotBar, Unsound};
use barwright_job::{
    Order,
    judgement::{CutPlan, Judgement, MustGo, Verdict},
    seal::Hash,
};

const LENGTHS: &str = "
shortest_mm = 1500.0
kerf_mm = 4.0

[[cut.lengths]]
name = \"fixed 3 m\"
fixed = { length_mm = 3000.0, plus_mm = 5.0 }
value_per_m = 1.10
open_pieces = OPEN_A

[[cut.lengths]]
name = \"fixed 2.2 m\"
fixed = { length_mm = 2200.0, plus_mm = 5.0 }
value_per_m = 1.06
open_pieces = OPEN_B

[[cut.lengths]]
name = \"random\"
random = { from_mm = 2800.0, to_mm = 3500.0 }

[[cut.lengths]]
name = \"multiple\"
multiple = { base_mm = 400.0, allowance_mm = 5.0, from_pieces = 4, to_pieces = 8 }
value_per_m = 0.97
";

fn order(open_a: u32, open_b: u32) -> Order {
    let text = include_str!("../../../examples/order-round-42.toml");
    let (head, _) = text.split_once("shortest_mm = 800.0").expect("the example's cut");
    let lengths =
        LENGTHS.replace("OPEN_A", &open_a.to_string()).replace("OPEN_B", &open_b.to_string());
    Order::from_toml(
        "order",
        &format!("{head}{lengths}").replace("length_mm = 3000.0\n", "length_mm = 12000.0\n"),
    )
    .expect("an order")
}

/// A bar with uninspected ends and up to four flaws at places that a plain generator gives.
fn judgement(i: u64) -> Judgement {
    let mut state = i.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let mut next = |most: f64| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 53) as f64 * most
    };
    let go = |from_m: f64, to_m: f64, reason: &str| MustGo { from_m, to_m, reason: reason.into() };
    let mut unsound =
        vec![go(0.0, 0.06, "end, not inspected"), go(11.94, 12.0, "end, not inspected")];
    for _ in 0..(next(5.0) as usize) {
        let at = next(11.5);
        unsound.push(go(at, at + 0.001 + next(0.06), "indication A"));
    }
    Judgement {
        bar: format!("{i:03}"),
        heat: "H1".into(),
        length_m: 12.0,
        indications: vec![],
        verdict: Verdict::Crop,
        reasons: vec![],
        cut: CutPlan { unsound, ..CutPlan::default() },
        findings: vec![],
        decisions: Vec::new(),
    }
}

fn main() {
    let bars: Vec<Judgement> = (0..500).map(judgement).collect();
    let hash = Hash::of(b"judgement");
    println!("bars  open 3 m  open 2.2 m       s  value m   bound m   gap %  sold     still open");
    for (count, a, b) in [
        (20, 15, 10),
        (100, 90, 60),
        (500, 300, 200),
        (500, 900, 400),
        (500, 1200, 30),
        (500, 30000, 30000),
    ] {
        let lot: Vec<LotBar<'_>> =
            bars[..count].iter().map(|judgement| LotBar { judgement, hash: &hash }).collect();
        let order = order(a, b);
        let begun = Instant::now();
        let found = cut::lot(&order, &lot);
        let s = begun.elapsed().as_secs_f64();
        let sold: Vec<u32> = found.lengths.iter().map(|l| l.pieces).collect();
        println!(
            "{count:4}  {a:8}  {b:10}  {s:6.2}  {:7.1}  {:8.1}  {:6.4}  {sold:?}  {}",
            found.value_m,
            found.bound_m,
            found.gap_percent,
            found.still_open()
        );
    }
    for (words, open) in
        [("no length counted", None), ("two counted", Some(100)), ("counts bind", Some(1))]
    {
        let mut order = order(1, 1);
        for l in order.cut.lengths.iter_mut().take(2) {
            l.open_pieces = open;
        }
        let begun = Instant::now();
        for j in &bars {
            let unsound: Vec<Unsound> = j
                .cut
                .unsound
                .iter()
                .map(|u| Unsound { from_m: u.from_m, to_m: u.to_m, reason: u.reason.clone() })
                .collect();
            std::hint::black_box(cut::plan_ordered(12.0, &unsound, &order.cut));
        }
        let ms = begun.elapsed().as_secs_f64() * 1e3 / bars.len() as f64;
        println!("one bar of 12 m, {words}: {ms:.2} ms");
    }
}
