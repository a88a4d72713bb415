//! Square bars: beams, margins, proof and refusals.

use crate::common;

use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI};
use std::sync::LazyLock;

use barwright_job::{
    Order, Rules, Sealed, Station, Technique,
    order::SectionSpec,
    proof::{MarginMap, Proof},
    station::Array,
    technique::{GateKind, Section},
};
use barwright_plan::{
    PlanError, beams,
    bench::Bench,
    conditions::Conditions,
    echo, echo_of_crack, echo_of_disc,
    laws::Focus,
    layout::Layout,
    proof::ProveOptions,
    prove, reference_bar,
    square::{
        cases,
        coverage::{Scope, Target, in_state, margins},
        echo::Flaw,
        firing, laws, layout,
        outline::Mouth,
    },
    technique, technique_elements,
};
use barwright_wave::{
    Mode, Point,
    elevation::{Spread, Strip},
    interface, path,
    pulse::Pulse,
    scatter,
};
use num_complex::Complex64;

fn documents(order: &str) -> (Order, Station, Rules) {
    let (_, _, rules) = common::round();
    let station = include_str!("../../../examples/station-square-20-120.toml");
    (
        Order::from_toml("order", order).expect("the example order"),
        Station::from_toml("station", station).expect("the example station"),
        rules,
    )
}

/// The smallest example.
fn small() -> (Order, Station, Rules) {
    documents(include_str!("../../../examples/order-square-20.toml"))
}

fn middle() -> (Order, Station, Rules) {
    documents(include_str!("../../../examples/order-square-50.toml"))
}

static TECHNIQUE: LazyLock<Sealed<Technique>> = LazyLock::new(|| {
    let (order, station, rules) = small();
    technique(&order, &station, &rules).expect("a technique")
});

static PROOF: LazyLock<Sealed<Proof>> = LazyLock::new(|| {
    let (order, station, _) = small();
    prove(&order, &station, &TECHNIQUE, &ProveOptions::default(), &|_| {}).expect("a proof")
});

// Truth: the contract of the documents.
#[test]
fn four_probes_look_straight_and_aside_and_keep_the_contract() {
    let t = &TECHNIQUE.body;
    let own = |probe, mode| t.beams.iter().filter(|b| b.probe == probe && b.mode == mode).count();
    for probe in 0..4 {
        assert_eq!(own(probe, Mode::L), own(0, Mode::L));
        assert_eq!(own(probe, Mode::S), own(0, Mode::S));
        assert!(own(probe, Mode::L) >= 2 && own(probe, Mode::S) >= 2);
    }
    let (order, station, rules) = small();
    let bench = Bench::new(&order, &station, &rules).expect("a bench");
    let mut fired: Vec<u32> = Vec::new();
    for firing in &t.schedule.firings {
        fired.extend(&firing.beams);
        for (i, a) in firing.beams.iter().enumerate() {
            for b in &firing.beams[i + 1..] {
                let (a, b) = (&t.beams[*a as usize], &t.beams[*b as usize]);
                assert!(firing::may_fire_together(&bench, a, b), "{} and {}", a.id, b.id);
            }
        }
    }
    fired.sort_unstable();
    assert_eq!(fired, (0..t.beams.len() as u32).collect::<Vec<_>>());
    for beam in &t.beams {
        let followed = &t.beams[beam.surface_beam.expect("a surface echo in water") as usize];
        assert!(followed.probe == beam.probe && followed.gate(GateKind::Surface).is_some());
    }
}

// Truth: the definition of gain and curve, for every beam: gains of one probe were copied to its images.
// 0.3 dB: the curve is linear between its points, and delays round either way.
#[test]
fn the_ordered_flaw_reads_the_target_on_every_axis() {
    let (order, _, _) = small();
    let t = &TECHNIQUE.body;
    let target = 20.0 * t.sensitivity.target_fsh.log10();
    for beam in &t.beams {
        let echo = match beam.mode {
            Mode::L => {
                let gate = beam.gate(GateKind::Volume).expect("a gate");
                let after = gate.start_s + 0.4 * (gate.end_s - gate.start_s);
                echo_of_disc(t, beam, beam.axis.at(after), t.sensitivity.disc_diameter_m)
            }
            Mode::S => {
                let depth = t.sensitivity.crack_depth_m.expect("cracks are ordered");
                let (angle, length) = (beams::end(beam).angle(), order.flaws.shortest_mm * 1e-3);
                echo_of_crack(t, beam, angle, depth, length)
            }
        };
        let echo = echo.expect("computed").expect("an echo");
        let height =
            beam.gain_db + beam.curve_db(echo.arrival_s - beam.surface_time_s) + echo.transfer_db;
        assert!((height - target).abs() < 0.3, "beam {}: {height} {target}", beam.id);
    }
}

// Truth: closed form. Through a flat face an unfocused aperture of n elements looks like a strip in
// water at the equivalent way s = w + d c2/c1: P = T F(n p, s)/(2 k p), T = 2 z2/(z1 + z2); along the bar
// the same F of the element's length. 0.3 dB: paraxial over ±4 mm on 90 mm and more, and elements 0.45
// mm wide in place of a closed face.
#[test]
fn a_disc_on_the_axis_reads_as_the_closed_form_says() {
    let (order, station, rules) = middle();
    let mut bench = Bench::new(&order, &station, &rules).expect("a bench");
    bench.nominal.media.attenuation_l_np_m = 0.0;
    // One frequency, nearly.
    bench.nominal.pulse = Pulse::new(5e6, 0.01).expect("a pulse");
    let count = 16;
    let first = (128 - count) / 2;
    let sketch = laws::longitudinal(&bench, 0, first, count, None).expect("a sketch");
    let aperture = beams::aperture(&bench.probes, &sketch);
    let water = bench.nominal.media.water.expect("water");
    let steel = bench.nominal.media.steel;
    let (c1, c2) = (water.velocity_m_s, steel.longitudinal_m_s);
    let element = aperture.elements[0];
    let way = element.centre.y - 0.025;
    let (z1, z2) = (water.density_kg_m3 * c1, steel.density_kg_m3 * c2);
    let (pitch, k) = (0.5e-3, 2.0 * PI * 5e6 / c1);
    for depth in [0.015, 0.025, 0.04] {
        let spread = Spread::through_water(way, depth, c1, c2);
        let across = Strip::straight(count as f64 * pitch).factor(0.0, &spread, 5e6).norm();
        let along = Strip::straight(element.length_m).factor(0.0, &spread, 5e6).norm();
        let one_way = 2.0 * z2 / (z1 + z2) * across / (2.0 * k * pitch) * along;
        let radius = 0.75e-3;
        let disc = PI * radius * radius / (c2 / 5e6);
        let exact =
            scatter::reciprocity_factor(&water, &steel) * 4.0 * PI * disc * one_way * one_way;
        let place = Point::new(0.0, 0.025 - depth);
        let got = echo::disc(&bench.nominal, &aperture, place, 2.0 * radius).expect("an echo");
        let exact_db = 20.0 * exact.log10();
        assert!((got.transfer_db - exact_db).abs() < 0.3, "{depth}: {got:?} {exact_db}");
    }
}

// Truth: closed form (Snell's law and straight lines) and independent code (least-time paths). The axis
// of a 45 degree beam lands on the face beside as far below its edge as it entered from it.
#[test]
fn shear_beams_land_where_snell_says() {
    let (order, station, rules) = middle();
    let bench = Bench::new(&order, &station, &rules).expect("a bench");
    let water = bench.nominal.media.water.expect("water").velocity_m_s;
    let steel = bench.nominal.media.steel.shear_m_s;
    let aim = Layout {
        mode: Mode::S,
        count: 16,
        step: 8,
        refraction_rad: FRAC_PI_4,
        focus: Focus::default(),
        depths: Some((f64::INFINITY, f64::INFINITY)),
    };
    let sketches = layout::sketches(&bench, &aim).expect("sketches");
    assert!(sketches.len() >= 16 && sketches.len().is_multiple_of(8));
    let half = 0.025_f64;
    for s in &sketches {
        let (e, m) = (s.axis.entry, s.end);
        // One coordinate of each on a face; both ways from the common edge alike.
        let corner = Point::new(half.copysign(e.x + m.x), half.copysign(e.y + m.y));
        assert!((e.distance(corner) - m.distance(corner)).abs() < 1e-9, "{e:?} {m:?}");
        let aperture = beams::aperture(&bench.probes, s);
        let face = bench.nominal.surface_before(aperture.elements);
        let middle = barwright_plan::ring::middle(aperture.elements);
        let path = path::least_time(&face, middle, m, water, steel).expect("a path");
        assert!((path.angle_out_rad.abs() - FRAC_PI_4).abs() < 1e-6);
        assert!(path.entry.distance(e) < 1e-7);
        let snell = (FRAC_PI_4.sin() * water / steel).asin();
        assert!((path.angle_in_rad.abs() - snell).abs() < 1e-6);
    }
}

// Truth: closed form. A sphere of radius a returns a/2, a long hole √(a/2), when many wavelengths wide
// (physics of the mirror). 12 %: k a of 27 and 21, and the wave that creeps round.
#[test]
fn large_spheres_and_holes_are_mirrors() {
    let (order, station, rules) = middle();
    let bench = Bench::new(&order, &station, &rules).expect("a bench");
    let (steel, pulse) = (bench.nominal.media.steel, bench.nominal.pulse);
    let Flaw::Compact(sphere, _) = Flaw::inclusion(0.01, &steel, &pulse).expect("a sphere") else {
        panic!("compact")
    };
    assert!((sphere / 0.0025 - 1.0).abs() < 0.12, "{sphere}");
    let Flaw::Line(hole, _) = Flaw::pipe(0.008, &steel, &pulse).expect("a hole") else {
        panic!("long")
    };
    let k = 2.0 * PI * 5e6 / steel.longitudinal_m_s;
    let mirror = scatter::line_strength(Complex64::from(0.002_f64.sqrt()), k).norm();
    assert!((hole / mirror - 1.0).abs() < 0.12, "{hole} {mirror}");
}

// Truth: independent computation. What a channel along the bar integrates of a beam, summed point by
// point over ±120 mm, is the beam's own mirror image times its length. 2 %: the ends of the sum.
#[test]
fn a_channel_along_the_bar_integrates_the_beam() {
    let strip = Strip::straight(0.02);
    let spread = Spread { path_m: 0.18, velocity_m_s: 1488.0 };
    let closed = strip.mirror_factor(&spread, 5e6) * strip.length_m;
    let dz = 2e-5;
    let sum: Complex64 = (-6000..6000)
        .map(|i| {
            let one = strip.factor((f64::from(i) + 0.5) * dz, &spread, 5e6);
            one * one * dz
        })
        .sum();
    assert!((sum / closed - 1.0).norm() < 0.02, "{sum} {closed}");
}

/// Covered share of targets in the worst case at some spacings, and nominal.
fn covered(
    order: &Order,
    station: &Station,
    t: &Technique,
    targets: &[Target],
    spacings: &[f64],
) -> Vec<(usize, usize)> {
    let nominal = Conditions::nominal(t).expect("nominal");
    let cases = cases::all(order, station, &nominal).expect("cases");
    let scope = Scope {
        probes: &t.probes,
        beams: &t.beams,
        sensitivity: &t.sensitivity,
        crack_length_m: order.flaws.shortest_mm * 1e-3,
    };
    let seen = margins(&scope, &nominal, &cases, targets, spacings, &|| {});
    (0..spacings.len())
        .map(|k| {
            let count = |good: &dyn Fn(&barwright_plan::coverage::Margin) -> bool| {
                seen.iter().filter(|s| good(&s[k].margin)).count()
            };
            (
                count(&|m| m.worst_db.is_some_and(|x| x >= 0.0)),
                count(&|m| m.nominal_db.is_some_and(|x| x >= 0.0)),
            )
        })
        .collect()
}

/// Discs on a coarse grid and cracks around, of a weaker kind than ordered, so that some are not covered.
fn targets(t: &Technique) -> Vec<Target> {
    let flaw = Flaw::Disc(0.8 * t.sensitivity.disc_diameter_m, 0.0);
    let half = t.section.half_extent_m();
    let mut all: Vec<Target> =
        Mouth::around(&t.section, 120).into_iter().map(|(m, _)| Target::Crack(m)).collect();
    for i in -9..=9 {
        for j in -9..=9 {
            let p = Point::new(f64::from(i), f64::from(j)) * (half / 10.0);
            if t.section.depth_m(p) >= t.sensitivity.skin_m {
                all.push(Target::Volume(flaw, p));
            }
        }
    }
    all
}

// Truth: property (monotony). Larger tolerances and wider pulse spacings never cover more.
#[test]
fn larger_tolerances_and_wider_spacings_never_cover_more() {
    let (order, station, _) = small();
    let t = &TECHNIQUE.body;
    let targets = targets(t);
    let spacings = [0.5e-3, 4e-3, 8e-3, 14e-3];
    let usual = covered(&order, &station, t, &targets, &spacings);
    for pair in usual.windows(2) {
        assert!(pair[1].0 <= pair[0].0 && pair[1].1 <= pair[0].1, "{usual:?}");
    }
    assert!(usual[3].0 < usual[0].0, "the spacings asked tell apart: {usual:?}");
    let (mut worse_order, mut worse) = (order.clone(), station.clone());
    worse.line.centring_mm = 1.0;
    worse.line.turn_deg = 2.0;
    worse_order.steel.velocity_tolerance_percent = 2.0;
    worse_order.flaws.disc.tilt_deg = 10.0;
    if let SectionSpec::Square(s) = &mut worse_order.section {
        s.tolerance_mm = 0.6;
    }
    let worst = covered(&worse_order, &worse, t, &targets, &spacings[..2]);
    for (a, b) in usual.iter().zip(&worst) {
        assert!(b.0 <= a.0, "{usual:?} {worst:?}");
        assert_eq!(a.1, b.1, "nominal does not hang on tolerances");
    }
    assert!(worst[0].0 < usual[0].0, "the tolerances asked tell apart");
}

// Truth: property. What else was weighed is told, is another layout, and is no faster where it serves at all.
#[test]
fn others_are_slower_or_refused() {
    let t = &TECHNIQUE.body;
    assert!(!t.others.is_empty(), "a search weighs more than one layout");
    for other in &t.others {
        assert!(!other.why_not.is_empty());
        // A thousandth: rounding of the firing order's rhythm.
        assert!(other.line_speed_m_s.is_none_or(|v| v <= t.line_speed_m_s * 1.001), "{other:?}");
    }
}

// Truth: property. A drawn state at one end of one tolerance is that case: the margin there, with the
// nominal one, makes the worst. Drawn figures stand in order, and the same seed gives the same.
#[test]
fn drawn_states_are_cases_like_others() {
    let (order, station, _) = small();
    let t = &TECHNIQUE.body;
    let nominal = Conditions::nominal(t).expect("nominal");
    let scope = Scope {
        probes: &t.probes,
        beams: &t.beams,
        sensitivity: &t.sensitivity,
        crack_length_m: order.flaws.shortest_mm * 1e-3,
    };
    let targets = targets(t);
    let spacing = t.pulse_spacing_m;
    let case = &cases::all(&order, &station, &nominal).expect("cases")[..1];
    let both = margins(&scope, &nominal, case, &targets, &[spacing], &|| {});
    let in_it = in_state(&scope, &nominal, &case[0], &targets, spacing, &|| {});
    for (both, drawn) in both.iter().zip(&in_it) {
        let m = &both[0].margin;
        // The worst case looks at the nominally best beams alone, which can only lower it.
        let least = m.nominal_db.zip(*drawn).map(|(n, d)| n.min(d));
        assert!(m.worst_db.is_none_or(|w| least.is_some_and(|l| w <= l + 1e-4)), "{m:?} {drawn:?}");
    }
    for class in &PROOF.body.classes {
        let d = class.draws.as_ref().expect("draws are made unless nought are asked");
        assert_eq!(d.count, ProveOptions::default().draws);
        assert!(d.lowest <= d.low_5_percent && d.low_5_percent <= d.mean && d.mean <= 1.0);
    }
}

// Truth: property (monotony). A smaller disc is never found at a faster line.
#[test]
fn a_smaller_disc_is_never_faster() {
    let (mut order, station, rules) = small();
    order.flaws.crack = None;
    let usual = technique(&order, &station, &rules).expect("a technique");
    order.flaws.disc.diameter_mm = 0.8;
    match technique(&order, &station, &rules) {
        Ok(tight) => assert!(tight.body.line_speed_m_s <= usual.body.line_speed_m_s),
        Err(PlanError::NoTechnique { rule, .. }) => assert_eq!(rule, "coverage"),
        Err(e) => panic!("{e}"),
    }
}

// Truth: property (symmetry). A quarter turn maps bar, probes and deviations onto themselves; a mirror
// does so for the nominal state, and for all but the lost element of the worst.
#[test]
fn the_proof_map_turns_and_mirrors_into_itself() {
    let proof = &PROOF.body;
    assert!(proof.met, "{:?}", proof.findings);
    let MarginMap::Grid { nx, ny, nominal_db, worst_db, .. } = &proof.classes[0].map else {
        panic!("a grid")
    };
    assert_eq!(nx, ny);
    let n = *nx;
    let differ = |map: &[Option<f32>], image: &dyn Fn(usize, usize) -> usize| {
        let far = |a: Option<f32>, b: Option<f32>| match (a, b) {
            // Delays round either way, worth hundredths of a decibel.
            (Some(a), Some(b)) => (a - b).abs() > 0.15,
            (a, b) => a != b,
        };
        let all = (0..n).flat_map(|iy| (0..n).map(move |ix| (ix, iy)));
        all.filter(|(ix, iy)| far(map[iy * n + ix], map[image(*ix, *iy)])).count()
    };
    let turn = |ix: usize, iy: usize| ix * n + (n - 1 - iy);
    let mirror = |ix: usize, iy: usize| iy * n + (n - 1 - ix);
    let diagonal = |ix: usize, iy: usize| ix * n + iy;
    // An echo on the very edge of a gate may fall either side: one place in five hundred.
    let few = n * n / 500;
    assert!(nominal_db.iter().flatten().count() > n * n / 4);
    for (what, count) in [
        ("turn, nominal", differ(nominal_db, &turn)),
        ("turn, worst", differ(worst_db, &turn)),
        ("mirror, nominal", differ(nominal_db, &mirror)),
        ("diagonal, nominal", differ(nominal_db, &diagonal)),
    ] {
        assert!(count <= few, "{what}: {count} places differ");
    }
    let Some(MarginMap::Rim { nominal_db, .. }) = proof.classes.last().map(|c| &c.map) else {
        panic!("a rim")
    };
    let quarter = nominal_db.len() / 4;
    let off = (0..4 * quarter)
        .filter(|i| {
            let (a, b) = (nominal_db[*i], nominal_db[(i + quarter) % (4 * quarter)]);
            match (a, b) {
                (Some(a), Some(b)) => (a - b).abs() > 0.15,
                (a, b) => a != b,
            }
        })
        .count();
    assert!(off <= 4, "{off} places of the outline differ");
}

// Truth: the rule of the proof. Corners are not seen by shear beams, and what is not seen is not covered.
#[test]
fn corners_are_not_covered() {
    let proof = &PROOF.body;
    let class = proof.classes.last().expect("cracks");
    let MarginMap::Rim { nominal_db, worst_db } = &class.map else { panic!("a rim") };
    let eighth = nominal_db.len() / 8;
    for corner in [1, 3, 5, 7] {
        assert_eq!((nominal_db[corner * eighth], worst_db[corner * eighth]), (None, None));
    }
    assert!(class.nominal < 1.0 && class.worst <= class.nominal);
    for c in &proof.classes {
        assert!(c.worst <= c.nominal && (0.0..=1.0).contains(&c.doubted));
    }
}

fn refusal(order: &Order, station: &Station, rules: &Rules) -> (String, String) {
    match technique(order, station, rules) {
        Err(PlanError::NoTechnique { rule, figure, cure }) => {
            assert!(!cure.is_empty());
            (rule, figure)
        }
        other => panic!("{:?}", other.map(|t| t.hash)),
    }
}

#[test]
fn what_cannot_be_planned_is_refused_with_a_cure() {
    let (order, station, rules) = middle();
    let mut narrow = station.clone();
    for ring in &mut narrow.rings {
        if let Array::Flat(a) = &mut ring.array {
            a.elements = 80;
        }
    }
    let (rule, figure) = refusal(&order, &narrow, &rules);
    assert_eq!(rule, "width of the array");
    assert!(figure.contains("40.0 mm") && figure.contains("50 mm"), "{figure}");
    let mut thin = order.clone();
    thin.flaws.disc.skin_mm = 0.5;
    assert_eq!(refusal(&thin, &station, &rules).0, "near-surface zone");
    let mut near = station.clone();
    for ring in &mut near.rings {
        if let Array::Flat(a) = &mut ring.array {
            (a.distance_mm, a.travel_mm) = (28.0, 0.0);
        }
    }
    assert_eq!(refusal(&order, &near, &rules).0, "second surface echo behind the far wall");
    let mut three = station.clone();
    three.rings.iter_mut().for_each(|r| r.probes = 3);
    assert_eq!(refusal(&order, &three, &rules).0, "section");
    match reference_bar(&TECHNIQUE) {
        Err(PlanError::NoTechnique { rule, .. }) => assert_eq!(rule, "reference bar"),
        other => panic!("{:?}", other.map(|t| t.hash)),
    }
}

// Truth: closed form. Transmission of a turned face by Snell; a bar turned by a degree answers a ray of
// normal incidence at c2/c1 times the angle in the steel (small angles; 2e-3: third order).
#[test]
fn a_turned_bar_bends_the_beam() {
    let (order, mut station, rules) = middle();
    station.line.turn_deg = 1.0;
    let bench = Bench::new(&order, &station, &rules).expect("a bench");
    let nominal = &bench.nominal;
    let water = nominal.media.water.expect("water");
    let steel = nominal.media.steel;
    let turned = cases::all(&order, &station, nominal)
        .expect("cases")
        .into_iter()
        .find(|c| c.turn_rad > 0.0)
        .expect("a turned bar");
    let sketch = laws::longitudinal(&bench, 0, 60, 8, None).expect("a sketch");
    let aperture = beams::aperture(&bench.probes, &sketch);
    let face = turned.surface_before(aperture.elements);
    let middle = barwright_plan::ring::middle(aperture.elements);
    let out = interface::refracted(water.velocity_m_s, steel.longitudinal_m_s, 1f64.to_radians())
        .expect("refracted");
    let bend = out - 1f64.to_radians();
    // The ray that leaves the array squarely, 40 mm into the steel.
    let entry = {
        let slope = 1f64.to_radians().tan();
        let top = 0.025 / 1f64.to_radians().cos();
        Point::new(middle.x, top + slope * middle.x)
    };
    for side in [1.0, -1.0] {
        let place = entry + Point::polar(0.04, -FRAC_PI_2 + side * bend);
        let path =
            path::least_time(&face, middle, place, water.velocity_m_s, steel.longitudinal_m_s);
        let hit = path.is_ok_and(|p| p.entry.distance(entry) < 2e-5);
        // Counter-clockwise: the face rises to the right, and the ray bends away from its normal.
        assert_eq!(hit, side < 0.0, "{side}");
    }
    assert!(matches!(turned.section, Section::Square { .. }));
    assert!(!technique_elements(&TECHNIQUE.body, &TECHNIQUE.body.beams[0]).is_empty());
}
