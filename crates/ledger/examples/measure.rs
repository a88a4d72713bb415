//! Measures a ledger on this machine: entries a second, one durable append after the other and a
//! hundred at once, and the time to verify and to derive all states.
//!
//! `cargo run --release -p barwright-ledger --example measure [entries]`

use std::{
    error::Error,
    time::{Instant, SystemTime},
};

use barwright_job::{Hash, Measures, judgement::Verdict};
use barwright_ledger::{
    BarKey, Ledger, Record,
    record::{CheckFacts, Facts, JudgementFacts, Origin, ScreenedFacts},
    store::Stamped,
};

const MINUTE_US: i64 = 60_000_000;

fn origin(name: &str, sources: &[(&str, Hash)]) -> Origin {
    Origin {
        document: Hash::of(name.as_bytes()),
        made_from: sources.iter().map(|(role, hash)| ((*role).to_owned(), hash.clone())).collect(),
    }
}

/// A day at a line: a check every sixty bars, each bar screened and judged.
fn record(i: i64) -> Record {
    let (technique, level) = (Hash::of(b"technique"), Hash::of(b"level"));
    let setting = [("technique", technique.clone()), ("level", level.clone())];
    let bar = BarKey::new("H7", (i / 2).to_string());
    let (subject, facts) = if i % 120 == 0 {
        let facts = CheckFacts {
            origin: origin(&format!("check {i}"), &setting),
            technique,
            level,
            good: true,
            interval_h: 4.0,
            passes: 3,
            findings: vec![],
            program: None,
            due_at_operator: false,
            measures: Measures::default(),
        };
        ("line 2".to_owned(), Facts::Check(facts))
    } else if i % 2 == 0 {
        let facts = ScreenedFacts {
            origin: origin(&format!("bar {i}"), &setting),
            bar: bar.clone(),
            technique,
            level: Some(level),
            length_m: 6.0,
            program: None,
        };
        (bar.to_string(), Facts::BarScreened(facts))
    } else {
        let screened = Hash::of(format!("bar {}", i - 1).as_bytes());
        let facts = JudgementFacts {
            origin: origin(&format!("judgement {i}"), &[("screened", screened.clone())]),
            bar: bar.clone(),
            screened,
            verdict: Verdict::Release,
            reasons: vec![],
            kept_m: vec![[0.05, 5.95]],
            decided_by: None,
        };
        (bar.to_string(), Facts::Judgement(facts))
    };
    Record { subject, line: "line 2".to_owned(), facts }
}

fn main() -> Result<(), Box<dyn Error>> {
    let entries: i64 = std::env::args().nth(1).map_or(Ok(100_000), |n| n.parse())?;
    let folder = tempfile::tempdir_in(".")?;
    let path = folder.path().join("ledger.db");
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH)?;
    let start_us = i64::try_from(since.as_micros())?;
    let ledger = Ledger::create(&path, "measured", start_us)?;

    let single = entries.min(2000);
    let mut each_us = Vec::new();
    let begin = Instant::now();
    for i in 0..single {
        let one = Instant::now();
        ledger.append(&record(i), "measure", start_us + i * MINUTE_US)?;
        each_us.push(one.elapsed().as_micros());
    }
    let s = begin.elapsed().as_secs_f64();
    each_us.sort_unstable();
    println!(
        "one by one, durable: {single} in {s:.2} s, {:.0} a second; median {} µs, 99 % {} µs",
        single as f64 / s,
        each_us[each_us.len() / 2],
        each_us[each_us.len() * 99 / 100],
    );

    let begin = Instant::now();
    let stamped: Vec<Stamped> = (single..entries)
        .map(|i| Stamped {
            record: record(i),
            author: "measure".to_owned(),
            time_us: start_us + i * MINUTE_US,
        })
        .collect();
    for hundred in stamped.chunks(100) {
        ledger.append_all(hundred)?;
    }
    let s = begin.elapsed().as_secs_f64();
    let rest = entries - single;
    println!("a hundred at once: {rest} in {s:.2} s, {:.0} a second", rest as f64 / s);

    let begin = Instant::now();
    let found = ledger.verify(None)?;
    let s = begin.elapsed().as_secs_f64();
    println!("verified {} entries in {s:.2} s, whole: {}", found.entries, found.is_whole());

    let begin = Instant::now();
    let bars = ledger.bars(start_us + entries * MINUTE_US)?;
    println!("states of {} bars in {:.2} s", bars.len(), begin.elapsed().as_secs_f64());

    for bar in ["77", "7777", "17777"] {
        let begin = Instant::now();
        let made = ledger.by_bar(&BarKey::new("H7", bar))?;
        let ms = begin.elapsed().as_secs_f64() * 1e3;
        println!("{} entries of one bar in {ms:.1} ms", made.len());
    }
    drop(ledger);
    println!("file: {:.1} MB", std::fs::metadata(&path)?.len() as f64 / 1e6);
    Ok(())
}
