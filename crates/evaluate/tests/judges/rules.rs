//! Rules of zones and classes, applied. Truth: closed form, the flaws the bench put in; by hand.

use barwright_evaluate::{
    decision::{Decided, decide, overtaken},
    difference::difference,
    screen::Screened,
    sentence, sentence_by,
};
use barwright_job::{
    Hash, Rules, Sealed,
    judgement::{Fate, Judgement, Verdict},
    screened::{Echo, ScreenedBar},
};
use barwright_wave::Point;

use super::bench::{Bench, Flaw, Scene, crack, disc, example};
use super::screen::screen;

/// A bench whose order is judged by the works rules with zones, after a change of their text.
fn bench_with(changes: &[(&str, &str)]) -> Bench {
    let mut bench = Bench::new(66);
    bench.rules = rules_with(changes);
    bench
}

fn rules_with(changes: &[(&str, &str)]) -> Rules {
    let mut text = example("rules-th-k3.toml");
    // The bench's bars are short, and its order names the older rules.
    for (from, to) in [("name = \"TH-K3\"", "name = \"TH-K2\"")].iter().chain(changes) {
        assert!(text.contains(from), "the example no longer holds {from}");
        text = text.replacen(from, to, 1);
    }
    Rules::from_toml("rules", &text).unwrap()
}

fn screened(bench: &Bench, scene: &Scene) -> (Sealed<ScreenedBar>, Vec<Echo>) {
    let s: Screened = screen(bench, scene);
    let echoes = s.echoes.clone();
    (s.seal(Hash::of(b"echoes")), echoes)
}

fn judged(bench: &Bench, flaws: &[Flaw]) -> Judgement {
    let (bar, echoes) = screened(bench, &Scene::plain(0.6).with(flaws));
    sentence(&bar, &echoes, &bench.technique, &bench.rules, &bench.order).unwrap().body
}

fn reason<'a>(j: &'a Judgement, clause: &str) -> Option<&'a str> {
    j.reasons.iter().find(|r| r.clause == clause).map(|r| r.statement.as_str())
}

/// Height of a disc on the axis of a beam: 0.8 is 1.2 mm.
fn height_of_disc(diameter_mm: f64) -> f64 {
    0.8 * (diameter_mm / 1.2).powi(2)
}

#[test]
fn each_class_has_its_consequence() {
    let bench = bench_with(&[("height_db = 1.0", "height_db = 0.0")]);
    let core = Point::new(0.010, 0.0);
    for (diameter_mm, clause, verdict) in [
        (0.9, "core: small", Verdict::Release),
        (1.15, "core: allowed singly", Verdict::Release),
        (1.8, "core: large", Verdict::Crop),
    ] {
        let j = judged(&bench, &[disc(core, 0.3, height_of_disc(diameter_mm))]);
        assert_eq!(j.verdict, verdict, "{diameter_mm}: {:#?}", j.reasons);
        assert!(reason(&j, clause).is_some(), "{diameter_mm}: {:#?}", j.reasons);
    }
    // 3.5 mm under the surface the same disc is too large for its zone.
    let skin = disc(Point::new(0.0175, 0.0), 0.3, height_of_disc(1.15));
    let j = judged(&bench, &[skin]);
    assert_eq!(j.verdict, Verdict::Crop, "{:#?}", j.reasons);
    assert!(reason(&j, "near surface: large").is_some(), "{:#?}", j.reasons);
    let j = judged(&bench, &[crack(2.0, 0.3, 0.02, 4.0)]);
    assert_eq!((j.verdict, j.cut.kept_m), (Verdict::Reject, 0.0));
    assert!(reason(&j, "skin: bar lost").unwrap().contains("rejected above 0.80 mm"));
}

#[test]
fn the_guard_is_on_the_safe_side() {
    let flaw = [disc(Point::new(0.010, 0.0), 0.3, height_of_disc(1.28))];
    let verdict = |db: &str| {
        let bench = bench_with(&[("height_db = 1.0", db)]);
        judged(&bench, &flaw).verdict
    };
    let (plain, guarded) = (verdict("height_db = 0.0"), verdict("height_db = 3.0"));
    assert_eq!((plain, guarded), (Verdict::Release, Verdict::Crop));
}

#[test]
fn number_distance_and_grouping_are_kept() {
    let at = |z: f64| disc(Point::new(0.010, 0.0), z, height_of_disc(1.15));
    let bench = bench_with(&[("height_db = 1.0", "height_db = 0.0")]);
    let apart = "core: allowed singly, least_apart_mm";
    let far = judged(&bench, &[at(0.2), at(0.4)]);
    assert_eq!((far.verdict, reason(&far, apart)), (Verdict::Release, None), "{:#?}", far.reasons);
    let near = judged(&bench, &[at(0.2), at(0.23)]);
    assert_eq!(near.verdict, Verdict::Crop, "{:#?}", near.reasons);
    // 30 mm apart, of which neither flaw takes a length; 3 mm: half a pulse spacing.
    let told = reason(&near, apart).unwrap();
    assert!(["28", "29", "30", "31", "32"].iter().any(|mm| told.starts_with(mm)), "{told}");
    assert_eq!(near.reasons.iter().find(|r| r.clause == apart).unwrap().indications, ["A", "B"]);
    // Within 40 mm judged as one: then it is longer than a single flaw may be.
    let bench = bench_with(&[
        ("height_db = 1.0", "height_db = 0.0"),
        ("within_mm = 10.0", "within_mm = 40.0"),
    ]);
    let one = judged(&bench, &[at(0.2), at(0.23)]);
    assert!(reason(&one, "grouping").unwrap().contains("2 indications judged as one"));
    assert!(reason(&one, "core: allowed singly, longest_mm").is_some(), "{:#?}", one.reasons);
    // Five in a bar where four are allowed, each 60 mm from the next.
    let bench = bench_with(&[("height_db = 1.0", "height_db = 0.0")]);
    let five: Vec<Flaw> = (0..5).map(|k| at(0.15 + 0.06 * f64::from(k))).collect();
    let j = judged(&bench, &five);
    let told = reason(&j, "core: allowed singly, most_per_bar").unwrap();
    assert_eq!(told, "5 in the bar, allowed are 4");
    assert_eq!(j.verdict, Verdict::Crop);
    assert_eq!(judged(&bench, &five[..4]).verdict, Verdict::Release);
}

#[test]
fn a_lost_back_wall_is_judged_by_its_length() {
    let bench = bench_with(&[]);
    let mut scene = Scene::plain(0.6);
    scene.wall = |b, z| if b == 7 && (0.25..0.32).contains(&z) { 0.1 } else { 1.0 };
    let (bar, echoes) = screened(&bench, &scene);
    let j = sentence(&bar, &echoes, &bench.technique, &bench.rules, &bench.order).unwrap().body;
    assert_eq!(j.verdict, Verdict::Hold, "{:#?}", j.reasons);
    // 20 log 10 = 20 dB, but for the noise.
    let told = reason(&j, "back_wall.most_loss_db").unwrap();
    assert!(told.contains("19.") || told.contains("20."), "{told}");
    let longer = rules_with(&[("over_mm = 30.0", "over_mm = 100.0")]);
    let j = sentence(&bar, &echoes, &bench.technique, &longer, &bench.order).unwrap().body;
    assert_eq!(j.verdict, Verdict::Release, "{:#?}", j.reasons);
}

#[test]
fn ends_are_cut_by_rule() {
    let bench = bench_with(&[("head_mm = 40.0", "head_mm = 100.0")]);
    let j = judged(&bench, &[]);
    let kept: Vec<_> = j.cut.pieces.iter().filter(|p| p.fate == Fate::Keep).collect();
    assert_eq!(kept.len(), 1);
    // The tail is not inspected over 60 mm anyway.
    assert!((kept[0].from_m - 0.1).abs() < 1e-9 && (kept[0].to_m - 0.54).abs() < 1e-9);
}

#[test]
fn too_many_indications_are_told_and_hold_the_bar() {
    let many: Vec<Flaw> = (0..20)
        .map(|k| {
            let place = Point::polar(0.012, 0.9 * f64::from(k));
            disc(place, 0.1 + 0.02 * f64::from(k), 0.6 + 0.01 * f64::from(k))
        })
        .collect();
    let bench = bench_with(&[("most = 100", "most = 12")]);
    let j = judged(&bench, &many);
    assert_eq!((j.verdict, j.indications.len()), (Verdict::Hold, 12), "{:#?}", j.reasons);
    let told = reason(&j, "too_many.most").unwrap();
    assert!(told.contains("in this bar, 12 are judged"), "{told}");
    assert!(j.findings.iter().any(|f| f.topic == barwright_job::Topic::TooMany));
    // The highest are those that are listed.
    let least = j.indications.iter().map(|i| i.height_fsh).fold(f64::MAX, f64::min);
    assert!(least > 0.55, "{least}");
}

// Truth: property. What nobody inspected is named where a person keeps it.
#[test]
fn steel_kept_uninspected_by_decision_is_named() {
    let bench = Bench::new(24);
    let mut air = Scene::plain(0.6);
    air.coupling = |b, z| if b == 2 && (0.25..0.30).contains(&z) { 0.1 } else { 1.0 };
    let (bar, echoes) = screened(&bench, &air);
    let judgement = sentence(&bar, &echoes, &bench.technique, &bench.rules, &bench.order).unwrap();
    assert_eq!(judgement.body.verdict, Verdict::Hold);
    let release = Decided {
        verdict: Verdict::Release,
        cut_m: vec![],
        by: "level 3".into(),
        reason: "inspected by hand".into(),
        time_us: 7,
    };
    let decided = decide(&judgement, &bar, &bench.rules, &bench.order, &release).unwrap().body;
    let kept: Vec<&str> = decided
        .findings
        .iter()
        .map(|f| f.message.as_str())
        .filter(|m| m.starts_with("kept by decision although not inspected"))
        .collect();
    assert!(!kept.is_empty(), "{:?}", decided.findings);
    assert!(!decided.findings.iter().any(|f| f.message.contains("no cut plan")));
}

// Truth: property. A bar whose every gate is over the alarm is answered, not endlessly weighed.
#[test]
fn a_bar_full_of_noise_is_answered() {
    let bench = bench_with(&[]);
    let mut scene = Scene::plain(0.6);
    scene.noise_fsh = 0.5;
    let (bar, echoes) = screened(&bench, &scene);
    let over = echoes.iter().filter(|e| e.height_fsh >= 0.4).count();
    assert!(over > 10_000, "{over}");
    let j = sentence(&bar, &echoes, &bench.technique, &bench.rules, &bench.order).unwrap().body;
    assert_ne!(j.verdict, Verdict::Release);
    assert!(j.indications.len() <= 100, "{}", j.indications.len());
    assert!(reason(&j, "too_many.most").is_some(), "{:#?}", j.reasons);
}

// Truth: property. A flaw of which no zone speaks is never released.
#[test]
fn what_no_zone_speaks_of_holds_the_bar() {
    let mut bench = Bench::new(66);
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../rules/sep-1921-e-e.toml");
    let text = std::fs::read_to_string(path).unwrap().replace("SEP 1921 E/e", "TH-K2");
    bench.rules = Rules::from_toml("rules", &text).unwrap();
    let j = judged(&bench, &[crack(2.0, 0.3, 0.02, 0.9)]);
    assert_eq!(j.verdict, Verdict::Hold);
    assert!(reason(&j, "zone").unwrap().contains("no zone of the rules speaks of it"));
}

#[test]
fn other_rules_show_what_changes() {
    let bench = Bench::new(66);
    let scene = Scene::plain(0.6).with(&[disc(Point::new(0.010, 0.0), 0.3, height_of_disc(1.15))]);
    let (bar, echoes) = screened(&bench, &scene);
    let by = |rules: &Rules| {
        sentence_by(&bar, &echoes, &bench.technique, rules, &bench.order).unwrap().body
    };
    let before = by(&bench.rules);
    assert_eq!(before.verdict, Verdict::Crop);
    let mut other = rules_with(&[("height_db = 1.0", "height_db = 0.0")]);
    other.rules.name = "another".into();
    assert!(sentence(&bar, &echoes, &bench.technique, &other, &bench.order).is_err());
    let d = difference(&before, &by(&other));
    assert_eq!(d.verdict, [Verdict::Crop, Verdict::Release]);
    assert!(d.matters() && d.kept_m[1] > d.kept_m[0]);
    assert!(d.gone.iter().any(|r| r.clause == "volume.largest_disc_mm"));
    assert!(d.new.iter().any(|r| r.clause == "core: allowed singly"));
    let same = difference(&before, &by(&bench.rules));
    assert!(!same.matters() && same.gone.is_empty() && same.new.is_empty());
}

#[test]
fn a_person_may_decide_with_name_and_reason_and_both_stay() {
    let bench = Bench::new(66);
    let scene = Scene::plain(0.6).with(&[disc(Point::new(0.010, 0.0), 0.3, height_of_disc(1.6))]);
    let (bar, echoes) = screened(&bench, &scene);
    let rules = &bench.rules;
    let judgement = sentence(&bar, &echoes, &bench.technique, rules, &bench.order).unwrap();
    assert_eq!(judgement.body.verdict, Verdict::Crop);
    let decided = |verdict, cut_m: &[[f64; 2]], by: &str, reason: &str| Decided {
        verdict,
        cut_m: cut_m.to_vec(),
        by: by.into(),
        reason: reason.into(),
        time_us: 7,
    };
    let decide = |j: &Sealed<Judgement>, d: &Decided| decide(j, &bar, rules, &bench.order, d);
    for wrong in [
        decided(Verdict::Release, &[], " ", "why"),
        decided(Verdict::Release, &[], "level 3", ""),
        decided(Verdict::Release, &[[0.1, 0.2]], "level 3", "why"),
        decided(Verdict::Crop, &[], "level 3", "why"),
        decided(Verdict::Crop, &[[0.5, 0.7]], "level 3", "why"),
        decided(Verdict::Crop, &[[0.3, 0.2]], "level 3", "why"),
        decided(Verdict::Crop, &[[f64::NAN, 0.2]], "level 3", "why"),
    ] {
        assert!(decide(&judgement, &wrong).is_err(), "{wrong:?}");
    }
    let released =
        decide(&judgement, &decided(Verdict::Release, &[], "level 3", "sectioned: sound")).unwrap();
    let j = &released.body;
    assert_eq!((j.verdict, j.decisions.len()), (Verdict::Release, 1));
    assert_eq!(j.decisions[0].verdict, Verdict::Crop);
    assert_eq!(j.decisions[0].cut, judgement.body.cut);
    assert_eq!(j.decisions[0].judgement, judgement.hash);
    assert_eq!(reason(j, "decision"), Some("decided by level 3: sectioned: sound"));
    assert_eq!(released.made_from, judgement.made_from);
    // Nobody saw the ends.
    assert!((j.cut.kept_m - 0.48).abs() < 1e-9, "{:?}", j.cut);
    let again =
        decide(&released, &decided(Verdict::Crop, &[[0.2, 0.3]], "level 3", "second thought"))
            .unwrap();
    assert_eq!(again.body.decisions.len(), 2);
    assert_eq!(again.body.decisions[1].verdict, Verdict::Release);
    assert!(
        again
            .body
            .cut
            .pieces
            .iter()
            .filter(|p| p.fate == Fate::Keep)
            .all(|p| p.to_m <= 0.2 + 1e-9 || p.from_m >= 0.3 - 1e-9)
    );
    // Judged anew, the rules decide again, and who decided before is named.
    let anew = overtaken(judgement.clone(), &again.body);
    assert_eq!((anew.body.verdict, anew.body.decisions.len()), (Verdict::Crop, 0));
    let told: Vec<_> = anew.body.reasons.iter().filter(|r| r.clause == "decision").collect();
    assert!(told.len() == 2 && told[0].statement.contains("level 3"), "{told:?}");
    let rejected =
        decide(&released, &decided(Verdict::Reject, &[], "level 3", "wrong heat")).unwrap();
    assert_eq!(rejected.body.cut.kept_m, 0.0);
}
