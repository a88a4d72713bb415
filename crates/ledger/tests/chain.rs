//! Every kind of tampering is found, at the right entry. Truth: by construction, each test makes
//! the fault itself.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use crate::common::{
    LINE, MINUTE_US, START_US, check, hash,
    home::{Home, homes, wait},
    level, screened,
};
use barwright_ledger::{FaultKind, Head, LedgerError};
use sqlx::{Connection as _, PgConnection, SqliteConnection, sqlite::SqliteConnectOptions};

const ENTRIES: i64 = 12;

fn filled(home: &Home) -> Head {
    let ledger = home.create("works");
    ledger.append(&level("V", "T", LINE), "shift", START_US).unwrap();
    for i in 2..=ENTRIES {
        let record = screened(&format!("s{i}"), &i.to_string(), "T", "V", LINE);
        ledger.append(&record, "shift", START_US + i * MINUTE_US).unwrap();
    }
    ledger.head().unwrap()
}

#[track_caller]
fn assert_fault(statements: &str, seq: i64, kind: FaultKind) {
    for home in homes() {
        assert_fault_in(&home, statements, seq, kind);
    }
}

#[track_caller]
fn assert_fault_in(home: &Home, statements: &str, seq: i64, kind: FaultKind) {
    filled(home);
    home.tamper(statements);
    let found = home.open().unwrap().verify(None).unwrap();
    let fault = found.first_fault.expect("tampering must be found");
    assert_eq!((fault.seq, fault.kind), (seq, kind), "{}", fault.what);
}

#[test]
fn an_untouched_ledger_is_whole() {
    let mut heads = vec![];
    for home in homes() {
        let head = filled(&home);
        let found = home.open().unwrap().verify(Some(&head)).unwrap();
        assert!(found.is_whole(), "{found:?}");
        assert_eq!(found.entries, 12);
        assert_eq!(found.head, head);
        let line = head.to_string();
        assert!(line.contains("entry 12 of 2026-11-25 06:12:00 UTC"), "{line}");
        heads.push(head);
    }
    // The same entries have the same hashes in both homes.
    assert!(heads.windows(2).all(|w| w[0] == w[1]));
}

// Rows are read as texts that are taken apart: no name may look like tampering.
#[test]
fn names_of_any_characters_are_no_fault() {
    for home in homes() {
        let ledger = home.create("works");
        let author = "shift\u{1f}A";
        ledger.append(&level("V", "T", LINE), author, START_US).unwrap();
        let names = ["\u{1f}", "5 bar x", "0 ", "", "ü €", "a\u{1f}b\u{1f}1 heat H", "|"];
        for (i, name) in names.into_iter().enumerate() {
            let record = screened(&format!("s{i}"), name, "T", "V", LINE);
            ledger.append(&record, author, START_US + MINUTE_US).unwrap();
        }
        // PostgreSQL keeps no text with a nought in it.
        let nought = screened("s", "a\u{0}b", "T", "V", LINE);
        let _ = ledger.append(&nought, author, START_US + MINUTE_US);
        drop(ledger);
        let found = home.open().unwrap().verify(None).unwrap();
        assert!(found.is_whole(), "{found:?}");
        assert!(found.entries as usize > names.len());
    }
}

/// What the database says to a statement, its triggers in place.
fn refusal(home: &Home, statement: &'static str) -> String {
    let e = match home {
        Home::File(_) => wait(async {
            let options = SqliteConnectOptions::new().filename(home.path());
            let mut c = SqliteConnection::connect_with(&options).await.unwrap();
            sqlx::query(statement).execute(&mut c).await.map(|_| ()).expect_err(statement)
        }),
        Home::Server(address) => wait(async {
            let mut c = PgConnection::connect(address).await.unwrap();
            sqlx::query(statement).execute(&mut c).await.map(|_| ()).expect_err(statement)
        }),
    };
    e.to_string()
}

#[test]
fn the_database_itself_refuses_change_and_removal() {
    for home in homes() {
        filled(&home);
        for statement in [
            "UPDATE entry SET author = 'x' WHERE seq = 3",
            "DELETE FROM entry WHERE seq = 3",
            "UPDATE mention SET value = 'x' WHERE seq = 3",
            "DELETE FROM mention WHERE seq = 3",
            "UPDATE meta SET value = 'x' WHERE key = 'name'",
            "DELETE FROM meta",
        ] {
            let e = refusal(&home, statement);
            assert!(e.contains("append-only"), "{statement}: {e}");
        }
        // A second child of one parent: the fork that two writers could make.
        let e = refusal(
            &home,
            "INSERT INTO entry SELECT 99, time_us, author, kind, subject, line, content, \
             content_hash, parent_hash, 'other' FROM entry WHERE seq = 12",
        );
        assert!(e.contains("parent_hash"), "{e}");
        assert!(home.open().unwrap().verify(None).unwrap().is_whole());
    }
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
        ("UPDATE entry SET hash = 'z' || substr(hash, 2) WHERE seq = 7", FaultKind::FieldChanged),
        (
            "UPDATE entry SET content_hash = 'z' || substr(content_hash, 2) WHERE seq = 7",
            FaultKind::ContentChanged,
        ),
        (
            "UPDATE entry SET parent_hash = 'z' || substr(parent_hash, 2) WHERE seq = 7",
            FaultKind::OutOfPlace,
        ),
    ] {
        assert_fault(statement, 7, kind);
    }
}

#[test]
fn a_value_of_another_type_is_found() {
    // PostgreSQL's columns take no other type.
    assert_fault_in(
        &Home::file(),
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
        "DELETE FROM entry WHERE seq = 5; UPDATE entry SET seq = 1 - seq WHERE seq > 5; \
         UPDATE entry SET seq = -seq WHERE seq < 0",
        5,
        FaultKind::OutOfPlace,
    );
}

#[test]
fn entries_dropped_at_the_end_are_found_by_the_look_up_table_or_a_printed_head() {
    assert_fault("DELETE FROM entry WHERE seq > 9", 10, FaultKind::Missing);

    // Removed there too, the states kept tell; removed with them, only what was printed does.
    for home in homes() {
        let head = filled(&home);
        home.tamper("DELETE FROM entry WHERE seq > 9; DELETE FROM mention WHERE seq > 9");
        let ledger = home.open().unwrap();
        let fault = ledger.verify(None).unwrap().first_fault.expect("the states tell");
        assert_eq!((fault.seq, fault.kind), (9, FaultKind::States), "{}", fault.what);
        home.tamper_more("DELETE FROM derived");
        let ledger = home.open().unwrap();
        assert!(ledger.verify(None).unwrap().is_whole());
        let fault = ledger.verify(Some(&head)).unwrap().first_fault.expect("the paper tells");
        assert_eq!((fault.seq, fault.kind), (10, FaultKind::Missing));
    }
}

#[test]
fn a_changed_state_is_found() {
    // The tables of states are no evidence, but questions are answered from them.
    for statement in [
        "UPDATE bar SET state = 'released' WHERE bar = '7'",
        "UPDATE bar SET rejected = 1 WHERE bar = '7'",
        "UPDATE screening SET bracket = 'closed', opening = 1, closing = 2, why = NULL, \
         why_seq = NULL WHERE bar = '7'",
        "UPDATE screening SET bar = '99' WHERE bar = '7'",
        "DELETE FROM bar WHERE bar = '7'",
        "INSERT INTO withdrawal VALUES (3, 4, NULL)",
        "INSERT INTO shipped VALUES ('H7', '7', '', 'D1', 'somebody', 3)",
        "INSERT INTO piece VALUES ('H7', '7', 'A', 0.0, 1.0, 3)",
        "INSERT INTO mounted VALUES ('P1', 'line 2', '1', 3, NULL)",
        "INSERT INTO ordered VALUES ('T-1', 'somebody', 'H7', 3)",
        "UPDATE line SET state = replace(state, '\"last_check\":null', '\"last_check\":3')",
    ] {
        assert_fault(statement, ENTRIES, FaultKind::States);
    }
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
    for home in homes() {
        // The same day with one other entry: sound by itself up to that entry, then spliced in.
        filled(&home);
        let forger = Home::file();
        let forged = forger.create("works");
        for entry in home.open().unwrap().entries(1, 5).unwrap() {
            let record = barwright_ledger::Record {
                subject: entry.subject.clone(),
                line: entry.line.clone(),
                facts: entry.facts().unwrap(),
            };
            forged.append(&record, &entry.author, entry.time_us).unwrap();
        }
        let e = forged.append(&check("c", "T", "V", true, LINE), "shift", START_US).unwrap();
        let text = |s: &str| s.replace('\'', "''");
        home.tamper(&format!(
            "DELETE FROM entry WHERE seq = 6; DELETE FROM mention WHERE seq = 6; \
             INSERT INTO entry VALUES (6, {}, '{}', '{}', '{}', '{}', '{}', '{}', '{}', '{}')",
            e.time_us,
            e.author,
            e.kind.word(),
            text(&e.subject),
            e.line,
            text(&e.content.to_string()),
            e.content_hash,
            e.parent_hash,
            e.hash
        ));
        let fault = home.open().unwrap().verify(None).unwrap().first_fault.expect("found");
        // Nothing was named for it anew, which is found first; the next entry would tell, too.
        assert_eq!((fault.seq, fault.kind), (6, FaultKind::LookUp), "{}", fault.what);
        for (role, value) in e.named().expect("it can be read") {
            home.tamper_more(&format!("INSERT INTO mention VALUES ('{value}', '{role}', 6)"));
        }
        let fault = home.open().unwrap().verify(None).unwrap().first_fault.expect("found");
        assert_eq!((fault.seq, fault.kind), (6, FaultKind::OutOfPlace), "{}", fault.what);
    }
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
        "UPDATE meta SET value = 'z' || substr(value, 2) WHERE key = 'id'",
    ] {
        assert_fault(statement, 1, FaultKind::FieldChanged);
    }
}

#[test]
fn nothing_is_added_after_a_last_entry_that_was_changed() {
    for home in homes() {
        filled(&home);
        home.tamper("UPDATE entry SET author = 'night' WHERE seq = 12");
        let ledger = home.open().unwrap();
        let e = ledger.append(&level("V2", "T", LINE), "shift", START_US).expect_err("broken");
        assert!(matches!(e, LedgerError::ChainBroken { seq: 12, .. }), "{e}");
        assert!(e.hint().is_some());
        assert_eq!(ledger.entries(1, 100).unwrap().len(), 12);
    }
}

#[test]
fn a_printed_head_of_another_ledger_is_refused() {
    let home = Home::file();
    let mut head = filled(&home);
    let ledger = home.open().unwrap();
    head.hash = hash("another");
    let fault = ledger.verify(Some(&head)).unwrap().first_fault.expect("not as printed");
    assert_eq!((fault.seq, fault.kind), (12, FaultKind::NotAsPrinted));
    head.ledger.id = hash("another ledger");
    let fault = ledger.verify(Some(&head)).unwrap().first_fault.expect("another ledger");
    assert_eq!(fault.kind, FaultKind::NotAsPrinted);
}
