//! Records made from the documents of a job. Truth: the documents, made here by hand.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use barwright_job::{
    Finding, Hash, Order, Rules, Sealed, Station, Topic,
    check::Check,
    judgement::{CutPlan, Fate, Judgement, Piece, Reason, Verdict},
    level::Level,
    screened::ScreenedBar,
    second_look::{AskedBy, Entry as SurfaceOfEntry, Recorded, SecondLook, Velocities},
};
use barwright_ledger::{Kind, LedgerError, Record, record::Facts};

fn example(name: &str) -> String {
    let path = format!("{}/../../examples/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(path).unwrap()
}

fn rules() -> Rules {
    Rules::from_toml("rules.toml", &example("rules-th-k2.toml")).unwrap()
}

fn check(made_from: Vec<(&'static str, Hash)>) -> Sealed<Check> {
    let body = Check {
        passes: 3,
        line_speed_m_s: 1.0,
        reflectors: vec![],
        noise_fsh: 0.05,
        false_calls: 0,
        repeatability: None,
        good: true,
        measures: barwright_job::Measures::default(),
        findings: vec![],
    };
    Sealed::seal(body, made_from)
}

fn sources() -> Vec<(&'static str, Hash)> {
    vec![("technique", Hash::of(b"T")), ("level", Hash::of(b"V")), ("rules", rules().hash())]
}

#[test]
fn written_documents_are_recorded_by_the_hash_of_their_meaning() {
    let order = Order::from_toml("order.toml", &example("order-round-42.toml")).unwrap();
    let station = Station::from_toml("station.toml", &example("station-line-2.toml")).unwrap();
    let (o, s, r) = (Record::order(&order), Record::station(&station), Record::rules(&rules()));
    assert_eq!((o.kind(), s.kind(), r.kind()), (Kind::Order, Kind::Station, Kind::Rules));
    let Facts::Order(facts) = o.facts else { panic!("an order") };
    assert_eq!((facts.origin.document, facts.heat), (order.hash(), order.order.heat.clone()));
    assert_eq!(s.line, station.station.line);
    let Facts::Rules(facts) = r.facts else { panic!("rules") };
    assert_eq!(facts.interval_h, 4.0);
}

#[test]
fn a_check_carries_setting_outcome_and_interval() {
    let sealed = check(sources());
    let record = Record::check(&sealed, &rules(), "line 2").unwrap();
    let Facts::Check(facts) = record.facts else { panic!("a check") };
    assert_eq!(facts.origin.document, sealed.hash);
    assert_eq!((facts.technique, facts.level), (Hash::of(b"T"), Hash::of(b"V")));
    assert!(facts.good);
    assert_eq!((facts.interval_h, facts.passes), (4.0, 3));
}

#[test]
fn documents_that_do_not_say_what_they_rest_on_are_refused() {
    let refused = |result: barwright_ledger::Result<Record>, part: &str| {
        let e = result.expect_err(part);
        assert!(matches!(e, LedgerError::Incomplete { .. }), "{e:?}");
        assert!(e.to_string().contains(part), "{e}");
    };
    for missing in ["technique", "level", "rules"] {
        let made_from = sources().into_iter().filter(|(role, _)| *role != missing).collect();
        refused(Record::check(&check(made_from), &rules(), "line 2"), missing);
    }
    let mut other = rules();
    other.check.interval_h = 100.0;
    refused(Record::check(&check(sources()), &other, "line 2"), "made by rules");
    refused(Record::check(&check(sources()), &rules(), ""), "no line");
    let level = Level {
        beams: vec![],
        passes: 1,
        good: true,
        bar_offset_m: None,
        explanations: vec![],
        measures: barwright_job::Measures::default(),
        findings: vec![],
    };
    refused(Record::level(&Sealed::seal(level, []), "line 2"), "technique");
}

#[test]
fn a_bar_and_its_judgement_name_each_other() {
    let bar = ScreenedBar {
        bar: "12".into(),
        heat: "H7".into(),
        length_m: 6.0,
        shots: 1,
        echoes_over_threshold: 0,
        lost: vec![],
        inspected: vec![],
        noise_fsh: 0.05,
        broken_off: None,
        findings: vec![],
    };
    let bar = Sealed::seal(bar, [("technique", Hash::of(b"T"))]);
    let piece = |from_m, to_m, fate| Piece {
        from_m,
        to_m,
        fate,
        reason: String::new(),
        sold_as: None,
        multiple: None,
    };
    let judgement = Judgement {
        bar: "12".into(),
        heat: "H7".into(),
        length_m: 6.0,
        indications: vec![],
        verdict: Verdict::Crop,
        reasons: vec![Reason {
            clause: "surface.deepest_mm".into(),
            statement: "0.4 mm against 0.25 mm".into(),
            indications: vec!["A".into()],
        }],
        cut: CutPlan {
            pieces: vec![piece(0.0, 3.0, Fate::Keep), piece(3.0, 6.0, Fate::Scrap)],
            kept_m: 3.0,
            lost_m: 3.0,
            unsound: vec![],
        },
        findings: vec![],
        decisions: vec![],
    };
    let judgement = Sealed::seal(judgement, [("screened", bar.hash.clone())]);
    let bar = Record::bar_screened(&bar, "line 2").unwrap();
    let judgement = Record::judgement(&judgement, "line 2").unwrap();
    assert_eq!((bar.subject.as_str(), judgement.subject.as_str()), ("H7/12", "H7/12"));
    let (Facts::BarScreened(b), Facts::Judgement(j)) = (bar.facts, judgement.facts) else {
        panic!("a screened bar and a judgement")
    };
    assert_eq!(b.level, None, "a station that was not levelled");
    assert_eq!((j.screened, j.bar), (b.origin.document, b.bar));
    assert_eq!(j.kept_m, [[0.0, 3.0]]);
    assert_eq!(j.reasons, ["surface.deepest_mm: 0.4 mm against 0.25 mm"]);
}

#[test]
fn a_second_look_is_about_the_bar_whose_indication_asked_for_it() {
    let look = |asked: bool, made_from: Vec<(&'static str, Hash)>| {
        let letter = || AskedBy { bar: "12".into(), letter: "A".into() };
        let velocities = Velocities {
            water_m_s: None,
            longitudinal_m_s: 5900.0,
            shear_m_s: 3230.0,
            steel_uncertainty_rel: 0.005,
            water_uncertainty_rel: 0.002,
        };
        let recorded = Recorded {
            elements: 0,
            dead: vec![],
            completed_pairs: 0,
            clipped_traces: 0,
            reciprocity: None,
            sample_rate_hz: 50e6,
            span_s: [0.0, 1e-4],
            delay_s: 0.0,
            centre_hz: 5e6,
            bandwidth_rel: 0.6,
        };
        let body = SecondLook {
            matrix: "matrix".into(),
            asked_by: asked.then(letter),
            recorded,
            velocities,
            entry: SurfaceOfEntry::Contact,
            views: vec![],
            findings: vec![Finding::new(Topic::Clipped, "clipped")],
        };
        Sealed::seal(body, made_from)
    };
    let from = vec![("matrix", Hash::of(b"M")), ("judgement", Hash::of(b"J"))];
    let sealed = look(true, from.clone());
    let record = Record::second_look(&sealed, "H7").unwrap();
    assert_eq!(record.subject, "H7/12");
    let content = record.facts.to_content();
    assert_eq!(Facts::from_content(Kind::SecondLook, &content).unwrap(), record.facts);
    let Facts::SecondLook(facts) = record.facts else { panic!("a second look") };
    assert_eq!((facts.judgement, facts.origin.document), (Hash::of(b"J"), sealed.hash));
    assert_eq!((facts.letter.as_str(), facts.stand_out), ("A", 0));
    assert_eq!(facts.findings, ["clipped"]);
    for (sealed, part) in [(look(false, from), "no indication"), (look(true, vec![]), "judgement")]
    {
        let e = Record::second_look(&sealed, "H7").expect_err(part);
        assert!(e.to_string().contains(part), "{e}");
    }
}

#[test]
fn facts_come_back_from_their_content() {
    let record = Record::check(&check(sources()), &rules(), "line 2").unwrap();
    let content = record.facts.to_content();
    assert_eq!(Facts::from_content(Kind::Check, &content).unwrap(), record.facts);
    assert!(Facts::from_content(Kind::Judgement, &content).is_err());
}
