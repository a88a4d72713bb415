//! The technique, proof and reference bar of the round example.

use crate::common;

use std::sync::LazyLock;

use barwright_job::{
    Sealed, Technique,
    order::SectionSpec,
    proof::Proof,
    technique::{Beam, GateKind},
};
use barwright_plan::{
    Flaw, PlanError, ProveOptions, exact_echoes, limits, prove, reference_bar, technique,
};
use barwright_wave::{Mode, Point, delay, path};

static TECHNIQUE: LazyLock<Sealed<Technique>> = LazyLock::new(|| {
    let (order, station, rules) = common::round();
    technique(&order, &station, &rules).expect("a technique")
});

static PROOF: LazyLock<Sealed<Proof>> = LazyLock::new(|| {
    let (order, station, _) = common::round();
    prove(&order, &station, &TECHNIQUE, &ProveOptions::default(), &|_| {}).expect("a proof")
});

// Truth: closed form. Water path over a quarter of the diameter, shear offset 0.322 R, grating lobe
// of 0.6 mm pitch at 5 MHz in water (29.6 degrees unsteered), rounding loss of 5 ns at 5 MHz
// (0.0089 dB). Half a unit of the last printed digit.
#[test]
fn rules_meet_their_closed_forms() {
    let water = limits::least_water_path_m(1.0, 1482.38, 5920.0);
    assert!((water - 0.2504).abs() < 5e-5, "{water}");
    let offset = barwright_plan::laws::shear_offset_m(1.0, 45f64.to_radians(), 1482.38, 3255.0);
    assert!((offset - 0.322).abs() < 5e-4, "{offset}");
    let lobe = limits::grating_lobe_sine(0.0, 1482.38 / 5e6, 0.6e-3).asin().to_degrees();
    assert!((lobe + 29.6).abs() < 0.05, "{lobe}");
    let loss = limits::rounding_loss_db(5e6, 5e-9);
    assert!((loss - 0.0089).abs() < 5e-5, "{loss}");
}

// Truth: the contract of the documents. The line speed is that of 48 longitudinal firings, each of
// which waits two records for the echoes of the one before: (5.0 mm of spacing) / 7.7 ms.
#[test]
fn the_demo_has_a_technique_that_keeps_the_contract() {
    let t = &TECHNIQUE.body;
    // Every probe looks with longitudinal beams and with shear beams of both senses.
    for probe in 0..6 {
        let own = |mode| t.beams.iter().filter(|b| b.probe == probe && b.mode == mode).count();
        assert!(own(Mode::L) >= 2 && own(Mode::S) >= 2 && own(Mode::S) % 2 == 0);
    }
    assert!((0.5..=1.2).contains(&t.line_speed_m_s), "{} m/s", t.line_speed_m_s);
    for (i, beam) in t.beams.iter().enumerate() {
        assert_eq!(beam.id as usize, i);
        let followed = beam.surface_beam.expect("water has a surface echo") as usize;
        assert!(t.beams[followed].gate(GateKind::Surface).is_some());
        assert_eq!(t.beams[followed].probe, beam.probe);
        for g in &beam.gates {
            let from = if g.kind == GateKind::Surface { 0.0 } else { beam.surface_time_s };
            assert!(from + g.start_s >= t.record.first_sample_s);
            assert!(from + g.end_s <= t.record.last_sample_s());
        }
        let step = 2.5e-9;
        for d in &beam.transmit_delays_s {
            let steps = d / step;
            // Delays are whole steps, up to rounding of f64.
            assert!((steps - steps.round()).abs() < 1e-6, "{d}");
        }
    }
    // Every beam fires once a period; no firing holds two beams of a probe or longitudinal ones of
    // opposite probes.
    let mut fired: Vec<u32> = Vec::new();
    for f in &t.schedule.firings {
        fired.extend(&f.beams);
        for (i, a) in f.beams.iter().enumerate() {
            for b in &f.beams[i + 1..] {
                let (a, b) = (&t.beams[*a as usize], &t.beams[*b as usize]);
                let (p, q) = (a.probe, b.probe);
                // Opposite longitudinal beams hear each other through the bar; shear beams go past.
                let opposite = p.abs_diff(q) == 3 && a.mode == Mode::L && b.mode == Mode::L;
                assert!(p != q && !opposite, "{p} and {q} together");
            }
        }
    }
    fired.sort_unstable();
    assert_eq!(fired, (0..t.beams.len() as u32).collect::<Vec<_>>());
    assert!(t.pulse_spacing_m <= t.line_speed_m_s * t.schedule.period_s * (1.0 + 1e-12));
}

/// Least-time arrival of the aperture's own middle at a place, laws interpolated there.
fn fermat(t: &Technique, beam: &Beam, place: Point) -> f64 {
    let elements = barwright_plan::technique_elements(t, beam);
    let surface = t.section.surface().expect("round");
    let water = t.media.water.expect("water").velocity_m_s;
    let n = elements.len();
    let pair = [(n - 1) / 2, n / 2];
    pair.iter()
        .map(|i| {
            let p = path::least_time(
                &surface,
                elements[*i].centre,
                place,
                water,
                beam.axis.velocity_m_s,
            )
            .expect("a ray");
            p.time_s + beam.transmit_delays_s[*i]
        })
        .sum::<f64>()
}

// Truth: independent code (least-time paths of the wave crate). An echo of a reflector at steel path
// s on the axis arrives at surface time + 2 s/c.
#[test]
fn arrivals_on_the_axis_follow_the_least_time() {
    let t = &TECHNIQUE.body;
    for beam in t.beams.iter().step_by(7) {
        let shares: &[f64] = match beam.mode {
            Mode::L => &[0.2, 0.5, 0.9],
            Mode::S => &[1.0],
        };
        for share in shares {
            let s = beam.axis.reach_m * share;
            let after = 2.0 * s / beam.axis.velocity_m_s;
            let place = beam.axis.at(after * (1.0 - 1e-9));
            let got = fermat(t, beam, place);
            // The whole aperture's mean lies up to a tenth of a microsecond (0.3 mm) off its middle.
            assert!(
                (got - beam.surface_time_s - after).abs() < 1e-7,
                "beam {} at {share}: {got} {}",
                beam.id,
                beam.surface_time_s + after
            );
        }
    }
}

// Truth: the definition of gain and curve. 0.2 dB: the curve is linear between its points.
#[test]
fn the_ordered_disc_reads_the_target_on_the_axis() {
    let t = &TECHNIQUE.body;
    let beam = &t.beams[5];
    for share in [0.2, 0.37, 0.5, 0.61, 0.85] {
        let gate = beam.gate(GateKind::Volume).expect("a gate");
        let after = gate.start_s + share * (gate.end_s - gate.start_s);
        let disc = Flaw::Disc { diameter_m: t.sensitivity.disc_diameter_m, tilt_rad: 0.0 };
        let echoes = exact_echoes(t, disc, &[(beam.id, beam.axis.at(after))]).expect("computed");
        let echo = echoes[0].expect("an echo");
        let after = echo.arrival_s - beam.surface_time_s;
        let height = beam.gain_db + beam.curve_db(after) + echo.transfer_db;
        let target = 20.0 * t.sensitivity.target_fsh.log10();
        assert!((height - target).abs() < 0.2, "{share}: {height} {target}");
    }
}

// Truth: property (rotation). Turning by the angle between probes maps beams onto beams.
#[test]
fn turning_by_a_probe_maps_beams_onto_beams() {
    let t = &TECHNIQUE.body;
    let turn = std::f64::consts::TAU / t.probes.len() as f64;
    for mode in [Mode::L, Mode::S] {
        for a in t.beams.iter().filter(|b| b.mode == mode && b.probe == 0) {
            let entry = a.axis.entry.rotated(turn);
            let twin = t
                .beams
                .iter()
                .filter(|b| b.mode == mode && b.probe == 1)
                .find(|b| {
                    let d = (b.axis.direction_rad - a.axis.direction_rad - turn)
                        .rem_euclid(std::f64::consts::TAU);
                    b.axis.entry.distance(entry) < 1e-9 && d.min(std::f64::consts::TAU - d) < 1e-9
                })
                .expect("a turned beam");
            // A delay may round the other way, which is worth a hundredth of a dB.
            assert!((a.gain_db - twin.gain_db).abs() < 0.11);
            assert!((a.surface_time_s - twin.surface_time_s).abs() < 3e-9);
        }
    }
}

#[test]
fn the_demo_is_proved() {
    let proof = &PROOF.body;
    for class in &proof.classes {
        eprintln!(
            "{:?}: nominal {:.4}, worst {:.4}; {}",
            class.class, class.nominal, class.worst, class.weakest.cause
        );
        assert!(class.worst <= class.nominal);
    }
    assert!(proof.met, "{:?}", proof.findings);
}

// Truth: property (monotony). A larger tolerance never covers more, with the same technique. The
// technique knows its order by hash, so the same beams are sealed for the worse order.
#[test]
fn a_larger_tolerance_never_covers_more() {
    let (mut order, mut station, _) = common::round();
    station.line.centring_mm = 1.0;
    if let SectionSpec::Round(r) = &mut order.section {
        r.tolerance_mm = 0.8;
    }
    let same = Sealed::seal(
        TECHNIQUE.body.clone(),
        [("order", order.hash()), ("station", station.hash())],
    );
    let worse = prove(&order, &station, &same, &ProveOptions::default(), &|_| {}).expect("a proof");
    for (a, b) in PROOF.body.classes.iter().zip(&worse.body.classes) {
        assert!(b.worst <= a.worst, "{:?}: {} {}", a.class, b.worst, a.worst);
        assert_eq!(a.nominal, b.nominal);
    }
}

// Truth: property (monotony). A shorter flaw needs denser pulses, so the line is never faster.
#[test]
fn a_tighter_order_is_never_faster() {
    let (mut order, station, rules) = common::round();
    order.flaws.shortest_mm = 5.0;
    let tight = technique(&order, &station, &rules).expect("a technique");
    assert!(tight.body.line_speed_m_s <= TECHNIQUE.body.line_speed_m_s);
}

// Truth: property (determinism).
#[test]
fn the_same_order_gives_the_same_document() {
    let (order, station, rules) = common::round();
    let again = technique(&order, &station, &rules).expect("a technique");
    assert_eq!(again.hash, TECHNIQUE.hash);
}

#[test]
fn every_beam_reads_the_reference_bar() {
    let bar = reference_bar(&TECHNIQUE).expect("a bar").body;
    assert!(bar.findings.is_empty(), "{:?}", bar.findings);
    for beam in &TECHNIQUE.body.beams {
        let best = bar
            .expected
            .iter()
            .filter(|e| e.beam == beam.id)
            .map(|e| e.height_fsh)
            .fold(0.0, f64::max);
        // A hole reads the target by definition; the notch is longer than the ordered crack.
        assert!((0.7..1.7).contains(&best), "beam {}: {best}", beam.id);
    }
}

#[test]
fn what_cannot_be_planned_is_refused_with_a_cure() {
    let (mut order, station, rules) = common::round();
    if let SectionSpec::Round(r) = &mut order.section {
        r.diameter_mm = 80.0;
    }
    match technique(&order, &station, &rules) {
        Err(e @ PlanError::NoRing { below_mm, .. }) => {
            assert_eq!(below_mm, Some(65.0));
            assert!(e.hint().is_some_and(|h| h.contains("65")));
        }
        other => panic!("{:?}", other.map(|t| t.hash)),
    }
    let (mut order, _, _) = common::round();
    order.flaws.disc.skin_mm = 0.5;
    match technique(&order, &station, &rules) {
        Err(PlanError::NoTechnique { rule, .. }) => assert_eq!(rule, "near-surface zone"),
        other => panic!("{:?}", other.map(|t| t.hash)),
    }
    let (mut order, _, _) = common::round();
    order.section = SectionSpec::Square(barwright_job::order::SquareSpec {
        side_mm: 40.0,
        corner_radius_mm: 4.0,
        tolerance_mm: 0.3,
    });
    match technique(&order, &station, &rules) {
        Err(PlanError::NoTechnique { figure, cure, .. }) => {
            assert!(figure.contains("square") && !cure.is_empty());
        }
        other => panic!("{:?}", other.map(|t| t.hash)),
    }
}

// Truth: closed form. A flat law of the wave crate agrees with the technique's on an arc about the
// bar: no delays at all.
#[test]
fn an_arc_about_the_bar_needs_no_delays_for_longitudinal_beams() {
    let t = &TECHNIQUE.body;
    let beam = &t.beams[0];
    let law = delay::focus(
        &t.section.surface().expect("round"),
        barwright_plan::technique_elements(t, beam),
        Point::default(),
        t.media.water.expect("water").velocity_m_s,
        beam.axis.velocity_m_s,
        None,
    )
    .expect("a law");
    assert!(law.span_s() < 1e-12);
    assert!(beam.transmit_delays_s.iter().all(|d| *d == 0.0));
}
