//! The two homes of a ledger answer alike, and a ledger moves between them with its hashes.
//! Truth: by construction; each answer is known from what was entered.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use std::path::Path;

use crate::common::{
    HOUR_US, LINE, MINUTE_US, START_US, by_program, check, cut, hash,
    home::{Home, homes, wait},
    judgement, level, mount, operator, order, screened, shipment, technique,
};
use barwright_job::judgement::Verdict;
use barwright_ledger::{
    BarKey, Entry, Ledger, LedgerError, Record, State, Why,
    store::{
        self,
        questions::{After, Which},
    },
};

/// A day with three checks, the third failing: two bars before the second, three after it, of which
/// one was cut and a piece of it shipped. Times are minutes.
fn day() -> Vec<Record> {
    vec![
        order("T-1042", "a customer", "H7"), // 1
        technique("T", LINE),
        mount("P-17", "1", true, LINE),
        level("V", "T", LINE),
        check("c1", "T", "V", true, LINE), // 5
        screened("s1", "1", "T", "V", LINE),
        judgement("j1", "1", "s1", Verdict::Release),
        screened("s2", "2", "T", "V", LINE),
        judgement("j2", "2", "s2", Verdict::Release),
        check("c2", "T", "V", true, LINE), // 10
        screened("s3", "3", "T", "V", LINE),
        judgement("j3", "3", "s3", Verdict::Crop),
        cut("3", &[("A", 0.05, 2.5), ("B", 2.6, 5.95)]),
        shipment("D-9", &[("3", Some("A"))]),
        screened("s4", "4", "T", "V", LINE), // 15
        judgement("j4", "4", "s4", Verdict::Release),
        screened("s5", "5", "T", "V", LINE),
        judgement("j5", "5", "s5", Verdict::Release),
        check("c3", "T", "V", false, LINE), // 19
    ]
}

fn enter(ledger: &Ledger, records: &[Record]) -> i64 {
    let mut now = START_US + ledger.head().unwrap().seq * MINUTE_US;
    for record in records {
        now += MINUTE_US;
        ledger.append(record, "shift", now).unwrap();
    }
    now
}

fn numbers(bars: &[barwright_ledger::BarState]) -> Vec<&str> {
    bars.iter().map(|b| b.bar.bar.as_str()).collect()
}

#[test]
fn a_failed_check_holds_and_a_retest_releases() {
    for home in homes() {
        let ledger = home.create("works");
        let now = enter(&ledger, &day());
        assert_eq!(numbers(&ledger.holds(now).unwrap()), ["3", "4", "5"]);
        let lists = ledger.hold_lists(now).unwrap();
        assert_eq!(lists.len(), 1);
        let list = &lists[0];
        assert_eq!(
            (list.why, list.last_good_check, list.open),
            (Why::FailedCheck(19), Some(10), 3)
        );
        assert_eq!(list.bars[0].pieces, ["A", "B"]);
        assert_eq!(list.bars[0].shipped.len(), 1);
        let gone = ledger.shipped_although_held(now).unwrap();
        assert_eq!(gone.len(), 1);
        assert_eq!((gone[0].0.bar.bar.as_str(), gone[0].1.piece.as_str()), ("3", "A"));

        // Levelled anew, checked, two of the three screened again, checked.
        let again = [
            level("V2", "T", LINE), // 20
            check("c4", "T", "V2", true, LINE),
            screened("s3b", "3", "T", "V2", LINE),
            judgement("j3b", "3", "s3b", Verdict::Release),
            screened("s4b", "4", "T", "V2", LINE),
            judgement("j4b", "4", "s4b", Verdict::Release), // 25
            check("c5", "T", "V2", true, LINE),
        ];
        let now = enter(&ledger, &again);
        let list = &ledger.hold_lists(now).unwrap()[0];
        assert_eq!((list.bars.len(), list.open), (3, 1), "one is still to be screened again");
        let freed: Vec<_> = list.bars.iter().filter(|b| b.again.is_some()).collect();
        assert_eq!(freed.iter().map(|b| b.again.unwrap()).collect::<Vec<_>>(), [22, 24]);
        assert!(freed.iter().all(|b| b.state == State::Released));
        assert!(ledger.shipped_although_held(now).unwrap().is_empty());

        let rest = [
            screened("s5b", "5", "T", "V2", LINE),
            judgement("j5b", "5", "s5b", Verdict::Release),
            check("c6", "T", "V2", true, LINE),
        ];
        let now = enter(&ledger, &rest);
        assert!(ledger.hold_lists(now).unwrap().is_empty());
        assert!(ledger.bars(now).unwrap().iter().all(|b| b.state == State::Released));
        let found = ledger.verify(None).unwrap();
        assert!(found.is_whole(), "{found:?}");
    }
}

#[test]
fn an_overdue_check_holds_without_any_entry() {
    for home in homes() {
        let ledger = home.create("works");
        let now = enter(&ledger, &day()[..18]);
        assert!(ledger.holds(now).unwrap().is_empty());
        assert!(!ledger.lines(now).unwrap()[0].overdue);
        let later = now + 5 * HOUR_US;
        assert_eq!(numbers(&ledger.holds(later).unwrap()), ["3", "4", "5"]);
        assert_eq!(ledger.hold_lists(later).unwrap()[0].why, Why::CheckOverdue);
        let line = &ledger.lines(later).unwrap()[0];
        assert!(line.overdue);
        // Entry 10 was made ten minutes after the start, four hours hold.
        assert_eq!(line.next_check_us, Some(START_US + 10 * MINUTE_US + 4 * HOUR_US));
        let story = ledger.story(&BarKey::new("H7", "4"), later).unwrap().unwrap();
        assert_eq!(story.state.state, State::Held { why: Why::CheckOverdue });
    }
}

#[test]
fn what_changes_between_two_checks_breaks_the_bracket() {
    let other = || screened("s9", "9", "T", "V", LINE);
    for (what, why) in [
        (vec![mount("P-18", "1", true, LINE)], Why::EquipmentChanged(12)),
        (vec![mount("P-17", "1", false, LINE)], Why::EquipmentChanged(12)),
        (vec![level("V2", "T", LINE)], Why::SettingChanged(12)),
        (vec![technique("T2", LINE)], Why::SettingChanged(12)),
        (vec![by_program(other(), "2.0")], Why::ProgramChanged(12)),
        (vec![operator("night", LINE), other()], Why::OperatorChanged(12)),
    ] {
        let home = Home::file();
        let ledger = home.create("works");
        enter(&ledger, &day()[..11]);
        let mut then = what.clone();
        then.push(judgement("j3", "3", "s3", Verdict::Release));
        then.push(check("c3", "T", "V", true, LINE));
        let now = enter(&ledger, &then);
        let bar = BarKey::new("H7", "3");
        let state = ledger.story(&bar, now).unwrap().unwrap().state.state;
        assert_eq!(state, State::Held { why }, "{what:?}");
        // What was between two good checks before stays released.
        let bar = BarKey::new("H7", "1");
        let state = ledger.story(&bar, now).unwrap().unwrap().state.state;
        assert_eq!(state, State::Released, "{what:?}");
    }
}

#[test]
fn an_operator_who_begins_with_a_check_holds_nothing() {
    let home = Home::file();
    let ledger = home.create("works");
    let mut records = day()[..10].to_vec();
    records.push(operator("night", LINE));
    records.extend_from_slice(&day()[10..12]);
    // The check when the operator changes may also come after the change.
    records.push(operator("day", LINE));
    records.push(check("c3", "T", "V", true, LINE));
    let now = enter(&ledger, &records);
    assert!(ledger.holds(now).unwrap().is_empty());
}

#[test]
fn lines_never_mix() {
    for home in homes() {
        let ledger = home.create("works");
        let mut records = day()[..18].to_vec();
        records.push(check("other", "T", "V", false, "line 3"));
        records.push(mount("P-99", "1", true, "line 3"));
        let now = enter(&ledger, &records);
        assert!(ledger.holds(now).unwrap().is_empty());
        let last = enter(&ledger, &[check("c3", "T", "V", true, LINE)]);
        let free = |b: &barwright_ledger::BarState| {
            matches!(b.state, State::Released | State::Cropped { .. })
        };
        assert!(ledger.bars(last).unwrap().iter().all(free));
    }
}

#[test]
fn every_question_has_the_same_answer_in_both_homes() {
    for home in homes() {
        let ledger = home.create("works");
        let mut records = day();
        records.push(mount("P-18", "1", true, LINE)); // 20: in place of P-17
        records.push(by_program(screened("s6", "6", "T", "V", LINE), "2.0"));
        let now = enter(&ledger, &records);
        let ask = |which: Which| {
            let found = ledger.bars_of(&which, None, 100, now).unwrap();
            assert_eq!(found.total, found.bars.len() as u64, "{which:?}");
            assert_eq!(found.next, None);
            found.bars.iter().map(|b| b.state.bar.bar.clone()).collect::<Vec<_>>()
        };
        let all = ["1", "2", "3", "4", "5", "6"];
        assert_eq!(ask(Which::Heat("H7".into())), all);
        assert_eq!(ask(Which::Heat("H8".into())), [""; 0]);
        assert_eq!(ask(Which::Order("T-1042".into())), all);
        assert_eq!(ask(Which::Customer("a customer".into())), all);
        assert_eq!(ask(Which::Equipment("P-17".into())), all[..5]);
        assert_eq!(ask(Which::Equipment("P-18".into())), ["6"]);
        assert_eq!(ask(Which::Level(hash("V"))), all);
        assert_eq!(ask(Which::Level(hash("V2"))), [""; 0]);
        assert_eq!(ask(Which::Technique(hash("T"))), all);
        assert_eq!(ask(Which::Program("2.0".into())), ["6"]);
        assert_eq!(ask(Which::Line(LINE.into())), all);

        // In parts.
        for which in [Which::Line(LINE.into()), Which::Heat("H7".into())] {
            let (mut after, mut found): (Option<After>, Vec<String>) = (None, vec![]);
            loop {
                let part = ledger.bars_of(&which, after.as_ref(), 4, now).unwrap();
                assert_eq!(part.total, 6);
                found.extend(part.bars.iter().map(|b| b.state.bar.bar.clone()));
                after = part.next;
                if after.is_none() {
                    break;
                }
            }
            assert_eq!(found, all);
        }

        let story = ledger.story(&BarKey::new("H7", "3"), now).unwrap().unwrap();
        let seqs = |entries: &[Entry]| entries.iter().map(|e| e.seq).collect::<Vec<_>>();
        assert_eq!(seqs(&story.entries), [11, 12, 13, 14]);
        assert_eq!(seqs(&story.rests_on), [2, 4, 10]);
        assert_eq!(story.equipment, [("P-17".to_owned(), "1".to_owned())]);
        assert_eq!(story.pieces.len(), 2);
        assert_eq!(ledger.story(&BarKey::new("H7", "99"), now).unwrap(), None);
        assert_eq!(seqs(&ledger.changes(None, 1, 100).unwrap()), [3, 20]);
        assert_eq!(seqs(&ledger.changes(Some("shift"), 1, 100).unwrap()), [2, 3, 4, 13, 14, 20]);
        assert_eq!(ledger.changes(Some("nobody"), 1, 100).unwrap(), []);
    }
}

#[test]
fn eight_writers_lose_nothing_and_do_not_fork() {
    const WRITERS: i64 = 8;
    const EACH: i64 = 40;
    for home in homes() {
        home.create("works");
        std::thread::scope(|scope| {
            for writer in 0..WRITERS {
                let home = &home;
                scope.spawn(move || {
                    let ledger = home.open().unwrap();
                    let line = format!("line {writer}");
                    for i in 0..EACH {
                        let bar = format!("{writer}.{i}");
                        let record = match i % 4 {
                            0 => check(&format!("c{bar}"), "T", "V", true, &line),
                            _ => screened(&format!("s{bar}"), &bar, "T", "V", &line),
                        };
                        ledger
                            .append(&record, &line, START_US + i * MINUTE_US)
                            .unwrap_or_else(|e| panic!("{line}, {i}: {e}"));
                    }
                });
            }
        });
        let ledger = home.open().unwrap();
        let found = ledger.verify(None).unwrap();
        assert_eq!((found.entries, found.first_fault), ((WRITERS * EACH) as u64, None));
        let entries = ledger.entries(1, 10_000).unwrap();
        for writer in 0..WRITERS {
            let line = format!("line {writer}");
            let times: Vec<i64> = entries
                .iter()
                .filter(|e| e.author == line)
                .map(|e| (e.time_us - START_US) / MINUTE_US)
                .collect();
            assert_eq!(times, (0..EACH).collect::<Vec<_>>(), "{line}");
        }
        // Each line's bars stand between its own checks.
        let now = START_US + EACH * MINUTE_US;
        for line in ledger.lines(now).unwrap() {
            assert_eq!((line.closed, line.overdue), (None, false), "{line:?}");
        }
        assert!(ledger.holds(now).unwrap().is_empty());
    }
}

fn text_of(ledger: &Ledger) -> Vec<String> {
    let mut lines = vec![];
    ledger
        .write_text(|line| {
            lines.push(line.to_owned());
            Ok(())
        })
        .unwrap();
    lines
}

fn read(path: &Path, lines: &[String]) -> Result<u64, LedgerError> {
    Ledger::read_text(&store::Home::File(path.to_owned()), lines.iter().cloned().map(Ok))
        .map(|found| found.entries)
}

#[test]
fn a_ledger_moves_between_homes_with_its_hashes() {
    let from = Home::file();
    let ledger = from.create("works");
    enter(&ledger, &day());
    let (head, entries) = (ledger.head().unwrap(), ledger.entries(1, 100).unwrap());
    let lines = text_of(&ledger);
    let same = |other: &Ledger| {
        assert_eq!(other.head().unwrap(), head);
        assert_eq!(other.entries(1, 100).unwrap(), entries);
        assert!(other.verify(Some(&head)).unwrap().is_whole());
        let now = head.time_us;
        assert_eq!(other.bars(now).unwrap(), ledger.bars(now).unwrap());
        assert_eq!(text_of(other), lines);
    };

    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("text.db");
    assert_eq!(read(&path, &lines).unwrap(), 19);
    same(&Ledger::open(&path).unwrap());
    let e = read(&path, &lines).expect_err("never over another");
    assert!(matches!(e, LedgerError::Exists { .. }), "{e}");

    let Some(second) = Home::server() else {
        return;
    };
    // The file to the server, the server back to a file, and on.
    let found = ledger.copy_to(&second.at()).unwrap();
    assert_eq!(found.head, head);
    let server = second.open().unwrap();
    same(&server);
    let back = store::Home::File(folder.path().join("back.db"));
    assert_eq!(server.copy_to(&back).unwrap().head, head);
    let back = Ledger::open_at(&back).unwrap();
    same(&back);
    let e = back.copy_to(&second.at()).expect_err("there is one");
    assert!(matches!(e, LedgerError::Exists { .. }), "{e}");
    // Both go on from the same head, to the same next entry.
    let next = check("c9", "T", "V", true, LINE);
    let a = server.append(&next, "shift", head.time_us).unwrap();
    let b = back.append(&next, "shift", head.time_us).unwrap();
    assert_eq!(a, b);
    let Some(third) = Home::server() else {
        return;
    };
    Ledger::read_text(&third.at(), lines.iter().cloned().map(Ok)).unwrap();
    same(&third.open().unwrap());
}

#[test]
fn a_text_that_was_changed_or_cut_short_is_refused_at_its_line() {
    let from = Home::file();
    let ledger = from.create("works");
    enter(&ledger, &day());
    let lines = text_of(&ledger);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("text.db");
    let mut changed = lines.clone();
    changed[7] = changed[7].replace("shift", "night");
    let mut dropped = lines.clone();
    dropped.remove(5);
    let mut swapped = lines.clone();
    swapped.swap(4, 5);
    let mut more = lines.clone();
    more.push(lines[3].clone());
    let cases = [
        (changed, 8),
        (dropped, 6),
        (swapped, 5),
        (lines[..lines.len() - 1].to_vec(), 21),
        (more, 22),
        (vec!["no ledger".into()], 1),
        (vec![], 1),
    ];
    for (text, at) in cases {
        let e = read(&path, &text).expect_err("it does not fit");
        assert!(matches!(e, LedgerError::Text { line, .. } if line == at), "{at}: {e}");
        assert!(!path.exists(), "nothing is left of it");
    }
    // The end dropped with the last line made to fit: only the printed head can tell.
    let newer = lines[0].replace("\"barwright_ledger_text\":1", "\"barwright_ledger_text\":2");
    let e = read(&path, &[newer]).expect_err("newer");
    assert!(matches!(e, LedgerError::TooNew { found: 2, .. }), "{e}");
}

#[test]
fn a_backup_is_made_while_others_write_and_is_a_ledger_itself() {
    for home in homes() {
        let ledger = home.create("works");
        enter(&ledger, &day());
        let folder = tempfile::tempdir().unwrap();
        let stop = std::sync::atomic::AtomicBool::new(false);
        std::thread::scope(|scope| {
            let (home, stop) = (&home, &stop);
            let writer = scope.spawn(move || {
                let ledger = home.open().unwrap();
                let mut added = 0;
                while !stop.load(std::sync::atomic::Ordering::Relaxed) {
                    let record =
                        screened(&format!("x{added}"), &format!("x{added}"), "T", "V", LINE);
                    ledger.append(&record, "shift", START_US + 30 * MINUTE_US).unwrap();
                    added += 1;
                }
                added
            });
            let mut heads = vec![];
            for i in 0..4 {
                let path = folder.path().join(format!("backup{i}.db"));
                let found = ledger.back_up(&path).unwrap();
                assert!(found.is_whole());
                // What was printed then still holds, in the copy and in the ledger that went on.
                assert!(ledger.verify(Some(&found.head)).unwrap().is_whole());
                let copy = Ledger::open(&path).unwrap();
                assert_eq!(copy.head().unwrap(), found.head);
                heads.push(found.head.seq);
                let e = ledger.back_up(&path).expect_err("never over another");
                assert!(matches!(e, LedgerError::Exists { .. }), "{e}");
            }
            stop.store(true, std::sync::atomic::Ordering::Relaxed);
            let added = writer.join().unwrap();
            assert!(heads.is_sorted() && heads[3] > 19, "{heads:?}, {added} were added");
        });
    }
}

#[test]
fn a_ledger_that_is_not_whole_is_not_passed_on() {
    for home in homes() {
        let ledger = home.create("works");
        enter(&ledger, &day());
        drop(ledger);
        home.tamper("UPDATE entry SET author = 'night' WHERE seq = 7");
        let ledger = home.open().unwrap();
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("copy.db");
        let e = ledger.copy_to(&store::Home::File(path.clone())).expect_err("faulty");
        assert!(matches!(e, LedgerError::Faulty { seq: 7, .. }), "{e}");
        assert!(!path.exists());
        // A backup is kept all the same, and named for what it is.
        let e = ledger.back_up(&path).expect_err("faulty");
        assert!(matches!(e, LedgerError::Faulty { seq: 7, .. }), "{e}");
        assert!(!path.exists() && folder.path().join("copy.db.faulty").exists());
    }
}

#[test]
fn what_can_be_saved_from_a_damaged_file_is_saved() {
    let home = Home::file();
    let ledger = home.create("works");
    for i in 0..400 {
        let record = screened(&format!("s{i}"), &i.to_string(), "T", "V", LINE);
        ledger.append(&record, "shift", START_US + i * MINUTE_US).unwrap();
    }
    let entries = ledger.entries(1, 1000).unwrap();
    drop(ledger);
    let whole = std::fs::read(home.path()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let (mut saved, mut refused) = (vec![], 0);
    for page in (1..whole.len() / 4096).step_by(7) {
        let mut damaged = whole.clone();
        damaged[page * 4096..(page + 1) * 4096].fill(0x5a);
        let path = folder.path().join(format!("damaged{page}.db"));
        std::fs::write(&path, &damaged).unwrap();
        let new = folder.path().join(format!("new{page}.db"));
        match Ledger::salvage(&path, &new) {
            Ok(found) => {
                let kept = usize::try_from(found.kept).unwrap();
                let ledger = Ledger::open(&new).unwrap();
                assert_eq!(ledger.entries(1, 1000).unwrap(), entries[..kept], "page {page}");
                assert!(ledger.verify(Some(&found.head)).unwrap().is_whole());
                assert!(found.first_fault.is_some() || kept == 400, "page {page}: {kept}");
                assert!(kept + found.loose.len() <= 400);
                saved.push((kept, found.loose.len()));
            }
            Err(LedgerError::Corrupt { .. }) => refused += 1,
            Err(e) => panic!("page {page}: {e}"),
        }
        assert_eq!(std::fs::read(&path).unwrap(), damaged, "it was only read");
    }
    println!("saved and loose: {saved:?}, {refused} refused");
    assert!(saved.iter().any(|(kept, _)| *kept == 400), "{saved:?}");
    assert!(saved.iter().any(|(kept, loose)| *kept < 400 && *loose > 0), "{saved:?}");
}

#[test]
fn a_server_that_is_not_there_or_refuses_is_told() {
    let open = |address: &str| Ledger::open_at(&store::Home::Server(address.to_owned()));
    let e = open("postgres://somebody@localhost:1/none").expect_err("nobody");
    assert!(matches!(e, LedgerError::Io { .. }), "{e:?}");
    assert!(!e.to_string().contains("somebody"), "{e}");
    let e = open("no address").expect_err("no address");
    assert!(matches!(e, LedgerError::Io { .. }), "{e:?}");
    let Some(home) = Home::server() else {
        return;
    };
    let e = home.open().expect_err("an empty database");
    assert!(matches!(e, LedgerError::Absent { .. }), "{e:?}");
    home.create("works");
    let Home::Server(address) = &home else {
        return;
    };
    let e = Ledger::create_at(&home.at(), "other", START_US).expect_err("there is one");
    assert!(matches!(e, LedgerError::Exists { .. }), "{e:?}");
    let absent = address.replace("/ledger", "/absent");
    let e = open(&absent).expect_err("no such database");
    assert!(matches!(e, LedgerError::Absent { .. }), "{e:?}");
    wait(async {
        use sqlx::{Connection as _, PgConnection};
        let mut c = PgConnection::connect(address).await.unwrap();
        let statements = "ALTER TABLE meta DISABLE TRIGGER USER; \
                          UPDATE meta SET value = '2' WHERE key = 'format'";
        sqlx::raw_sql(statements).execute(&mut c).await.unwrap();
        c.close().await.unwrap();
    });
    let e = home.open().expect_err("newer");
    assert!(matches!(e, LedgerError::TooNew { found: 2, known: 1, .. }), "{e:?}");
}
