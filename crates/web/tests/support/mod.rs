//! A job folder of fixture documents, told as a story: four bars between two good checks, two after
//! which a check failed, one not judged yet. The documents are those of the report's tests.
#![allow(dead_code, clippy::unwrap_used, reason = "every test program uses a part of it")]

#[path = "../../../report/tests/support/mod.rs"]
pub mod fixture;

pub mod everything;

use barwright_job::{
    Sealed,
    judgement::{Judgement, Verdict},
    screened::ScreenedBar,
};
use barwright_ledger::{Record, Store};
use barwright_web::{JobFolder, files};

/// The line of the fixture's station.
const LINE: &str = "line 2";

/// Half past six on 12 January 2026, UTC, in microseconds; every entry comes a minute later.
const START_US: i64 = 1_768_199_400_000_000;
const MINUTE_US: i64 = 60_000_000;

/// A job folder that goes away with the test.
pub struct Job {
    pub folder: JobFolder,
    _temporary: tempfile::TempDir,
}

/// An empty job folder.
pub fn empty() -> Job {
    let temporary = tempfile::tempdir().unwrap();
    Job { folder: JobFolder::new(temporary.path()), _temporary: temporary }
}

/// Writes the three documents of people.
pub fn written(job: &JobFolder) {
    let examples = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples");
    for (from, to) in [
        ("order-round-42.toml", job.order_path()),
        ("station-line-2.toml", job.station_path()),
        ("rules-th-k2.toml", job.rules_path()),
    ] {
        files::write(&to, &std::fs::read(examples.join(from)).unwrap()).unwrap();
    }
}

/// A whole job folder with its ledger.
pub async fn full() -> Job {
    let job = empty();
    let f = &job.folder;
    written(f);
    let technique = fixture::technique();
    let (proof, reference) = (fixture::proof(&technique), fixture::reference(&technique));
    let level = fixture::level(&technique);
    let (good, failed) =
        (fixture::check(&technique, &level, true), fixture::check(&technique, &level, false));
    files::write_sealed(&f.technique_path(), &technique).unwrap();
    files::write_sealed(&f.proof_path(), &proof).unwrap();
    files::write_sealed(&f.reference_path(), &reference).unwrap();
    files::write_sealed(&f.level_path(), &level).unwrap();
    for (number, check) in [(1, &good), (2, &good), (3, &failed)] {
        files::write_sealed(&f.check_path(number), check).unwrap();
    }
    files::write(&f.paper_path("technique"), b"%PDF-1.7\n").unwrap();
    files::write(&f.paper_path("bar-B001"), b"%PDF-1.7\n").unwrap();

    let bar = |name: &str, verdict, n| fixture::bar(&technique, &level, name, verdict, n);
    let first = [
        bar("B001", Verdict::Release, 0),
        bar("B002", Verdict::Crop, 3),
        bar("B003", Verdict::Reject, 14),
        bar("B004", Verdict::Release, 0),
    ];
    let second = [bar("B005", Verdict::Release, 1), bar("B006", Verdict::Crop, 2)];
    let (open, _) = bar("B007", Verdict::Release, 0);
    let write = |s: &Sealed<ScreenedBar>, j: Option<&Sealed<Judgement>>| {
        files::write_sealed(&f.screened_path(&s.body.bar), s).unwrap();
        if let Some(j) = j {
            files::write_sealed(&f.judgement_path(&j.body.bar), j).unwrap();
        }
    };
    first.iter().chain(&second).for_each(|(s, j)| write(s, Some(j)));
    let look = fixture::second_look(&first[2].1, "A");
    files::write_sealed(&f.look_path("b003-a").unwrap(), &look).unwrap();
    write(&open, None);

    let rules = fixture::rules();
    let check = |c| Record::check(c, &rules, LINE).unwrap();
    let mut records = vec![
        Record::order(&fixture::order()),
        Record::technique(&technique, LINE),
        Record::proof(&proof).unwrap(),
        Record::level(&level, LINE).unwrap(),
        check(&good),
    ];
    let bars = |list: &[(Sealed<ScreenedBar>, Sealed<Judgement>)], records: &mut Vec<Record>| {
        for (s, j) in list {
            records.push(Record::bar_screened(s, LINE).unwrap());
            records.push(Record::judgement(j, LINE).unwrap());
        }
    };
    bars(&first, &mut records);
    records.push(check(&good));
    bars(&second, &mut records);
    records.push(check(&failed));
    records.push(Record::bar_screened(&open, LINE).unwrap());
    let store = Store::create(f.ledger_path(), "line 2", START_US).await.unwrap();
    let mut now = START_US;
    for record in &records {
        store.append(record, "shift A", now).await.unwrap();
        now += MINUTE_US;
    }
    store.close().await;
    job
}

/// The same with checks of a month, in which the fourth probe loses 0.15 dB a check from the fifteenth
/// check on: 24 of them, made up from a wave that is no drift.
pub async fn drifting() -> Job {
    use barwright_job::measures::{Marked, Measures, Quantity};
    let job = full().await;
    let technique = fixture::technique();
    let level = fixture::level(&technique);
    let (base, rules) = (fixture::check(&technique, &level, true), fixture::rules());
    let store = Store::open(job.folder.ledger_path()).await.unwrap();
    for i in 0..24u32 {
        let wave = |k: u32| f64::from((i * 7 + k * 13) * (k + 3) % 23) / 230.0 - 0.05;
        let lost = |p: u32| if p == 3 { 0.15 * f64::from((i + 1).saturating_sub(14)) } else { 0.0 };
        let mut m = Measures {
            probes: (0..48).map(|b| b / 8).collect(),
            reflectors: vec![Marked { name: "H1".into(), probes: vec![3] }],
            ..Measures::default()
        };
        m.keep(Quantity::WallHeight, (0..48).map(|b| Some(wave(b) - 2.0 - lost(b / 8))));
        m.keep(Quantity::ReflectorHeight, [Some(wave(60) - lost(3))]);
        m.keep(Quantity::ReflectorReserve, [Some(4.4 + wave(60) - lost(3))]);
        m.keep(Quantity::Noise, [Some(-20.0 + 4.0 * wave(61))]);
        m.keep(Quantity::WaterTemperature, [Some(21.7 + wave(62))]);
        let mut check = base.body.clone();
        check.measures = m;
        let sources = [
            ("technique", technique.hash.clone()),
            ("level", level.hash.clone()),
            ("rules", rules.hash()),
        ];
        let sealed = Sealed::seal(check, sources);
        let record = Record::check(&sealed, &rules, LINE).unwrap();
        let now = START_US + (60 + i64::from(i) * 240) * MINUTE_US;
        store.append(&record, "shift A", now).await.unwrap();
    }
    store.close().await;
    job
}

/// Every address of a full job folder.
pub const ADDRESSES: [&str; 21] = [
    "/line",
    "/",
    "/order",
    "/order/edit",
    "/technique",
    "/proof",
    "/proof/change",
    "/reference",
    "/changeover",
    "/level",
    "/checks",
    "/trends",
    "/bars",
    "/bars?state=held",
    "/bars/B001",
    "/bars/B002",
    "/bars/B003",
    "/bars/B007",
    "/ledger",
    "/papers",
    "/people",
];
