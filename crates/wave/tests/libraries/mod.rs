//! Values of this crate against general-purpose numerical libraries (SciPy, mpmath, NumPy).
//!
//! The values are written to a file, which `checks/physics.py` reads; it computes each again by its
//! own way and prints one table. `BARWRIGHT_PYTHON` names an interpreter that has the libraries; then
//! the comparison must run. Without it python3 is tried, and the test says so loudly if that fails.

mod bars;
mod basics;

use std::path::Path;
use std::process::Command;

use num_complex::Complex64;
use serde_json::{Value, json};

/// A complex number as the file carries it.
fn pair(z: Complex64) -> Value {
    json!([z.re, z.im])
}

// Truth: independent code (SciPy, mpmath and NumPy; the formulas written again for them). Each
// tolerance stands with its reason in the script.
#[test]
fn general_purpose_libraries_agree() {
    let cases: Vec<Value> = [basics::cases(), bars::cases()].concat();
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let (values, table) = (folder.join("physics.json"), folder.join("checks-outside.txt"));
    let text = serde_json::to_string(&json!({ "cases": cases })).expect("JSON");
    std::fs::write(&values, text).expect("the test's folder can be written");
    let named = std::env::var("BARWRIGHT_PYTHON").ok();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../checks/physics.py");
    let python = named.clone().unwrap_or_else(|| "python3".into());
    let run = Command::new(&python).arg(script).arg(&values).output();
    let missing = match &run {
        Err(e) => Some(format!("{python}: {e}")),
        Ok(run) if run.status.code() == Some(3) => {
            Some(String::from_utf8_lossy(&run.stderr).into_owned())
        }
        Ok(_) => None,
    };
    if let Some(why) = missing {
        assert!(named.is_none(), "BARWRIGHT_PYTHON is set, but the libraries are not there: {why}");
        eprintln!("SKIPPED: {why}");
        return;
    }
    let run = run.expect("it ran");
    let said = String::from_utf8_lossy(&run.stdout);
    std::fs::write(table, said.as_bytes()).expect("the test's folder can be written");
    println!("{said}");
    assert!(run.status.success(), "{said}{}", String::from_utf8_lossy(&run.stderr));
}
