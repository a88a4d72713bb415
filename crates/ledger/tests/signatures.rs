//! Signatures and rights: what must be signed is, by somebody who may, and every other entry is
//! refused, or found. Truth: by construction.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use crate::common::{
    LINE, START_US, by_a_person, check,
    home::{Home, homes},
    judgement, level, screened,
};
use barwright_job::judgement::Verdict;
use barwright_ledger::{
    FaultKind, Ledger, LedgerError, Record, SigningKey,
    record::{Facts, KeyEvent, KeyFacts, PersonFacts, Role},
    store,
};

fn person(name: &str, role: Role) -> Record {
    let facts = PersonFacts {
        person: name.into(),
        roles: vec![role],
        certified_until: None,
        certificate: String::new(),
    };
    Record { subject: name.into(), line: String::new(), facts: Facts::Person(facts) }
}

fn key(of: &SigningKey, event: KeyEvent) -> Record {
    let facts = KeyFacts { key: of.id(), person: of.person().into(), public: of.public(), event };
    Record { subject: of.person().into(), line: String::new(), facts: Facts::Key(facts) }
}

struct Plant {
    ledger: Ledger,
    quality: SigningKey,
    inspector: SigningKey,
}

/// A ledger with two people, each with a key: six entries.
fn plant(home: &Home) -> Plant {
    let ledger = home.create("works");
    let quality = SigningKey::make("quality").unwrap();
    let inspector = SigningKey::make("inspector").unwrap();
    let sign = |record: &Record, key| {
        ledger.append_signed(record, "quality", START_US, key).unwrap();
    };
    sign(&person("quality", Role::Quality), None);
    sign(&key(&quality, KeyEvent::Made), None);
    sign(&person("inspector", Role::Inspector), Some(&quality));
    sign(&key(&inspector, KeyEvent::Made), Some(&quality));
    for record in [level("V", "T", LINE), check("c1", "T", "V", true, LINE)] {
        ledger.append_signed(&record, "inspector", START_US, Some(&inspector)).unwrap();
    }
    Plant { ledger, quality, inspector }
}

#[test]
fn what_must_be_signed_is_signed_by_its_author_or_refused() {
    for home in homes() {
        let Plant { ledger, quality, inspector } = plant(&home);
        let record = check("c2", "T", "V", true, LINE);
        let add = |record: &Record, author: &str, key| {
            ledger.append_signed(record, author, START_US, key).map(|e| e.seq)
        };
        let e = add(&record, "inspector", None).expect_err("unsigned");
        assert!(matches!(e, LedgerError::Unsigned { .. }), "{e}");
        let e = add(&record, "inspector", Some(&quality)).expect_err("another's key");
        assert!(matches!(e, LedgerError::WrongKey { .. }), "{e}");
        let stranger = SigningKey::make("inspector").unwrap();
        let e = add(&record, "inspector", Some(&stranger)).expect_err("an unknown key");
        assert!(matches!(e, LedgerError::WrongKey { .. }), "{e}");
        // Quality runs no line, an inspector does not decide against the rules, and nobody unknown
        // writes at all.
        let decided = by_a_person(judgement("j", "1", "s1", Verdict::Release));
        for (record, author, key) in [
            (&record, "quality", &quality),
            (&decided, "inspector", &inspector),
            (&record, "nobody", &inspector),
        ] {
            let e = add(record, author, Some(key)).expect_err("no right");
            assert!(matches!(e, LedgerError::NotAllowed(_)), "{e}");
            assert!(e.hint().is_some());
        }
        assert_eq!(ledger.head().unwrap().seq, 6, "nothing was added");
        assert_eq!(add(&record, "inspector", Some(&inspector)).unwrap(), 7);
        // A bar and what the rules say of it need no signature, but somebody who runs the line.
        assert_eq!(add(&screened("s1", "1", "T", "V", LINE), "inspector", None).unwrap(), 8);
        let judged = judgement("j", "1", "s1", Verdict::Release);
        assert_eq!(add(&judged, "inspector", None).unwrap(), 9);
        let found = ledger.verify(None).unwrap();
        assert!(found.is_whole(), "{found:?}");
    }
}

#[test]
fn keys_that_were_replaced_or_revoked_sign_no_more() {
    for home in homes() {
        let Plant { ledger, quality, inspector } = plant(&home);
        let new = SigningKey::make("inspector").unwrap();
        let replaced = key(&new, KeyEvent::Replaces(inspector.id()));
        ledger.append_signed(&replaced, "quality", START_US, Some(&quality)).unwrap();
        let record = check("c2", "T", "V", true, LINE);
        let e = ledger
            .append_signed(&record, "inspector", START_US, Some(&inspector))
            .expect_err("replaced");
        assert!(matches!(e, LedgerError::WrongKey { .. }), "{e}");
        ledger.append_signed(&record, "inspector", START_US, Some(&new)).unwrap();
        let revoked = key(&new, KeyEvent::Revoked("lost".into()));
        ledger.append_signed(&revoked, "quality", START_US, Some(&quality)).unwrap();
        let e =
            ledger.append_signed(&record, "inspector", START_US, Some(&new)).expect_err("revoked");
        assert!(matches!(e, LedgerError::WrongKey { .. }), "{e}");
        // What they signed while they did stands.
        let found = ledger.verify(None).unwrap();
        assert!(found.is_whole(), "{found:?}");
    }
}

#[test]
fn tampering_with_signatures_is_found_at_the_entry() {
    for (statement, at) in [
        ("DELETE FROM signature WHERE seq = 6", 6),
        ("DELETE FROM signature", 3),
        (
            "UPDATE signature SET signature = replace(signature, substr(signature, 1, 2), 'zz') WHERE seq = 6",
            6,
        ),
        (
            "UPDATE signature SET signature = (SELECT signature FROM signature WHERE seq = 4) WHERE seq = 6",
            6,
        ),
        ("UPDATE signature SET key = (SELECT key FROM signature WHERE seq = 4) WHERE seq = 6", 6),
        ("UPDATE signature SET key = 'unknown' WHERE seq = 6", 6),
    ] {
        for home in homes() {
            drop(plant(&home));
            home.tamper(statement);
            let found = home.open().unwrap().verify(None).unwrap();
            let fault = found.first_fault.expect("found");
            assert_eq!(
                (fault.seq, fault.kind),
                (at, FaultKind::Signature),
                "{statement}: {}",
                fault.what
            );
        }
    }
}

#[test]
fn signatures_move_with_the_ledger() {
    let home = Home::file();
    let Plant { ledger, .. } = plant(&home);
    let mut lines = vec![];
    ledger
        .write_text(|line| {
            lines.push(line.to_owned());
            Ok(())
        })
        .unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("text.db");
    let found = Ledger::read_text(&store::Home::File(path), lines.iter().cloned().map(Ok)).unwrap();
    assert_eq!(found.entries, 6);
    // Without them it is not the ledger that was.
    let bare: Vec<String> = lines
        .iter()
        .map(|line| match line.find(",\"key\":") {
            Some(at) => format!("{}}}", &line[..at]),
            None => line.clone(),
        })
        .collect();
    assert_ne!(bare, lines);
    let e = Ledger::read_text(
        &store::Home::File(folder.path().join("bare.db")),
        bare.into_iter().map(Ok),
    )
    .expect_err("unsigned");
    assert!(matches!(e, LedgerError::Faulty { seq: 3, .. }), "{e}");
    let backup = folder.path().join("backup.db");
    assert!(ledger.back_up(&backup).unwrap().is_whole());
}
