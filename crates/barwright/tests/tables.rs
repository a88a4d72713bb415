//! `export tables` as a person runs it. Own rules: all or nothing, and nothing written over unasked.

use crate::support::{job, json};

#[test]
fn tables_are_written_together_and_over_nothing_unasked() {
    let folder = tempfile::tempdir().expect("a folder");
    job(folder.path(), &["example", "round-42"], 0);
    job(folder.path(), &["plan"], 0);
    let technique = json(&folder.path().join("technique.json"));
    let beams = technique["body"]["beams"].as_array().expect("beams").len();

    let said = job(folder.path(), &["--json", "export", "tables"], 0);
    let told: serde_json::Value = serde_json::from_str(&said.out).expect("JSON");
    let tables = told["tables"].as_array().expect("tables");
    let out = folder.path().join("exports/tables");
    let files = std::fs::read_dir(&out).expect("the folder").count();
    assert_eq!(files, tables.len() + 1, "a file a table, the dictionary, and none half written");
    let of = |name: &str| tables.iter().find(|t| t["table"] == name).expect("a table");
    assert_eq!(of("beams")["rows"], beams);
    assert_eq!(of("beams")["absent"], serde_json::Value::Null);
    assert_eq!(of("indications")["rows"], 0);
    assert_eq!(of("indications")["absent"], "there is no screened bar yet");
    let text = std::fs::read_to_string(out.join("beams.csv")).expect("a table");
    assert_eq!(text.lines().count(), beams + 1);
    assert!(text.starts_with("beam,probe,mode,"), "{text}");

    // The same again changes nothing; what says something else stays unless told.
    job(folder.path(), &["export", "tables"], 0);
    std::fs::write(out.join("beams.csv"), "mine").expect("written");
    std::fs::remove_file(out.join("rings.csv")).expect("removed");
    let said = job(folder.path(), &["export", "tables"], 2);
    assert!(said.err.contains("beams.csv") && said.err.contains("--replace"), "{}", said.err);
    assert_eq!(std::fs::read_to_string(out.join("beams.csv")).expect("kept"), "mine");
    assert!(!out.join("rings.csv").exists(), "nothing is written beside what is refused");
    let said = job(folder.path(), &["--json", "export", "tables", "--replace"], 0);
    let told: serde_json::Value = serde_json::from_str(&said.out).expect("JSON");
    assert_eq!(told["replaced"].as_array().map(Vec::len), Some(1));
    assert_eq!(std::fs::read_to_string(out.join("beams.csv")).expect("written"), text);

    // Some of them, elsewhere, in the other form.
    let to = folder.path().join("elsewhere");
    let to = to.to_str().expect("a plain path");
    let args = ["export", "tables", "--to", to, "--format", "parquet", "beams", "gates", "beams"];
    job(folder.path(), &args, 0);
    let mut names: Vec<String> = std::fs::read_dir(to)
        .expect("the folder")
        .map(|e| e.expect("an entry").file_name().into_string().expect("plain"))
        .collect();
    names.sort();
    assert_eq!(names, ["beams.parquet", "dictionary.csv", "gates.parquet"]);
    let said = job(folder.path(), &["export", "tables", "beam"], 2);
    assert!(said.err.contains("there is no table \"beam\""), "{}", said.err);

    // A damaged document: no table at all, but those that do not rest on it can be had.
    std::fs::write(folder.path().join("technique.json"), "{}").expect("written");
    let none = folder.path().join("none");
    let none = none.to_str().expect("a plain path");
    let said = job(folder.path(), &["export", "tables", "--to", none], 2);
    assert!(said.err.contains("technique.json"), "{}", said.err);
    assert!(!std::path::Path::new(none).exists());
    job(folder.path(), &["export", "tables", "--to", none, "rings"], 0);
}
