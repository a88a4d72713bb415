//! A-scans of another system become a capture that is screened like any other. Truth: round trip.

use std::fmt::Write as _;

use crate::support::{job, json};

#[test]
fn imported_shots_are_screened_and_exported_as_they_came() {
    let folder = tempfile::tempdir().expect("a folder");
    job(folder.path(), &["example", "round-42"], 0);
    job(folder.path(), &["plan"], 0);
    let technique = json(&folder.path().join("technique.json"));
    let record = &technique["body"]["record"];
    let samples = record["samples"].as_u64().expect("a count");
    let beams = technique["body"]["beams"].as_array().expect("beams").len();
    let mut csv = String::from("beam,t,z");
    (0..samples).for_each(|k| write!(csv, ",s{k}").expect("text"));
    for shot in 0..2 * beams {
        let cycle = shot / beams;
        write!(csv, "\n{},{},{}", shot % beams, cycle * 4, cycle * 3).expect("text");
        (0..samples).for_each(|k| write!(csv, ",{}", (k * 7 + shot as u64) % 100).expect("text"));
    }
    let at = |name: &str| folder.path().join(name).to_str().expect("plain").to_owned();
    std::fs::write(at("shots.csv"), csv + "\n").expect("written");
    let map = format!(
        "format = 1\n[csv.columns]\nbeam = \"beam\"\ntime_ms = \"t\"\nz_mm = \"z\"\nfirst_sample = \"s0\"\n\
         [samples]\nfull_scale = 32767.0\nsample_rate_mhz = {}\nfirst_sample_us = {}\n",
        record["sample_rate_hz"].as_f64().expect("a rate") / 1e6,
        record["first_sample_s"].as_f64().expect("a time") * 1e6,
    );
    std::fs::write(at("map.toml"), &map).expect("written");

    let (shots, map) = (at("shots.csv"), at("map.toml"));
    let args = [
        "capture",
        "import-shots",
        &shots,
        "--map",
        &map,
        "--length-mm",
        "6",
        "--bar",
        "0001",
        "--kind",
        "still",
    ];
    let said = job(folder.path(), &args, 0);
    assert!(said.out.contains(&format!("{} shots of bar 0001 (6 mm)", 2 * beams)), "{}", said.out);
    let capture = at("captures/0001.parquet");

    // All of so short a bar is its unguided end; the capture itself is taken whole.
    job(folder.path(), &["screen", &capture, "--unlevelled"], 0);
    let screened = json(&folder.path().join("bars/0001.screened.json"));
    assert_eq!(screened["body"]["shots"], 2 * beams);

    let (out, echoes) = (at("out/again.csv"), at("out/echoes.csv"));
    job(folder.path(), &["capture", "export", &capture, "--csv", &out], 0);
    job(folder.path(), &["capture", "export-echoes", "0001", "--csv", &echoes], 0);
    assert!(std::fs::read_to_string(&echoes).expect("read").lines().count() > beams);
    let beside = format!("{out}.map.toml");
    let again = ["capture", "import-shots", &out, "--map", &beside, "--name", "again"];
    job(folder.path(), &again, 0);
    // The same shots and header but for the origin, which the map carries on: the same bytes.
    let bytes = |name: &str| std::fs::read(at(name)).expect("a capture");
    assert!(bytes("captures/0001.parquet") == bytes("captures/again.parquet"));

    // A map that does not fit says so with its key, and leaves no capture.
    let text = std::fs::read_to_string(at("map.toml")).expect("read");
    std::fs::write(at("bad.toml"), text.replace("time_ms", "time_msec")).expect("written");
    let bad = at("bad.toml");
    let said = job(folder.path(), &["capture", "import-shots", &shots, "--map", &bad], 2);
    assert!(said.err.contains("time_msec") && said.err.contains("time_ms"), "{}", said.err);
    // The capture itself is never written over.
    let said = job(folder.path(), &["capture", "export", &capture, "--parquet", &capture], 2);
    assert!(said.err.contains("capture itself"), "{}", said.err);
}
