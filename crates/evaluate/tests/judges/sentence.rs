//! Sentencing. Truth: closed form, the flaws the bench put in.

use std::f64::consts::TAU;

use barwright_capture::CaptureKind;
use barwright_evaluate::{EvaluateError, screen::Screened, sentence};
use barwright_job::{
    Hash, Sealed,
    judgement::{Fate, Judgement, Verdict},
    proof::FlawClass,
    rules::GapAction,
};
use barwright_wave::Point;

use super::bench::{Bench, Flaw, RADIUS, Scene, crack, disc};
use super::screen::{screen, screen_runs};

fn judge(bench: &Bench, s: Screened) -> Judgement {
    let echoes = s.echoes.clone();
    let sealed = s.seal(Hash::of(b"echoes"));
    let judged = sentence(&sealed, &echoes, &bench.technique, &bench.rules, &bench.order).unwrap();
    let back = Sealed::<Judgement>::from_json("judgement", &judged.to_json()).unwrap();
    assert_eq!(back, judged, "it can be stored");
    judged.body
}

fn judged(bench: &Bench, scene: &Scene) -> Judgement {
    judge(bench, screen(bench, scene))
}

fn clauses(j: &Judgement) -> Vec<&str> {
    j.reasons.iter().map(|r| r.clause.as_str()).collect()
}

#[test]
fn a_plain_bar_is_released_without_its_ends() {
    let bench = Bench::new(24);
    let j = judged(&bench, &Scene::plain(0.6));
    assert_eq!(j.verdict, Verdict::Release);
    assert!(j.indications.is_empty());
    assert_eq!(clauses(&j), ["not_inspected"]);
    let kept: Vec<_> = j.cut.pieces.iter().filter(|p| p.fate == Fate::Keep).collect();
    assert_eq!(kept.len(), 1);
    assert!((kept[0].from_m - 0.06).abs() < 1e-9 && (kept[0].to_m - 0.54).abs() < 1e-9);
}

#[test]
fn a_disc_in_the_volume_is_one_indication_at_its_place() {
    let bench = Bench::new(66);
    for (place, height) in [
        (Point::new(0.010, 0.004), 0.8),
        (Point::new(-0.006, -0.011), 1.6),
        (Point::new(0.001, 0.0005), 0.8),
    ] {
        let j = judged(&bench, &Scene::plain(0.6).with(&[disc(place, 0.31, height)]));
        assert_eq!(j.indications.len(), 1, "{:#?}", j.indications);
        let i = &j.indications[0];
        assert_eq!((i.class, i.letter.as_str(), i.clipped), (FlawClass::Disc, "A", false));
        // Half a beam step aside.
        assert!(i.place.distance(place) < 1e-3, "{:?} for {place:?}", i.place);
        assert!((i.depth_m - (RADIUS - place.radius())).abs() < 1e-3);
        assert!((0.5 * (i.from_m + i.to_m) - 0.31).abs() < 3e-3);
        // A point is not longer than what 6 mm of spacing and 9 mm of beam cannot tell.
        assert!(i.to_m - i.from_m < 7e-3, "{i:?}");
        let true_m = 0.0012 * (height / 0.8f64).sqrt();
        // 2 dB of height: half a step of the beams aside (1.5 dB), and between two shots.
        assert!((40.0 * (i.size_m / true_m).log10()).abs() < 2.0, "{i:?}");
        assert_eq!(j.verdict, Verdict::Crop);
        assert!(clauses(&j).contains(&"volume.largest_disc_mm"));
        assert!(
            j.cut
                .pieces
                .iter()
                .filter(|p| p.fate == Fate::Keep)
                .all(|p| p.to_m < 0.31 || p.from_m > 0.31)
        );
    }
}

#[test]
fn a_small_disc_is_recorded_and_accepted() {
    let bench = Bench::new(66);
    let j = judged(&bench, &Scene::plain(0.6).with(&[disc(Point::new(0.0, 0.010), 0.3, 0.52)]));
    assert_eq!((j.verdict, j.indications.len()), (Verdict::Release, 1));
    assert!(j.indications[0].size_m < 1.0e-3);
}

#[test]
fn a_crack_is_one_indication_for_both_ways_round() {
    let bench = Bench::new(66);
    let j = judged(&bench, &Scene::plain(0.6).with(&[crack(2.0, 0.33, 0.025, 0.9)]));
    assert_eq!(j.indications.len(), 1, "{:#?}", j.indications);
    let i = &j.indications[0];
    assert_eq!(i.class, FlawClass::Crack);
    assert!(i.place.distance(Point::polar(RADIUS, 2.0)) < 1e-3, "{:?}", i.place.angle());
    // 3 mm: half a pulse spacing.
    assert!((i.to_m - i.from_m - 0.025).abs() < 3e-3, "{} mm", (i.to_m - i.from_m) * 1e3);
    // 2 dB: half a step of the beams aside.
    assert!((20.0 * (i.size_m / (0.0003 * 0.9 / 0.8)).log10()).abs() < 2.0);
    assert!(i.beams.iter().any(|b| (66..132).contains(b)) && i.beams.iter().any(|b| *b >= 132));
    assert!(i.kind.contains("not told apart"), "{}", i.kind);
    assert_eq!(j.verdict, Verdict::Crop);
}

#[test]
fn a_deep_crack_rejects_the_bar() {
    let bench = Bench::new(66);
    let j = judged(&bench, &Scene::plain(0.6).with(&[crack(2.0, 0.33, 0.025, 3.0)]));
    assert_eq!((j.verdict, j.cut.kept_m), (Verdict::Reject, 0.0));
    assert!(clauses(&j).contains(&"surface.reject_bar_mm"));
}

#[test]
fn a_long_flaw_on_the_axis_is_one_line() {
    let bench = Bench::new(66);
    let pipe = Flaw { length_m: 0.1, ..disc(Point::default(), 0.3, 0.7) };
    let j = judged(&bench, &Scene::plain(0.6).with(&[pipe]));
    assert_eq!(j.indications.len(), 1);
    let i = &j.indications[0];
    assert!(i.kind.starts_with("linear, on the axis"), "{}", i.kind);
    assert!((i.to_m - i.from_m - 0.1).abs() < 4e-3, "{} mm", (i.to_m - i.from_m) * 1e3);
    assert_eq!(i.beams.len(), 66);
    assert!(clauses(&j).contains(&"volume.longest_mm"));
}

#[test]
fn two_flaws_near_each_other_stay_two() {
    let bench = Bench::new(66);
    let at = Point::new(0.0, 0.010);
    for (b, dz) in [
        (Point::new(0.0, 0.010), 0.024),
        (Point::polar(0.010, 0.9), 0.0),
        (Point::polar(0.017, 1.2), 0.0),
    ] {
        let j =
            judged(&bench, &Scene::plain(0.6).with(&[disc(at, 0.3, 0.8), disc(b, 0.3 + dz, 0.8)]));
        assert_eq!(j.indications.len(), 2, "{b:?} {dz}: {:#?}", j.indications);
    }
}

#[test]
fn a_single_shot_is_no_indication_but_is_told() {
    let bench = Bench::new(24);
    let scene = Scene::plain(0.6);
    let gains = bench.header(CaptureKind::Production, 0.6, None).gains_db;
    let mut runs = bench.run(&scene, &gains, 0, 0.0);
    // A disturbance in one shot of one beam.
    let i = runs[50].beam.iter().position(|&b| b == 5).unwrap();
    runs[50].samples[i * 600 + 200] = 8000;
    let j = judge(&bench, screen_runs(&bench, &scene, &runs));
    assert!(j.indications.is_empty());
    assert_eq!(j.verdict, Verdict::Release);
    assert!(j.findings.iter().any(|f| f.message.contains("not confirmed")), "{:?}", j.findings);
    let k = runs[51].beam.iter().position(|&b| b == 5).unwrap();
    runs[51].samples[k * 600 + 200] = 8000;
    let j = judge(&bench, screen_runs(&bench, &scene, &runs));
    assert_eq!(j.indications.len(), 1, "two shots in a row agree");
}

#[test]
fn what_was_not_inspected_is_never_released() {
    let mut bench = Bench::new(24);
    let mut air = Scene::plain(0.6);
    air.coupling = |b, z| if b == 2 && (0.25..0.30).contains(&z) { 0.1 } else { 1.0 };
    let mut missed = Scene::plain(0.6);
    missed.exists = |b, z| !(b == 50 && (0.298..0.3045).contains(&z));
    let none = |s: &Scene| Scene { exists: |_, _| false, ..s.clone() };
    for action in [GapAction::Hold, GapAction::Crop] {
        bench.rules.not_inspected.action = action;
        for scene in [&air, &missed] {
            let j = judged(&bench, scene);
            let wanted = if action == GapAction::Hold { Verdict::Hold } else { Verdict::Crop };
            assert_eq!(j.verdict, wanted);
            assert!(clauses(&j).contains(&"not_inspected.action"));
            let kept = j.cut.pieces.iter().filter(|p| p.fate == Fate::Keep);
            assert!(kept.clone().all(|p| p.to_m <= 0.3 || p.from_m >= 0.3), "{:?}", j.cut);
        }
        assert_ne!(judged(&bench, &none(&air)).verdict, Verdict::Release);
    }
}

#[test]
fn clipped_sizes_are_lower_bounds() {
    let bench = Bench::new(66);
    let j = judged(&bench, &Scene::plain(0.6).with(&[disc(Point::new(0.0, 0.010), 0.3, 12.0)]));
    assert_eq!(j.indications.len(), 1, "{:#?}", j.indications);
    let i = &j.indications[0];
    // The envelope of samples just below full scale may stand 0.5 dB over it.
    assert!(i.clipped && (4.0..4.3).contains(&i.height_fsh), "{i:?}");
    assert!(i.size_m < 0.0012 * (12.0f64 / 0.8).sqrt());
    assert!(j.reasons.iter().any(|r| r.statement.contains("at least")));
    // What the clipped gates hid is cut out with the flaw.
    assert_eq!(j.verdict, Verdict::Crop, "{:?}", j.reasons);
}

// Truth: symmetry. The bench looks the same after a turn by one probe.
#[test]
fn turning_bar_and_flaws_by_a_probe_turns_the_answer() {
    let bench = Bench::new(66);
    let turn = TAU / 6.0;
    let make = |a: f64| {
        let mut s = Scene::plain(0.6)
            .with(&[disc(Point::polar(0.011, 0.2 + a), 0.25, 0.9), crack(1.1 + a, 0.4, 0.02, 0.8)]);
        s.noise_fsh = 0.0;
        s
    };
    let (a, b) = (judged(&bench, &make(0.0)), judged(&bench, &make(turn)));
    assert_eq!((a.indications.len(), b.indications.len()), (2, 2));
    for (i, k) in a.indications.iter().zip(&b.indications) {
        // Beams fire at other places along the bar after the turn: a share of the pulse spacing.
        assert!(i.place.rotated(turn).distance(k.place) < 0.3e-3, "{i:?} {k:?}");
        assert!((20.0 * (i.height_fsh / k.height_fsh).log10()).abs() < 1.0);
    }
    assert_eq!(a.verdict, b.verdict);
}

#[test]
fn documents_and_echoes_that_do_not_belong_are_refused() {
    let bench = Bench::new(12);
    let s = screen(&bench, &Scene::plain(0.3).with(&[disc(Point::new(0.01, 0.0), 0.15, 0.9)]));
    let echoes = s.echoes.clone();
    let sealed = s.seal(Hash::of(b"echoes"));
    let other = Bench::new(13);
    assert!(sentence(&sealed, &echoes, &other.technique, &bench.rules, &bench.order).is_err());
    let mut order = bench.order.clone();
    order.cut.kerf_mm += 1.0;
    assert!(sentence(&sealed, &echoes, &bench.technique, &bench.rules, &order).is_err());
    let mut rules = bench.rules.clone();
    rules.rules.name = "another".into();
    assert!(sentence(&sealed, &echoes, &bench.technique, &rules, &bench.order).is_err());
    let fewer: Vec<_> =
        echoes.iter().filter(|e| e.height_fsh < 0.4 || e.gate != 1).copied().collect();
    assert!(matches!(
        sentence(&sealed, &fewer, &bench.technique, &bench.rules, &bench.order),
        Err(EvaluateError::OtherEchoes { .. })
    ));
}
