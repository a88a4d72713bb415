//! What the benchmarks share: timing, a peer in another language run beside us, one table.
//!
//! A peer is a Python script in `benches/peers/` that prints one JSON object a line,
//! `{"case": "...", "seconds": 0.1}`, for the cases it knows. It runs in the same minute on the same
//! machine, so the ratio means something where seconds do not.
#![allow(dead_code)]

use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

/// Shortest and median wall time in seconds of `runs` calls, after one that does not count.
pub fn time_s<T>(runs: usize, mut call: impl FnMut() -> T) -> Timing {
    std::hint::black_box(call());
    let mut times: Vec<f64> = (0..runs.max(1))
        .map(|_| {
            let clock = Instant::now();
            std::hint::black_box(call());
            clock.elapsed().as_secs_f64()
        })
        .collect();
    times.sort_by(f64::total_cmp);
    Timing { least_s: times[0], median_s: times[times.len() / 2] }
}

/// Wall times of one case.
#[derive(Debug, Clone, Copy)]
pub struct Timing {
    /// Shortest run.
    pub least_s: f64,
    /// Median run.
    pub median_s: f64,
}

/// Seconds of every case a peer script knows; empty, with a loud line, where it cannot run.
///
/// `BARWRIGHT_PYTHON` names the interpreter; `python3` otherwise.
pub fn peer(script: &str) -> BTreeMap<String, f64> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/peers").join(script);
    let python = std::env::var("BARWRIGHT_PYTHON").unwrap_or_else(|_| "python3".into());
    let run = Command::new(python).arg(&path).stderr(Stdio::inherit()).output();
    let output = match run {
        Ok(output) if output.status.success() => output,
        Ok(output) => {
            eprintln!("SKIPPED: the peer {script} ended with {}", output.status);
            return BTreeMap::new();
        }
        Err(error) => {
            eprintln!("SKIPPED: no Python for the peer {script}: {error}");
            return BTreeMap::new();
        }
    };
    String::from_utf8_lossy(&output.stdout)
        .lines()
        .filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok())
        .filter_map(|v| Some((v["case"].as_str()?.to_owned(), v["seconds"].as_f64()?)))
        .collect()
}

/// One line of the printed table.
pub struct Row {
    /// What was computed.
    pub case: String,
    /// Our time.
    pub ours: Timing,
    /// The peer's name and seconds, if it ran.
    pub peer: Option<(String, f64)>,
    /// Rate, share of peak, accuracy: whatever makes the figure readable.
    pub note: String,
}

/// Prints rows as a table, ratios as peer over ours.
pub fn print(title: &str, rows: &[Row]) {
    println!("\n{title}");
    println!(
        "{:<46} {:>10} {:>10}  {:<24} {:>10} {:>7}  note",
        "case", "median s", "least s", "peer", "peer s", "ratio"
    );
    for row in rows {
        let (name, seconds, ratio) = match &row.peer {
            Some((name, s)) => {
                (name.as_str(), format!("{s:.4}"), format!("{:.1}", s / row.ours.median_s))
            }
            None => ("-", "-".into(), "-".into()),
        };
        println!(
            "{:<46} {:>10.4} {:>10.4}  {:<24} {:>10} {:>7}  {}",
            row.case, row.ours.median_s, row.ours.least_s, name, seconds, ratio, row.note
        );
    }
}
