//! Every kind of tampering is found, at the right entry. Truth: by construction, each test makes
//! the fault itself.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod common;

use std::path::Path;

use barwright_ledger::{FaultKind, Head, Ledger, LedgerError, Verification};
use common::{LINE, MINUTE_US, START_US, check, hash, level, screened};
use sqlx::{Connection, SqliteConnection, sqlite::SqliteConnectOptions};

const ENTRIES: i64 = 12;

fn filled(path: &Path) -> Head {
    let ledger = Ledger::create(path, "works", START_US).unwrap();
    ledger.append(&level("V", "T", LINE), "shift", START_US).unwrap();
    for i in 2..=ENTRIES {
        let record = screened(&format!("s{i}"), &i.to_string(), "T", "V", LINE);
        ledger.append(&record, "shift", START_US + i * MINUTE_US).unwrap();
    }
    ledger.head().unwrap()
}

/// Runs statements on the file behind the ledger's back, its triggers removed first.
fn tamper(path: &Path, statements: &'static str) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let options = SqliteConnectOptions::new().filename(path);
        let mut c = SqliteConnection::connect_with(&options).await.unwrap();
        let triggers: Vec<String> =
            sqlx::query_scalar("SELECT name FROM sqlite_master WHERE type = 'trigger'")
                .fetch_all(&mut c)
                .await
                .unwrap();
        assert_eq!(triggers.len(), 6);
        for name in triggers {
            let drop = sqlx::AssertSqlSafe(format!("DROP TRIGGER {name}"));
            sqlx::query(drop).execute(&mut c).await.unwrap();
        }
        sqlx::raw_sql(statements).execute(&mut c).await.unwrap();
        c.close().await.unwrap();
    });
}

fn after(statements: &'static str) -> Verification {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    filled(&path);
    tamper(&path, statements);
    Ledger::open(&path).unwrap().verify(None).unwrap()
}

#[track_caller]
fn assert_fault(statements: &'static str, seq: i64, kind: FaultKind) {
    let fault = after(statements).first_fault.expect("tampering must be found");
    assert_eq!((fault.seq, fault.kind), (seq, kind), "{}", fault.what);
}

#[test]
fn an_untouched_ledger_is_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    let head = filled(&path);
    let found = Ledger::open(&path).unwrap().verify(Some(&head)).unwrap();
    assert!(found.is_whole(), "{found:?}");
    assert_eq!(found.entries, 12);
    assert_eq!(found.head, head);
    let line = head.to_string();
    assert!(line.contains("entry 12 of 2026-11-25 06:12:00 UTC"), "{line}");
}

#[test]
fn the_database_itself_refuses_change_and_removal() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    filled(&path);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let options = SqliteConnectOptions::new().filename(&path);
        let mut c = SqliteConnection::connect_with(&options).await.unwrap();
        for statement in [
            "UPDATE entry SET author = 'x' WHERE seq = 3",
            "DELETE FROM entry WHERE seq = 3",
            "UPDATE mention SET value = 'x' WHERE seq = 3",
            "DELETE FROM mention WHERE seq = 3",
            "UPDATE meta SET value = 'x' WHERE key = 'name'",
            "DELETE FROM meta",
        ] {
            let e = sqlx::query(statement).execute(&mut c).await.expect_err(statement);
            assert!(e.to_string().contains("append-only"), "{statement}: {e}");
        }
        // A second child of one parent: the fork that two writers could make.
        let e = sqlx::query(
            "INSERT INTO entry SELECT 99, time_us, author, kind, subject, line, content, \
             content_hash, parent_hash, 'other' FROM entry WHERE seq = 12",
        )
        .execute(&mut c)
        .await
        .expect_err("a fork");
        assert!(e.to_string().contains("parent_hash"), "{e}");
    });
    assert!(Ledger::open(&path).unwrap().verify(None).unwrap().is_whole());
}

#[test]
fn a_changed_byte_of_content_is_found() {
    assert_fault(
        "UPDATE entry SET content = replace(content, '6.0', '6.1') WHERE seq = 7",
        7,
        FaultKind::ContentChanged,
    );
}

#[test]
fn a_change_of_every_single_field_is_found() {
    for (statement, kind) in [
        ("UPDATE entry SET time_us = time_us + 1 WHERE seq = 7", FaultKind::FieldChanged),
        ("UPDATE entry SET author = 'night' WHERE seq = 7", FaultKind::FieldChanged),
        ("UPDATE entry SET kind = 'retest' WHERE seq = 7", FaultKind::FieldChanged),
        ("UPDATE entry SET subject = 'H7/8' WHERE seq = 7", FaultKind::FieldChanged),
        ("UPDATE entry SET line = 'line 3' WHERE seq = 7", FaultKind::FieldChanged),
        ("UPDATE entry SET hash = 'aa' || substr(hash, 3) WHERE seq = 7", FaultKind::FieldChanged),
        (
            "UPDATE entry SET content_hash = 'aa' || substr(content_hash, 3) WHERE seq = 7",
            FaultKind::ContentChanged,
        ),
        (
            "UPDATE entry SET parent_hash = 'aa' || substr(parent_hash, 3) WHERE seq = 7",
            FaultKind::OutOfPlace,
        ),
    ] {
        assert_fault(statement, 7, kind);
    }
}

#[test]
fn a_value_of_another_type_is_found() {
    assert_fault(
        "UPDATE entry SET content = CAST(content AS BLOB) || x'ff' WHERE seq = 7",
        7,
        FaultKind::Unreadable,
    );
}

#[test]
fn a_dropped_entry_is_found() {
    assert_fault("DELETE FROM entry WHERE seq = 5", 5, FaultKind::Missing);
    assert_fault("DELETE FROM entry WHERE seq = 1", 1, FaultKind::Missing);
    assert_fault(
        "DELETE FROM entry WHERE seq = 5; UPDATE entry SET seq = seq - 1 WHERE seq > 5",
        5,
        FaultKind::OutOfPlace,
    );
}

#[test]
fn entries_dropped_at_the_end_are_found_by_the_look_up_table_or_a_printed_head() {
    assert_fault("DELETE FROM entry WHERE seq > 9", 10, FaultKind::Missing);

    // Removed there too, only what was printed tells.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    let head = filled(&path);
    tamper(&path, "DELETE FROM entry WHERE seq > 9; DELETE FROM mention WHERE seq > 9");
    let ledger = Ledger::open(&path).unwrap();
    assert!(ledger.verify(None).unwrap().is_whole());
    let fault = ledger.verify(Some(&head)).unwrap().first_fault.expect("the paper tells");
    assert_eq!((fault.seq, fault.kind), (10, FaultKind::Missing));
}

#[test]
fn swapped_entries_are_found() {
    assert_fault(
        "UPDATE entry SET seq = 99 WHERE seq = 4; UPDATE entry SET seq = 4 WHERE seq = 6; \
         UPDATE entry SET seq = 6 WHERE seq = 99",
        4,
        FaultKind::OutOfPlace,
    );
}

#[test]
fn inserted_entries_are_found() {
    assert_fault(
        "UPDATE entry SET seq = -seq WHERE seq >= 8; UPDATE entry SET seq = 1 - seq WHERE seq < 0; \
         INSERT INTO entry SELECT 8, time_us, author, kind, subject, line, content, content_hash, \
         'p', 'h' FROM entry WHERE seq = 3",
        8,
        FaultKind::OutOfPlace,
    );
    assert_fault(
        "INSERT INTO entry SELECT 0, time_us, author, kind, subject, line, content, content_hash, \
         'p', 'h' FROM entry WHERE seq = 3",
        0,
        FaultKind::OutOfPlace,
    );
    assert_fault(
        "INSERT INTO entry SELECT 13, time_us, author, kind, subject, line, content, content_hash, \
         'p', 'h' FROM entry WHERE seq = 3",
        13,
        FaultKind::OutOfPlace,
    );
}

#[test]
fn an_entry_replaced_with_its_hashes_recomputed_is_found() {
    // The same day with one other entry: sound by itself up to that entry, then spliced in.
    let folder = tempfile::tempdir().unwrap();
    let (path, other) = (folder.path().join("ledger.db"), folder.path().join("other.db"));
    filled(&path);
    let forged = Ledger::create(&other, "works", START_US).unwrap();
    for entry in Ledger::open(&path).unwrap().entries(1, 5).unwrap() {
        let record = barwright_ledger::Record {
            subject: entry.subject.clone(),
            line: entry.line.clone(),
            facts: entry.facts().unwrap(),
        };
        forged.append(&record, &entry.author, entry.time_us).unwrap();
    }
    forged.append(&check("c", "T", "V", true, LINE), "shift", START_US).unwrap();
    drop(forged);
    // Both are in one folder, and SQLite finds attached files by path: hand it over in a name.
    let attach = format!("ATTACH '{}' AS other", other.display());
    let statements = format!(
        "{attach}; DELETE FROM entry WHERE seq = 6; DELETE FROM mention WHERE seq = 6; \
         INSERT INTO entry SELECT * FROM other.entry WHERE seq = 6; \
         INSERT INTO mention SELECT * FROM other.mention WHERE seq = 6"
    );
    tamper(&path, statements.leak());
    let fault = Ledger::open(&path).unwrap().verify(None).unwrap().first_fault.expect("found");
    assert_eq!((fault.seq, fault.kind), (6, FaultKind::OutOfPlace), "{}", fault.what);
}

#[test]
fn a_changed_look_up_is_found() {
    assert_fault("DELETE FROM mention WHERE seq = 6 AND role = 'bar'", 6, FaultKind::LookUp);
    assert_fault("INSERT INTO mention VALUES ('H9', 'heat', 6)", 6, FaultKind::LookUp);
}

#[test]
fn a_changed_identity_is_found_at_the_first_entry() {
    for statement in [
        "UPDATE meta SET value = 'other works' WHERE key = 'name'",
        "UPDATE meta SET value = 'aa' || substr(value, 3) WHERE key = 'id'",
    ] {
        assert_fault(statement, 1, FaultKind::FieldChanged);
    }
}

#[test]
fn nothing_is_added_after_a_last_entry_that_was_changed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    filled(&path);
    tamper(&path, "UPDATE entry SET author = 'night' WHERE seq = 12");
    let ledger = Ledger::open(&path).unwrap();
    let e = ledger.append(&level("V2", "T", LINE), "shift", START_US).expect_err("broken");
    assert!(matches!(e, LedgerError::ChainBroken { seq: 12, .. }), "{e}");
    assert!(e.hint().is_some());
    assert_eq!(ledger.entries(1, 100).unwrap().len(), 12);
}

#[test]
fn a_printed_head_of_another_ledger_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.db");
    let mut head = filled(&path);
    let ledger = Ledger::open(&path).unwrap();
    head.hash = hash("another");
    let fault = ledger.verify(Some(&head)).unwrap().first_fault.expect("not as printed");
    assert_eq!((fault.seq, fault.kind), (12, FaultKind::NotAsPrinted));
    head.ledger.id = hash("another ledger");
    let fault = ledger.verify(Some(&head)).unwrap().first_fault.expect("another ledger");
    assert_eq!(fault.kind, FaultKind::NotAsPrinted);
}
