//! The ledger as a person uses it: a day on which a check fails, the questions it raises, cuts,
//! shipments, copies, tampering. Truth: by construction; the virtual station knows what it broke.

use std::path::Path;

use crate::support::barwright;
use serde_json::Value;

/// Runs a command on the day's ledger and demands an exit status.
fn ledger(day: &Path, args: &[&str], code: i32) -> String {
    let (job, file) = (day.join("size-38"), day.join("ledger.db"));
    let mut all = vec!["--job", job.to_str().expect("plain"), "--ledger"];
    all.push(file.to_str().expect("plain"));
    all.push("ledger");
    all.extend(args);
    let said = barwright(&all);
    assert_eq!(said.code, code, "ledger {args:?}\n{}\n{}", said.out, said.err);
    said.out
}

fn answer(day: &Path, args: &[&str], code: i32) -> Value {
    let mut all = args.to_vec();
    all.push("--json");
    serde_json::from_str(&ledger(day, &all, code)).expect("JSON")
}

#[test]
fn a_failed_check_holds_and_the_bars_come_back() {
    let folder = tempfile::tempdir().expect("a folder");
    let day = folder.path().join("day");
    let said = barwright(&["demo", "--day", "--json", "--out", day.to_str().expect("plain")]);
    assert_eq!(said.code, 0, "{}\n{}", said.out, said.err);
    let told: Value = serde_json::from_str(&said.out).expect("JSON");
    let good: Vec<bool> = told["checks"]
        .as_array()
        .expect("checks")
        .iter()
        .map(|check| check[1].as_bool().expect("good or not"))
        .collect();
    assert_eq!(good, [true, true, true, false, true, true]);
    let held = &told["after_failed_check"];
    assert_eq!((held.as_array().map(Vec::len), held[0]["open"].as_u64()), (Some(1), Some(4)));
    assert!(held[0]["why"]["failed_check"].is_i64(), "{held}");
    assert_eq!(told["before_last_check"].as_array().map(Vec::len), Some(0));

    // Questions.
    let of = |args: &[&str]| answer(&day, args, 0)["total"].as_u64().expect("a number");
    assert_eq!(of(&["bars", "--heat", "H80316"]), 3);
    assert_eq!(of(&["bars", "--order", "TH-4211"]), 8, "four bars, each screened twice");
    assert_eq!(of(&["bars", "--program", env!("CARGO_PKG_VERSION")]), 11);
    let story = answer(&day, &["bar", "H80316/03"], 0);
    assert!(story["rests_on"].as_array().expect("entries").len() >= 7);
    assert!(ledger(&day, &["holds"], 0).contains("no bar is held"));

    // A cut bar; a piece may leave, a bar that is not released may not.
    ledger(&day, &["cut", "H80316/03", "--author", "saw"], 0);
    ledger(&day, &["ship", "D-1", "H80316/03:A", "H80316/01", "--author", "yard"], 0);
    ledger(&day, &["retest", "H80316/02", "--reason", "a scratch", "--author", "yard"], 0);
    ledger(&day, &["ship", "D-2", "H80316/02", "--author", "yard"], 2);
    let although =
        ["ship", "D-2", "H80316/02", "--although", "it was on the lorry", "--author", "yard"];
    ledger(&day, &although, 1);
    assert!(ledger(&day, &["shipped"], 1).contains("H80316/02"));
    assert!(ledger(&day, &["holds"], 1).contains("SHIPPED with D-2"));
    assert!(ledger(&day, &["changes"], 0).contains("retest"));
    ledger(&day, &["bar", "H80316/99"], 2);

    // Copies, and a printed head held against them.
    let head = answer(&day, &["verify"], 0)["head"].clone();
    let (seq, hash) = (head["seq"].to_string(), head["hash"].as_str().expect("a hash"));
    ledger(&day, &["verify", "--entry", &seq, "--hash", hash], 0);
    let other = "0".repeat(64);
    ledger(&day, &["verify", "--entry", &seq, "--hash", &other], 1);
    let path = |name: &str| day.join(name).to_str().expect("plain").to_owned();
    let (text, backup, copy) = (path("ledger.jsonl"), path("backup.db"), path("copy.db"));
    ledger(&day, &["export", &text], 0);
    ledger(&day, &["export", &text], 2);
    ledger(&day, &["backup", &backup], 0);
    ledger(&day, &["copy", &copy], 0);
    ledger(&day, &["restore", &backup], 2);
    let import = barwright(&["--ledger", &path("read.db"), "ledger", "import", &text]);
    assert_eq!(import.code, 0, "{}", import.err);
    for file in [path("read.db"), backup, copy] {
        let said = barwright(&["--ledger", &file, "ledger", "verify", "--json"]);
        let found: Value = serde_json::from_str(&said.out).expect("JSON");
        assert_eq!(found["head"], head, "{file}");
    }

    // A changed word in the text is found at its line, and nothing is left of the import.
    let changed = std::fs::read_to_string(&text).expect("text").replacen("\"saw\"", "\"sow\"", 1);
    std::fs::write(&text, changed).expect("written");
    let import = barwright(&["--ledger", &path("again.db"), "ledger", "import", &text]);
    assert_eq!(import.code, 2);
    assert!(import.err.contains("line"), "{}", import.err);
    assert!(!day.join("again.db").exists());
}
