//! The chain on measured data: a 50 mm steel block with one side-drilled hole stated at 25 mm.

use crate::support::{job, json, number, shared};

/// Truth: measurement. The public data set states the hole at 25 mm and the block at 50 mm; the
/// bounds (0.5 mm, 1 mm) are those within which its own images agree with that statement.
#[test]
fn a_measured_block_ends_with_its_one_hole() {
    let Some(data) = shared("data/fmc-steel-sdh") else { return };
    let data = data.to_str().expect("a plain path");
    let folder = tempfile::tempdir().expect("a folder");
    let j = folder.path();
    job(j, &["example", "block-50"], 0);
    job(j, &["plan"], 0);
    job(j, &["refbar"], 0);
    let said = job(j, &["capture", "import", data, "--name", "first"], 0);
    assert!(said.out.contains("source traces at full scale"), "{}", said.out);
    // Beams whose back wall holds clipped traces ask for a pass at lower gain: attention.
    let first = j.join("captures/first.parquet");
    job(j, &["level", first.to_str().expect("path")], 1);
    let level = json(&j.join("level.json"));
    let states: Vec<&str> = level["body"]["beams"]
        .as_array()
        .expect("beams")
        .iter()
        .map(|b| b["state"].as_str().expect("state"))
        .collect();
    assert!(states.contains(&"clipped"), "{states:?}");
    assert!(states.iter().all(|s| ["clipped", "inside", "corrected"].contains(s)), "{states:?}");
    let findings = level["body"]["findings"].to_string();
    assert!(findings.contains("clipped"), "{findings}");

    job(j, &["capture", "import", data, "--levelled", "--name", "second"], 0);
    let second = j.join("captures/second.parquet");
    // Without a sound level nothing counts as inspected: attention.
    job(j, &["screen", second.to_str().expect("path")], 1);
    let screened = json(&j.join("bars/block.screened.json"));
    let findings = screened["body"]["findings"].to_string();
    assert!(findings.contains("clipped"), "the clipped back wall is a finding: {findings}");

    // The hole is over every limit of the bench rules, so the block is not released.
    job(j, &["sentence", "block"], 1);
    let judgement = json(&j.join("bars/block.judgement.json"));
    let indications = judgement["body"]["indications"].as_array().expect("a list");
    assert_eq!(indications.len(), 1, "{indications:#?}");
    let hole = &indications[0];
    let depth_mm = number(&hole["depth_m"]) * 1e3;
    let x_mm = number(&hole["place"]["x"]) * 1e3;
    assert!((depth_mm - 25.0).abs() <= 0.5, "hole at {depth_mm} mm");
    assert!(x_mm.abs() <= 1.0, "hole {x_mm} mm from the middle");
    assert_ne!(judgement["body"]["verdict"], "release");

    let walls = back_walls_mm(j);
    assert!(!walls.is_empty());
    for wall in walls {
        assert!((wall - 50.0).abs() <= 1.0, "back wall at {wall} mm");
    }

    for what in ["order", "station", "rules", "technique", "level"] {
        job(j, &["ledger", "add", what, "--author", "test"], 0);
    }
    job(j, &["ledger", "add", "bar", "block", "--author", "test"], 0);
    job(j, &["ledger", "add", "judgement", "block", "--author", "test"], 0);
    let entries = job(j, &["--json", "ledger", "show", "--bar", "block"], 0);
    let entries: serde_json::Value = serde_json::from_str(&entries.out).expect("JSON");
    assert_eq!(entries.as_array().expect("entries").len(), 2);
    job(j, &["ledger", "verify"], 0);
    let bars = job(j, &["ledger", "bars"], 0).out;
    assert!(bars.contains("rejected"), "{bars}");
}

/// Depths of the back-wall echoes of the second capture, in mm.
fn back_walls_mm(folder: &std::path::Path) -> Vec<f64> {
    let technique = json(&folder.join("technique.json"));
    let table =
        barwright_capture::read_echoes(&folder.join("bars/block.echoes.parquet")).expect("echoes");
    let beams = technique["body"]["beams"].as_array().expect("beams");
    table
        .echoes
        .iter()
        .filter(|e| beams[e.beam as usize]["gates"][e.gate as usize]["kind"] == "back_wall")
        .map(|e| {
            e.after_surface_s * number(&beams[e.beam as usize]["axis"]["velocity_m_s"]) / 2.0 * 1e3
        })
        .collect()
}

/// A capture formed for one technique must not be judged by another.
#[test]
fn a_capture_for_another_technique_is_refused_by_hash() {
    let Some(data) = shared("data/fmc-steel-sdh") else { return };
    let folder = tempfile::tempdir().expect("a folder");
    let j = folder.path();
    job(j, &["example", "block-50"], 0);
    job(j, &["plan"], 0);
    job(j, &["refbar"], 0);
    job(j, &["capture", "import", data.to_str().expect("path")], 0);
    let order = j.join("order.toml");
    let text = std::fs::read_to_string(&order).expect("order");
    std::fs::write(&order, text.replace("thickness_mm = 50.0", "thickness_mm = 51.0"))
        .expect("write");
    job(j, &["plan"], 0);
    job(j, &["refbar"], 0);
    let capture = j.join("captures/still.parquet");
    let said = job(j, &["level", capture.to_str().expect("path")], 2);
    assert!(said.err.contains("technique"), "{}", said.err);
    assert!(!j.join("level.json").exists(), "nothing may be written");
}
