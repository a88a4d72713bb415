//! A small day at an invented line, as records.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

pub mod home;

use std::collections::BTreeMap;

use barwright_job::{Hash, Measures, judgement::Verdict};
use barwright_ledger::{
    BarKey, Entry, Record,
    entry::no_parent,
    record::{
        CheckFacts, CorrectionFacts, CutFacts, Delivered, Facts, JudgementFacts, LevelFacts,
        MountFacts, OperatorFacts, OrderFacts, Origin, Piece, RetestFacts, ScreenedFacts,
        ShipmentFacts, TechniqueFacts,
    },
};

pub const LINE: &str = "line 2";
/// 2026-11-25 06:00 UTC.
pub const START_US: i64 = 1_795_586_400_000_000;
pub const MINUTE_US: i64 = 60_000_000;
pub const HOUR_US: i64 = 60 * MINUTE_US;

pub fn hash(name: &str) -> Hash {
    Hash::of(name.as_bytes())
}

pub fn origin(document: &str, from: &[(&str, &str)]) -> Origin {
    Origin {
        document: hash(document),
        made_from: from
            .iter()
            .map(|(role, name)| ((*role).to_owned(), hash(name)))
            .collect::<BTreeMap<_, _>>(),
    }
}

fn record(subject: &str, line: &str, facts: Facts) -> Record {
    Record { subject: subject.to_owned(), line: line.to_owned(), facts }
}

pub fn technique(name: &str, line: &str) -> Record {
    record(
        "T-1042",
        line,
        Facts::Technique(TechniqueFacts {
            origin: origin(name, &[("order", "order")]),
            name: name.to_owned(),
            order: "T-1042".to_owned(),
        }),
    )
}

pub fn level(name: &str, technique: &str, line: &str) -> Record {
    record(
        line,
        line,
        Facts::Level(LevelFacts {
            origin: origin(name, &[("technique", technique)]),
            technique: hash(technique),
            good: true,
            measures: Measures::default(),
        }),
    )
}

pub fn check(name: &str, technique: &str, level: &str, good: bool, line: &str) -> Record {
    record(
        line,
        line,
        Facts::Check(CheckFacts {
            origin: origin(name, &[("technique", technique), ("level", level)]),
            technique: hash(technique),
            level: hash(level),
            good,
            interval_h: 4.0,
            passes: 3,
            findings: vec![],
            program: Some("1.0".into()),
            due_at_operator: true,
            measures: Measures::default(),
        }),
    )
}

pub fn screened(name: &str, bar: &str, technique: &str, level: &str, line: &str) -> Record {
    record(
        &format!("H7/{bar}"),
        line,
        Facts::BarScreened(ScreenedFacts {
            origin: origin(name, &[("technique", technique), ("level", level)]),
            bar: BarKey::new("H7", bar),
            technique: hash(technique),
            level: Some(hash(level)),
            length_m: 6.0,
            program: Some("1.0".into()),
        }),
    )
}

pub fn judgement(name: &str, bar: &str, screened: &str, verdict: Verdict) -> Record {
    record(
        &format!("H7/{bar}"),
        LINE,
        Facts::Judgement(JudgementFacts {
            origin: origin(name, &[("screened", screened)]),
            bar: BarKey::new("H7", bar),
            screened: hash(screened),
            verdict,
            reasons: vec![],
            kept_m: vec![[0.05, 2.5], [2.6, 5.95]],
            indications: vec![],
            decided_by: None,
        }),
    )
}

/// The same judgement, its verdict changed by a person.
pub fn by_a_person(judgement: Record) -> Record {
    let Facts::Judgement(facts) = judgement.facts else {
        panic!("a judgement");
    };
    let facts = JudgementFacts { decided_by: Some("somebody".to_owned()), ..facts };
    Record { facts: Facts::Judgement(facts), ..judgement }
}

pub fn retest(bar: &str) -> Record {
    record(
        &format!("H7/{bar}"),
        "",
        Facts::Retest(RetestFacts { bar: BarKey::new("H7", bar), reason: "a test".to_owned() }),
    )
}

/// Entries as a ledger would number them; the chain is not looked at by states.
pub fn entries(records: &[(Record, i64)]) -> Vec<Entry> {
    (1..)
        .zip(records)
        .map(|(seq, (record, time_us))| Entry {
            seq,
            time_us: START_US + time_us,
            author: "shift".to_owned(),
            kind: record.kind(),
            subject: record.subject.clone(),
            line: record.line.clone(),
            content: record.facts.to_content(),
            content_hash: Hash(String::new()),
            parent_hash: no_parent(),
            hash: no_parent(),
        })
        .collect()
}

pub fn withdraw(seq: i64) -> Record {
    Record {
        subject: String::new(),
        line: String::new(),
        facts: Facts::Correction(CorrectionFacts {
            corrects: seq,
            withdraws: true,
            statement: "a test".to_owned(),
        }),
    }
}

pub fn mount(equipment: &str, place: &str, on: bool, line: &str) -> Record {
    let facts = MountFacts { equipment: equipment.into(), place: place.into(), on };
    record(equipment, line, Facts::Mount(facts))
}

pub fn operator(person: &str, line: &str) -> Record {
    record(line, line, Facts::Operator(OperatorFacts { person: person.into() }))
}

pub fn order(number: &str, customer: &str, heat: &str) -> Record {
    record(
        number,
        "",
        Facts::Order(OrderFacts {
            origin: origin(number, &[]),
            order: number.into(),
            customer: customer.into(),
            heat: heat.into(),
            rules: "rules".into(),
        }),
    )
}

pub fn cut(bar: &str, pieces: &[(&str, f64, f64)]) -> Record {
    let pieces = pieces
        .iter()
        .map(|(piece, from_m, to_m)| Piece { piece: (*piece).into(), from_m: *from_m, to_m: *to_m })
        .collect();
    record(&format!("H7/{bar}"), "", Facts::Cut(CutFacts { bar: BarKey::new("H7", bar), pieces }))
}

pub fn shipment(delivery: &str, items: &[(&str, Option<&str>)]) -> Record {
    let items = items
        .iter()
        .map(|(bar, piece)| Delivered {
            bar: BarKey::new("H7", *bar),
            piece: piece.map(str::to_owned),
        })
        .collect();
    record(
        delivery,
        "",
        Facts::Shipment(ShipmentFacts {
            delivery: delivery.into(),
            customer: "a customer".into(),
            items,
            although: String::new(),
        }),
    )
}

/// The same screening or check by another version of the program.
pub fn by_program(mut of: Record, version: &str) -> Record {
    match &mut of.facts {
        Facts::Check(f) => f.program = Some(version.into()),
        Facts::BarScreened(f) => f.program = Some(version.into()),
        _ => panic!("no version in it"),
    }
    of
}
