//! JSON Schemas of all documents. Truth: an independent validator, beside our own readers.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::support::{barwright, job, json};
use barwright_job::{Hash, Order, Rules, Sealed, Station, Technique};
use serde_json::Value;

fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(path)
}

// Our own golden files, made from the types: BARWRIGHT_WRITE=1 writes them anew.
#[test]
fn the_published_schemas_are_those_of_the_program() {
    let folder = tempfile::tempdir().expect("a folder");
    let to = folder.path().to_str().expect("a plain path");
    let said = barwright(&["--json", "export", "schemas", "--to", to]);
    assert_eq!(said.code, 0, "{}", said.err);
    let told: Value = serde_json::from_str(&said.out).expect("JSON");
    let names: Vec<&str> =
        told["schemas"].as_array().expect("names").iter().filter_map(Value::as_str).collect();
    assert_eq!(names.len(), 18);
    let published = project("docs/schemas");
    for name in &names {
        let made = std::fs::read_to_string(folder.path().join(name)).expect("a schema");
        if std::env::var_os("BARWRIGHT_WRITE").is_some() {
            std::fs::create_dir_all(&published).expect("the folder");
            std::fs::write(published.join(name), &made).expect("written");
        }
        let kept = std::fs::read_to_string(published.join(name)).unwrap_or_default();
        assert!(kept == made, "docs/schemas/{name} is old: write it anew with BARWRIGHT_WRITE=1");
    }
    let there = std::fs::read_dir(&published).expect("the folder").count();
    assert_eq!(there, names.len(), "a schema of no document lies in docs/schemas");

    // Written over nothing unasked.
    std::fs::write(folder.path().join(names[0]), "mine").expect("written");
    let refused = barwright(&["export", "schemas", "--to", to]);
    assert!(refused.code == 2 && refused.err.contains("--replace"), "{}", refused.err);
    assert_eq!(barwright(&["export", "schemas", "--to", to, "--replace"]).code, 0);
}

/// What the validator says of documents: nothing where it is not there.
fn validated(documents: &[(String, PathBuf)]) -> Option<Value> {
    let Some(python) = std::env::var_os("BARWRIGHT_PYTHON") else {
        eprintln!("SKIPPED: BARWRIGHT_PYTHON names no Python with jsonschema");
        return None;
    };
    let of = |(name, path): &(String, PathBuf)| format!("{name}={}", path.display());
    let read = Command::new(python)
        .arg(project("checks/schemas.py"))
        .arg(project("docs/schemas"))
        .args(documents.iter().map(of))
        .output()
        .expect("Python starts");
    let err = String::from_utf8_lossy(&read.stderr);
    match read.status.code() {
        Some(3) => {
            eprintln!("{err}");
            None
        }
        Some(0 | 1) => Some(serde_json::from_slice(&read.stdout).expect("JSON")),
        other => panic!("{other:?}: {err}"),
    }
}

#[test]
fn every_example_is_valid() {
    let mut documents = Vec::new();
    for entry in std::fs::read_dir(project("examples")).expect("the examples") {
        let path = entry.expect("an entry").path();
        let name = path.file_name().and_then(|n| n.to_str()).expect("a plain name");
        let kinds = ["order", "station", "rules", "scene", "import-map"];
        // The house's own settings are no document of a job.
        if let Some(kind) = kinds.iter().find(|k| name.starts_with(*k) && name.ends_with(".toml")) {
            documents.push(((*kind).to_owned(), path));
        }
    }
    assert!(documents.len() > 25, "{documents:?}");
    let Some(said) = validated(&documents) else { return };
    for (document, error) in said.as_object().expect("answers") {
        assert!(error.is_null(), "{document}: {error}");
    }
}

// Own rule: what a schema refuses our reader refuses, and the other way round, in these cases: an unknown key, a
// wrong type, a missing key, a later format, an unknown word. (A reader knows more: limits and what fits together.)
#[test]
fn what_a_schema_refuses_the_reader_refuses() {
    let folder = tempfile::tempdir().expect("a folder");
    job(folder.path(), &["example", "round-42"], 0);
    let text = |name: &str| std::fs::read_to_string(folder.path().join(name)).expect("a document");
    let reads = |kind: &str, text: &str| match kind {
        "order" => Order::from_toml("o", text).is_ok(),
        "station" => Station::from_toml("s", text).is_ok(),
        _ => Rules::from_toml("r", text).is_ok(),
    };
    let mut documents = Vec::new();
    let mut add = |kind: &str, case: &str, text: &str, good: bool| {
        assert_eq!(reads(kind, text), good, "{kind}, {case}");
        let path = folder.path().join(format!("{kind}-{case}.toml"));
        std::fs::write(&path, text).expect("written");
        documents.push((kind.to_owned(), path));
    };
    for kind in ["order", "station", "rules"] {
        let good = text(&format!("{kind}.toml"));
        let changed = |from: &str, to: &str| {
            assert!(good.contains(from), "{kind} has no {from}");
            good.replacen(from, to, 1)
        };
        add(kind, "good", &good, true);
        add(kind, "unknown", &format!("surplus = 1\n{good}"), false);
        add(kind, "type", &changed("format = ", "format = \"one\" # "), false);
        add(kind, "later", &changed("format = ", "format = 99 # "), false);
        add(kind, "missing", &changed("format = ", "# "), false);
    }
    add("rules", "word", &text("rules.toml").replacen("action = \"", "action = \"no-", 1), false);
    let Some(said) = validated(&documents) else { return };
    for (_, path) in &documents {
        let good = path.to_str().is_some_and(|p| p.ends_with("-good.toml"));
        let error = &said[path.to_str().expect("a plain path")];
        assert_eq!(error.is_null(), good, "{}: {error}", path.display());
    }
}

// The same of a sealed document: its seal is made anew after each change, so that it is not what refuses.
#[test]
fn a_sealed_document_is_held_by_both() {
    let folder = tempfile::tempdir().expect("a folder");
    job(folder.path(), &["example", "round-42"], 0);
    job(folder.path(), &["plan"], 0);
    let good = json(&folder.path().join("technique.json"));
    let sealed = |mut value: Value| {
        value.as_object_mut().expect("a document").remove("hash");
        value.sort_all_objects();
        value["hash"] = Value::from(Hash::of(value.to_string().as_bytes()).0);
        value.to_string()
    };
    let changed = |path: &str, to: Value| {
        let mut value = good.clone();
        *value.pointer_mut(path).expect("a place") = to;
        value
    };
    let cases = [
        ("good", good.clone(), true),
        ("type", changed("/body/beams/0/gain_db", "loud".into()), false),
        ("word", changed("/body/beams/0/gates/0/kind", "elsewhere".into()), false),
        ("kind", changed("/document", "level".into()), false),
        ("later", changed("/format", 99.into()), false),
        ("null", changed("/body/probes", Value::Null), false),
    ];
    let mut documents = Vec::new();
    for (case, value, good) in cases {
        let text = sealed(value);
        assert_eq!(Sealed::<Technique>::from_json("t", &text).is_ok(), good, "{case}");
        let path = folder.path().join(format!("{case}.json"));
        std::fs::write(&path, text).expect("written");
        documents.push(("technique".to_owned(), path));
    }
    let Some(said) = validated(&documents) else { return };
    for (_, path) in &documents {
        let good = path.ends_with("good.json");
        let error = &said[path.to_str().expect("a plain path")];
        assert_eq!(error.is_null(), good, "{}: {error}", path.display());
    }
}
