//! The demo's order and station, planned and simulated.

use crate::common::{clean, faultless, minus, nearest, peak, samples, shots};
use barwright_capture::CaptureKind;
use barwright_job::technique::Beam;
use barwright_job::{Order, Rules, Sealed, Station, Technique};
use barwright_plan::{reference_bar, technique};
use barwright_twin::scene::{Crack, Disc, Flaw};
use barwright_twin::{SceneBar, TwinError, VirtualStation, demo_scene};
use barwright_wave::{Mode, Point};
use std::f64::consts::{PI, TAU};
use std::time::Instant;

fn order() -> Order {
    Order::from_toml("order", include_str!("../../../examples/order-round-42.toml"))
        .expect("an order")
}

fn plan() -> Sealed<Technique> {
    let station = include_str!("../../../examples/station-line-2.toml");
    let rules = include_str!("../../../examples/rules-th-k2.toml");
    let station = Station::from_toml("station", station).expect("a station");
    let rules = Rules::from_toml("rules", rules).expect("rules");
    technique(&order(), &station, &rules).expect("a technique")
}

// Truth: independent code (the planner's rays and gains against exact field and reflectors): the
// ordered flaw on a beam's axis reads the target.
#[test]
fn the_ordered_flaws_read_the_target() {
    let mut body = plan().body;
    // Slower, so that a shot falls close to the flaw.
    body.line_speed_m_s /= 10.0;
    let body = Sealed::seal(body, []);
    let station = VirtualStation::new(&body, &faultless(), 1).expect("a station");
    let body = &body.body;
    let gains: Vec<f64> = body.beams.iter().map(|b| b.gain_db).collect();
    let counts = f64::from(i16::MAX) / body.record.full_scale_fsh;
    let take = |flaws: Vec<Flaw>| {
        let bar = SceneBar { flaws, ..clean("1") };
        shots(&station.bar_capture(&bar, "H", 0.1, &gains, None).expect("a capture"))
    };
    let bare = take(vec![]);
    let height = |flaw: Flaw, beam: &Beam, after_surface_s: f64| {
        let with = take(vec![flaw]);
        let i = nearest(&with, beam.id, 0.05);
        let signal = minus(&samples(&with, i), &samples(&bare, i));
        let at = body.record.position(beam.surface_time_s + after_surface_s);
        peak(&signal, at - 10.0, at + 10.0).0 / counts
    };
    let middle = |mode: Mode| {
        let beams: Vec<&Beam> = body.beams.iter().filter(|b| b.mode == mode).collect();
        beams[beams.len() / 2 + 3]
    };
    let beam = middle(Mode::L);
    for depth_m in [6e-3, 10e-3, 15e-3, 30e-3] {
        let place = beam.axis.entry + Point::polar(depth_m, beam.axis.direction_rad);
        let disc = Disc {
            diameter_mm: body.sensitivity.disc_diameter_m * 1e3,
            radius_mm: place.radius() * 1e3,
            angle_deg: place.angle().to_degrees(),
            z_mm: 50.0,
            tilt_deg: 0.0,
        };
        let fsh = height(Flaw::Disc(disc), beam, 2.0 * depth_m / beam.axis.velocity_m_s);
        let off_db = 20.0 * (fsh / body.sensitivity.target_fsh).log10();
        println!(
            "disc at {:.0} mm reads {:.1} % FSH ({off_db:+.2} dB)",
            depth_m * 1e3,
            fsh * 100.0
        );
        // Rays at the centre frequency against the whole spectrum.
        assert!(off_db.abs() < 2.0, "{off_db} dB at {depth_m} m");
    }
    let beam = middle(Mode::S);
    let end = beam.axis.entry + Point::polar(beam.axis.reach_m, beam.axis.direction_rad);
    let crack = Crack {
        depth_mm: body.sensitivity.crack_depth_m.expect("cracks are ordered") * 1e3,
        length_mm: 25.0,
        angle_deg: end.angle().to_degrees(),
        z_mm: 50.0,
    };
    let fsh = height(Flaw::Crack(crack), beam, 2.0 * beam.axis.reach_m / beam.axis.velocity_m_s);
    let off_db = 20.0 * (fsh / body.sensitivity.target_fsh).log10();
    println!("crack reads {:.1} % FSH ({off_db:+.2} dB)", fsh * 100.0);
    assert!(off_db.abs() < 2.0, "{off_db} dB");
}

// Truth: property. Every bar of the scene can be taken and holds the shots that its length asks
// for. Prints the times; they are not judged, machines differ.
#[test]
fn a_bar_of_the_demo_is_taken_whole() {
    let technique = plan();
    let body = &technique.body;
    let scene = demo_scene(1, &order());
    let start = Instant::now();
    let station = VirtualStation::new(&technique, &scene.station, scene.seed).expect("a station");
    println!("station: {} beams, {:.2} s", body.beams.len(), start.elapsed().as_secs_f64());
    let gains: Vec<f64> = body.beams.iter().map(|b| b.gain_db).collect();
    for name in ["01", "05", "15", "18"] {
        let bar = scene.bar(name).expect("a bar");
        let capture = station.bar_capture(bar, "H80316", 3.0, &gains, None).expect("a capture");
        let start = Instant::now();
        let (mut taken, mut loudest) = (0u64, 0);
        capture
            .run::<TwinError>(&mut |shots| {
                taken += shots.len() as u64;
                loudest =
                    loudest.max(shots.samples.iter().map(|x| x.unsigned_abs()).max().unwrap_or(0));
                Ok(())
            })
            .expect("shots");
        let wall_s = start.elapsed().as_secs_f64();
        let per_sample_ns = wall_s * 1e9 / (taken as f64 * f64::from(body.record.samples));
        println!(
            "bar {name}: {taken} shots of {} samples, {wall_s:.2} s, {per_sample_ns:.2} ns a sample",
            body.record.samples
        );
        assert_eq!(taken, capture.shots());
        let cycles = (3.0 / (body.line_speed_m_s * body.schedule.period_s)).floor();
        assert_eq!(taken, cycles as u64 * body.beams.len() as u64);
        assert_eq!(loudest, 32767);
    }
}

// Truth: independent code (the planner's rays): as the reference bar turns, every beam reads its
// reflectors when, where and as high as the reference bar's document expects.
#[test]
fn the_reference_bar_reads_as_its_document_expects() {
    let technique = plan();
    let body = &technique.body;
    let reference = reference_bar(&technique).expect("a reference bar");
    let station = VirtualStation::new(&technique, &faultless(), 1).expect("a station");
    let gains: Vec<f64> = body.beams.iter().map(|b| b.gain_db).collect();
    let start = Instant::now();
    let capture = station.reference_capture(&reference, &gains, None, 1, "").expect("a capture");
    assert_eq!(capture.header().kind, CaptureKind::Reference);
    let taken = shots(&capture);
    println!("reference: {} shots, {:.2} s", taken.len(), start.elapsed().as_secs_f64());
    let counts = f64::from(i16::MAX) / body.record.full_scale_fsh;
    let mut by_beam: Vec<Vec<usize>> = vec![Vec::new(); body.beams.len()];
    for i in 0..taken.len() {
        by_beam[taken.beam[i] as usize].push(i);
    }
    let mut worst = [0.0f64; 2];
    for e in &reference.body.expected {
        let beam = &body.beams[e.beam as usize];
        let at = body.record.position(beam.surface_time_s + e.after_surface_s);
        let half = e.time_window_s * body.record.sample_rate_hz;
        let off = |i: usize| {
            let turn = f64::from(taken.turn_rad[i]) - e.turn_rad;
            (turn + PI).rem_euclid(TAU) - PI
        };
        let (height, turn) = by_beam[e.beam as usize]
            .iter()
            .filter(|&&i| u32::from(taken.pass[i]) == e.motion && off(i).abs() <= e.turn_window_rad)
            .map(|&i| (peak(&samples(&taken, i), at - half, at + half).0 / counts, off(i)))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .expect("shots within the window");
        let off_db = 20.0 * (height / e.height_fsh).log10();
        worst = [worst[0].max(off_db.abs()), worst[1].max(turn.abs().to_degrees())];
        // Rays against the exact field: 0.1 dB for L, some tenths for S; the bare bar's own signal
        // is in the reading, and steps of a degree miss the peak a little.
        assert!(off_db.abs() < 1.0, "beam {}: {off_db} dB", e.beam);
    }
    println!("worst: {:.2} dB, {:.1} degrees", worst[0], worst[1]);
    assert!(reference.body.expected.len() >= body.beams.len());
}
