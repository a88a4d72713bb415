//! What is wrong with a station, against closed forms, symmetries and the plain field.

use crate::common::*;
use barwright_capture::Shots;
use barwright_job::reference::{Motion, ReferenceBar, Reflector, Shape};
use barwright_job::technique::{Beam, Firing};
use barwright_job::{Sealed, Technique};
use barwright_twin::scene::{
    Bend, Bubbles, CentrePipe, Crack, Disc, FORMAT, Flaw, MovedProbe, Scene, WeakElement,
    WeakProbe, WrongProbes,
};
use barwright_twin::{
    FaultScene, MainCause, SceneBar, StationFaults, TwinError, VirtualStation, fault_scenes,
};
use barwright_wave::{Mode, Point, water};
use std::collections::BTreeSet;
use std::f64::consts::{FRAC_PI_3, PI};

/// The bench's technique with some of its probes only, so that tests stay short.
fn few_probes(probes: usize) -> Sealed<Technique> {
    let mut body = technique(1.0).body;
    body.probes.truncate(probes);
    body.beams.truncate(probes * BEAMS_PER_PROBE);
    // Narrow elements: their faces are curved in one way of computing and flat in the other.
    for element in body.probes.iter_mut().flat_map(|p| &mut p.elements) {
        element.width_m = 0.15e-3;
    }
    let beams = (0..body.beams.len() as u32).collect();
    body.schedule.firings = vec![Firing { start_s: 0.0, beams }];
    Sealed::seal(body, [])
}

fn disc(radius_mm: f64, angle_deg: f64) -> Flaw {
    Flaw::Disc(Disc { diameter_mm: 1.2, radius_mm, angle_deg, z_mm: 40.0, tilt_deg: 0.0 })
}

fn take(
    technique: &Sealed<Technique>,
    faults: &StationFaults,
    gain_db: f64,
    flaws: Vec<Flaw>,
) -> Shots {
    let station = VirtualStation::new(technique, faults, 1).expect("a station");
    let gains = vec![gain_db; technique.body.beams.len()];
    let bar = SceneBar { flaws, ..clean("1") };
    shots(&station.bar_capture(&bar, "H", 0.08, &gains, None).expect("a capture"))
}

/// Surface echo of a beam halfway along: height in counts, time in seconds.
fn surface(shots: &Shots, technique: &Technique, beam: &Beam, later_s: f64) -> (f64, f64) {
    let at = technique.record.position(beam.surface_time_s + later_s);
    let signal = samples(shots, nearest(shots, beam.id, 0.04));
    let (height, place) = peak(&signal, at - 15.0, at + 15.0);
    (height, technique.record.time_s(place))
}

fn worst(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
}

fn largest(a: &[f64]) -> f64 {
    a.iter().map(|x| x.abs()).fold(0.0, f64::max)
}

/// The bar in the ring's centre and all elements moved the other way instead: no shortcut is left, and
/// every field comes element by element.
fn moved_elements(technique: &Sealed<Technique>, offset: Point) -> Sealed<Technique> {
    let mut body = technique.body.clone();
    for element in body.probes.iter_mut().flat_map(|p| &mut p.elements) {
        element.centre = element.centre - offset;
    }
    for beam in body.beams.iter_mut() {
        // Along the normal the surface comes nearer by the offset's part towards the probe.
        let normal = technique.body.probes[beam.probe as usize].elements
            [(beam.first_element + beam.elements() / 2) as usize]
            .centre;
        let along = (normal.x * offset.x + normal.y * offset.y) / normal.radius();
        beam.surface_time_s -= 2.0 * along / 1488.0;
        // The ray from the aperture's middle keeps its direction and meets the bar elsewhere.
        let first = beam.first_element as usize;
        let aperture = &technique.body.probes[beam.probe as usize].elements
            [first..first + beam.elements() as usize];
        let sum = aperture.iter().fold(Point::default(), |sum, e| sum + e.centre);
        let middle = sum * (1.0 / f64::from(beam.elements()));
        let (ray, from) = (beam.axis.entry - middle, middle - offset);
        let ray = ray * (1.0 / ray.radius());
        let along = from.x * ray.x + from.y * ray.y;
        let square = along * along - from.radius().powi(2) + RADIUS_M * RADIUS_M;
        beam.axis.entry = from + ray * (-along - square.sqrt());
    }
    Sealed::seal(body, [])
}

/// What one list of shots has more than another, shot by shot; nothing where either is at full scale.
fn alone(with: &Shots, without: &Shots, i: usize) -> Vec<f64> {
    let full = f64::from(i16::MAX);
    let (a, b) = (samples(with, i), samples(without, i));
    a.iter().zip(&b).map(|(a, b)| if a.abs().max(b.abs()) < full { a - b } else { 0.0 }).collect()
}

/// The same where neither of two pairs is at full scale, so that they can be compared.
fn both_alone(one: [&Shots; 2], other: [&Shots; 2], i: usize) -> [Vec<f64>; 2] {
    let [mut a, mut b] = [one, other].map(|[with, without]| alone(with, without, i));
    let full = |shots: &Shots, j: usize| shots.ascan(i)[j].abs() == i16::MAX;
    for j in 0..a.len() {
        if one.iter().chain(&other).any(|shots| full(shots, j)) {
            (a[j], b[j]) = (0.0, 0.0);
        }
    }
    [a, b]
}

// Truth: the plain way through the same physics (element by element, angle by angle). 0.2 % of the
// surface echo: the face of an element is flat in one and curved in the other (0.05 µm). 0.3 % of a
// flaw's, likewise; two counts are the rounding of four lists of samples.
#[test]
fn a_bar_off_centre_reads_as_the_plain_field_says() {
    let technique = few_probes(2);
    let plain_technique = moved_elements(&technique, Point::new(0.25e-3, -0.15e-3));
    let faults = StationFaults { offset_mm: [0.25, -0.15], ..faultless() };
    let [fast, plain, centred] =
        [(&technique, &faults), (&plain_technique, &faultless()), (&technique, &faultless())]
            .map(|(technique, faults)| take(technique, faults, 55.0, vec![]));
    for beam in technique.body.beams.iter().filter(|b| b.mode == Mode::L) {
        let i = nearest(&fast, beam.id, 0.04);
        let [a, b, c] = [&fast, &plain, &centred].map(|s| samples(s, i));
        let (off, size) = (worst(&a, &b), largest(&b));
        println!("beam {}: {off:.1} of {size:.0}, {:.0} off the centred", beam.id, worst(&a, &c));
        assert!(size > 3000.0 && off <= 0.002 * size + 1.0, "beam {}: {off} {size}", beam.id);
        assert!(worst(&a, &c) > 0.2 * size);
    }
    // On the axes of one longitudinal beam each, and a crack at the end of a shear beam.
    let end = technique.body.beams[2].axis;
    let end = end.entry + Point::polar(end.reach_m, end.direction_rad);
    let crack =
        Crack { depth_mm: 0.3, length_mm: 20.0, angle_deg: end.angle().to_degrees(), z_mm: 40.0 };
    let flaws = || vec![disc(10.5, 82.0), disc(8.0, 145.0), Flaw::Crack(crack)];
    let [fast, plain] = [(&technique, &faults), (&plain_technique, &faultless())]
        .map(|(t, f)| [take(t, f, 80.0, flaws()), take(t, f, 80.0, vec![])]);
    let mut loud = BTreeSet::new();
    for beam in &technique.body.beams {
        let i = nearest(&fast[0], beam.id, 0.04);
        let [a, b] = both_alone([&fast[0], &fast[1]], [&plain[0], &plain[1]], i);
        let (off, size) = (worst(&a, &b), largest(&b));
        println!("beam {} {:?}: flaws {off:.1} of {size:.0} counts", beam.id, beam.mode);
        assert!(off <= 0.003 * size + 2.0, "beam {}: {off} of {size}", beam.id);
        if size > 200.0 {
            loud.insert(format!("{} {:?}", beam.probe, beam.mode));
        }
    }
    assert!(loud.len() >= 3, "{loud:?}");
}

fn reference(
    technique: &Sealed<Technique>,
    turn_rad: f64,
    reflectors: usize,
) -> Sealed<ReferenceBar> {
    let hole = |angle_rad, radius_m| Reflector {
        name: "H".into(),
        shape: Shape::FlatBottomedHole { diameter_m: 1.2e-3 },
        z_m: 0.15,
        angle_rad,
        radius_m,
    };
    // Under the end of the first probe's first shear beam once the bar has turned by 20 degrees.
    let shear = technique.body.beams[2].axis;
    let end = shear.entry + Point::polar(shear.reach_m, shear.direction_rad);
    let notch = Reflector {
        name: "N".into(),
        shape: Shape::Notch { depth_m: 0.3e-3, length_m: 0.02 },
        z_m: 0.15,
        angle_rad: ((2.0 * end.angle().to_degrees()).round() / 2.0 - 20.0).to_radians(),
        radius_m: RADIUS_M,
    };
    let all = [hole(70f64.to_radians(), 0.0105), hole(35f64.to_radians(), 0.006), notch];
    let body = ReferenceBar {
        name: "R".into(),
        length_m: 0.3,
        reflectors: all[..reflectors].to_vec(),
        motion: vec![Motion {
            purpose: "turn".into(),
            z_m: 0.15,
            turn_rad,
            turn_step_rad: 5f64.to_radians(),
            duration_s: 2.0,
        }],
        expected: vec![],
        requirements: vec![],
        findings: vec![],
    };
    Sealed::seal(body, [("technique", technique.hash.clone())])
}

/// A turned reference bar at a low gain for its surface; at a high one with and without its holes and
/// its notch.
fn turned(technique: &Sealed<Technique>, faults: &StationFaults, turn_rad: f64) -> [Shots; 3] {
    let station = VirtualStation::new(technique, faults, 1).expect("a station");
    [(55.0, 0), (80.0, 3), (80.0, 0)].map(|(gain, reflectors)| {
        let gains = vec![gain; technique.body.beams.len()];
        let reference = reference(technique, turn_rad, reflectors);
        shots(&station.reference_capture(&reference, &gains, None, 1, "").expect("a capture"))
    })
}

// Truth: the plain way, likewise, of a reference bar that turns. Turns and holes stand on the half degrees
// at which the plain way takes its angles.
#[test]
fn a_turned_bar_off_centre_reads_as_the_plain_field_says() {
    let technique = few_probes(1);
    let plain_technique = moved_elements(&technique, Point::new(-0.1e-3, 0.2e-3));
    let faults = StationFaults { offset_mm: [-0.1, 0.2], ..faultless() };
    let fast = turned(&technique, &faults, 20f64.to_radians());
    let plain = turned(&plain_technique, &faultless(), 20f64.to_radians());
    assert_eq!(fast[0].len(), 5 * BEAMS_PER_PROBE);
    let mut loud = 0;
    for i in 0..fast[0].len() {
        let [a, b] = [&fast, &plain].map(|s| samples(&s[0], i));
        assert!(worst(&a, &b) <= 0.002 * largest(&b) + 1.0, "shot {i}: {}", worst(&a, &b));
        let [a, b] = both_alone([&fast[1], &fast[2]], [&plain[1], &plain[2]], i);
        loud += usize::from(largest(&b) > 200.0);
        println!("shot {i}: reflectors {:.1} of {:.0}", worst(&a, &b), largest(&b));
        assert!(worst(&a, &b) <= 0.003 * largest(&b) + 2.0, "shot {i}: holes {}", worst(&a, &b));
    }
    assert!(loud >= 2, "{loud}");
}

// Truth: the exact field of a straight bar whose axis stands where the bent one's does in a shot. 0.5 %
// of the surface echo: what the polynomial between the places leaves at the band's upper end, and
// linear steps of an eighth of a sample (0.3 %). Of a hole's 1 % for a small sag and 4 % (0.3 dB) for a
// large one: refraction moves a beam in the steel further than the bar, and on its flank it shows.
#[test]
fn a_bent_bar_reads_like_a_straight_one_at_the_place_of_its_axis() {
    let technique = few_probes(1);
    let mut loud = 0;
    for (sag_mm, share) in [(0.12, 0.01), (0.4, 0.04)] {
        let bend = Bend { sag_mm, direction_deg: 70.0 };
        let bent = turned(
            &technique,
            &StationFaults { bend: Some(bend), ..faultless() },
            60f64.to_radians(),
        );
        for cycle in [1usize, 4, 9] {
            // At mid-length the whole sag; all beams fire at once, so the bar stands still for them.
            let first = cycle * BEAMS_PER_PROBE;
            let axis =
                Point::polar(sag_mm, 70f64.to_radians() + f64::from(bent[0].turn_rad[first]));
            let faults = StationFaults { offset_mm: [axis.x, axis.y], ..faultless() };
            let straight = turned(&technique, &faults, 60f64.to_radians());
            for i in first..first + BEAMS_PER_PROBE {
                let mode = technique.body.beams[bent[0].beam[i] as usize].mode;
                let [a, b] = [&bent, &straight].map(|s| samples(&s[0], i));
                let (off, size) = (worst(&a, &b), largest(&b));
                let [a, b] = both_alone([&bent[1], &bent[2]], [&straight[1], &straight[2]], i);
                let (holes, high) = (worst(&a, &b), largest(&b));
                println!(
                    "sag {sag_mm}, shot {i} {mode:?}: {off:.1} of {size:.0}, holes {holes:.1} of {high:.0}"
                );
                assert!(off <= 0.005 * size + 1.0, "sag {sag_mm} mm, shot {i}: {off} of {size}");
                assert!(
                    holes <= share * high + 2.0,
                    "sag {sag_mm} mm, shot {i}: {holes} of {high}"
                );
                loud += usize::from(high > 200.0);
            }
        }
    }
    assert!(loud >= 4, "{loud}");
}

// Truth: property (symmetry of the ring): offset and flaw turned by the angle between two probes hand
// one probe's shots to the next.
#[test]
fn turning_offset_and_flaw_maps_beams_to_beams() {
    let technique = few_probes(3);
    let at = |turn: f64| {
        let offset = Point::polar(0.2, 0.4 + turn);
        let faults = StationFaults { offset_mm: [offset.x, offset.y], ..faultless() };
        take(&technique, &faults, 75.0, vec![disc(11.0, (1.7 + turn).to_degrees())])
    };
    let (here, there) = (at(0.0), at(FRAC_PI_3));
    let beams = technique.body.beams.len();
    let mut loud = 0;
    for i in (0..here.len()).filter(|i| i % beams < 2 * BEAMS_PER_PROBE) {
        let [a, b] = [samples(&here, i), samples(&there, i + BEAMS_PER_PROBE)];
        loud += usize::from(largest(&a) > 1000.0);
        // Rounding of samples.
        assert!(worst(&a, &b) <= 1.0, "shot {i}: {} counts", worst(&a, &b));
    }
    assert!(loud > 10);
}

// Truth: closed form, 2 x cos / c of the way along the normal: of an offset, a moved probe, a longer
// water path. 3 ns: the second order of the offset across the beam is 0.1 µm, the rest is the peak's
// own reading.
#[test]
fn the_surface_moves_by_the_change_of_the_way() {
    let technique = few_probes(2);
    let body = &technique.body;
    let before = take(&technique, &faultless(), 55.0, vec![]);
    let moved = |probe, by_mm| vec![MovedProbe { probe, by_mm }];
    let cases = [
        (
            StationFaults { offset_mm: [0.12, -0.2], ..faultless() },
            Point::new(0.12e-3, -0.2e-3),
            0.0,
        ),
        (StationFaults { water_path_mm: 0.3, ..faultless() }, Point::default(), 0.3e-3),
        (
            StationFaults { moved_probes: moved(1, -0.25), ..faultless() },
            Point::default(),
            -0.25e-3,
        ),
    ];
    for (number, (faults, offset, outward_m)) in cases.iter().enumerate() {
        let after = take(&technique, faults, 55.0, vec![]);
        for beam in body.beams.iter().filter(|b| b.mode == Mode::L) {
            let normal = Point::polar(1.0, beam.axis.entry.angle());
            let middle = body.probes[beam.probe as usize].elements.iter();
            let axis = middle.fold(Point::default(), |s, e| s + e.centre).angle();
            // A probe moves along its own axis, not along the normal of each of its beams.
            let out_m = if number == 2 && beam.probe != 1 { 0.0 } else { *outward_m };
            let way_m = out_m * (beam.axis.entry.angle() - axis).cos()
                - (offset.x * normal.x + offset.y * normal.y);
            let want_s = 2.0 * way_m / 1488.0;
            let (_, from_s) = surface(&before, body, beam, 0.0);
            let (_, to_s) = surface(&after, body, beam, want_s);
            let off_ns = (to_s - from_s - want_s) * 1e9;
            println!("case {number}, beam {}: {:.1} ns, off {off_ns:+.2}", beam.id, want_s * 1e9);
            assert!(off_ns.abs() < 3.0, "case {number}, beam {}: {off_ns} ns", beam.id);
        }
    }
}

// Truth: closed form, 2 w (1/c' - 1/c), with the published velocities of water.
#[test]
fn warm_water_brings_the_surface_earlier() {
    let mut body = few_probes(1).body;
    body.media.water = Some(water::water(22.0).expect("water"));
    let technique = Sealed::seal(body, []);
    let c = |t: f64| water::sound_velocity_m_s(t).expect("water");
    let way_m = 0.060 - RADIUS_M;
    let before = take(&technique, &faultless(), 55.0, vec![]);
    for change_k in [-2.0, 3.0] {
        let faults = StationFaults { temperature_k: change_k, ..faultless() };
        let after = take(&technique, &faults, 55.0, vec![]);
        let want_s = 2.0 * way_m * (1.0 / c(22.0 + change_k) - 1.0 / c(22.0));
        for beam in technique.body.beams.iter().filter(|b| b.mode == Mode::L) {
            let (_, from_s) = surface(&before, &technique.body, beam, 0.0);
            let (_, to_s) = surface(&after, &technique.body, beam, want_s);
            let off_ns = (to_s - from_s - want_s) * 1e9;
            println!("{change_k} K, beam {}: {:.1} ns, off {off_ns:+.2}", beam.id, want_s * 1e9);
            // Velocity also changes how well the laws focus: some ns of the peak.
            assert!(want_s * change_k < 0.0 && off_ns.abs() < 5.0, "{off_ns} ns");
        }
    }
}

// Truth: closed form. In the middle of the bar all elements of a longitudinal beam agree in phase and
// size, so that the echo of a hole there goes with the square of the sum of their strengths.
#[test]
fn a_dead_element_takes_its_share_of_the_aperture() {
    let technique = few_probes(1);
    let pipe =
        || vec![Flaw::CentrePipe(CentrePipe { diameter_mm: 1.5, from_mm: 20.0, to_mm: 60.0 })];
    let echo = |faults: &StationFaults, beam: u32| {
        let [with, without] = [pipe(), vec![]].map(|flaws| take(&technique, faults, 75.0, flaws));
        let i = nearest(&with, beam, 0.04);
        let signal = minus(&samples(&with, i), &samples(&without, i));
        let time_s = technique.body.beams[beam as usize].surface_time_s + 2.0 * RADIUS_M / 5920.0;
        let at = technique.body.record.position(time_s);
        peak(&signal, at - 20.0, at + 20.0).0
    };
    let dead = |loss_db| StationFaults {
        weak_elements: vec![WeakElement { probe: 0, element: 10, loss_db }],
        ..faultless()
    };
    let whole = echo(&faultless(), 0);
    for loss_db in [6.0, 200.0] {
        let got_db = 20.0 * (echo(&dead(loss_db), 0) / whole).log10();
        let left = 15.0 + 10f64.powf(-loss_db / 20.0);
        let want_db = 40.0 * (left / 16.0).log10();
        println!("{loss_db} dB of one in 16: {got_db:.3} dB, {want_db:.3} by the closed form");
        // Rounding of samples, some hundred counts high.
        assert!(whole > 300.0 && (got_db - want_db).abs() < 0.05, "{got_db} {want_db}");
    }
    // The probe's other longitudinal beam has elements 20 to 35.
    let other = [faultless(), dead(200.0)].map(|f| echo(&f, 1));
    assert!(other[0] == other[1]);
}

// Truth: closed form: a loss of echo height is that.
#[test]
fn a_weak_probe_lowers_all_its_beams_and_no_other() {
    let technique = few_probes(2);
    let weak_probes = vec![WeakProbe { probe: 1, loss_db: 5.0 }];
    let before = take(&technique, &faultless(), 55.0, vec![]);
    let after = take(&technique, &StationFaults { weak_probes, ..faultless() }, 55.0, vec![]);
    for beam in technique.body.beams.iter().filter(|b| b.mode == Mode::L) {
        let [a, b] = [&before, &after].map(|s| surface(s, &technique.body, beam, 0.0).0);
        let loss_db = 20.0 * (a / b).log10();
        let want_db = if beam.probe == 1 { 5.0 } else { 0.0 };
        // Rounding of samples.
        assert!((loss_db - want_db).abs() < 0.01, "beam {}: {loss_db}", beam.id);
    }
}

// Truth: property. Plugs of two probes that already hang on each other's place, and elements that are
// numbered backwards, are put right by the fault.
#[test]
fn swapped_or_reversed_twice_is_neither() {
    let nominal = few_probes(2);
    let flaws = || vec![disc(11.0, 95.0), disc(9.0, 148.0)];
    let right = take(&nominal, &faultless(), 75.0, flaws());
    let mut body = nominal.body.clone();
    body.probes.swap(0, 1);
    for beam in &mut body.beams {
        // The technique then says where its beams are: before the other probe.
        let by = if beam.probe == 0 { FRAC_PI_3 } else { -FRAC_PI_3 };
        beam.axis.entry = beam.axis.entry.rotated(by);
        beam.axis.direction_rad += by;
    }
    let swapped = StationFaults { swapped_probes: Some([0, 1]), ..faultless() };
    let again = take(&Sealed::seal(body, []), &swapped, 75.0, flaws());
    let once = take(&nominal, &swapped, 75.0, flaws());
    let mut body = nominal.body.clone();
    let axis = PI / 2.0;
    body.probes[0].elements.reverse();
    for beam in body.beams.iter_mut().filter(|b| b.probe == 0) {
        let entry = beam.axis.entry;
        beam.axis.entry = Point::polar(entry.radius(), 2.0 * axis - entry.angle());
        beam.axis.direction_rad = 2.0 * axis - beam.axis.direction_rad;
    }
    let reversed = StationFaults { reversed_probes: vec![0], ..faultless() };
    let straight = take(&Sealed::seal(body, []), &reversed, 75.0, flaws());
    let mirrored = take(&nominal, &reversed, 75.0, flaws());
    for i in 0..right.len() {
        let [a, b, c] = [&right, &again, &straight].map(|s| samples(s, i));
        // Rounding of positions and samples.
        assert!(worst(&a, &b) <= 1.0, "shot {i}: {} counts after a swap", worst(&a, &b));
        assert!(worst(&a, &c) <= 1.0, "shot {i}: {} counts after a reversal", worst(&a, &c));
    }
    // Once, they are seen.
    let changed = |s: &Shots, i: usize| worst(&samples(&right, i), &samples(s, i)) > 100.0;
    assert!((0..right.len()).any(|i| changed(&once, i)));
    assert!((0..right.len()).any(|i| right.beam[i] < 4 && changed(&mirrored, i)));
    assert!((0..right.len()).all(|i| right.beam[i] < 4 || !changed(&mirrored, i)));
}

fn everything() -> StationFaults {
    StationFaults {
        element_spread_db: 0.5,
        probe_spread_db: 1.0,
        noise_fsh_percent: 1.0,
        wobble_mm: 0.05,
        temperature_k: 1.0,
        water_path_mm: 0.1,
        drift_db_per_min: 5.0,
        offset_mm: [0.1, 0.05],
        swapped_probes: Some([0, 1]),
        reversed_probes: vec![1],
        bend: Some(Bend { sag_mm: 0.1, direction_deg: 10.0 }),
        wrong_probes: Some(WrongProbes { pitch_percent: 2.0, frequency_percent: -3.0 }),
        bubbles: Some(Bubbles { per_second: 3.0, duration_ms: 300.0, loss_db: 12.0 }),
        weak_elements: vec![WeakElement { probe: 0, element: 12, loss_db: 20.0 }],
        weak_probes: vec![WeakProbe { probe: 1, loss_db: 3.0 }],
        moved_probes: vec![MovedProbe { probe: 0, by_mm: 0.2 }],
    }
}

#[test]
fn all_faults_at_once_depend_on_the_seed_only() {
    let technique = few_probes(2);
    let gains = vec![75.0; technique.body.beams.len()];
    let bar = reference(&technique, 0.5, 2);
    let capture = |seed: u64, threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        pool.install(|| {
            let station = VirtualStation::new(&technique, &everything(), seed).expect("a station");
            shots(&station.reference_capture(&bar, &gains, None, 2, "").expect("a capture"))
        })
    };
    let one = capture(1, 1);
    assert!(one.samples == capture(1, 3).samples);
    assert!(one.samples != capture(2, 2).samples);
    // Passes differ: drift, bubbles and noise go on.
    let half = one.samples.len() / 2;
    assert!(one.samples[..half] != one.samples[half..]);
}

// Truth: property. A quarter is healthy, every kind comes, sizes go from below to well above their
// limits, every scene is one that can be written and simulated, a longer list begins with a shorter.
#[test]
fn fault_scenes_are_of_every_kind_and_size() {
    let body = technique(1.0).body;
    let scenes = fault_scenes(5, 104, &body);
    assert_eq!(scenes[..40], fault_scenes(5, 40, &body)[..]);
    assert!(scenes[..40] != fault_scenes(6, 40, &body)[..]);
    let healthy = |s: &&FaultScene| s.truth == MainCause::Healthy;
    assert_eq!(scenes.iter().filter(healthy).count(), 26);
    let kinds: BTreeSet<&str> = scenes.iter().filter_map(|s| s.name.get(4..)).collect();
    assert_eq!(kinds.len(), 14, "{kinds:?}");
    let shares: Vec<f64> = scenes.iter().filter_map(|s| s.share_of_limit).collect();
    assert!(shares.iter().any(|s| *s < 0.8) && shares.iter().any(|s| *s > 3.0));
    let mut widest: f64 = 0.0;
    for scene in &scenes {
        let station = scene.faults.clone();
        let written = Scene { format: FORMAT, seed: scene.seed, station, bars: vec![] };
        let back = Scene::from_toml(&scene.name, &written.to_toml()).expect("its own text");
        assert_eq!(back.station, scene.faults, "{}", scene.name);
        let [x, y] = scene.faults.offset_mm;
        let off_centre = matches!(
            scene.truth,
            MainCause::OffCentre { .. } | MainCause::OffCentreAndElement { .. }
        );
        assert!(off_centre || x.hypot(y) < 0.0315, "{}: {x} {y}", scene.name);
        let gains = scene.gains_db(&body);
        assert_eq!(gains.len(), body.beams.len());
        let spread = gains.iter().zip(&body.beams).map(|(g, b)| (g - b.gain_db).abs());
        widest = widest.max(spread.fold(0.0, f64::max));
    }
    assert!(widest > 4.0 && widest <= 6.0, "{widest}");
}

#[test]
fn faults_that_the_ring_cannot_have_are_refused_by_type() {
    let nominal = few_probes(2);
    let new = |faults: StationFaults| VirtualStation::new(&nominal, &faults, 1).map(|_| ());
    let out = |faults| matches!(new(faults), Err(TwinError::OutOfRange { .. }));
    assert!(out(StationFaults { reversed_probes: vec![2], ..faultless() }));
    assert!(out(StationFaults { swapped_probes: Some([0, 7]), ..faultless() }));
    let weak_probes = vec![WeakProbe { probe: 9, loss_db: 1.0 }];
    assert!(out(StationFaults { weak_probes, ..faultless() }));
    let moved_probes = vec![MovedProbe { probe: 2, by_mm: 0.1 }];
    assert!(out(StationFaults { moved_probes, ..faultless() }));
    let beyond = StationFaults { offset_mm: [f64::NAN, 0.0], ..faultless() };
    assert!(matches!(new(beyond), Err(TwinError::Document(_))));
    let cold = StationFaults { temperature_k: -29.0, ..faultless() };
    assert!(matches!(new(cold), Err(TwinError::Wave(_))));
    let mut body = nominal.body.clone();
    body.probes[1].elements.pop();
    let uneven = Sealed::seal(body, []);
    let swapped = StationFaults { swapped_probes: Some([0, 1]), ..faultless() };
    let refused = VirtualStation::new(&uneven, &swapped, 1).map(|_| ());
    assert!(matches!(refused, Err(TwinError::Count { .. })));
}
