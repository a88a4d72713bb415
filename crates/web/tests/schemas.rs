//! The documents of a full folder against the published schemas. Truth: an independent validator.
#![allow(clippy::unwrap_used)]

use crate::support;

use std::path::Path;
use std::process::Command;

use serde_json::Value;

#[tokio::test]
async fn every_document_of_a_full_folder_is_valid() {
    let Some(python) = std::env::var_os("BARWRIGHT_PYTHON") else {
        eprintln!("SKIPPED: BARWRIGHT_PYTHON names no Python with jsonschema");
        return;
    };
    let job = support::everything::everything().await;
    let f = &job.folder;
    let mut documents = vec![
        ("order", f.order_path()),
        ("station", f.station_path()),
        ("rules", f.rules_path()),
        ("technique", f.technique_path()),
        ("coverage-proof", f.proof_path()),
        ("reference-bar", f.reference_path()),
        ("changeover", f.changeover_path()),
        ("level", f.level_path()),
        ("lot-cut", f.cut_plan_path()),
    ];
    documents.extend((1..f.next_check().unwrap()).map(|n| ("check", f.check_path(n))));
    documents.extend(f.bars().unwrap().iter().map(|bar| ("screened-bar", f.screened_path(bar))));
    documents
        .extend(f.judged_bars().unwrap().iter().map(|bar| ("judgement", f.judgement_path(bar))));
    let project = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let read = Command::new(python)
        .arg(project.join("checks/schemas.py"))
        .arg(project.join("docs/schemas"))
        .args(documents.iter().map(|(name, path)| format!("{name}={}", path.display())))
        .output()
        .unwrap();
    let err = String::from_utf8_lossy(&read.stderr);
    if read.status.code() == Some(3) {
        eprintln!("{err}");
        return;
    }
    let said: Value = serde_json::from_slice(&read.stdout).unwrap_or_else(|_| panic!("{err}"));
    for (name, path) in &documents {
        let error = &said[path.to_str().unwrap()];
        assert!(error.is_null(), "{name} {}: {error}", path.display());
    }
}
