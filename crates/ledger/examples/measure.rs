//! Measures a ledger on this machine: durable appends against raw inserts into a table of the same
//! columns, verification, and every question at scale.
//!
//! `cargo run --release -p barwright-ledger --example measure [BARS [INDICATIONS]]`; 1,000,000 bars
//! with 10 indications each need some 8 GB of disk in the current folder.

use std::{error::Error, path::Path, time::Instant};

use barwright_job::{Hash, Measures, judgement::Verdict, proof::FlawClass};
use barwright_ledger::{
    BarKey, Ledger, Record,
    record::{
        CheckFacts, Facts, IndicationFacts, JudgementFacts, LevelFacts, MountFacts, OrderFacts,
        Origin, ScreenedFacts, TechniqueFacts,
    },
    store::{Stamped, questions::Which},
};
use sqlx::{
    Connection as _, SqliteConnection,
    sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteSynchronous},
};

/// As in the program.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

const SECOND_US: i64 = 1_000_000;
/// 2026-11-25 06:00 UTC.
const START_US: i64 = 1_795_586_400_000_000;
/// Bars of a heat, which is an order here.
const HEAT: i64 = 500;
/// Bars between two checks.
const STRETCH: i64 = 125;
const LINE: &str = "line 2";

fn origin(name: &str, sources: &[(&str, &str)]) -> Origin {
    let hash = |name: &str| Hash::of(name.as_bytes());
    Origin {
        document: hash(name),
        made_from: sources.iter().map(|(role, name)| ((*role).to_owned(), hash(name))).collect(),
    }
}

fn record(subject: &str, line: &str, facts: Facts) -> Record {
    Record { subject: subject.to_owned(), line: line.to_owned(), facts }
}

/// The entries of a heat: order, technique, level, and its bars between checks.
fn heat(number: i64, indications: usize) -> Vec<Record> {
    let (name, heat) = (format!("T-{number}"), format!("H{number}"));
    let (technique, level) = (format!("technique {number}"), format!("level {number}"));
    let hash = |name: &str| Hash::of(name.as_bytes());
    let setting: &[(&str, &str)] = &[("technique", &technique), ("level", &level)];
    let check = |n: i64| {
        let facts = CheckFacts {
            origin: origin(&format!("check {number}.{n}"), setting),
            technique: hash(&technique),
            level: hash(&level),
            // The last stretch of every twentieth heat ends badly.
            good: n < HEAT || number % 20 != 7,
            interval_h: 4.0,
            passes: 3,
            findings: vec![],
            program: Some("1.0".into()),
            due_at_operator: true,
            measures: Measures::default(),
        };
        record(LINE, LINE, Facts::Check(facts))
    };
    let mut all = vec![];
    if number % 100 == 0 {
        let facts =
            MountFacts { equipment: format!("P-{}", number / 100), place: "1".into(), on: true };
        all.push(record("P", LINE, Facts::Mount(facts)));
    }
    all.push(record(
        &name,
        "",
        Facts::Order(OrderFacts {
            origin: origin(&name, &[]),
            order: name.clone(),
            customer: format!("customer {}", number % 40),
            heat: heat.clone(),
            rules: "rules".into(),
        }),
    ));
    all.push(record(
        &name,
        LINE,
        Facts::Technique(TechniqueFacts {
            origin: origin(&technique, &[("order", &name)]),
            name: name.clone(),
            order: name.clone(),
        }),
    ));
    all.push(record(
        LINE,
        LINE,
        Facts::Level(LevelFacts {
            origin: origin(&level, &[("technique", &technique)]),
            technique: hash(&technique),
            good: true,
            measures: Measures::default(),
        }),
    ));
    for n in 0..HEAT {
        if n % STRETCH == 0 {
            all.push(check(n));
        }
        let bar = BarKey::new(&heat, format!("{:04}", n + 1));
        let screened = format!("screened {bar}");
        all.push(record(
            &bar.to_string(),
            LINE,
            Facts::BarScreened(ScreenedFacts {
                origin: origin(&screened, setting),
                bar: bar.clone(),
                technique: hash(&technique),
                level: Some(hash(&level)),
                length_m: 6.0,
                program: Some("1.0".into()),
            }),
        ));
        let found = (0..indications).map(|i| IndicationFacts {
            letter: char::from(b'A' + u8::try_from(i % 26).unwrap_or(0)).to_string(),
            class: FlawClass::Disc,
            from_m: 0.5 * i as f64,
            to_m: 0.5 * i as f64 + 0.012,
            angle_deg: 33.0 * i as f64,
            depth_m: 0.012,
            size_m: 0.0006,
            ghost: false,
        });
        all.push(record(
            &bar.to_string(),
            LINE,
            Facts::Judgement(JudgementFacts {
                origin: origin(&format!("judgement {bar}"), &[("screened", &screened)]),
                bar: bar.clone(),
                screened: hash(&screened),
                verdict: Verdict::Release,
                reasons: vec![],
                kept_m: vec![[0.05, 5.95]],
                indications: found.collect(),
                decided_by: None,
            }),
        ));
    }
    all.push(check(HEAT));
    all
}

fn rate(what: &str, n: usize, begin: Instant) -> f64 {
    let s = begin.elapsed().as_secs_f64();
    let rate = n as f64 / s;
    println!("{what}: {n} in {s:.2} s, {rate:.0} a second");
    rate
}

fn options(path: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new()
        .filename(path)
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
}

/// What a user would write without a ledger: a table, and an insert for each row.
async fn raw(path: &Path, rows: &[Record], at_once: usize) -> sqlx::Result<f64> {
    let mut c = SqliteConnection::connect_with(&options(path)).await?;
    let table = "CREATE TABLE IF NOT EXISTS entry (seq INTEGER PRIMARY KEY, time_us INTEGER, \
                 author TEXT, kind TEXT, subject TEXT, line TEXT, content TEXT)";
    sqlx::query(table).execute(&mut c).await?;
    let begin = Instant::now();
    for some in rows.chunks(at_once) {
        let mut tx = c.begin().await?;
        for row in some {
            let insert = "INSERT INTO entry (time_us, author, kind, subject, line, content) \
                          VALUES ($1, $2, $3, $4, $5, $6)";
            sqlx::query(insert)
                .bind(START_US)
                .bind("measure")
                .bind(row.kind().word())
                .bind(&row.subject)
                .bind(&row.line)
                .bind(row.facts.to_content().to_string())
                .execute(&mut *tx)
                .await?;
        }
        tx.commit().await?;
    }
    let rate = rate(&format!("raw inserts, {at_once} a transaction"), rows.len(), begin);
    c.close().await?;
    Ok(rate)
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut args = std::env::args().skip(1);
    let bars: i64 = args.next().map_or(Ok(20_000), |n| n.parse())?;
    let indications: usize = args.next().map_or(Ok(10), |n| n.parse())?;
    let folder = tempfile::tempdir_in(".")?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;

    let some: Vec<Record> = (0..4).flat_map(|n| heat(n, indications)).collect();
    let stamped = |records: &[Record], from: i64| -> Vec<Stamped> {
        let stamp = |(i, record): (usize, &Record)| Stamped {
            record: record.clone(),
            author: "measure".to_owned(),
            time_us: START_US + (from + i as i64) * 10 * SECOND_US,
        };
        records.iter().enumerate().map(stamp).collect()
    };
    for at_once in [1, 100] {
        let records = if at_once == 1 { &some[..1500] } else { &some[..] };
        let raw = runtime.block_on(raw(
            &folder.path().join(format!("raw{at_once}.db")),
            records,
            at_once,
        ))?;
        let path = folder.path().join(format!("small{at_once}.db"));
        let ledger = Ledger::create(&path, "measured", START_US)?;
        let all = stamped(records, 0);
        let begin = Instant::now();
        for some in all.chunks(at_once) {
            ledger.append_all(some)?;
        }
        let own = rate(&format!("ledger, {at_once} a call"), records.len(), begin);
        println!("  {:.2} of raw inserts", own / raw);
    }

    let path = folder.path().join("ledger.db");
    let ledger = Ledger::create(&path, "measured", START_US)?;
    let (begin, mut entries) = (Instant::now(), 0);
    for number in 0..bars / HEAT {
        let records = stamped(&heat(number, indications), entries);
        entries += records.len() as i64;
        ledger.append_all(&records)?;
    }
    rate("ledger, a heat a call", usize::try_from(entries)?, begin);
    drop(ledger);
    let gigabytes = std::fs::metadata(&path)?.len() as f64 / 1e9;
    println!("{bars} bars, {entries} entries, {gigabytes:.2} GB");

    let ledger = Ledger::open(&path)?;
    let now = START_US + entries * 10 * SECOND_US;
    let middle = bars / HEAT / 2;
    let document = |name: String| Hash::of(name.as_bytes());
    let ask = |what: &str, which: &Which| -> Result<(), Box<dyn Error>> {
        let mut ms = vec![];
        let mut total = 0;
        for _ in 0..5 {
            let begin = Instant::now();
            total = ledger.bars_of(which, None, 200, now)?.total;
            ms.push(begin.elapsed().as_secs_f64() * 1e3);
        }
        println!("{what}: {total} bars; first {:.1} ms, then {:.1} ms", ms[0], ms[4]);
        Ok(())
    };
    ask("bars of a heat", &Which::Heat(format!("H{middle}")))?;
    ask("bars of an order", &Which::Order(format!("T-{middle}")))?;
    ask("bars of a customer", &Which::Customer("customer 7".into()))?;
    ask("bars of a probe", &Which::Equipment(format!("P-{}", middle / 100)))?;
    ask("bars of a level", &Which::Level(document(format!("level {middle}"))))?;
    ask("bars of a technique", &Which::Technique(document(format!("technique {middle}"))))?;
    ask("bars of a program version", &Which::Program("1.0".into()))?;
    let time = |what: &str, work: &dyn Fn() -> Result<String, Box<dyn Error>>| {
        let begin = Instant::now();
        let said = work()?;
        let first = begin.elapsed().as_secs_f64() * 1e3;
        let begin = Instant::now();
        work()?;
        let then = begin.elapsed().as_secs_f64() * 1e3;
        println!("{what}: {said}; first {first:.1} ms, then {then:.1} ms");
        Ok::<(), Box<dyn Error>>(())
    };
    let bar = BarKey::new(format!("H{middle}"), "0250");
    time("everything about one bar", &|| {
        Ok(format!("{:?}", ledger.story(&bar, now)?.map(|s| s.state.state)))
    })?;
    time("open holds", &|| Ok(format!("{} bars", ledger.holds(now)?.len())))?;
    time("open holds by cause", &|| Ok(format!("{} lists", ledger.hold_lists(now)?.len())))?;
    time("shipped although held", &|| {
        Ok(format!("{} pieces", ledger.shipped_although_held(now)?.len()))
    })?;
    time("who changed what", &|| Ok(format!("{} entries", ledger.changes(None, 1, 200)?.len())))?;
    time("lines and next checks", &|| Ok(format!("{} lines", ledger.lines(now)?.len())))?;

    let begin = Instant::now();
    let found = ledger.verify(None)?;
    rate("verified", usize::try_from(found.entries)?, begin);
    println!("whole: {}", found.is_whole());
    Ok(())
}
