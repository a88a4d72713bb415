//! Full matrices and the beams formed from them, where the answer is known beforehand.

use crate::common::{self, technique};

use barwright_capture::matrix::{MatrixArray, MatrixCoupling};
use barwright_capture::*;
use barwright_job::technique::{GainPoint, Record, Technique};
use barwright_job::{Hash, Sealed};
use barwright_wave::Point;
use std::path::Path;
use technique::{APERTURE, DEPTH, V, contact};

const ELEMENTS: usize = 9;
const PAIRS: f64 = (APERTURE * APERTURE) as f64;

/// A point at `x` and the focal depth answers every pair with a Gaussian pulse of unit peak.
fn matrix(x: f64, rate_hz: f64) -> FullMatrix {
    let samples = (20e-6 * rate_hz) as usize;
    let way = |i: usize| {
        let e = Point::new((i as f64 - (ELEMENTS as f64 - 1.0) / 2.0) * 1.5e-3, 0.0);
        e.distance(Point::new(x, -DEPTH)) / V
    };
    let mut values = vec![];
    for i in 0..ELEMENTS {
        for j in 0..ELEMENTS {
            values.extend((0..samples).map(|k| {
                let t = k as f64 / rate_hz - way(i) - way(j);
                let width = 1.2e-7;
                let envelope = (-(t / width).powi(2) / 2.0).exp();
                (0.5 * envelope * (std::f64::consts::TAU * 5e6 * t).cos()) as f32
            }));
        }
    }
    FullMatrix {
        name: "made".into(),
        hash: Hash(String::new()),
        array: MatrixArray {
            elements: ELEMENTS,
            pitch_m: 1.5e-3,
            element_width_m: 1e-3,
            element_length_m: 15e-3,
            centre_frequency_hz: 5e6,
            arc_radius_m: None,
            elevation_focus_m: None,
        },
        coupling: MatrixCoupling::Contact,
        longitudinal_m_s: Some(V),
        shear_m_s: None,
        water_m_s: None,
        thickness_m: Some(0.05),
        sample_rate_hz: rate_hz,
        first_sample_s: 0.0,
        samples,
        values,
    }
}

/// A record of 400 samples whose sample 200 lies at the focus of every beam.
fn made_technique(rate_hz: f64) -> (Sealed<Technique>, f64) {
    let record =
        Record { first_sample_s: 0.0, sample_rate_hz: rate_hz, samples: 200, full_scale_fsh: 2.0 };
    let mut t = contact(ELEMENTS, record).body;
    let at = t.beams[0].surface_time_s + 2.0 * DEPTH / V;
    t.record.first_sample_s = at - 100.0 / rate_hz;
    (Sealed::seal(t, []), at)
}

// Truth: closed form. All pairs of the middle beam coincide at the focus: the sum is pairs x 0.5,
// whatever the two rates. 0.3 %: the interpolation's 0.2 % and rounding to whole counts.
#[test]
fn at_the_focus_all_pairs_add_up() {
    for (from, to) in [(100e6, 100e6), (50e6, 25e6), (50e6, 40e6), (100e6, 25e6)] {
        let (technique, _) = made_technique(to);
        let gain = -20.0 * (PAIRS * 0.5).log10();
        let gains = vec![gain; technique.body.beams.len()];
        let (header, shots) =
            form_beams(&matrix(0.0, from), &technique, &gains, None).expect("formed");
        let middle = 1;
        let peak = shots.ascan(middle)[100];
        // Height 1 of a full scale of 2.
        assert!((f64::from(peak) / 16383.5 - 1.0).abs() < 3e-3, "{from} {to}: {peak}");
        assert_eq!(shots.ascan(middle).iter().max(), Some(&peak));
        assert_eq!(header.kind, CaptureKind::Still);
        assert_eq!(header.technique, technique.hash);
        assert_eq!((header.length_m, shots.z_m[0]), (15e-3, 7.5e-3));
        // Mirror: beams to both sides of the point see it alike; and less of it.
        assert_eq!(shots.ascan(0), shots.ascan(2));
        assert!(shots.ascan(0)[100] < peak);
        assert!(shots.clipped_s.iter().all(|c| c[0].is_nan() && c[1].is_nan()));
    }
}

// Truth: closed form. The curve adds in dB at its time; beyond full scale samples stay there.
#[test]
fn gain_curve_and_full_scale() {
    let (technique, _) = made_technique(100e6);
    let formed = |curve_db: f64| {
        let mut t = technique.body.clone();
        for beam in &mut t.beams {
            beam.gain_curve = vec![
                GainPoint { after_surface_s: 0.0, gain_db: 0.0 },
                GainPoint { after_surface_s: 2.0 * DEPTH / V, gain_db: curve_db },
            ];
        }
        let gains = vec![-40.0; t.beams.len()];
        let (_, s) =
            form_beams(&matrix(0.0, 100e6), &Sealed::seal(t, []), &gains, None).expect("formed");
        s.ascan(1)[100]
    };
    // 10 dB: a factor of 3.1623; a count of some 4000 resolves 2.5e-4.
    let ratio = f64::from(formed(10.0)) / f64::from(formed(0.0));
    assert!((ratio - 10_f64.powf(0.5)).abs() < 2e-3, "{ratio}");
    assert_eq!(formed(60.0), i16::MAX);
}

// Truth: closed form. A trace at full scale at t appears at t plus its two delays, in the beams
// whose aperture holds the pair, and only within their gates.
#[test]
fn clipped_traces_are_told_in_the_beams_time() {
    let (technique, at) = made_technique(100e6);
    let mut m = matrix(0.0, 100e6);
    let beams = &technique.body.beams;
    let start = 8 * m.samples; // pair (0, 8): in no aperture of seven
    m.values[start + 800] = 1.0;
    let start = ELEMENTS * m.samples; // pair (1, 0): in beam 0 only
    m.values[start + 830] = -0.9996;
    m.values[start + 20] = 1.0; // the firing, before all gates
    let gains = vec![-40.0; beams.len()];
    let (_, s) = form_beams(&m, &technique, &gains, None).expect("formed");
    let t = 8.30e-6 + beams[0].transmit_delays_s[1] + beams[0].receive_delays_s[0];
    assert!((t - at).abs() < 1e-6, "within the record");
    // 1e-12 s: single precision of some 8 us.
    assert!(s.clipped_s[0].iter().all(|c| (f64::from(*c) - t).abs() < 1e-12));
    assert!(s.clipped_s[1..].iter().flatten().all(|c| c.is_nan()));
}

#[test]
fn what_does_not_belong_together_is_named() {
    let (technique, _) = made_technique(100e6);
    let m = matrix(0.0, 100e6);
    let gains = vec![0.0; technique.body.beams.len()];
    let told = |m: &FullMatrix, t: &Sealed<Technique>, gains: &[f64]| {
        let e = form_beams(m, t, gains, None).expect_err("a mismatch");
        assert!(matches!(e, CaptureError::Mismatch { .. }), "{e}");
        e.to_string()
    };
    let mut other = m.clone();
    other.array.pitch_m = 0.6e-3;
    let text = told(&other, &technique, &gains);
    assert!(text.contains("0.6000 mm") && text.contains("1.5000 mm"), "{text}");
    let mut other = m.clone();
    other.array.centre_frequency_hz = 3.5e6;
    let text = told(&other, &technique, &gains);
    assert!(text.contains("3.5000 MHz") && text.contains("5.0000 MHz"), "{text}");
    let mut other = m.clone();
    other.coupling = MatrixCoupling::Immersion;
    assert!(told(&other, &technique, &gains).contains("in water"));
    let more = contact(ELEMENTS + 1, technique.body.record);
    let text = told(&m, &more, &vec![0.0; more.body.beams.len()]);
    assert!(text.contains('9') && text.contains("10"), "{text}");
    assert!(told(&m, &technique, &[0.0]).contains("gains"));
    let mut long = technique.body.clone();
    long.record.samples = 2000;
    assert!(told(&m, &Sealed::seal(long, []), &gains).contains("us"));
    let mut beyond = technique.body.clone();
    beyond.beams[2].first_element = 5;
    let e = form_beams(&m, &Sealed::seal(beyond, []), &gains, None).expect_err("beyond the probe");
    assert!(matches!(e, CaptureError::Impossible { .. }), "{e}");
}

const META: &str = r#"{"format": 1, "kind": "full-matrix", "axes": ["transmit", "receive", "sample"],
 "sample_rate_hz": 1e8, "first_sample_s": 0.0, "full_scale": 4.0, "colour": "unknown keys are fine",
 "array": {"shape": "linear", "elements": 2, "pitch_m": 1e-3, "element_width_m": 5e-4,
 "element_length_m": 1e-2, "centre_frequency_hz": 5e6}, "coupling": "contact",
 "material": {"longitudinal_velocity_m_s": null}}"#;

/// A version 1 NPY file.
fn npy(descr: &str, shape: &str, data: &[u8]) -> Vec<u8> {
    let mut text = format!("{{'descr': '{descr}', 'fortran_order': False, 'shape': {shape}, }}");
    while (10 + text.len() + 1) % 64 != 0 {
        text.push(' ');
    }
    text.push('\n');
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    bytes.extend((text.len() as u16).to_le_bytes());
    bytes.extend(text.bytes());
    bytes.extend(data);
    bytes
}

fn folder_with(meta: &str, npy: &[u8]) -> tempfile::TempDir {
    let dir = common::folder();
    std::fs::write(dir.path().join("meta.json"), meta).expect("written");
    std::fs::write(dir.path().join("fmc.npy"), npy).expect("written");
    dir
}

fn integers() -> Vec<u8> {
    let data: Vec<u8> = (0..12_i16).flat_map(i16::to_le_bytes).collect();
    npy("<i2", "(2, 2, 3)", &data)
}

#[test]
fn integers_and_floats_are_read_as_fractions_of_full_scale() {
    let wanted: Vec<f32> = (0..12_u8).map(|x| f32::from(x) / 4.0).collect();
    let singles: Vec<u8> = (0..12).flat_map(|x| (x as f32).to_le_bytes()).collect();
    let doubles: Vec<u8> = (0..12).flat_map(|x| f64::from(x).to_le_bytes()).collect();
    for data in [integers(), npy("<f4", "(2, 2, 3)", &singles), npy("<f8", "(2, 2, 3)", &doubles)] {
        let m = FullMatrix::read(folder_with(META, &data).path()).expect("read");
        assert_eq!(m.values, wanted);
        assert_eq!(m.trace(1, 0), &wanted[6..9]);
        assert_eq!(m.longitudinal_m_s, None);
    }
}

#[test]
fn damaged_matrices_are_told_apart() {
    let read = |meta: &str, data: &[u8]| {
        FullMatrix::read(folder_with(meta, data).path()).expect_err("damaged")
    };
    let good = integers();
    for length in (0..good.len()).step_by(3) {
        let e = read(META, &good[..length]);
        assert!(matches!(e, CaptureError::Corrupt { .. }), "{length}: {e}");
    }
    let mut singles: Vec<u8> = (0..12).flat_map(|x| (x as f32).to_le_bytes()).collect();
    singles[20..24].copy_from_slice(&f32::NAN.to_le_bytes());
    let e = read(META, &npy("<f4", "(2, 2, 3)", &singles));
    assert!(e.to_string().contains("number 5 of 12"), "{e}");
    let e = read(META, &npy("<f4", "(2, 2, 99999999999)", &singles));
    assert!(matches!(e, CaptureError::Corrupt { .. }), "{e}");
    let e = read(META, &npy("<f4", "(3, 2, 2)", &[0; 48]));
    assert!(e.to_string().contains("3 x 2"), "{e}");
    let e = read(META, &npy("<f4", "(4, 3)", &[0; 48]));
    assert!(matches!(e, CaptureError::Mismatch { .. }), "{e}");
    let e = read(META, &npy("<i4", "(2, 2, 3)", &[0; 48]));
    assert!(matches!(e, CaptureError::Impossible { .. }), "{e}");

    let e = read(&META.replace("\"pitch_m\"", "\"pitch\""), &good);
    assert!(e.to_string().contains("pitch_m"), "{e}");
    let e = read(&META.replace("\"format\": 1", "\"format\": 2"), &good);
    assert!(matches!(e, CaptureError::TooNew { found: 2, .. }), "{e}");
    let e = read(&META.replace("full-matrix", "half-matrix"), &good);
    assert!(matches!(e, CaptureError::WrongKind { .. }), "{e}");
    let e = read(&META.replace("4.0", "0.0"), &good);
    assert!(e.to_string().contains("full_scale"), "{e}");
    let e = FullMatrix::read(Path::new("no/such/folder")).expect_err("absent");
    assert!(matches!(e, CaptureError::Absent { .. }), "{e}");
}
