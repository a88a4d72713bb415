//! The file: what was acknowledged is there again, and every trouble has its own name.
//! Truth: by construction, each test makes the trouble itself.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use std::{fs, path::Path, time::Duration};

use crate::common::{self, LINE, MINUTE_US, START_US, check, hash, judgement, level, screened};
use barwright_job::judgement::Verdict;
use barwright_ledger::{BarKey, Kind, Ledger, LedgerError, Store, record::Record, store::Stamped};

fn some(path: &Path, entries: i64) {
    let ledger = Ledger::create(path, "works", START_US).unwrap();
    for i in 0..entries {
        let record = screened(&format!("s{i}"), &i.to_string(), "T", "V", LINE);
        ledger.append(&record, "shift", START_US + i * MINUTE_US).unwrap();
    }
}

#[test]
fn entries_are_there_again_after_reopening() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    some(&path, 5);
    let ledger = Ledger::open(&path).unwrap();
    let before = ledger.entries(1, 100).unwrap();
    let added = ledger.append(&level("V", "T", LINE), "night", START_US).unwrap();
    assert_eq!(added.seq, 6);
    assert_eq!(added.parent_hash, before[4].hash);
    drop(ledger);
    let after = Ledger::open(&path).unwrap();
    assert_eq!(after.entries(1, 5).unwrap(), before);
    assert_eq!(after.entry(6).unwrap(), Some(added));
    assert_eq!(after.entry(7).unwrap(), None);
    assert!(after.verify(None).unwrap().is_whole());
}

#[test]
fn an_acknowledged_entry_is_in_the_files_before_the_ledger_is_closed() {
    // What a power cut would leave: the files as they are while the ledger is open.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    some(&path, 1);
    let ledger = Ledger::open(&path).unwrap();
    ledger.append(&level("V", "T", LINE), "shift", START_US).unwrap();
    let copy = folder.path().join("copy.db");
    fs::copy(&path, &copy).unwrap();
    fs::copy(folder.path().join("ledger.db-wal"), folder.path().join("copy.db-wal")).unwrap();
    let found = Ledger::open(&copy).unwrap().verify(None).unwrap();
    assert_eq!((found.entries, found.first_fault), (2, None));
    drop(ledger);
}

#[test]
fn a_log_cut_short_loses_only_what_it_no_longer_holds() {
    // A write-ahead log torn at any place: whole entries, as many as were logged, and no fault.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    some(&path, 1);
    let ledger = Ledger::open(&path).unwrap();
    for i in 0..6 {
        ledger.append(&level(&format!("V{i}"), "T", LINE), "shift", START_US).unwrap();
    }
    let log = fs::read(folder.path().join("ledger.db-wal")).unwrap();
    let mut counts = vec![];
    for parts in 0..=8 {
        let copy = folder.path().join(format!("copy{parts}.db"));
        fs::copy(&path, &copy).unwrap();
        let cut = log.len() * parts / 8;
        fs::write(folder.path().join(format!("copy{parts}.db-wal")), &log[..cut]).unwrap();
        let found = Ledger::open(&copy).unwrap().verify(None).unwrap();
        assert!(found.is_whole(), "{found:?}");
        counts.push(found.entries);
    }
    assert!(counts.is_sorted(), "{counts:?}");
    assert_eq!((counts[0], counts[8]), (1, 7), "{counts:?}");
}

#[test]
fn absent_and_existing_files_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    let e = Ledger::open(&path).expect_err("absent");
    assert!(matches!(e, LedgerError::Absent { .. }), "{e}");
    assert!(!path.exists(), "opening must not create");
    some(&path, 2);
    let e = Ledger::create(&path, "works", START_US).expect_err("exists");
    assert!(matches!(e, LedgerError::Exists { .. }), "{e}");
    assert_eq!(Ledger::open(&path).unwrap().entries(1, 9).unwrap().len(), 2);
}

#[test]
fn what_is_no_ledger_is_corrupt_and_left_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    let foreign = folder.path().join("foreign.db");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        use sqlx::{Connection, SqliteConnection, sqlite::SqliteConnectOptions};
        let options = SqliteConnectOptions::new().filename(&foreign).create_if_missing(true);
        let mut c = SqliteConnection::connect_with(&options).await.unwrap();
        sqlx::raw_sql("CREATE TABLE other (x)").execute(&mut c).await.unwrap();
        c.close().await.unwrap();
    });
    for content in
        [vec![], b"not a database".to_vec(), vec![0xa5; 40_000], fs::read(&foreign).unwrap()]
    {
        fs::write(&path, &content).unwrap();
        let e = Ledger::open(&path).expect_err("no ledger");
        assert!(matches!(e, LedgerError::Corrupt { .. }), "{e:?}");
        assert!(e.hint().is_some());
        assert_eq!(fs::read(&path).unwrap(), content);
    }
    let e = Ledger::open(folder.path()).expect_err("a folder");
    assert!(matches!(e, LedgerError::Corrupt { .. }), "{e:?}");
}

#[test]
fn a_truncated_file_is_corrupt_wherever_it_ends() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    some(&path, 60);
    let whole = fs::read(&path).unwrap();
    assert!(whole.len() > 50_000, "{} bytes", whole.len());
    for sixteenths in 0..16 {
        let cut = whole.len() * sixteenths / 16 + sixteenths;
        fs::write(&path, &whole[..cut]).unwrap();
        let e = Ledger::open(&path).map(|_| ()).expect_err("truncated");
        assert!(matches!(e, LedgerError::Corrupt { .. }), "cut at {cut}: {e:?}");
    }
}

#[test]
fn damaged_pages_are_found_and_never_a_panic() {
    // Every page in turn overwritten: either the ledger does not open, or verification names an
    // entry, or the page held nothing that entries are made of (indexes, free space).
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    some(&path, 60);
    let whole = fs::read(&path).unwrap();
    let (mut refused, mut faults, mut harmless) = (0, 0, 0);
    for page in 0..whole.len() / 4096 {
        let mut damaged = whole.clone();
        damaged[page * 4096..(page + 1) * 4096].fill(0x5a);
        fs::write(&path, &damaged).unwrap();
        match Ledger::open(&path).and_then(|ledger| ledger.verify(None)) {
            Err(LedgerError::Corrupt { .. }) => refused += 1,
            Err(e) => panic!("page {page}: {e:?}"),
            Ok(found) if found.is_whole() => {
                assert_eq!(found.entries, 60, "page {page}");
                harmless += 1;
            }
            Ok(_) => faults += 1,
        }
    }
    println!("pages damaged: {refused} refused, {faults} named, {harmless} outside the entries");
    assert!(refused > 0 && faults > 0);
}

#[test]
fn a_later_format_is_too_new_not_corrupt() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    some(&path, 1);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        use sqlx::{Connection, SqliteConnection, sqlite::SqliteConnectOptions};
        let options = SqliteConnectOptions::new().filename(&path);
        let mut c = SqliteConnection::connect_with(&options).await.unwrap();
        sqlx::raw_sql(
            "DROP TRIGGER meta_is_never_changed; UPDATE meta SET value = '2' WHERE key = 'format'",
        )
        .execute(&mut c)
        .await
        .unwrap();
        c.close().await.unwrap();
    });
    let e = Ledger::open(&path).expect_err("newer");
    assert!(matches!(e, LedgerError::TooNew { found: 2, known: 1, .. }), "{e:?}");
}

#[test]
fn a_file_marked_read_only_is_read_and_never_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    some(&path, 3);
    let mut permissions = fs::metadata(&path).unwrap().permissions();
    permissions.set_readonly(true);
    fs::set_permissions(&path, permissions).unwrap();
    let before = fs::read(&path).unwrap();
    let ledger = Ledger::open(&path).unwrap();
    assert!(ledger.is_read_only());
    assert_eq!(ledger.entries(1, 9).unwrap().len(), 3);
    assert!(ledger.verify(None).unwrap().is_whole());
    let e = ledger.append(&level("V", "T", LINE), "shift", START_US).expect_err("read-only");
    assert!(matches!(e, LedgerError::ReadOnly { .. }), "{e:?}");
    drop(ledger);
    assert_eq!(fs::read(&path).unwrap(), before);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "no file beside it");
}

#[test]
fn a_reader_sees_what_a_writer_adds() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    some(&path, 1);
    let writer = Ledger::open(&path).unwrap();
    let reader = Ledger::open_read_only(&path).unwrap();
    writer.append(&level("V", "T", LINE), "shift", START_US).unwrap();
    assert_eq!(reader.head().unwrap(), writer.head().unwrap());
}

#[test]
fn a_locked_file_is_named_as_such() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    some(&path, 1);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        use sqlx::{Connection, SqliteConnection, sqlite::SqliteConnectOptions};
        let store = Store::open_patiently(&path, Duration::from_millis(50)).await.unwrap();
        let options = SqliteConnectOptions::new().filename(&path);
        let mut c = SqliteConnection::connect_with(&options).await.unwrap();
        sqlx::query("BEGIN IMMEDIATE").execute(&mut c).await.unwrap();
        let e = store.append(&level("V", "T", LINE), "shift", START_US).await.expect_err("locked");
        assert!(matches!(e, LedgerError::Locked { .. }), "{e:?}");
        sqlx::query("ROLLBACK").execute(&mut c).await.unwrap();
        store.append(&level("V", "T", LINE), "shift", START_US).await.unwrap();
    });
}

#[test]
fn a_blocking_call_from_asynchronous_code_is_an_error_not_a_panic() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    some(&path, 1);
    let ledger = Ledger::open(&path).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        assert!(matches!(ledger.head(), Err(LedgerError::InsideRuntime)));
        drop(ledger);
    });
}

#[test]
fn two_connections_from_two_threads_lose_nothing_and_do_not_fork() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    some(&path, 0);
    const EACH: i64 = 150;
    std::thread::scope(|scope| {
        for author in ["head", "tail"] {
            let path = &path;
            scope.spawn(move || {
                let ledger = Ledger::open(path).unwrap();
                for i in 0..EACH {
                    let record = level(&format!("{author}{i}"), "T", LINE);
                    ledger.append(&record, author, START_US + i).unwrap();
                }
            });
        }
    });
    let ledger = Ledger::open(&path).unwrap();
    let found = ledger.verify(None).unwrap();
    assert_eq!((found.entries, found.first_fault), (300, None));
    let entries = ledger.entries(1, 1000).unwrap();
    for author in ["head", "tail"] {
        // Each writer's own entries are all there, in its own order.
        let times: Vec<i64> =
            entries.iter().filter(|e| e.author == author).map(|e| e.time_us - START_US).collect();
        assert_eq!(times, (0..EACH).collect::<Vec<_>>(), "{author}");
    }
}

#[test]
fn many_tasks_share_one_store() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    some(&path, 0);
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let store = Store::open(&path).await.unwrap();
        let tasks: Vec<_> = (0..8)
            .map(|task| {
                let store = store.clone();
                tokio::spawn(async move {
                    for i in 0..20 {
                        let record = level(&format!("{task}.{i}"), "T", LINE);
                        store.append(&record, "shift", START_US).await.unwrap();
                        store.head().await.unwrap();
                    }
                })
            })
            .collect();
        for task in tasks {
            task.await.unwrap();
        }
        let found = store.verify(None).await.unwrap();
        assert_eq!((found.entries, found.first_fault), (160, None));
        store.close().await;
    });
}

#[test]
fn several_at_once_are_all_added_or_none() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    some(&path, 0);
    let ledger = Ledger::open(&path).unwrap();
    let stamped = |name: &str, time_us| Stamped {
        record: level(name, "T", LINE),
        author: "shift".to_owned(),
        time_us,
    };
    let added = ledger.append_all(&[stamped("a", START_US), stamped("b", START_US)]).unwrap();
    assert_eq!(added[1].parent_hash, added[0].hash);
    let e = ledger
        .append_all(&[stamped("c", START_US), stamped("d", i64::MAX)])
        .expect_err("no such time");
    assert!(matches!(e, LedgerError::Time { time_us: i64::MAX }), "{e:?}");
    assert_eq!(ledger.head().unwrap().seq, 2);
}

#[test]
fn questions_find_exactly_what_they_ask_for() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    let ledger = Ledger::create(&path, "works", START_US).unwrap();
    for (i, record) in [
        common::technique("T", ""),
        common::technique("T2", ""),
        level("V", "T", LINE),
        check("c1", "T", "V", true, LINE),
        screened("s1", "1", "T", "V", LINE),
        screened("s2", "2", "T2", "V2", "line 3"),
        judgement("j1", "1", "s1", Verdict::Release),
        Record::paper("T-1042", "Certificate", hash("pdf"), [("judgement".into(), hash("j1"))]),
        check("c2", "T", "V", true, LINE),
    ]
    .iter()
    .enumerate()
    {
        ledger.append(record, "shift", START_US + i as i64 * MINUTE_US).unwrap();
    }
    let seqs = |entries: Vec<barwright_ledger::Entry>| -> Vec<i64> {
        entries.iter().map(|entry| entry.seq).collect()
    };
    assert_eq!(seqs(ledger.by_bar(&BarKey::new("H7", "1")).unwrap()), [5, 7]);
    assert_eq!(seqs(ledger.by_bar(&BarKey::new("H8", "1")).unwrap()), [0i64; 0]);
    assert_eq!(seqs(ledger.by_heat("H7").unwrap()), [5, 6, 7]);
    assert_eq!(seqs(ledger.by_kind(Kind::Check).unwrap()), [4, 9]);
    assert_eq!(seqs(ledger.made_from(&hash("V")).unwrap()), [3, 4, 5, 7, 8, 9]);
    assert_eq!(seqs(ledger.made_from(&hash("s1")).unwrap()), [5, 7, 8]);
    assert_eq!(seqs(ledger.made_from(&hash("T2")).unwrap()), [2, 6]);
    assert_eq!(seqs(ledger.by_order("T-1042").unwrap()), [1, 2, 3, 4, 5, 6, 7, 8, 9]);
    let now = START_US + 9 * MINUTE_US;
    let released: Vec<String> = ledger
        .bars(now)
        .unwrap()
        .into_iter()
        .filter(|bar| bar.state == barwright_ledger::State::Released)
        .map(|bar| bar.bar.to_string())
        .collect();
    assert_eq!(released, ["H7/1"]);
    let holds = ledger.holds(now).unwrap();
    assert_eq!(holds.len(), 1);
    assert_eq!(holds[0].bar, BarKey::new("H7", "2"));
}
