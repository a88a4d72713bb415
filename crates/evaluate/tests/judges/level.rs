//! Levelling. Truth: closed form, the heights the bench was told to give.

use barwright_capture::CaptureKind;
use barwright_evaluate::{EvaluateError, level::Levelling};
use barwright_job::{
    Hash, Sealed, Topic,
    level::{BeamState, Level},
};
use barwright_wave::Point;

use super::bench::{Bench, Scene};

fn level(
    bench: &Bench,
    scene: &Scene,
    loaded: Option<&Sealed<Level>>,
    turns: f64,
) -> Sealed<Level> {
    let header = bench.header(CaptureKind::Reference, scene.length_m, loaded);
    let electronics = &bench.station.electronics;
    let mut judge =
        Levelling::new(&bench.technique, &bench.reference, &bench.rules, electronics, &header)
            .unwrap();
    bench.turned(scene, &header.gains_db, turns, |s| judge.push(s).unwrap());
    judge.finish(Hash::of(b"capture")).unwrap()
}

/// A spread of 12 dB in an order that repeats nowhere.
fn spread(bench: &mut Bench) {
    for (i, s) in bench.sensitivity_db.iter_mut().enumerate() {
        *s = ((i * 37) % 97) as f64 / 96.0 * 12.0 - 9.0;
    }
}

#[test]
fn twelve_decibels_of_spread_are_level_in_the_second_capture() {
    let mut bench = Bench::new(18);
    spread(&mut bench);
    let mut scene = bench.reference_scene();
    scene.noise_fsh = 0.01;
    let first = level(&bench, &scene, None, 1.0);
    assert!(!first.body.good, "corrected gains are not yet shown");
    for b in &first.body.beams {
        let true_db = bench.sensitivity_db[b.beam as usize];
        let read_db = 20.0 * (b.height_fsh.unwrap() / 0.8).log10();
        // 0.5 dB: noise of 0.01 FSH under 0.28 FSH at worst.
        assert!((read_db - true_db).abs() < 0.5, "{b:?} {true_db}");
        match b.state {
            // Half a step of 0.1 dB beside the reading.
            BeamState::Corrected => assert!((b.change_db + read_db).abs() < 0.051, "{b:?}"),
            // The inner half of 70 to 90 % is left alone.
            BeamState::Inside if (-0.57..0.5).contains(&read_db) => assert_eq!(b.change_db, 0.0),
            BeamState::Inside => {
                assert!(b.change_db == 0.0 || (b.change_db + read_db).abs() < 0.051)
            }
            _ => panic!("{b:?}"),
        }
    }
    let second = level(&bench, &scene, Some(&first), 1.0);
    assert!(second.body.good);
    assert!(second.body.beams.iter().all(|b| b.state == BeamState::Inside));
    assert_eq!(
        second.body.beams.iter().map(|b| b.gain_db).collect::<Vec<_>>(),
        first.body.beams.iter().map(|b| b.gain_db).collect::<Vec<_>>()
    );
    second.demand("level", "technique", &bench.technique.hash).unwrap();
}

#[test]
fn several_passes_give_an_uncertainty() {
    let bench = Bench::new(12);
    let once = level(&bench, &bench.reference_scene(), None, 1.0);
    let twice = level(&bench, &bench.reference_scene(), None, 2.0);
    assert_eq!((once.body.passes, twice.body.passes), (1, 2));
    let u: Vec<f64> = twice.body.beams.iter().map(|b| b.uncertainty_db.unwrap()).collect();
    // Noise of 0.03 FSH on 0.8 FSH: 0.33 dB at most in one pass.
    assert!(u.iter().all(|&u| u < 0.33) && u.iter().any(|&u| u > 0.0), "{u:?}");
}

#[test]
fn clipped_missing_and_out_of_reach_are_told_apart() {
    let mut bench = Bench::new(12);
    bench.sensitivity_db[3] = 20.0;
    bench.sensitivity_db[5] = -60.0;
    bench.sensitivity_db[7] = -14.0;
    bench.station.electronics.gain_max_db = 70.0;
    let mut scene = bench.reference_scene();
    // The dead beam still sees its surface: its reflector alone is gone.
    scene.noise_fsh = 0.01;
    let l = level(&bench, &scene, None, 1.0);
    let state = |b: usize| l.body.beams[b].state;
    assert_eq!(
        (state(3), state(5), state(7)),
        (BeamState::Clipped, BeamState::Missing, BeamState::OutOfReach)
    );
    assert_eq!(l.body.beams[3].change_db, 0.0, "a clipped echo is never extrapolated");
    assert_eq!(l.body.beams[7].gain_db, 70.0);
    assert!(!l.body.good, "a clipped beam needs another pass");
    // The shear beams that follow the dead beam's surface have none either.
    for (topic, beams) in
        [(Topic::Clipped, vec![3]), (Topic::Missing, vec![5, 17, 29]), (Topic::OutOfReach, vec![7])]
    {
        let f = l.body.findings.iter().find(|f| f.topic == topic && f.beams == beams);
        assert!(f.is_some(), "{topic:?} {:?}", l.body.findings);
    }
}

#[test]
fn a_bar_off_centre_is_told_before_gain_hides_it() {
    let bench = Bench::new(24);
    let mut scene = bench.reference_scene();
    scene.offset_m = Point::new(0.2e-3, -0.1e-3);
    let l = level(&bench, &scene, None, 1.0);
    let [x, y] = l.body.bar_offset_m.unwrap();
    // 5 um: a few ns of arrival, averaged over 24 beams.
    assert!((x - 0.2e-3).abs() < 5e-6 && (y + 0.1e-3).abs() < 5e-6, "{x} {y}");
    let f = l.body.findings.iter().find(|f| f.topic == Topic::OffCentre).unwrap();
    assert!(f.message.contains("4 o'clock"), "{}", f.message);
    scene.offset_m = Point::new(0.05e-3, 0.0);
    let l = level(&bench, &scene, None, 1.0);
    assert!(l.body.findings.iter().all(|f| f.topic != Topic::OffCentre));
}

#[test]
fn a_whole_probe_low_points_at_its_cable() {
    let mut bench = Bench::new(24);
    for b in &bench.technique.body.beams {
        if b.probe == 2 {
            bench.sensitivity_db[b.id as usize] = -9.0;
        }
    }
    let mut scene = bench.reference_scene();
    scene.noise_fsh = 0.01;
    let l = level(&bench, &scene, None, 1.0);
    let f: Vec<_> = l.body.findings.iter().filter(|f| f.message.contains("cable")).collect();
    assert_eq!(f.len(), 1, "{:?}", l.body.findings);
    assert!(f[0].message.starts_with("probe 3 reads "), "{}", f[0].message);
    let told: f64 = f[0].message.split(' ').nth(3).unwrap().parse().unwrap();
    // 0.4 dB: noise of 0.01 FSH on 0.28 FSH.
    assert!((told - 9.0).abs() < 0.4, "{told}");
}

#[test]
fn captures_of_another_technique_or_kind_are_refused() {
    let bench = Bench::new(12);
    let electronics = &bench.station.electronics;
    let refuse = |header| {
        Levelling::new(&bench.technique, &bench.reference, &bench.rules, electronics, &header)
            .expect_err("refused")
    };
    let mut header = bench.header(CaptureKind::Reference, 0.6, None);
    header.technique = Hash::of(b"another");
    assert!(matches!(refuse(header), EvaluateError::OtherOrigin { role: "technique", .. }));
    let header = bench.header(CaptureKind::Production, 0.6, None);
    assert!(matches!(refuse(header), EvaluateError::WrongCapture { .. }));
    let mut header = bench.header(CaptureKind::Reference, 0.6, None);
    header.gains_db.pop();
    assert!(matches!(refuse(header), EvaluateError::Gains { .. }));
    let mut header = bench.header(CaptureKind::Reference, 0.6, None);
    header.record.samples = 599;
    assert!(matches!(refuse(header), EvaluateError::OtherRecord { .. }));
    let other = Bench::new(13);
    let header = bench.header(CaptureKind::Reference, 0.6, None);
    let e = Levelling::new(&bench.technique, &other.reference, &bench.rules, electronics, &header);
    assert!(matches!(e.expect_err("refused"), EvaluateError::Document(_)));
}
