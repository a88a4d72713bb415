//! Full matrices of the virtual station. Kinds of truth: independent code (beams formed from a matrix against the station's own
//! beams), properties (reciprocity).

use crate::common::{clean, faultless, minus, nearest, peak, samples, shots};
use barwright_capture::{FullMatrix, form_beams};
use barwright_job::technique::Beam;
use barwright_job::{Order, Rules, Sealed, Station, Technique};
use barwright_plan::technique;
use barwright_twin::scene::{Disc, Flaw};
use barwright_twin::{MatrixPlace, SceneBar, TwinError, VirtualStation};
use barwright_wave::{Mode, Point};

fn plan() -> Sealed<Technique> {
    let order = include_str!("../../../examples/order-round-42.toml");
    let station = include_str!("../../../examples/station-line-2.toml");
    let rules = include_str!("../../../examples/rules-th-k2.toml");
    let order = Order::from_toml("order", order).expect("an order");
    let station = Station::from_toml("station", station).expect("a station");
    let rules = Rules::from_toml("rules", rules).expect("rules");
    let mut body = technique(&order, &station, &rules).expect("a technique").body;
    // Slower, so that a shot falls close to the flaw.
    body.line_speed_m_s /= 10.0;
    Sealed::seal(body, [])
}

/// A disc on the axis of a longitudinal beam, facing it.
fn flaw_on(beam: &Beam, depth_m: f64, diameter_mm: f64) -> SceneBar {
    let place = beam.axis.entry + Point::polar(depth_m, beam.axis.direction_rad);
    let normal = beam.axis.direction_rad + std::f64::consts::PI;
    let disc = Disc {
        diameter_mm,
        radius_mm: place.radius() * 1e3,
        angle_deg: place.angle().to_degrees(),
        z_mm: 50.0,
        tilt_deg: (normal - place.angle()).to_degrees(),
    };
    SceneBar { flaws: vec![Flaw::Disc(disc)], ..clean("1") }
}

#[test]
fn beams_formed_from_a_matrix_are_those_of_the_station() {
    let technique = plan();
    let body = &technique.body;
    let station = VirtualStation::new(&technique, &faultless(), 1).expect("a station");
    let beams: Vec<&Beam> = body.beams.iter().filter(|b| b.mode == Mode::L).collect();
    let beam = beams[beams.len() / 2 + 3];
    let flawed = flaw_on(beam, 12e-3, 1.5);
    let gains: Vec<f64> = body.beams.iter().map(|b| b.gain_db).collect();
    let own = |bar: &SceneBar| {
        let all = shots(&station.bar_capture(bar, "H", 0.1, &gains, None).expect("a capture"));
        let i = nearest(&all, beam.id, 0.05);
        (samples(&all, i), all.z_m[i])
    };
    let ((with, z_m), (bare, _)) = (own(&flawed), own(&clean("1")));
    let own = minus(&with, &bare);
    let place = MatrixPlace { probe: beam.probe, z_m, turn_rad: 0.0 };
    let formed = |bar: &SceneBar| {
        let matrix = station.matrix(bar, place).expect("a matrix");
        // Full scale of a matrix is arbitrary; that of both bars is the surface's. A gain at which the flaw is heard well and the surface, the same in both, clips.
        let low = vec![-12.0; gains.len()];
        let (_, shots) =
            form_beams(&matrix, &technique, &low, Some(beam.probe)).expect("formed beams");
        assert!(shots.len() < body.beams.len(), "other probes took no matrix");
        let i = (0..shots.len()).find(|i| shots.beam[*i] == beam.id).expect("the beam");
        shots.ascan(i).iter().map(|s| f64::from(*s)).collect::<Vec<f64>>()
    };
    let formed = minus(&formed(&flawed), &formed(&clean("1")));
    // The same echo but for its height: correlated over the time of the flaw.
    let at = body.record.position(beam.surface_time_s + 2.0 * 12e-3 / beam.axis.velocity_m_s);
    let span = (at - 40.0).max(0.0) as usize..(at + 40.0) as usize;
    let dot = |a: &[f64], b: &[f64]| -> f64 { span.clone().map(|k| a[k] * b[k]).sum() };
    let alike = dot(&own, &formed) / (dot(&own, &own) * dot(&formed, &formed)).sqrt();
    println!(
        "correlated by {alike:.4}; peaks {:?} {:?}",
        peak(&own, at - 20.0, at + 20.0),
        peak(&formed, at - 20.0, at + 20.0)
    );
    // Directions of elements differ from the beam's by some degrees, and the width of the elements meets the disc as a whole there.
    assert!(alike > 0.98, "{alike}");
}

#[test]
fn a_matrix_is_reciprocal_and_survives_its_files() {
    let technique = plan();
    let station = VirtualStation::new(&technique, &faultless(), 1).expect("a station");
    let place = MatrixPlace { probe: 0, z_m: 0.05, turn_rad: 0.3 };
    let matrix = station.matrix(&clean("1"), place).expect("a matrix");
    let n = matrix.array.elements;
    for (t, r) in [(0, 1), (2, n - 1), (n / 2, 3)] {
        assert_eq!(matrix.trace(t, r), matrix.trace(r, t));
    }
    let highest = matrix.values.iter().map(|v| v.abs()).fold(0.0, f32::max);
    assert!((highest - 0.9).abs() < 1e-3, "{highest}");
    let folder = tempfile::tempdir().expect("a folder");
    let hash = matrix.write(&folder.path().join("one")).expect("written");
    let mut read = FullMatrix::read(&folder.path().join("one")).expect("read");
    assert_eq!(read.hash, hash);
    for (a, b) in matrix.values.iter().zip(&read.values) {
        // Half a count of 16 bits.
        assert!((a - b).abs() <= 0.6 / 32767.0, "{a} {b}");
    }
    // Half of it is completed.
    for t in 0..n {
        for r in 0..t {
            let at = (t * n + r) * read.samples;
            read.values[at..at + read.samples].fill(0.0);
        }
    }
    assert_eq!(read.complete(), n * (n - 1) / 2);
    assert_eq!(read.trace(3, 1), read.trace(1, 3));
    // The elements' places in the matrix's own frame are those of the probe, turned.
    let (own, there) = (matrix.array.elements(), &technique.body.probes[0].elements);
    for k in [0, n / 3] {
        let apart = |e: &[barwright_wave::Element]| e[k].centre.distance(e[n - 1].centre);
        assert!((apart(&own) - apart(there)).abs() < 1e-6, "{k}");
    }
}

#[test]
fn places_that_cannot_be_are_refused() {
    let technique = plan();
    let station = VirtualStation::new(&technique, &faultless(), 1).expect("a station");
    for place in [
        MatrixPlace { probe: 99, z_m: 0.05, turn_rad: 0.0 },
        MatrixPlace { probe: 0, z_m: f64::NAN, turn_rad: 0.0 },
        MatrixPlace { probe: 0, z_m: 0.05, turn_rad: f64::INFINITY },
    ] {
        let e = station.matrix(&clean("1"), place).expect_err("impossible");
        assert!(matches!(e, TwinError::OutOfRange { .. }), "{e}");
    }
}
