//! The demo end to end: it finds what it must, says what it missed, and repeats itself to the byte.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::support::{self, barwright, json};

/// Every file below a folder with its content, but for the ledger's own file: SQLite lays its pages
/// out as it likes, so its entries are compared instead.
fn contents(root: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    fn walk(folder: &Path, root: &Path, out: &mut BTreeMap<PathBuf, Vec<u8>>) {
        for entry in std::fs::read_dir(folder).expect("folder") {
            let path = entry.expect("entry").path();
            if path.is_dir() {
                walk(&path, root, out);
            } else if !path
                .file_name()
                .is_some_and(|n| n.to_string_lossy().starts_with("ledger.db"))
            {
                out.insert(
                    path.strip_prefix(root).expect("below").to_owned(),
                    std::fs::read(&path).expect("file"),
                );
            }
        }
    }
    let mut out = BTreeMap::new();
    walk(root, root, &mut out);
    out
}

fn demo(out: &Path, threads: &str) -> support::Said {
    // Thirteen bars: up to and including the one with the coupling loss.
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_barwright"))
        .args(["demo", "--bars", "13", "--out", out.to_str().expect("path")])
        .env("RAYON_NUM_THREADS", threads)
        .output()
        .expect("the program starts");
    support::Said {
        code: output.status.code().expect("it ends"),
        out: String::from_utf8_lossy(&output.stdout).into_owned(),
        err: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

#[test]
fn the_demo_is_sound_and_a_second_run_on_other_threads_writes_the_same_bytes() {
    let folder = tempfile::tempdir().expect("a folder");
    let (first, second) = (folder.path().join("first"), folder.path().join("second"));
    let said = demo(&first, "2");
    assert_eq!(said.code, 0, "{}\n{}", said.out, said.err);
    let summary = json(&first.join("summary.json"));
    assert_eq!(summary["coverage_met"], true);
    assert_eq!(summary["checks_good"], true);
    assert_eq!(summary["ledger_whole"], true);
    assert_eq!(
        summary["ordered"], summary["ordered_found"],
        "every flaw of the ordered size is found"
    );
    assert_eq!(summary["flaws"]["false_calls"].as_array().expect("a list").len(), 0, "{summary:#}");
    assert_eq!(summary["bars"]["held"], 1, "the bar with the coupling loss is held, no other");
    assert!(summary["bars"]["released"].as_u64().expect("a count") >= 6);

    let said = demo(&second, "1");
    assert_eq!(said.code, 0, "{}", said.err);
    let (a, b) = (contents(&first), contents(&second));
    assert_eq!(a.keys().collect::<Vec<_>>(), b.keys().collect::<Vec<_>>());
    for (name, bytes) in &a {
        assert!(b[name] == *bytes, "{} differs between the runs", name.display());
    }
    let entries = |folder: &Path| {
        barwright(&["--job", folder.to_str().expect("path"), "--json", "ledger", "show"]).out
    };
    assert_eq!(entries(&first), entries(&second), "the ledgers hold the same entries");
}

#[test]
fn a_coupling_loss_is_never_clean() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("demo");
    demo(&out, "2");
    let judgement = json(&out.join("bars/13.judgement.json"));
    assert_ne!(judgement["body"]["verdict"], "release");
    let screened = json(&out.join("bars/13.screened.json"));
    let lost = screened["body"]["lost"].as_array().expect("a list");
    assert!(lost.iter().any(|l| l["cause"] == "coupling"), "{lost:#?}");
}

/// Runs the program over a job folder and returns its exit status.
fn run(job: &Path, args: &[&str]) -> Option<i32> {
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_barwright"));
    command.arg("--job").arg(job).args(args).output().expect("the program runs").status.code()
}

/// The words of a paper.
fn words(paper: &Path) -> String {
    let out = std::process::Command::new("pdftotext").arg(paper).arg("-").output();
    let text = String::from_utf8_lossy(&out.expect("pdftotext is installed").stdout).into_owned();
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

// Truth: property. A paper never releases by a judgement that the ledger does not hold.
#[test]
fn a_judgement_that_was_not_entered_releases_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("demo");
    demo(&out, "2");
    let paper = out.join("papers/bar-01.pdf");
    assert!(words(&paper).contains("RELEASED"), "{}", words(&paper));
    let decide = ["decide", "01", "release", "--by", "level 3", "--reason", "looked at again"];
    assert_eq!(run(&out, &decide), Some(0));
    assert!(run(&out, &["certify", "01"]).is_some());
    let told = words(&paper);
    assert!(told.contains("WAITING") && told.contains("must be entered first"), "{told}");
    assert_eq!(run(&out, &["ledger", "add", "judgement", "01", "--author", "level 3"]), Some(0));
    assert!(run(&out, &["certify", "01"]).is_some());
    assert!(words(&paper).contains("RELEASED BY DECISION"), "{}", words(&paper));
    only_level_3_approves(&out);
}

/// Own rules: nobody approves before somebody is on record as level 3, and each once; what is missing of
/// a certification is told.
fn only_level_3_approves(job: &Path) {
    let approve = |name: &str| run(job, &["approve", "technique", "--as", name]);
    let add = |more: &[&str]| {
        let args = [&["people", "add", "L3", "--author", "L3", "--role", "level3"], more].concat();
        assert_eq!(run(job, &args), Some(0));
    };
    assert_eq!(approve("L3"), Some(2), "roles are not kept");
    add(&[]);
    assert_eq!(approve("Q1"), Some(2));
    assert_eq!(approve("L3"), Some(1), "no certification is on record");
    add(&["--certified-until", "2999-12-31"]);
    assert_eq!(approve("L3"), Some(2), "approved twice");
    let args = ["people", "add", "L4", "--author", "L3", "--role", "level3"];
    assert_eq!(run(job, &[&args[..], &["--certified-until", "2999-12-31"]].concat()), Some(0));
    assert_eq!(approve("L4"), Some(0));
    assert_eq!(run(job, &["ledger", "verify"]), Some(0));
}
