//! What must hold whatever the numbers: symmetry, reciprocity, linearity, determinism.

use crate::common::*;
use barwright_capture::CaptureKind;
use barwright_job::reference::{Motion, ReferenceBar, Reflector, Shape};
use barwright_job::technique::Section;
use barwright_job::{Hash, Sealed};
use barwright_twin::scene::{CouplingLoss, Disc, Flaw, MissedCycles, WeakElement};
use barwright_twin::{SceneBar, StationFaults, TwinError, VirtualStation};
use barwright_wave::Mode;
use std::f64::consts::TAU;

fn disc(angle_deg: f64) -> Flaw {
    Flaw::Disc(Disc { diameter_mm: 1.2, radius_mm: 11.0, angle_deg, z_mm: 40.0, tilt_deg: 0.0 })
}

fn noisy() -> StationFaults {
    StationFaults {
        element_spread_db: 0.5,
        probe_spread_db: 1.0,
        noise_fsh_percent: 1.0,
        wobble_mm: 0.1,
        ..StationFaults::default()
    }
}

// Truth: property. Turning bar and flaw by the angle between two probes hands one probe's shots to
// the next.
#[test]
fn turning_by_the_probe_angle_maps_beams_to_beams() {
    let technique = technique(1.0);
    let station = VirtualStation::new(&technique, &faultless(), 1).expect("a station");
    let gains = vec![80.0; technique.body.beams.len()];
    let at = |angle: f64| {
        let bar = SceneBar { flaws: vec![disc(angle)], ..clean("1") };
        shots(&station.bar_capture(&bar, "H", 0.08, &gains, None).expect("a capture"))
    };
    let (here, turned) = (at(75.0), at(135.0));
    let beams = technique.body.beams.len();
    for i in 0..here.len() {
        let cycle = i / beams;
        let next = cycle * beams + (i % beams + BEAMS_PER_PROBE) % beams;
        let worst = here.ascan(i).iter().zip(turned.ascan(next)).map(|(a, b)| a.abs_diff(*b)).max();
        // Rounding of samples, and of the positions of elements (1e-16 m).
        assert!(worst <= Some(1), "shot {i}: {worst:?} counts");
    }
}

// Truth: property (linear in each element, there and back).
#[test]
fn three_decibels_of_every_element_are_six_of_every_echo() {
    let technique = technique(1.0);
    let weak_elements = (0..PROBES as u32)
        .flat_map(|probe| (0..48).map(move |element| WeakElement { probe, element, loss_db: -3.0 }))
        .collect();
    let louder = StationFaults { weak_elements, ..faultless() };
    let gains = vec![60.0; technique.body.beams.len()];
    let bar = SceneBar { flaws: vec![disc(80.0)], ..clean("1") };
    let take = |faults: &StationFaults| {
        let station = VirtualStation::new(&technique, faults, 1).expect("a station");
        shots(&station.bar_capture(&bar, "H", 0.08, &gains, None).expect("a capture"))
    };
    let (nominal, louder) = (take(&faultless()), take(&louder));
    let factor = 10f64.powf(6.0 / 20.0);
    let mut compared = 0;
    for (a, b) in nominal.samples.iter().zip(&louder.samples) {
        if b.abs() == i16::MAX {
            continue;
        }
        compared += usize::from(a.abs() > 20);
        // Half a count on either side, one of them doubled.
        assert!((f64::from(*a) * factor - f64::from(*b)).abs() <= 1.6, "{a} {b}");
    }
    assert!(compared > 1000, "{compared} samples above the rounding");
}

// Truth: property (reciprocity: transmit and receive laws exchanged).
#[test]
fn exchanging_transmit_and_receive_changes_nothing() {
    let mut body = technique(1.0).body;
    for beam in &mut body.beams {
        for (i, delay) in beam.receive_delays_s.iter_mut().enumerate() {
            *delay += 7e-9 * i as f64;
        }
    }
    let forward = Sealed::seal(body.clone(), []);
    for beam in &mut body.beams {
        std::mem::swap(&mut beam.receive_delays_s, &mut beam.transmit_delays_s);
    }
    let backward = Sealed::seal(body, []);
    let bar = SceneBar { flaws: vec![disc(85.0)], ..clean("1") };
    let faults = StationFaults { element_spread_db: 1.0, ..faultless() };
    let [a, b] = [forward, backward].map(|technique| {
        let station = VirtualStation::new(&technique, &faults, 5).expect("a station");
        let gains = vec![80.0; technique.body.beams.len()];
        shots(&station.bar_capture(&bar, "H", 0.08, &gains, None).expect("a capture"))
    });
    let worst = a.samples.iter().zip(&b.samples).map(|(a, b)| a.abs_diff(*b)).max();
    // Rounding of samples.
    assert!(worst <= Some(1), "{worst:?} counts");
    assert!(a.samples.iter().any(|x| x.abs() > 1000));
}

#[test]
fn the_seed_decides_every_byte_whatever_the_threads() {
    let technique = technique(1.0);
    let gains = vec![95.0; technique.body.beams.len()];
    let bar = SceneBar { flaws: vec![disc(100.0)], ..clean("1") };
    let take = |seed: u64, threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        pool.install(|| {
            let station = VirtualStation::new(&technique, &noisy(), seed).expect("a station");
            shots(&station.bar_capture(&bar, "H", 0.3, &gains, None).expect("a capture"))
        })
    };
    let one = take(1, 1);
    assert!(one.samples == take(1, 3).samples);
    assert!(one.samples != take(2, 1).samples);
}

#[test]
fn without_coupling_there_is_only_noise() {
    let technique = technique(1.0);
    let bar = SceneBar {
        coupling_losses: vec![CouplingLoss { from_mm: 20.0, to_mm: 40.0, probe: Some(2) }],
        ..clean("1")
    };
    let gains = vec![80.0; technique.body.beams.len()];
    for (percent, rms_counts) in [(0.0, 0.0), (2.0, 0.02 * 32767.0 / 4.0)] {
        let faults = StationFaults { noise_fsh_percent: percent, ..faultless() };
        let station = VirtualStation::new(&technique, &faults, 1).expect("a station");
        let all = shots(&station.bar_capture(&bar, "H", 0.08, &gains, None).expect("a capture"));
        let (mut power, mut count) = (0.0, 0.0);
        for i in 0..all.len() {
            let beam = &technique.body.beams[all.beam[i] as usize];
            let lost = beam.probe == 2 && (0.020..=0.040).contains(&all.z_m[i]);
            let loudest = all.ascan(i).iter().map(|x| i32::from(*x).abs()).max();
            if lost {
                // Noise of five thousand samples stays below six standard deviations.
                assert!(loudest <= Some((6.0 * rms_counts) as i32), "{loudest:?}");
                power += all.ascan(i).iter().map(|x| f64::from(*x).powi(2)).sum::<f64>();
                count += all.samples_per_shot as f64;
            } else if beam.mode == Mode::L {
                assert!(loudest > Some(10_000), "shot {i} of a coupled beam");
            }
        }
        assert!(count > 0.0);
        // Some ten thousand samples, a third of them independent: 3 % is three standard deviations.
        let rms = (power / count).sqrt();
        assert!((rms - rms_counts).abs() <= 0.05 * rms_counts, "{rms} {rms_counts}");
    }
}

#[test]
fn missed_cycles_leave_a_gap_of_their_length() {
    let technique = technique(1.0);
    let station = VirtualStation::new(&technique, &faultless(), 1).expect("a station");
    let bar =
        SceneBar { missed_cycles: vec![MissedCycles { at_mm: 40.0, cycles: 5 }], ..clean("1") };
    let gains = vec![80.0; technique.body.beams.len()];
    let all = shots(&station.bar_capture(&bar, "H", 0.08, &gains, None).expect("a capture"));
    let z: Vec<f64> = (0..all.len()).filter(|&i| all.beam[i] == 0).map(|i| all.z_m[i]).collect();
    let widest = z.windows(2).map(|w| w[1] - w[0]).fold(0.0, f64::max);
    // Six cycles of 4 mm.
    assert!((widest - 0.024).abs() < 1e-9, "{widest}");
}

fn reference(technique: &Sealed<barwright_job::Technique>) -> Sealed<ReferenceBar> {
    let step = 1f64.to_radians();
    let body = ReferenceBar {
        name: "R".into(),
        length_m: 0.3,
        reflectors: vec![Reflector {
            name: "H1".into(),
            shape: Shape::FlatBottomedHole { diameter_m: 1.2e-3 },
            z_m: 0.15,
            angle_rad: 0.0,
            radius_m: 0.0105,
        }],
        motion: vec![Motion {
            purpose: "turn".into(),
            z_m: 0.15,
            turn_rad: TAU,
            turn_step_rad: step,
            duration_s: 2.0,
        }],
        expected: vec![],
        requirements: vec![],
        findings: vec![],
    };
    Sealed::seal(body, [("technique", technique.hash.clone())])
}

// Truth: property, and independent code inside the crate: turns are served from a table of one
// element's field, single angles from the field of every element.
#[test]
fn a_turned_reference_bar_reads_like_a_disc_at_that_angle() {
    let technique = technique(0.25);
    let station = VirtualStation::new(&technique, &faultless(), 1).expect("a station");
    let gains = vec![85.0; technique.body.beams.len()];
    let reference = reference(&technique);
    let capture = station.reference_capture(&reference, &gains, None, 2, "").expect("a capture");
    assert_eq!(capture.header().kind, CaptureKind::Reference);
    let turned = shots(&capture);
    assert_eq!(turned.len() as u64, capture.shots());
    assert_eq!(turned.len(), 2 * 361 * technique.body.beams.len());
    // Both passes are alike without noise.
    let half = turned.samples.len() / 2;
    assert!(turned.samples[..half] == turned.samples[half..]);
    let bare =
        shots(&station.bar_capture(&clean("1"), "H", 0.02, &gains, None).expect("a capture"));
    for (beam, offset) in [(0u32, 0.0), (1, 4f64.to_radians()), (5, -6f64.to_radians())] {
        let model = &technique.body.beams[beam as usize];
        let angle = (model.axis.entry.angle() + offset).rem_euclid(TAU);
        let i = (0..turned.len() / 2)
            .filter(|&i| turned.beam[i] == beam)
            .min_by(|&a, &b| {
                let off = |i: usize| (f64::from(turned.turn_rad[i]) - angle).abs();
                off(a).total_cmp(&off(b))
            })
            .expect("a shot");
        let flaw = Flaw::Disc(Disc {
            diameter_mm: 1.2,
            radius_mm: 10.5,
            angle_deg: f64::from(turned.turn_rad[i]).to_degrees(),
            z_mm: 40.0,
            tilt_deg: 0.0,
        });
        let bar = SceneBar { flaws: vec![flaw], ..clean("1") };
        let fixed = shots(&station.bar_capture(&bar, "H", 0.08, &gains, None).expect("a capture"));
        let without = samples(&bare, nearest(&bare, beam, 0.01));
        let a = minus(&samples(&turned, i), &without);
        let b = minus(&samples(&fixed, nearest(&fixed, beam, 0.04)), &without);
        let centre = technique.body.record.position(model.surface_time_s + 2.0 * 0.0105 / 5920.0);
        let (high, at) = peak(&a, centre - 15.0, centre + 15.0);
        let (same, place) = peak(&b, centre - 15.0, centre + 15.0);
        println!("beam {beam}: {high:.0} {same:.0} counts, {at:.2} {place:.2}");
        // Turns on a grid of 0.11 degrees: 10 µm at this radius, of a beam 2 mm wide.
        assert!(high > 300.0 && (high / same - 1.0).abs() < 0.03, "{high} {same}");
        assert!((at - place).abs() < 0.25, "{at} {place}");
    }
}

#[test]
fn a_check_sees_the_reference_bar_pass_by() {
    let technique = technique(1.0);
    let station = VirtualStation::new(&technique, &noisy(), 1).expect("a station");
    let gains = vec![80.0; technique.body.beams.len()];
    let level = Some(Hash::of(b"level"));
    let capture = station
        .check_capture(&reference(&technique), &gains, level.clone(), 3, 1.0, "")
        .expect("a capture");
    assert_eq!(capture.header().level, level);
    let all = shots(&capture);
    assert_eq!(all.pass.last(), Some(&2));
    assert!(all.z_m.iter().all(|z| (0.0..=0.3).contains(z)));
    assert!(all.time_s.windows(2).all(|w| w[0] <= w[1]));
}

#[test]
fn what_cannot_be_simulated_is_refused_by_type() {
    let mut body = technique(1.0).body;
    let beams = body.beams.len();
    let station = VirtualStation::new(&technique(1.0), &faultless(), 1).expect("a station");
    let few = station.bar_capture(&clean("1"), "H", 0.1, &vec![0.0; beams - 1], None);
    assert!(matches!(few, Err(TwinError::Count { .. })));
    let gains = vec![0.0; beams];
    let outside = SceneBar { flaws: vec![disc(0.0)], ..clean("1") };
    assert!(matches!(
        station.bar_capture(&outside, "H", 0.03, &gains, None),
        Err(TwinError::OutOfRange { .. })
    ));
    body.section = Section::Flat { thickness_m: 0.05 };
    let flat = VirtualStation::new(&Sealed::seal(body, []), &faultless(), 1);
    assert!(matches!(flat, Err(TwinError::Section { .. })));
}
