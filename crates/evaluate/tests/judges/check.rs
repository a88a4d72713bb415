//! The dynamic check. Truth: closed form, the reflectors the bench put in.

use barwright_capture::CaptureKind;
use barwright_evaluate::{EvaluateError, check::Checking};
use barwright_job::{Hash, Topic, check::Check};
use barwright_wave::Point;

use super::bench::{Bench, Scene, disc};

/// Passes at line speed, the bar turned anew before each.
fn check(bench: &Bench, scenes: &[Scene]) -> Check {
    check_turned(bench, scenes, 2.1)
}

/// Passes at line speed, the bar turned by so much (rad) before each.
fn check_turned(bench: &Bench, scenes: &[Scene], turn: f64) -> Check {
    let level = bench.level();
    let header = bench.header(CaptureKind::Check, scenes[0].length_m, Some(&level));
    let mut judge =
        Checking::new(&bench.technique, &level, &bench.reference, &bench.rules, &header).unwrap();
    for (pass, scene) in scenes.iter().enumerate() {
        for run in bench.run(scene, &header.gains_db, pass as u16, pass as f64 * turn) {
            judge.push(&run).unwrap();
        }
    }
    judge.finish(Hash::of(b"capture")).unwrap().body
}

#[test]
fn every_reflector_is_found_in_every_pass() {
    let bench = Bench::new(66);
    let scene = bench.reference_scene();
    let c = check(&bench, &[scene.clone(), scene.clone(), scene]);
    assert!(c.good, "{:?}", c.findings);
    assert_eq!((c.passes, c.false_calls), (3, 0));
    // Cycles of 6 mm in 6 ms.
    assert!((c.line_speed_m_s - 1.0).abs() < 1e-3, "{}", c.line_speed_m_s);
    for r in &c.reflectors {
        assert_eq!(r.found, 3);
        // 1.5 dB: half a beam and half a shot aside.
        assert!(
            r.heights_fsh.iter().all(|h| (20.0 * (h.unwrap() / 0.8).log10()).abs() < 1.5),
            "{r:?}"
        );
        assert!(
            r.spread_db < 1.5 && r.place_error_m < 3e-3 && r.signal_to_noise_db > 12.0,
            "{r:?}"
        );
        assert!(r.beams.len() >= 2 * 3, "{r:?}");
    }
    let repeat = c.repeatability.expect("three passes");
    assert_eq!(repeat.degrees, 2 * c.reflectors.len() as u32);
    // Passes differ by their noise: about 2 % of the heights.
    assert!(repeat.deviation_db < 0.6 && repeat.upper_db > repeat.deviation_db, "{repeat:?}");
    assert!(c.noise_fsh > 0.02 && c.noise_fsh < 0.12, "{}", c.noise_fsh);
}

#[test]
fn a_reflector_missed_once_a_false_call_and_a_missed_cycle_fail_the_check() {
    let bench = Bench::new(24);
    let sound = bench.reference_scene();
    let mut without = sound.clone();
    without.flaws.remove(0);
    let c = check(&bench, &[sound.clone(), without, sound.clone()]);
    assert!(!c.good);
    assert_eq!(c.reflectors[0].found, 2);
    assert_eq!(c.reflectors[0].heights_fsh[1], None);
    let ghost = sound.clone().with(&[disc(Point::new(0.0, -0.010), 0.52, 0.9)]);
    let c = check(&bench, &[sound.clone(), sound.clone(), ghost]);
    assert!(!c.good && c.false_calls == 1, "{:?}", c.findings);
    assert!(c.findings.iter().any(|f| f.topic == Topic::FalseCall));
    let mut gap = sound.clone();
    gap.exists = |b, z| !(b == 4 && (0.298..0.3045).contains(&z));
    let c = check(&bench, &[sound.clone(), gap, sound.clone()]);
    assert!(
        !c.good && c.findings.iter().any(|f| f.topic == Topic::MissedCycle),
        "{:?}",
        c.findings
    );
    let c = check(&bench, &[sound.clone(), sound]);
    assert!(!c.good, "two passes are not three");
}

#[test]
fn a_beam_that_loses_a_reflector_between_passes_is_named() {
    let bench = Bench::new(66);
    let sound = bench.reference_scene();
    let mut half = sound.clone();
    half.exists = |b, _| b % 2 == 1;
    let c = check_turned(&bench, &[sound.clone(), half.clone(), sound.clone()], 0.0);
    let unsteady =
        |c: &Check| -> Vec<u32> { c.reflectors.iter().flat_map(|r| r.unsteady.clone()).collect() };
    assert!(!unsteady(&c).is_empty() && unsteady(&c).iter().all(|b| b % 2 == 0), "{c:?}");
    // A bar that was turned shows its reflectors to other beams.
    assert!(unsteady(&check(&bench, &[sound.clone(), half, sound])).is_empty());
}

#[test]
fn weak_noisy_or_unsteady_reflectors_fail() {
    let bench = Bench::new(66);
    let sound = bench.reference_scene();
    let mut low = sound.clone();
    low.flaws[0].height = 0.5;
    let c = check(&bench, &[sound.clone(), low, sound.clone()]);
    assert!(!c.good && c.reflectors[0].spread_db > 3.0, "{c:?}");
    let mut noisy = sound.clone();
    noisy.noise_fsh = 0.15;
    let c = check(&bench, &[noisy.clone(), noisy.clone(), noisy]);
    assert!(!c.good && c.reflectors[0].signal_to_noise_db < 12.0, "{c:?}");
    let mut off = sound.clone();
    off.flaws[1].z_m += 0.010;
    let c = check(&bench, &[sound.clone(), sound, off]);
    assert!(!c.good && (c.reflectors[1].place_error_m - 0.010).abs() < 3e-3, "{c:?}");
}

#[test]
fn captures_of_another_level_or_kind_are_refused() {
    let bench = Bench::new(12);
    let level = bench.level();
    let refuse = |h| {
        Checking::new(&bench.technique, &level, &bench.reference, &bench.rules, &h)
            .map(|_| ())
            .expect_err("refused")
    };
    let mut h = bench.header(CaptureKind::Check, 0.6, Some(&level));
    h.level = None;
    assert!(matches!(refuse(h), EvaluateError::OtherOrigin { role: "level", .. }));
    let h = bench.header(CaptureKind::Reference, 0.6, Some(&level));
    assert!(matches!(refuse(h), EvaluateError::WrongCapture { .. }));
    let h = bench.header(CaptureKind::Check, 0.6, Some(&level));
    let judge =
        Checking::new(&bench.technique, &level, &bench.reference, &bench.rules, &h).unwrap();
    assert_eq!(judge.finish(Hash::of(b"c")).expect_err("no shots"), EvaluateError::Empty);
}
