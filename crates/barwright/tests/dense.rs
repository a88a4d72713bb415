//! A dense proof from the command line. Kinds of truth: properties (the same by any device, nothing better together than the nominal).

use crate::support::{self, job, json, number};

#[test]
fn all_tolerances_together_are_proved_beside_the_tolerances_one_by_one() {
    let folder = tempfile::tempdir().expect("a folder");
    let j = folder.path();
    job(j, &["example", "round-42"], 0);
    // Whether so few combinations leave what is ordered is theirs to say.
    let run = |args: &[&str]| {
        let mut all = vec!["--job", j.to_str().expect("a path")];
        all.extend(args);
        let said = support::barwright(&all);
        assert!(said.code < 2, "{args:?}\n{}\n{}", said.out, said.err);
        said
    };
    let said = run(&["plan", "--dense", "12"]);
    assert!(said.out.contains("12 combinations of all tolerances"), "{}", said.out);
    // Nothing is said of the engine only where the processors were chosen.
    assert!(said.err.contains("fields by"), "{}", said.err);
    let first = json(&j.join("dense-proof.json"));
    assert_eq!(first["made_from"]["technique"], json(&j.join("technique.json"))["hash"]);
    for class in first["body"]["classes"].as_array().expect("classes") {
        let [nominal, combined, lowest] =
            ["nominal", "combined", "lowest"].map(|key| number(&class[key]));
        assert!(combined <= nominal + 1e-9 && combined <= lowest + 1e-9, "{class}");
        let margins: Vec<f64> = class["standing"]
            .as_array()
            .expect("shares")
            .iter()
            .filter_map(|s| s["margin_db"].as_f64())
            .collect();
        assert!(margins.windows(2).all(|m| m[0] >= m[1]), "{margins:?}");
        let short = combined < number(&class["ordered"]);
        assert!(!short || said.code == 1, "{class}");
    }
    let said = run(&["prove", "--draws", "0", "--dense", "12", "--device", "cpu"]);
    assert!(!said.err.contains("fields by"), "{}", said.err);
    let again = json(&j.join("dense-proof.json"));
    // A device may have computed the first: worst margins agree within what engines may differ.
    let (a, b) = (&first["body"]["classes"], &again["body"]["classes"]);
    for (a, b) in a.as_array().expect("classes").iter().zip(b.as_array().expect("classes")) {
        assert!((number(&a["combined"]) - number(&b["combined"])).abs() < 0.002, "{a} {b}");
    }
    let wrong = job(j, &["prove", "--dense", "12", "--device", "abacus"], 2);
    assert!(wrong.err.contains("auto, cpu or gpu"), "{}", wrong.err);
    let wrong = job(j, &["prove", "--device", "cpu"], 2);
    assert!(wrong.err.contains("--dense"), "{}", wrong.err);
}
