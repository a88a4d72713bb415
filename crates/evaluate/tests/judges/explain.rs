//! What explains the readings. Truth: closed form, faults put into a station made of formulas.

use barwright_capture::CaptureKind;
use barwright_evaluate::{EvaluateError, level::Levelling};
use barwright_job::{
    Hash, Sealed,
    level::{BeamState, Cause, Explanation, Level},
};
use barwright_wave::Point;
use std::f64::consts::{FRAC_PI_3, TAU};

use super::bench::{Bench, C_W, Scene};

fn level(bench: &Bench, scene: &Scene) -> Sealed<Level> {
    let header = bench.header(CaptureKind::Reference, scene.length_m, None);
    let electronics = &bench.station.electronics;
    let mut judge =
        Levelling::new(&bench.technique, &bench.reference, &bench.rules, electronics, &header)
            .expect("its own documents");
    bench.turned(scene, &header.gains_db, 1.0, |s| judge.push(s).expect("whole shots"));
    judge.finish(Hash::of(b"capture")).expect("the whole motion list")
}

fn first(l: &Sealed<Level>) -> &Explanation {
    l.body.explanations.first().expect("an explanation")
}

#[test]
fn a_sound_station_needs_no_explanation() {
    let bench = Bench::new(24);
    let l = level(&bench, &bench.reference_scene());
    assert!(l.body.explanations.is_empty(), "{:#?}", l.body.explanations);
}

#[test]
fn a_bar_off_centre_is_named_with_its_way_back() {
    let bench = Bench::new(24);
    let mut scene = bench.reference_scene();
    scene.offset_m = Point::new(0.4e-3, -0.1e-3);
    let l = level(&bench, &scene);
    let Cause::OffCentre { x_m, y_m, uncertainty_m } = first(&l).cause else {
        panic!("{:?}", l.body.explanations)
    };
    // 10 um: a few ns of arrival, averaged over 24 beams, and second-order terms that the bench
    // leaves out (0.16 mm² over 0.2 m).
    assert!((x_m - 0.4e-3).abs() < 1e-5 && (y_m + 0.1e-3).abs() < 1e-5, "{x_m} {y_m}");
    assert!(uncertainty_m < 1e-5 && first(&l).confidence > 0.95);
    assert!(first(&l).cure.contains("towards 9:30 o'clock"), "{}", first(&l).cure);
    assert!(!l.body.good, "a bar off centre is no good level");
}

// Truth: property. Everything turned by the spacing of the probes turns the answer with it; everything
// mirrored mirrors it.
#[test]
fn turning_and_mirroring_the_fault_turns_and_mirrors_the_answer() {
    let bench = Bench::new(24);
    let answer = |offset: Point| {
        let mut scene = bench.reference_scene();
        scene.offset_m = offset;
        let l = level(&bench, &scene);
        match first(&l).cause {
            Cause::OffCentre { x_m, y_m, .. } => Point::new(x_m, y_m),
            ref other => panic!("{other:?}"),
        }
    };
    let offset = Point::new(0.3e-3, 0.1e-3);
    let plain = answer(offset);
    // 5 um: noise differs between the captures.
    let turned = answer(offset.rotated(FRAC_PI_3));
    assert!(turned.distance(plain.rotated(FRAC_PI_3)) < 5e-6, "{turned:?} {plain:?}");
    let mirrored = answer(Point::new(offset.x, -offset.y));
    assert!(mirrored.distance(Point::new(plain.x, -plain.y)) < 5e-6, "{mirrored:?} {plain:?}");
}

#[test]
fn one_probe_that_moved_is_not_mistaken_for_the_bar() {
    let mut bench = Bench::new(36);
    for b in &bench.technique.body.beams {
        if b.probe == 4 {
            bench.later_s[b.id as usize] = 2.0 * 0.15e-3 / C_W;
        }
    }
    let l = level(&bench, &bench.reference_scene());
    let Cause::ProbeMoved { probe, change_m } = first(&l).cause else {
        panic!("{:?}", l.body.explanations)
    };
    // The bench delays all beams of the probe alike, the model by the cosine from its middle.
    assert!(probe == 4 && (change_m - 0.15e-3).abs() < 2e-5, "{probe} {change_m}");
    assert_eq!(l.body.explanations.len(), 1);
}

#[test]
fn warm_water_and_a_short_path_are_named_together() {
    let mut bench = Bench::new(24);
    // The bench's water is at 20 °C; at 22 °C it is 5.9 m/s faster (published values for pure water).
    let c = 5.9;
    for (b, later) in bench.technique.body.beams.iter().zip(&mut bench.later_s) {
        *later = -b.surface_time_s * c / (C_W + c);
    }
    let l = level(&bench, &bench.reference_scene());
    let Cause::WaterTemperature { change_k } = first(&l).cause else {
        panic!("{:?}", l.body.explanations)
    };
    // 0.1 m/s in the printed velocities is 0.03 K; 5 ns of arrival is 0.05 K.
    assert!((change_k - 2.0).abs() < 0.1, "{change_k}");
    assert!(
        matches!(first(&l).alternatives[..], [Cause::WaterPath { change_m }] if change_m < 0.0)
    );
}

#[test]
fn a_bent_bar_circles_and_is_told_from_one_off_centre() {
    let bench = Bench::new(24);
    let mut scene = bench.reference_scene();
    scene.bend = Some((0.3e-3, 0.7));
    let l = level(&bench, &scene);
    let Cause::BentBar { sag_m, direction_rad } = first(&l).cause else {
        panic!("{:?}", l.body.explanations)
    };
    assert!((sag_m - 0.3e-3).abs() < 1.5e-5, "{sag_m}");
    assert!((direction_rad - 0.7).rem_euclid(TAU).min(0.1) < 0.05, "{direction_rad}");
    assert!(l.body.explanations.len() == 1, "{:?}", l.body.explanations);
}

#[test]
fn a_low_probe_is_named() {
    let mut bench = Bench::new(24);
    for b in &bench.technique.body.beams {
        if b.probe == 2 {
            bench.sensitivity_db[b.id as usize] = -9.0;
        }
    }
    let mut scene = bench.reference_scene();
    scene.noise_fsh = 0.01;
    let l = level(&bench, &scene);
    let Cause::ProbeLow { probe, loss_db } = first(&l).cause else {
        panic!("{:?}", l.body.explanations)
    };
    // 0.4 dB: noise of 0.01 FSH on 0.28 FSH.
    assert!(probe == 2 && (loss_db - 9.0).abs() < 0.4, "{probe} {loss_db}");
}

#[test]
fn exchanged_plugs_are_named() {
    let mut bench = Bench::new(36);
    // Beams of probes 1 and 4 look from each other's place: half a turn on, with six probes.
    let n = bench.technique.body.beams.len();
    bench.looks_from = (0..n as u32)
        .map(|b| {
            let family = b / 36 * 36;
            match bench.technique.body.beams[b as usize].probe {
                1 | 4 => family + (b - family + 18) % 36,
                _ => b,
            }
        })
        .collect();
    let l = level(&bench, &bench.reference_scene());
    assert_eq!(first(&l).cause, Cause::ProbesSwapped { probes: [1, 4] });
    assert!(first(&l).confidence > 0.9);
}

#[test]
fn a_clipped_beam_asks_for_less_gain_and_gets_its_height_from_a_second_capture() {
    let mut bench = Bench::new(12);
    bench.sensitivity_db[3] = 16.0;
    let scene = bench.reference_scene();
    let once = level(&bench, &scene);
    let clipped = once.body.beams[3];
    assert_eq!(clipped.state, BeamState::Clipped);
    let lower = clipped.lower_by_db.expect("a way on");
    // Full scale is four screens: 14 dB over 80 %, and some more since the height is not known.
    assert!((15.0..25.0).contains(&lower), "{lower}");
    let header = bench.header(CaptureKind::Reference, scene.length_m, None);
    let mut low = header.clone();
    low.gains_db.iter_mut().for_each(|g| *g -= lower);
    let electronics = &bench.station.electronics;
    let mut judge =
        Levelling::new(&bench.technique, &bench.reference, &bench.rules, electronics, &header)
            .expect("its own documents");
    bench.turned(&scene, &header.gains_db, 1.0, |s| judge.push(s).expect("whole shots"));
    judge.next_capture(&low).expect("the same technique");
    bench.turned(&scene, &low.gains_db, 1.0, |s| judge.push(s).expect("whole shots"));
    let l = judge.finish_all(vec![Hash::of(b"one"), Hash::of(b"two")]).expect("two captures");
    let told = l.body.beams[3];
    // 16 dB too high at the technique's gain. 0.6 dB: noise of 0.03 FSH at 0.5 FSH.
    assert!((told.gain_db - (clipped.gain_db - 16.0)).abs() < 0.6, "{told:?}");
}

#[test]
fn gaps_and_other_motions_are_refused() {
    let bench = Bench::new(12);
    let scene = bench.reference_scene();
    let header = bench.header(CaptureKind::Reference, scene.length_m, None);
    let refuse = |keep: &dyn Fn(f64) -> bool, by_m: f64| {
        let electronics = &bench.station.electronics;
        let mut judge =
            Levelling::new(&bench.technique, &bench.reference, &bench.rules, electronics, &header)
                .expect("its own documents");
        bench.turned(&scene, &header.gains_db, 1.0, |s| {
            if keep(f64::from(s.turn_rad[0])) {
                let mut s = s.clone();
                s.z_m.iter_mut().for_each(|z| *z += by_m);
                judge.push(&s).expect("whole shots");
            }
        });
        judge.finish(Hash::of(b"capture"))
    };
    assert!(refuse(&|_| true, 0.0).is_ok());
    let gap = refuse(&|turn| !(1.0..1.1).contains(&turn), 0.0).expect_err("a gap");
    assert!(
        matches!(gap, EvaluateError::Gap { missing: 5..=7, .. }) && gap.hint().is_some(),
        "{gap}"
    );
    let short = refuse(&|turn| turn < 3.0, 0.0).expect_err("half a turn");
    assert!(matches!(short, EvaluateError::Gap { .. }), "{short}");
    let aside = refuse(&|_| true, 3e-3).expect_err("another place");
    assert!(
        matches!(aside, EvaluateError::OtherMotion { .. }) && aside.hint().is_some(),
        "{aside}"
    );
    // One shot alone is a finding: it cannot hide a peak.
    let one = refuse(&|turn| (turn - 1.0).abs() > 0.009, 0.0).expect("an answer");
    assert!(one.body.findings.iter().any(|f| f.topic == barwright_job::Topic::MissedCycle));
}

#[test]
fn stray_doubled_and_neighbouring_echoes_are_told() {
    let mut bench = Bench::new(24);
    // Beam 5 finds its reflector 12° on, beyond its window of 6°; beam 7 finds two.
    bench.turns_by[5] = 12f64.to_radians();
    bench.double[7] = true;
    let mut scene = bench.reference_scene();
    scene.noise_fsh = 0.01;
    let l = level(&bench, &scene);
    let state = |b: usize| l.body.beams[b].state;
    assert_eq!((state(5), state(7)), (BeamState::OutOfWindow, BeamState::Doubled));
    let found = l.body.beams[5].found.expect("where");
    // A degree: the step of the motion.
    assert!((found.turn_off_rad.abs() - 12f64.to_radians()).abs() < 0.018, "{found:?}");
    assert_eq!(l.body.beams[5].change_db, 0.0);
    assert_eq!(l.body.beams[7].change_db, 0.0);
}

/// Levels a capture whose shots `spoil` may change first: beam, probe, time, trace.
fn spoilt(bench: &Bench, passes: u32, spoil: &dyn Fn(u32, f64, &mut [i16])) -> Sealed<Level> {
    let scene = Scene { noise_fsh: 0.01, ..bench.reference_scene() };
    let header = bench.header(CaptureKind::Reference, scene.length_m, None);
    let electronics = &bench.station.electronics;
    let mut judge =
        Levelling::new(&bench.technique, &bench.reference, &bench.rules, electronics, &header)
            .expect("its own documents");
    for pass in 0..passes {
        let start_s = f64::from(pass) * 32.0;
        bench.turned(&scene, &header.gains_db, 1.0, |s| {
            let mut s = s.clone();
            // The bench starts each motion's clock anew; the second motion runs after the first.
            let motion_s = f64::from(s.pass[0]) * 15.0;
            for i in 0..s.len() {
                s.time_s[i] += start_s + motion_s;
                let (beam, at) = (s.beam[i], s.time_s[i]);
                let n = s.samples_per_shot;
                let probe = bench.technique.body.beams[beam as usize].probe;
                spoil(probe, at, &mut s.samples[i * n..(i + 1) * n]);
            }
            judge.push(&s).expect("whole shots");
        });
    }
    judge.finish(Hash::of(b"capture")).expect("the whole motion list")
}

fn scale(trace: &mut [i16], factor: f64) {
    trace.iter_mut().for_each(|x| *x = (f64::from(*x) * factor).round() as i16);
}

#[test]
fn bubbles_are_named_and_nothing_is_blamed_for_them() {
    let bench = Bench::new(36);
    // Every second for a fifth of one at one probe after another: 12 dB down, and an echo of half a
    // screen 2 µs before the surface.
    let bubble = |probe: u32, at: f64, trace: &mut [i16]| {
        if at.fract() < 0.2 && at as u32 % 6 == probe {
            scale(trace, 0.25);
            let first = ((50.6e-6 - 50e-6) * 25e6) as usize;
            for (k, x) in trace[first..first + 10].iter_mut().enumerate() {
                *x += if k % 5 < 2 { 4000 } else { -2700 };
            }
        }
    };
    let l = spoilt(&bench, 2, &bubble);
    let Cause::Bubbles { per_second, share } = first(&l).cause else {
        panic!("{:#?}", l.body.explanations)
    };
    // One a second in 2 x 2 runs of 11.1 s, of which the last may be cut short; 0.2 s of each, widened by a
    // cycle of 0.03 s, over six probes.
    assert!((per_second - 1.0).abs() < 0.15, "{per_second}");
    assert!((share - 0.2 / 6.0).abs() < 0.01, "{share}");
    assert_eq!(l.body.explanations.len(), 1, "{:#?}", l.body.explanations);
    assert!(!l.body.good, "bubbles ask for a hand");
    // 0.3 dB: noise of 0.01 FSH. Every echo was shown twice, once without a bubble.
    for b in &l.body.beams {
        let off = 20.0 * (b.height_fsh.expect("an echo") / 0.8).log10();
        assert!(off.abs() < 0.3, "{b:?}");
    }
}

#[test]
fn one_spell_is_no_stream_of_bubbles() {
    let bench = Bench::new(36);
    let once = |probe: u32, at: f64, trace: &mut [i16]| {
        if probe == 2 && (5.0..5.3).contains(&at) {
            scale(trace, 0.2);
        }
    };
    let l = spoilt(&bench, 2, &once);
    assert!(l.body.explanations.is_empty(), "{:#?}", l.body.explanations);
}

#[test]
fn drift_is_told_probe_by_probe_with_its_rate() {
    let bench = Bench::new(36);
    let rates = [1.0, 0.0, -1.5, 0.0, 0.0, 0.0];
    let drift = |probe: u32, at: f64, trace: &mut [i16]| {
        scale(trace, 10f64.powf(rates[probe as usize] * at / 60.0 / 20.0));
    };
    let l = spoilt(&bench, 2, &drift);
    let Cause::Drift { probes } = &first(&l).cause else { panic!("{:#?}", l.body.explanations) };
    let told: Vec<u32> = probes.iter().map(|p| p.probe).collect();
    assert_eq!(told, [2, 0], "fastest first, and no sound probe");
    for p in probes {
        let wanted = rates[p.probe as usize];
        // The bench repeats its noise in every pass: what is left is the rounding of the samples, 0.005 dB
        // over half a minute.
        assert!((p.db_per_min - wanted).abs() < 0.01, "{p:?}");
    }
    assert_eq!(l.body.explanations.len(), 1, "{:#?}", l.body.explanations);
    // Without another pass nothing tells drift.
    let once = spoilt(&bench, 1, &drift);
    assert!(once.body.explanations.is_empty(), "{:#?}", once.body.explanations);
}
