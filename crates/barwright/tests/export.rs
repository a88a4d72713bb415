//! Records for other programs. Truth: independent code (pydicom, checks/dicom_reader.py) reads the object of a
//! bar of the demo and finds what its documents say; own rules for what is written and refused.

use std::path::Path;
use std::process::Command;

use crate::support::{barwright, job};

/// Runs the check of objects over a bar; an interpreter that has no pydicom is told.
fn read_by_others(folder: &Path, object: &Path, bar: &str) {
    let Some(python) = std::env::var_os("BARWRIGHT_PYTHON") else {
        eprintln!("SKIPPED: BARWRIGHT_PYTHON names no Python with pydicom");
        return;
    };
    let order = std::fs::read_to_string(folder.join("order.toml")).expect("the order");
    let order = barwright_job::Order::from_toml("order.toml", &order).expect("an order");
    let as_json = folder.join("order.json");
    std::fs::write(&as_json, serde_json::to_string(&order).expect("JSON")).expect("written");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../checks/dicom_reader.py");
    let at = |name: &str| folder.join(name);
    let said = Command::new(python)
        .args([&script, object, &at(&format!("bars/{bar}.screened.json"))])
        .args([&at(&format!("bars/{bar}.judgement.json")), &at("technique.json")])
        .args([&at("level.json"), &as_json])
        .output()
        .expect("the check runs");
    let (out, err) = (String::from_utf8_lossy(&said.stdout), String::from_utf8_lossy(&said.stderr));
    assert_eq!(said.status.code(), Some(0), "{out}{err}");
    eprintln!("bar {bar}: {out}");
}

#[test]
fn a_bar_of_the_demo_goes_out_and_others_read_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let demo = folder.path().join("demo");
    let said = barwright(&["demo", "--bars", "4", "--out", demo.to_str().expect("plain")]);
    assert_eq!(said.code, 0, "{}", said.err);
    for bar in ["01", "02", "03", "04"] {
        let said = job(&demo, &["export", "diconde", bar, "--json"], 0);
        let told: serde_json::Value = serde_json::from_str(&said.out).expect("JSON");
        let object = demo.join(format!("exports/bar-{bar}.dcm"));
        let bytes = std::fs::read(&object).expect("the object");
        assert_eq!(told["bytes"], bytes.len());
        assert_eq!(told["hash"], barwright_job::Hash::of(&bytes).0);
        assert!(told["map"]["peaks"].as_u64().expect("a map") > 10_000, "{told:#}");
        assert_eq!(told["amiss"], serde_json::Value::Null);
        assert!(!told["left_open"].as_array().expect("a list").is_empty());
        read_by_others(&demo, &object, bar);

        // The same record, the same bytes, whenever it is asked for; also over an object that is there.
        let again = job(&demo, &["export", "diconde", bar], 0);
        assert!(again.out.contains("left open:"), "{}", again.out);
        assert!(bytes == std::fs::read(&object).expect("the object"), "bar {bar}");
    }

    // What is no object is never written over, nor a folder; a bar that nobody entered has none.
    let ledger = std::fs::read(demo.join("ledger.db")).expect("the ledger");
    let at = |name: &str| demo.join(name).to_str().expect("plain").to_owned();
    for name in ["ledger.db", "order.toml", "bars"] {
        let said = job(&demo, &["export", "diconde", "01", "--out", &at(name)], 2);
        assert!(said.err.contains("--out"), "{}", said.err);
    }
    assert!(ledger == std::fs::read(demo.join("ledger.db")).expect("the ledger"));
    job(&demo, &["export", "diconde", "99"], 2);
    assert!(!demo.join("exports/bar-99.dcm").exists());

    // A table of peaks that screening did not write does not go out: the object says so, and the command.
    let echoes = std::fs::read(demo.join("bars/02.echoes.parquet")).expect("peaks");
    std::fs::write(demo.join("bars/01.echoes.parquet"), echoes).expect("written");
    let said = job(&demo, &["export", "diconde", "01", "--json"], 1);
    let told: serde_json::Value = serde_json::from_str(&said.out).expect("JSON");
    assert_eq!(told["map"], serde_json::Value::Null);
    assert!(told["amiss"].as_str().expect("words").contains("not the one that screening wrote"));
    assert_eq!(told["sop_class"], "1.2.840.10008.5.1.4.1.1.66");
    read_by_others(&demo, &demo.join("exports/bar-01.dcm"), "01");

    // A judgement that the ledger does not hold approves nothing.
    let decide = ["decide", "02", "hold", "--by", "L3", "--reason", "to be looked at again"];
    job(&demo, &decide, 1);
    let said = job(&demo, &["export", "diconde", "02", "--json"], 0);
    let told: serde_json::Value = serde_json::from_str(&said.out).expect("JSON");
    assert_eq!((&told["outcome"], &told["released"]), (&"HELD".into(), &false.into()));
}
