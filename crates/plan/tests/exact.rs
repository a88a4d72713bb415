//! Proofs of round bars by the exact field: properties, and the same thing another way.

use crate::common;

use std::sync::LazyLock;
use std::sync::atomic::AtomicBool;

use barwright_job::proof::{ClassProof, MarginMap, Proof, ProvedClass};
use barwright_job::{Sealed, Technique};
use barwright_plan::{
    Flaw, PlanError, ProveOptions, WhatIf, echo_of_crack, echo_of_disc, exact_echoes, prove,
    technique, what_if,
};
use barwright_wave::{Mode, Point};

static TECHNIQUE: LazyLock<Sealed<Technique>> = LazyLock::new(|| {
    let (order, station, rules) = common::round();
    technique(&order, &station, &rules).expect("a technique")
});

static PROOF: LazyLock<Sealed<Proof>> = LazyLock::new(|| {
    let (order, station, _) = common::round();
    let options = ProveOptions { by_rays: true, draws: 2, ..ProveOptions::default() };
    prove(&order, &station, &TECHNIQUE, &options, &|_| {}).expect("a proof")
});

fn class(classes: &[ClassProof], wanted: ProvedClass) -> &ClassProof {
    classes.iter().find(|c| c.class == wanted).expect("the class is part of the order")
}

fn margins(class: &ClassProof) -> (&[Option<f32>], &[Option<f32>]) {
    match &class.map {
        MarginMap::Polar { nominal_db, worst_db, .. }
        | MarginMap::Grid { nominal_db, worst_db, .. }
        | MarginMap::Rim { nominal_db, worst_db } => (nominal_db, worst_db),
    }
}

// Truth: independent engine (rays, place by place). L: 0.15 dB, twice the 0.07 dB that a ray errs by one
// way. S at the end of the axis: 0.8 dB, twice its few tenths.
#[test]
fn echoes_are_those_of_rays_where_rays_are_right() {
    let t = &TECHNIQUE.body;
    let beam = |mode| t.beams.iter().find(|b| b.mode == mode).expect("both kinds are there");
    let l = beam(Mode::L);
    let along = Point::polar(1.0, l.axis.direction_rad);
    let across = Point::new(-along.y, along.x);
    let places: Vec<Point> = [4e-3, 9e-3, 15e-3, 21e-3, 28e-3, 36e-3]
        .into_iter()
        .flat_map(|d| [0.0, 0.7e-3].map(|off| l.axis.entry + along * d + across * off))
        .collect();
    let asked: Vec<(u32, Point)> = places.iter().map(|p| (l.id, *p)).collect();
    let disc = Flaw::Disc { diameter_m: 1.2e-3, tilt_rad: 0.0 };
    for (echo, place) in exact_echoes(t, disc, &asked).expect("fields").into_iter().zip(places) {
        let (echo, ray) = (
            echo.expect("on the beam"),
            echo_of_disc(t, l, place, 1.2e-3).expect("a model").expect("a ray"),
        );
        let db = echo.transfer_db - ray.transfer_db;
        assert!(db.abs() < 0.15, "{place:?}: {db} dB");
        assert!((echo.arrival_s - ray.arrival_s).abs() < 10e-9, "{place:?}");
    }
    let s = beam(Mode::S);
    let end = s.axis.entry + Point::polar(s.axis.reach_m, s.axis.direction_rad);
    let crack = Flaw::Crack { depth_m: 0.3e-3, length_m: 0.01 };
    let echo = exact_echoes(t, crack, &[(s.id, end)]).expect("fields")[0].expect("on the beam");
    let ray = echo_of_crack(t, s, end.angle(), 0.3e-3, 0.01).expect("a model").expect("a ray");
    let db = echo.transfer_db - ray.transfer_db;
    assert!(db.abs() < 0.8, "{db} dB");
}

// Truth: property (rotation). The ring repeats itself every 60 degrees, and so do the nominal margins.
// 0.1 dB: delays round one way or the other, maps are interpolated.
#[test]
fn turning_the_ring_turns_the_map() {
    for wanted in [ProvedClass::Disc, ProvedClass::Crack] {
        let class = class(&PROOF.body.classes, wanted);
        let (nominal, _) = margins(class);
        let angles = match &class.map {
            MarginMap::Polar { angles, .. } => *angles,
            _ => nominal.len(),
        };
        for (i, here) in nominal.iter().enumerate() {
            let (ring, j) = (i / angles, i % angles);
            let turned = nominal[ring * angles + (j + angles / 6) % angles];
            match (here, turned) {
                (Some(a), Some(b)) => assert!((a - b).abs() < 0.1, "{wanted:?} {i}: {a} {b}"),
                // At the edge of a beam one of two places may just be left out.
                (a, b) => assert!(a.or(b).is_none_or(|x| x < 0.0), "{wanted:?} {i}: {a:?} {b:?}"),
            }
        }
    }
}

// Truth: the plain way. Probes moved a millimetre outward are computed about the centre of their face with
// the bar displaced; where one element faces a hair aside each is computed by itself, as flat ones. 0.02 dB
// and 2 ns: what the face's curve over one element makes.
#[test]
fn a_moved_probe_is_a_displaced_bar() {
    let mut moved = TECHNIQUE.body.clone();
    for probe in &mut moved.probes {
        let middle = probe.elements[probe.elements.len() / 2].centre.angle();
        for element in &mut probe.elements {
            element.centre = element.centre + Point::polar(1e-3, middle);
        }
    }
    let mut plain = moved.clone();
    for element in plain.probes.iter_mut().flat_map(|p| &mut p.elements).step_by(3) {
        element.facing_rad += 4e-6;
    }
    for mode in [Mode::L, Mode::S] {
        let beam = moved.beams.iter().find(|b| b.mode == mode).expect("both kinds are there");
        let reach_m = beam.axis.reach_m;
        let flaw = match mode {
            Mode::L => Flaw::Disc { diameter_m: 1.2e-3, tilt_rad: 0.0 },
            Mode::S => Flaw::Crack { depth_m: 0.3e-3, length_m: 0.01 },
        };
        let place = beam.axis.entry + Point::polar(0.999 * reach_m, beam.axis.direction_rad);
        let place = if mode == Mode::L { place * 0.5 } else { place };
        let asked = [(beam.id, place)];
        let echo =
            |t: &Technique| exact_echoes(t, flaw, &asked).expect("fields")[0].expect("on the beam");
        let (a, b, before) = (echo(&moved), echo(&plain), echo(&TECHNIQUE.body));
        let db = a.transfer_db - b.transfer_db;
        assert!(db.abs() < 0.02, "{mode:?}: {db} dB");
        assert!((a.arrival_s - b.arrival_s).abs() < 2e-9, "{mode:?}");
        // A millimetre more water, there and back, takes 1.35 µs; less for one that stands oblique and
        // now enters elsewhere.
        let later_s = a.arrival_s - before.arrival_s;
        assert!((1.0e-6..1.5e-6).contains(&later_s), "{mode:?}: {later_s} s");
    }
}

// Truth: property. A worst case is no better than nominal, anywhere, and rays stand beside.
#[test]
fn worst_is_never_better_and_rays_stand_beside() {
    for class in &PROOF.body.classes {
        let (nominal, worst) = margins(class);
        for (n, w) in nominal.iter().zip(worst) {
            assert!(w.is_none_or(|w| n.is_some_and(|n| w <= n)), "{n:?} {w:?}");
        }
        let draws = class.draws.as_ref().expect("draws were asked for");
        assert_eq!(draws.count, 12, "two states in six directions");
        assert!(draws.lowest <= draws.mean && draws.mean <= 1.0);
    }
    assert_eq!(PROOF.body.by_rays.len(), 2);
    assert!(PROOF.body.by_rays[0].nominal > 0.9);
}

// Truth: property. Nothing changed is the nominal proof; a bar further off centre never covers more.
#[test]
fn a_quick_look_starts_at_the_proof() {
    let (order, _, _) = common::round();
    let same = what_if(&order, &TECHNIQUE.body, &WhatIf::default()).expect("a look");
    for own in &same {
        let proved = class(&PROOF.body.classes, own.class);
        assert_eq!(own.nominal, proved.nominal);
        for (a, b) in margins(own).0.iter().zip(margins(proved).0) {
            assert_eq!(a, b);
        }
    }
    let off = |mm: f64| {
        let what = WhatIf { centre: Point::new(mm * 1e-3, 0.0), ..WhatIf::default() };
        what_if(&order, &TECHNIQUE.body, &what).expect("a look")
    };
    let (near, far) = (off(0.3), off(1.5));
    for (a, b) in near.iter().zip(&far) {
        assert!(b.nominal <= a.nominal + 1e-9, "{:?}: {} {}", a.class, a.nominal, b.nominal);
    }
    for what in [
        WhatIf { water_path_m: 2e-3, ..WhatIf::default() },
        WhatIf { temperature_c: Some(35.0), ..WhatIf::default() },
        WhatIf { diameter_m: Some(42.5e-3), ..WhatIf::default() },
    ] {
        let looked = what_if(&order, &TECHNIQUE.body, &what).expect("a look");
        assert!(looked.iter().all(|c| c.nominal > 0.5), "{what:?}");
    }
    for what in [
        WhatIf { water_path_m: -1.0, ..WhatIf::default() },
        WhatIf { water_path_m: f64::NAN, ..WhatIf::default() },
        WhatIf { diameter_m: Some(0.1), ..WhatIf::default() },
        WhatIf { centre: Point::new(0.05, 0.0), ..WhatIf::default() },
    ] {
        let refused = what_if(&order, &TECHNIQUE.body, &what);
        assert!(matches!(refused, Err(PlanError::NoTechnique { .. })), "{what:?}");
    }
}

// Truth: property (determinism). One thread or several, the same bytes; and a proof can be stopped.
#[test]
fn threads_do_not_matter_and_a_proof_can_be_stopped() {
    let (order, station, _) = common::round();
    let options = ProveOptions { by_rays: true, draws: 2, ..ProveOptions::default() };
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a pool");
    let again =
        one.install(|| prove(&order, &station, &TECHNIQUE, &options, &|_| {})).expect("a proof");
    assert_eq!(again.hash, PROOF.hash);
    let flag = AtomicBool::new(true);
    let options = ProveOptions { cancelled: Some(&flag), ..options };
    let stopped = prove(&order, &station, &TECHNIQUE, &options, &|_| {});
    assert!(matches!(stopped, Err(PlanError::Cancelled)));
}

// Truth: closed form. A disc's echo grows with its area, so noise that of a disc two thirds as large lies
// 40 log10(1.5) = 7.0 dB below: less than the 12 dB that the rules ask for.
#[test]
fn grain_noise_refuses_an_order_with_the_size_that_would_work() {
    let (mut order, station, rules) = common::round();
    order.steel.grain_noise_disc_mm = Some(0.8);
    match technique(&order, &station, &rules) {
        Err(PlanError::NoTechnique { rule, figure, cure }) => {
            assert_eq!(rule, "grain noise");
            assert!(figure.contains("7.0 dB"), "{figure}");
            // 0.8 mm times 10^(12/40).
            assert!(cure.contains("1.60 mm"), "{cure}");
        }
        other => panic!("{:?}", other.map(|t| t.hash)),
    }
}
