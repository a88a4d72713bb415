//! Bad input is refused with place and number; nothing is half written, nothing is lost.

use std::path::Path;

use crate::support::job;

/// A job folder with the round example, its order changed.
fn round_with(from: &str, to: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    job(folder.path(), &["example", "round-42"], 0);
    let order = folder.path().join("order.toml");
    let text = std::fs::read_to_string(&order).expect("order");
    assert!(text.contains(from), "the example no longer holds {from}");
    std::fs::write(order, text.replacen(from, to, 1)).expect("write");
    folder
}

fn files_of(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .expect("folder")
        .map(|e| e.expect("entry").file_name().into_string().expect("plain"))
        .collect();
    names.sort();
    names
}

#[test]
fn malformed_orders_name_file_line_and_key_and_write_nothing() {
    for (from, to, wanted) in [
        (
            "diameter_mm = 42.0",
            "diameter_mm = \"forty\"",
            vec!["order.toml:12:15", "section.round.diameter_mm"],
        ),
        (
            "diameter_mm = 42.0",
            "diametre_mm = 42.0",
            vec!["diametre_mm", "did you mean `diameter_mm`?"],
        ),
        ("diameter_mm = 42.0", "diameter_mm = -42.0", vec!["section.round.diameter_mm", "-42 mm"]),
        ("diameter_mm = 42.0", "diameter_mm = nan", vec!["NaN"]),
        ("diameter_mm = 42.0", "diameter_mm = = 42.0", vec!["order.toml:12"]),
        (
            "longitudinal_m_s = 5920.0",
            "longitudinal_m_s = 0.0",
            vec!["longitudinal velocity", "0 m/s"],
        ),
        ("format = 1", "format = 9", vec!["format 9", "newer"]),
    ] {
        let folder = round_with(from, to);
        let before = files_of(folder.path());
        let said = job(folder.path(), &["plan"], 2);
        for word in wanted {
            let words: Vec<&str> = said.err.split_whitespace().filter(|w| *w != "│").collect();
            assert!(words.join(" ").contains(word), "{to}: no {word:?} in\n{}", said.err);
        }
        assert_eq!(files_of(folder.path()), before, "{to}");
    }
}

#[test]
fn a_missing_a_damaged_and_a_newer_document_are_three_errors() {
    let folder = round_with("diameter_mm = 42.0", "diameter_mm = 42.0");
    let j = folder.path();
    let absent = job(j, &["refbar"], 2).err;
    assert!(absent.contains("there is no such file"), "{absent}");
    job(j, &["plan"], 0);
    let path = j.join("technique.json");
    let whole = std::fs::read_to_string(&path).expect("technique");
    std::fs::write(&path, &whole[..whole.len() / 2]).expect("write");
    let corrupt = job(j, &["refbar"], 2).err;
    assert!(corrupt.contains("damaged"), "{corrupt}");
    std::fs::write(&path, whole.replacen("\"format\": 1", "\"format\": 7", 1)).expect("write");
    let newer = job(j, &["refbar"], 2).err;
    assert!(newer.contains("newer"), "{newer}");
    assert!(!j.join("reference-bar.json").exists());
}

/// A sealed technique whose content cannot be: sealed anew, so that only its meaning is wrong.
#[test]
fn an_impossible_technique_is_refused_with_the_number() {
    use barwright_job::{Sealed, Technique};
    let folder = round_with("diameter_mm = 42.0", "diameter_mm = 42.0");
    let j = folder.path();
    job(j, &["plan"], 0);
    let path = j.join("technique.json");
    let text = std::fs::read_to_string(&path).expect("technique");
    let whole = Sealed::<Technique>::from_json("technique", &text).expect("as planned");
    type Spoil = fn(&mut Technique);
    let cases: [(Spoil, &str); 4] = [
        (|t| t.beams[0].first_element = 90, "its probe has 96 elements"),
        (|t| t.beams[0].gates[0].end_s = 1.0, "lies inside the record"),
        (|t| t.beams[1].probe = 9, "has 6 probes"),
        (|t| t.line_speed_m_s = -1.0, "line_speed_m_s is -1 m/s"),
    ];
    for (spoil, wanted) in cases {
        let mut body = whole.body.clone();
        spoil(&mut body);
        let order = whole.made_from["order"].clone();
        std::fs::write(&path, Sealed::seal(body, [("order", order)]).to_json()).expect("write");
        let said = job(j, &["refbar"], 2);
        let words: Vec<&str> = said.err.split_whitespace().filter(|w| *w != "│").collect();
        assert!(words.join(" ").contains(wanted), "no {wanted:?} in\n{}", said.err);
        assert!(!j.join("reference-bar.json").exists());
    }
}

#[test]
fn an_impossible_order_is_refused_with_the_rule() {
    // Larger than any ring of the station.
    let folder = round_with("diameter_mm = 42.0", "diameter_mm = 90.0");
    let said = job(folder.path(), &["plan"], 2);
    assert!(said.err.contains("65"), "the nearest size that would work is named: {}", said.err);
}

#[test]
fn an_unwritable_folder_is_a_clear_error() {
    let folder = round_with("diameter_mm = 42.0", "diameter_mm = 42.0");
    // A folder under the document's name cannot be replaced by a file, whoever runs this.
    let path = folder.path().join("technique.json");
    std::fs::create_dir(&path).expect("folder");
    std::fs::write(path.join("occupied"), "x").expect("write");
    let said = job(folder.path(), &["plan"], 2);
    assert!(said.err.contains("cannot be written"), "{}", said.err);
    assert!(
        files_of(folder.path()).iter().all(|n| !n.starts_with(".writing")),
        "no temporary file is left"
    );
}

#[test]
fn a_torn_capture_leaves_level_and_ledger_alone() {
    let folder = round_with("diameter_mm = 42.0", "diameter_mm = 42.0");
    let j = folder.path();
    job(j, &["plan"], 0);
    job(j, &["refbar"], 0);
    job(j, &["ledger", "add", "order", "--author", "test"], 0);
    let ledger = std::fs::read(j.join("ledger.db")).expect("ledger");
    std::fs::create_dir(j.join("captures")).expect("folder");
    let torn = j.join("captures/torn.parquet");
    std::fs::write(&torn, b"PAR1 and then nothing").expect("write");
    let said = job(j, &["level", torn.to_str().expect("path")], 2);
    assert!(!said.err.is_empty());
    let absent = j.join("captures/none.parquet");
    let gone = job(j, &["level", absent.to_str().expect("path")], 2);
    assert_ne!(said.err, gone.err, "torn and absent are different errors");
    assert!(!j.join("level.json").exists());
    assert_eq!(std::fs::read(j.join("ledger.db")).expect("ledger"), ledger);
}

#[test]
fn a_folder_that_no_demo_made_is_not_cleared() {
    let folder = tempfile::tempdir().expect("a folder");
    let mine = folder.path().join("mine.txt");
    std::fs::write(&mine, "keep").expect("write");
    let said = job(folder.path(), &["demo", "--out", folder.path().to_str().expect("path")], 2);
    assert!(said.err.contains("no demo made"), "{}", said.err);
    assert_eq!(std::fs::read_to_string(mine).expect("still there"), "keep");
}
