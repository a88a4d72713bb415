//! The fixture folder with every kind of document and entry in it, and hostile texts where people's words stand.

use barwright_job::{
    Hash, Sealed,
    changeover::{Changeover, StepKind},
    judgement::{Decision, Ghost, GhostPath, Judgement, Verdict},
};
use barwright_ledger::{
    Record, SigningKey, Store,
    record::{Calibration, EquipmentFacts, KeyEvent, KeyFacts, MountFacts, PersonFacts, Role},
};
use barwright_web::files;

use super::Job;

/// Texts that a spreadsheet, a table or a terminal could take for something else.
pub const HOSTILE: [&str; 9] = [
    "=HYPERLINK(\"http://example.org\";\"good\")",
    "+1+1",
    "-2 mm",
    "@SUM(A1:A9)",
    "'quoted",
    "a,\"b\"\r\nc;d\te",
    "\t=1",
    "＝1+1",
    "\u{202e}gnp.0007",
];

/// A folder in which every table has rows, with hostile texts where people's words stand.
pub async fn everything() -> Job {
    let job = super::drifting().await;
    let f = &job.folder;
    let mut changeover = Changeover::begin(None, "round 42".into(), 1_768_199_400_000_000);
    let ring = changeover.steps.iter_mut().find(|s| s.kind == StepKind::Ring).unwrap();
    ring.done_us = Some(1_768_199_461_500_000);
    ring.evidence = vec!["No probe answers where it should.".into()];
    let technique = f.technique().unwrap();
    let sources = [("technique", technique.hash.clone())];
    files::write_sealed(&f.changeover_path(), &Sealed::seal(changeover, sources)).unwrap();

    let (_, mut j) = super::fixture::bar(
        &technique,
        &f.level().unwrap(),
        "B002",
        Verdict::Crop,
        HOSTILE.len() + 1,
    );
    for (i, text) in j.body.indications.iter_mut().zip(HOSTILE) {
        i.kind = text.into();
    }
    j.body.indications[HOSTILE.len()].ghost = Some(Ghost {
        of: "A".into(),
        path: GhostPath::TwiceBetween,
        off_s: 1.25e-8,
        height_db: Some(-12.5),
    });
    j.body.decisions = vec![Decision {
        by: HOSTILE[3].into(),
        reason: HOSTILE[0].into(),
        time_us: 1_768_199_400_123_456,
        verdict: Verdict::Hold,
        cut: j.body.cut.clone(),
        judgement: Hash::of(b"before"),
    }];
    files::write_sealed(&f.judgement_path("B002"), &resealed(j)).unwrap();

    let order = f.order().unwrap();
    let judged: Vec<_> = f.judged_bars().unwrap().iter().map(|n| f.judgement(n).unwrap()).collect();
    let bars: Vec<_> = judged
        .iter()
        .map(|j| barwright_evaluate::cut::LotBar { judgement: &j.body, hash: &j.hash })
        .collect();
    let plan = barwright_evaluate::cut::lot(&order, &bars);
    let sealed = Sealed::seal(plan, [("order", order.hash())]);
    files::write_sealed(&f.cut_plan_path(), &sealed).unwrap();

    let store = Store::open(f.ledger_path()).await.unwrap();
    let key = SigningKey::make("quality desk").unwrap();
    for record in [
        Record::person(PersonFacts {
            person: "quality desk".into(),
            roles: vec![Role::Quality, Role::Level3],
            certified_until: Some(jiff::civil::date(2027, 2, 28)),
            certificate: HOSTILE[1].into(),
        }),
        Record::equipment(EquipmentFacts {
            equipment: "-17".into(),
            what: "probe".into(),
            calibration: Some(Calibration {
                certificate: "C 4".into(),
                until: jiff::civil::date(2026, 12, 31),
            }),
        }),
        Record::mount(
            MountFacts { equipment: "-17".into(), place: "3".into(), on: true },
            "line 2",
        )
        .unwrap(),
        Record::key(KeyFacts {
            key: key.id(),
            person: "quality desk".into(),
            public: key.public(),
            event: KeyEvent::Made,
        }),
    ] {
        store.append(&record, "quality desk", 1_770_000_000_000_000).await.unwrap();
    }
    store.close().await;
    job
}

fn resealed(j: Sealed<Judgement>) -> Sealed<Judgement> {
    let from = ["screened", "technique", "rules", "order"];
    let from = from.map(|role| (role, j.made_from[role].clone()));
    Sealed::seal(j.body, from)
}
