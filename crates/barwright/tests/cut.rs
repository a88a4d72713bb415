//! The cut plan of a lot from a job folder of judgements: table, document, picture, exit status.
//! Properties; figures follow from the documents made here.

use std::path::Path;

use crate::support::job;
use barwright_job::{
    Order, Sealed,
    judgement::{CutPlan, Judgement, MustGo, Verdict},
    lot_cut::{LotCut, Standing},
};

/// Writes the order with lengths and judgements of bars with flaws at places of a plain pattern.
fn lot(folder: &Path, bars: usize, verdict: impl Fn(usize) -> Verdict) {
    let text = include_str!("../../../examples/order-round-42-lengths.toml");
    std::fs::create_dir_all(folder.join("bars")).expect("a folder");
    std::fs::write(folder.join("order.toml"), text).expect("write");
    let order = Order::from_toml("order", text).expect("the example reads");
    for i in 0..bars {
        let go = |from_m, to_m, reason: &str| MustGo { from_m, to_m, reason: reason.into() };
        let mut unsound =
            vec![go(0.0, 0.06, "end, not inspected"), go(11.94, 12.0, "end, not inspected")];
        for k in 0..i % 4 {
            let at = (1.3 + 2.77 * k as f64 + 0.618 * i as f64) % 11.5;
            unsound.push(go(at, at + 0.02 + 0.01 * k as f64, &format!("indication {k}")));
        }
        if i % 5 == 0 {
            unsound.push(go(7.0, 7.3, "not inspected"));
        }
        let judgement = Judgement {
            bar: format!("{:03}", i + 1),
            heat: "H80316".into(),
            length_m: 12.0,
            indications: vec![],
            verdict: verdict(i),
            reasons: vec![],
            cut: CutPlan { unsound, ..CutPlan::default() },
            findings: vec![],
            decisions: vec![],
        };
        let sealed = Sealed::seal(judgement, [("order", order.hash())]);
        let path = folder.join(format!("bars/{:03}.judgement.json", i + 1));
        std::fs::write(path, sealed.to_json()).expect("write");
    }
}

fn plan(folder: &Path) -> Sealed<LotCut> {
    let text = std::fs::read_to_string(folder.join("cut-plan.json")).expect("written");
    Sealed::from_json("cut-plan.json", &text).expect("whole")
}

#[test]
fn a_lot_is_planned_listed_and_drawn() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("cut-lot");
    // What an earlier run left there is replaced.
    let _ = std::fs::remove_dir_all(&folder);
    lot(&folder, 24, |i| match i {
        7 => Verdict::Hold,
        11 => Verdict::Reject,
        _ => Verdict::Crop,
    });
    let picture = folder.join("plan.svg");
    let said = job(&folder, &["cut", "--picture", &picture.display().to_string()], 1);
    let sealed = plan(&folder);
    let body = &sealed.body;
    assert_eq!(body.standing(Standing::Planned), 22);
    assert!((body.planned_m - 22.0 * 12.0).abs() < 1e-9);
    assert_eq!(body.gap_percent, 0.0, "a lot of this size is proven");
    for wanted in ["held, waiting, not planned: 008", "rejected: 012", "no plan is worth more"] {
        assert!(said.out.contains(wanted), "{wanted} is not in\n{}", said.out);
    }
    for lost in ["flaw 0.", "end 2.", "kerf 0."] {
        assert!(said.out.contains(lost), "{lost} is not in\n{}", said.out);
    }
    let svg = std::fs::read_to_string(&picture).expect("drawn");
    assert!(svg.contains("held: waits, not planned") && svg.contains("rejected: not planned"));
    // The same again gives the same bytes.
    job(&folder, &["cut"], 1);
    assert_eq!(plan(&folder), sealed);
    let json = job(&folder, &["cut", "--json"], 1);
    let printed: Sealed<LotCut> = serde_json::from_str(&json.out).expect("a document");
    assert_eq!(printed, sealed);
}

#[test]
fn all_sold_and_none_held_is_good() {
    let folder = tempfile::tempdir().expect("a folder");
    lot(folder.path(), 60, |_| Verdict::Release);
    job(folder.path(), &["cut"], 0);
    assert_eq!(plan(folder.path()).body.still_open(), 0);
}

#[test]
fn nothing_judged_and_another_order_are_said_clearly() {
    let folder = tempfile::tempdir().expect("a folder");
    lot(folder.path(), 0, |_| Verdict::Release);
    let said = job(folder.path(), &["cut"], 2);
    assert!(said.err.contains("no bar has been judged"), "{}", said.err);
    lot(folder.path(), 2, |_| Verdict::Release);
    let order = folder.path().join("order.toml");
    let text = std::fs::read_to_string(&order).expect("order");
    std::fs::write(&order, text.replace("open_pieces = 25", "open_pieces = 24")).expect("write");
    let said = job(folder.path(), &["cut"], 2);
    let words: Vec<&str> = said.err.split_whitespace().filter(|w| *w != "│").collect();
    assert!(words.join(" ").contains("run `barwright sentence` again"), "{}", said.err);
    assert!(!folder.path().join("cut-plan.json").exists());
}
