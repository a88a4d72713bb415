//! Screening. Truth: closed form, what the bench left out of its captures.

use barwright_capture::{CaptureKind, Shots};
use barwright_evaluate::{
    EvaluateError,
    screen::{Screened, Screening},
};
use barwright_job::{
    Hash, Topic,
    proof::FlawClass,
    screened::{EchoMark, LossCause},
};
use barwright_wave::Point;

use super::bench::{Bench, SPACING, Scene, disc};

pub fn screen_runs(bench: &Bench, scene: &Scene, runs: &[Shots]) -> Screened {
    let level = bench.level();
    let header = bench.header(CaptureKind::Production, scene.length_m, Some(&level));
    let mut judge = Screening::new(&bench.technique, Some(&level), &bench.rules, &header).unwrap();
    for run in runs {
        judge.push(run).unwrap();
    }
    judge.finish(Hash::of(b"capture"))
}

pub fn screen(bench: &Bench, scene: &Scene) -> Screened {
    let gains = bench.header(CaptureKind::Production, scene.length_m, None).gains_db;
    screen_runs(bench, scene, &bench.run(scene, &gains, 0, 0.0))
}

/// Stretches lost between the ends: class, cause, from, to.
fn lost(s: &Screened) -> Vec<(FlawClass, LossCause, f64, f64)> {
    s.bar
        .lost
        .iter()
        .filter(|l| l.cause != LossCause::End)
        .map(|l| (l.class, l.cause, l.from_m, l.to_m))
        .collect()
}

#[test]
fn a_plain_bar_loses_its_ends_and_nothing_else() {
    let bench = Bench::new(12);
    let s = screen(&bench, &Scene::plain(0.6));
    assert_eq!(lost(&s), []);
    for share in &s.bar.inspected {
        // 60 mm of 600 mm at either end.
        assert!((share.share - 0.8).abs() < 1e-9, "{share:?}");
    }
    assert_eq!(s.bar.shots, 36 * 100);
    assert_eq!(s.echoes.len(), 100 * (12 * 3 + 24));
    assert_eq!(s.bar.echoes_over_threshold, 0);
    assert!(s.bar.findings.is_empty(), "{:?}", s.bar.findings);
    assert!(s.kept.is_empty());
    // Peaks of uniform noise of 0.03 FSH with its quadrature.
    assert!((0.02..0.08).contains(&s.bar.noise_fsh), "{}", s.bar.noise_fsh);
}

#[test]
fn heights_and_times_are_those_of_the_truth() {
    let bench = Bench::new(12);
    let mut scene = Scene::plain(0.6).with(&[disc(Point::new(0.010, 0.0), 0.3, 0.8)]);
    scene.offset_m = Point::new(0.2e-3, 0.1e-3);
    scene.noise_fsh = 0.0;
    let s = screen(&bench, &scene);
    let best = s
        .echoes
        .iter()
        .filter(|e| e.beam == 0 && e.gate == 1)
        .max_by(|a, b| a.height_fsh.total_cmp(&b.height_fsh))
        .unwrap();
    // Beam 0 fires at multiples of 6 mm: one shot stands on the flaw. 0.15 dB and 5 ns: the kernel.
    assert!((20.0 * f64::from(best.height_fsh / 0.8).log10()).abs() < 0.15, "{best:?}");
    assert!((best.after_surface_s - 2.0 * 0.011 / 5920.0).abs() < 8e-9, "{best:?}");
    assert!((best.z_m - 0.3).abs() < 1e-9);
    assert!(
        s.kept.iter().any(|k| k.beam == 0 && (k.z_m - 0.3).abs() < 1e-9 && k.samples.len() == 600)
    );
}

#[test]
fn lost_coupling_is_not_inspected() {
    let bench = Bench::new(12);
    let mut scene = Scene::plain(0.6);
    // Air in the water path of the beams of one probe, and all that follow their surface.
    scene.coupling = |b, z| if b % 12 < 2 && (0.25..0.30).contains(&z) { 0.2 } else { 1.0 };
    let s = screen(&bench, &scene);
    let l = lost(&s);
    for class in [FlawClass::Disc, FlawClass::Crack] {
        let (_, cause, from, to) = *l.iter().find(|l| l.0 == class).unwrap();
        assert_eq!(cause, LossCause::Coupling);
        // Up to the last sound shot on either side.
        assert!(
            (0.25 - SPACING..=0.25).contains(&from) && (0.30..=0.30 + 2.0 * SPACING).contains(&to),
            "{l:?}"
        );
    }
    assert_eq!(l.len(), 2, "{l:?}");
    assert!(s.bar.findings.iter().any(|f| f.topic == Topic::CouplingLost && f.beams == [0, 1]));
    assert!(
        s.echoes.iter().any(|e| e.mark == EchoMark::CouplingLost && (0.26..0.29).contains(&e.z_m))
    );
    assert!(s.kept.iter().any(|k| (0.24..0.3).contains(&k.z_m)), "an A-scan shows it");
    assert!(s.bar.inspected.iter().all(|i| i.share < 0.75));
}

#[test]
fn behind_a_surface_echo_at_full_scale_the_back_wall_tells() {
    let mut bench = Bench::new(12);
    // 26 dB over full scale, as where no gain curve lowers it: a tenth of it is full scale too.
    bench.surface_fsh = 80.0;
    let mut scene = Scene::plain(0.6);
    scene.coupling = |b, z| if b % 12 == 2 && (0.25..0.30).contains(&z) { 0.1 } else { 1.0 };
    let s = screen(&bench, &scene);
    let l = lost(&s);
    assert_eq!(
        l.iter().map(|l| (l.0, l.1)).collect::<Vec<_>>(),
        [(FlawClass::Disc, LossCause::Coupling), (FlawClass::Crack, LossCause::Coupling)]
    );
    assert!((l[0].2 - 0.25).abs() <= SPACING && (l[0].3 - 0.30).abs() <= 2.0 * SPACING, "{l:?}");
}

#[test]
fn one_missed_cycle_is_told() {
    let bench = Bench::new(12);
    let mut scene = Scene::plain(0.6);
    scene.exists = |b, z| !(b == 30 && (0.298..0.3045).contains(&z));
    let s = screen(&bench, &scene);
    let l = lost(&s);
    assert_eq!(l.len(), 1, "{l:?}");
    assert_eq!((l[0].0, l[0].1), (FlawClass::Crack, LossCause::MissedCycle));
    assert!((l[0].3 - l[0].2 - 2.0 * SPACING).abs() < 1e-9, "{l:?}");
    assert!(s.bar.findings.iter().any(|f| f.topic == Topic::MissedCycle && f.beams == [30]));
}

#[test]
fn a_beam_that_never_fires_and_a_capture_without_shots_inspect_nothing() {
    let bench = Bench::new(12);
    let mut scene = Scene::plain(0.6);
    scene.exists = |b, _| b != 4;
    let s = screen(&bench, &scene);
    assert_eq!(s.bar.inspected[0].share, 0.0);
    let nothing = screen_runs(&bench, &scene, &[]);
    assert!(nothing.bar.inspected.iter().all(|i| i.share == 0.0));
    assert_eq!(nothing.bar.shots, 0);
}

#[test]
fn full_scale_hides_the_gate() {
    let bench = Bench::new(12);
    let scene = Scene::plain(0.6).with(&[disc(Point::new(0.010, 0.0), 0.3, 20.0)]);
    let s = screen(&bench, &scene);
    assert!(lost(&s).iter().all(|l| l.1 == LossCause::Clipped), "{:?}", lost(&s));
    assert!(!lost(&s).is_empty());
    let clipped = s.echoes.iter().filter(|e| e.mark == EchoMark::Clipped);
    assert!(clipped.clone().count() > 1 && clipped.clone().all(|e| e.height_fsh == 4.0));
}

#[test]
fn a_source_trace_at_full_scale_hides_the_gate_too() {
    let bench = Bench::new(12);
    let scene = Scene::plain(0.6);
    let gains = bench.header(CaptureKind::Production, 0.6, None).gains_db;
    let mut runs = bench.run(&scene, &gains, 0, 0.0);
    let i = runs[50].beam.iter().position(|&b| b == 2).unwrap();
    runs[50].clipped_s[i] = [55e-6, 56e-6];
    let s = screen_runs(&bench, &scene, &runs);
    assert_eq!(lost(&s).iter().map(|l| l.1).collect::<Vec<_>>(), [LossCause::Clipped]);
}

#[test]
fn a_lost_back_wall_is_a_finding_unless_an_alarm_explains_it() {
    let bench = Bench::new(12);
    let mut scene = Scene::plain(0.6);
    scene.wall = |b, z| if b == 3 && (0.3..0.33).contains(&z) { 0.1 } else { 1.0 };
    let s = screen(&bench, &scene);
    assert_eq!(lost(&s), [], "sound got in");
    let walls = |s: &Screened| {
        s.bar.findings.iter().filter(|f| f.topic == Topic::Missing && f.beams == [3]).count()
    };
    assert_eq!(walls(&s), 1, "{:?}", s.bar.findings);
    let at = bench.technique.body.beams[3].axis.at(2.0 * 0.015 / 5920.0);
    let s = screen(&bench, &scene.with(&[disc(at, 0.315, 1.5)]));
    assert_eq!(walls(&s), 0, "{:?}", s.bar.findings);
}

#[test]
fn beams_without_a_sound_level_inspect_nothing() {
    use barwright_job::{Sealed, level::BeamState};
    let bench = Bench::new(12);
    let mut body = bench.level().body;
    body.beams[6].state = BeamState::Missing;
    let level = Sealed::seal(body, [("technique", bench.technique.hash.clone())]);
    let header = bench.header(CaptureKind::Production, 0.6, Some(&level));
    let mut judge = Screening::new(&bench.technique, Some(&level), &bench.rules, &header).unwrap();
    for run in bench.run(&Scene::plain(0.6), &header.gains_db, 0, 0.0) {
        judge.push(&run).unwrap();
    }
    let s = judge.finish(Hash::of(b"c"));
    assert_eq!(s.bar.inspected[0].share, 0.0);
    assert!(s.bar.findings.iter().any(|f| f.topic == Topic::NotInspected && f.beams == [6]));
}

#[test]
fn how_a_capture_is_cut_into_runs_does_not_matter() {
    let bench = Bench::new(12);
    let scene = Scene::plain(0.3).with(&[disc(Point::new(0.0, 0.008), 0.15, 0.9)]);
    let gains = bench.header(CaptureKind::Production, 0.3, None).gains_db;
    let runs = bench.run(&scene, &gains, 0, 0.0);
    let mut whole = Shots::new(600);
    for r in &runs {
        whole.pass.extend(&r.pass);
        whole.beam.extend(&r.beam);
        whole.time_s.extend(&r.time_s);
        whole.z_m.extend(&r.z_m);
        whole.turn_rad.extend(&r.turn_rad);
        whole.clipped_s.extend(&r.clipped_s);
        whole.samples.extend(&r.samples);
    }
    let pieces = screen_runs(&bench, &scene, &runs);
    assert_eq!(pieces, screen_runs(&bench, &scene, &[whole.clone()]));
    // One thread gives what many give.
    let alone = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    assert_eq!(pieces, alone.install(|| screen_runs(&bench, &scene, &[whole])));
}

#[test]
fn captures_that_do_not_belong_are_refused() {
    let bench = Bench::new(12);
    let level = bench.level();
    let other = Bench::new(13);
    let foreign = other.level();
    let header = bench.header(CaptureKind::Production, 0.6, Some(&level));
    let start = |t: &Bench, l, h| {
        Screening::new(&t.technique, l, &bench.rules, &h).map(|_| ()).expect_err("refused")
    };
    assert!(matches!(
        start(&other, None, header.clone()),
        EvaluateError::OtherOrigin { role: "technique", .. }
    ));
    assert!(matches!(start(&bench, Some(&foreign), header.clone()), EvaluateError::Document(_)));
    assert!(matches!(start(&bench, None, header.clone()), EvaluateError::WrongCapture { .. }));
    let mut h = header.clone();
    h.level = Some(Hash::of(b"another"));
    assert!(matches!(
        start(&bench, Some(&level), h),
        EvaluateError::OtherOrigin { role: "level", .. }
    ));
    let mut h = header.clone();
    h.gains_db[5] += 1.0;
    assert!(matches!(start(&bench, Some(&level), h), EvaluateError::Gains { .. }));
    let mut h = header.clone();
    h.kind = CaptureKind::Check;
    assert!(matches!(start(&bench, Some(&level), h), EvaluateError::WrongCapture { .. }));
    let mut judge = Screening::new(&bench.technique, Some(&level), &bench.rules, &header).unwrap();
    let mut run = bench.run(&Scene::plain(0.01), &header.gains_db, 0, 0.0).remove(0);
    run.beam[3] = 99;
    assert!(matches!(judge.push(&run), Err(EvaluateError::Shots { shot: 3, .. })));
    run.beam[3] = 3;
    run.samples.pop();
    assert!(matches!(judge.push(&run), Err(EvaluateError::Shots { .. })));
}
