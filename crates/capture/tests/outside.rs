//! A foreign reader: Python with pyarrow and numpy, where the machine has them.

use crate::common::{folder, header, shots, write};
use std::path::Path;
use std::process::Command;

// Truth: independent code (Apache Arrow's C++ reader and numpy). Exact: integers.
// BARWRIGHT_PYTHON names an interpreter; python3 otherwise.
#[test]
fn a_foreign_reader_finds_the_same_samples() {
    let dir = folder();
    let (capture, raw) = (dir.path().join("a.capture"), dir.path().join("a.raw"));
    let all = shots(123, 500);
    write(&capture, &header(123), &all);
    let bytes: Vec<u8> = all.samples.iter().flat_map(|x| x.to_le_bytes()).collect();
    std::fs::write(&raw, bytes).expect("written");
    let python = std::env::var("BARWRIGHT_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../checks/capture_reader.py");
    let run = Command::new(python).arg(script).arg(&capture).arg(&raw).output();
    match run {
        Err(e) => eprintln!("SKIPPED: no Python: {e}"),
        Ok(run) if run.status.code() == Some(3) => {
            eprintln!("SKIPPED: {}", String::from_utf8_lossy(&run.stderr));
        }
        Ok(run) => assert!(
            run.status.success(),
            "{}{}",
            String::from_utf8_lossy(&run.stdout),
            String::from_utf8_lossy(&run.stderr)
        ),
    }
}
