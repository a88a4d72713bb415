//! The command `trends` as a person uses it, on a ledger of checks. Truth: closed form, the loss put in.

use std::path::Path;

use crate::support::{job, json};
use barwright_job::{
    Hash, Measures,
    measures::{Marked, Quantity},
};
use barwright_ledger::{
    Ledger, Record,
    record::{CheckFacts, Facts, Origin},
};

const HOUR_US: i64 = 3_600_000_000;

/// A job folder with so many checks four hours apart; probe 2 loses 0.2 dB a check from the 13th on.
fn folder(checks: u32, lost_db: f64) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    job(folder.path(), &["example", "round-42"], 0);
    let ledger =
        Ledger::create(folder.path().join("ledger.db"), "line 2", HOUR_US).expect("a ledger");
    for i in 0..checks {
        let wave = |k: u32| f64::from((i * 7 + k * 13) * (k + 3) % 23) / 230.0;
        let lost = |p: u32| {
            if p == 1 { lost_db * f64::from(i.saturating_sub(11)) } else { 0.0 }
        };
        let mut measures = Measures {
            probes: (0..48).map(|b| b / 8).collect(),
            reflectors: vec![Marked { name: "H1".into(), probes: vec![1] }],
            ..Measures::default()
        };
        measures.keep(Quantity::WallHeight, (0..48).map(|b| Some(wave(b) - lost(b / 8))));
        measures.keep(Quantity::ReflectorHeight, [Some(wave(60) - lost(1))]);
        measures.keep(Quantity::ReflectorReserve, [Some(5.0 + wave(60) - lost(1))]);
        let hash = |what: &str| Hash::of(what.as_bytes());
        let (technique, level) = (hash("technique"), hash("level"));
        let made_from = [("technique", &technique), ("level", &level)]
            .map(|(role, hash)| (role.to_owned(), hash.clone()));
        let facts = Facts::Check(CheckFacts {
            origin: Origin {
                document: hash(&format!("check {i}")),
                made_from: made_from.into_iter().collect(),
            },
            technique,
            level,
            good: true,
            interval_h: 4.0,
            passes: 3,
            findings: vec![],
            program: None,
            due_at_operator: false,
            measures,
        });
        let record = Record { subject: "line 2".into(), line: "line 2".into(), facts };
        ledger.append(&record, "shift A", i64::from(i + 1) * 4 * HOUR_US).expect("an entry");
    }
    folder
}

fn read(path: &Path) -> String {
    std::fs::read_to_string(path).expect("a text")
}

#[test]
fn a_dying_probe_is_told_and_asks_for_attention() {
    let f = folder(20, 0.2);
    let picture = f.path().join("probe.svg");
    let said = job(f.path(), &["trends", "--picture", picture.to_str().expect("plain")], 1);
    assert!(said.out.contains("Probe 2 loses 0.2"), "{}", said.out);
    assert!(said.out.contains("until reflector H1 fails the check"), "{}", said.out);
    assert!(said.out.contains("[1970-01-0"), "{}", said.out);
    // No table unless asked.
    assert!(said.out.lines().count() < 8, "{}", said.out);
    assert!(read(&picture).contains("probe-2-wall"));
    let one = job(f.path(), &["trends", "--series", "probe-2-wall"], 1).out;
    // 0.2 dB, and a hundredth for the wave that stands for scatter.
    let slope = ["slope -0.19", "slope -0.20"].iter().any(|s| one.contains(s));
    assert!(slope && one.contains("checks left"), "{one}");
    let all = job(f.path(), &["trends", "--series", "all"], 1).out;
    assert!(all.contains("beam-47-wall") && all.contains("reflector-H1"), "{all}");
    let out = f.path().join("trends.json");
    std::fs::write(&out, job(f.path(), &["trends", "--json"], 1).out).expect("written");
    assert_eq!(json(&out)["drifts"][0]["origin"]["probe"], 1);
    let said = job(f.path(), &["trends", "--series", "probe-9-wall"], 2);
    assert!(said.err.contains("there is no series probe-9-wall"), "{}", said.err);
}

#[test]
fn a_sound_or_young_station_is_left_in_peace() {
    let said = job(folder(20, 0.0).path(), &["trends"], 0);
    assert!(said.out.contains("nothing drifts"), "{}", said.out);
    let said = job(folder(6, 0.0).path(), &["trends"], 0);
    assert!(said.out.contains("no trend can be told yet"), "{}", said.out);
}

// What came before a repair is left out where somebody says so.
#[test]
fn a_repair_begins_anew() {
    let f = folder(30, 0.2);
    job(f.path(), &["trends"], 1);
    let said = job(f.path(), &["trends", "--since", "25"], 0);
    assert!(said.out.contains("6 checks"), "{}", said.out);
}
