//! Runs the program as a person would, in folders of its own.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// What a run said.
pub struct Said {
    pub code: i32,
    pub out: String,
    pub err: String,
}

/// Runs the program.
pub fn barwright(args: &[&str]) -> Said {
    let output = Command::new(env!("CARGO_BIN_EXE_barwright"))
        .args(args)
        .output()
        .expect("the program starts");
    said(&output)
}

fn said(output: &Output) -> Said {
    Said {
        code: output.status.code().expect("it ends by itself"),
        out: String::from_utf8_lossy(&output.stdout).into_owned(),
        err: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

/// Runs the program on a job folder and demands an exit status.
pub fn job(folder: &Path, args: &[&str], code: i32) -> Said {
    let mut all = vec!["--job", folder.to_str().expect("a plain path")];
    all.extend(args);
    let said = barwright(&all);
    assert_eq!(said.code, code, "barwright {args:?}\n{}\n{}", said.out, said.err);
    said
}

/// A folder beside the project that may be absent; says so loudly.
pub fn shared(name: &str) -> Option<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared").join(name);
    if path.is_dir() {
        return Some(path);
    }
    eprintln!("SKIPPED: the folder {name} of outside data is not beside the project");
    None
}

/// A JSON document.
pub fn json(path: &Path) -> serde_json::Value {
    let text = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    serde_json::from_str(&text).expect("JSON")
}

/// A number inside a JSON document.
pub fn number(value: &serde_json::Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is not a number"))
}
