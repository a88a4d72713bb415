//! Whole grids against one point at a time.

use super::*;
use crate::array::{Element, arc, flat};
use crate::delay::focus;
use crate::geometry::Surface;
use crate::ray::scene::{medium, pulse};
use crate::ray::{Attenuation, peak_envelope};
use crate::section::Section;
use std::f64::consts::FRAC_PI_2;

fn bar(radius_m: f64) -> Surface {
    Surface::Round { centre: Point::default(), radius_m }
}

/// A square grid of `side` points a side about `centre`, 2.1 `half_m` wide: corners lie outside.
fn grid(centre: Point, half_m: f64, side: usize) -> Vec<Point> {
    let at = |i: usize| 2.1 * half_m * (i as f64 / (side - 1) as f64 - 0.5);
    (0..side * side).map(|k| centre + Point::new(at(k % side), at(k / side))).collect()
}

/// Compares a map with the plain engine. 1e-9 relative: paths from two solvers, good to 1e-17 s
/// against a period of 2e-7 s. Of the strongest peak: weak ones are differences of strong rays.
fn compare(
    section: &(impl Faces + Sync),
    medium: &RayMedium,
    aperture: &Aperture,
    mode: Mode,
    points: &[Point],
) -> RayMap {
    let got = map(section, medium, aperture, mode, &pulse(), points).expect("a map");
    let plain: Vec<_> = points
        .iter()
        .map(|p| peak_envelope(section, medium, aperture, mode, &pulse(), *p))
        .collect();
    let strongest = plain.iter().flatten().map(|p| p.amplitude).fold(0.0, f64::max);
    for (i, (fast, plain)) in got.peaks.iter().zip(&plain).enumerate() {
        match (fast, plain) {
            (Ok(fast), Ok(plain)) => {
                let off = (fast.amplitude - plain.amplitude).abs();
                assert!(off < 1e-9 * strongest, "{:?}: {fast:?} {plain:?}", points[i]);
                assert_eq!(fast.flags, plain.flags, "{:?}", points[i]);
                assert!((fast.centre_hz - plain.centre_hz).abs() < 1.0);
                if plain.amplitude > 1e-6 * strongest && off < 1e-12 * strongest {
                    // A tenth of a nanosecond: the top of an envelope is flat.
                    assert!((fast.time_s - plain.time_s).abs() < 1e-10, "{fast:?} {plain:?}");
                }
            }
            _ => assert_eq!(format!("{fast:?}"), format!("{plain:?}"), "{:?}", points[i]),
        }
    }
    let counts = got.counts;
    assert_eq!(counts.answered + counts.outside + counts.no_ray, points.len());
    got
}

fn law(section: &Surface, elements: &[Element], mode: Mode, at: Point) -> Vec<f64> {
    let c = medium().solid.velocity_m_s(mode);
    // Rounded to the electronics' step, as stations do.
    focus(section, elements, at, 1480.0, c, Some(5e-9)).expect("a law").delays_s
}

// Truth: independent code (the plain engine), for the bars and arrays of a mill.
#[test]
fn maps_of_round_bars_meet_the_plain_engine() {
    for (radius, count) in [(0.005, 16), (0.03, 32), (0.127, 64)] {
        for mode in [Mode::L, Mode::S] {
            for turned in [FRAC_PI_2, 2.5] {
                let around = arc(radius + 0.025, turned, count, 6e-4, 5e-4, 1e-2);
                let along = Point::polar(radius + 0.02, turned);
                let flat = flat(along, (along * -1.0).angle(), count, 6e-4, 5e-4, 1e-2);
                for elements in [around, flat] {
                    let target = Point::polar(0.6 * radius, turned + 0.2);
                    let delays = law(&bar(radius), &elements, mode, target);
                    let aperture =
                        Aperture { elements: &elements, delays_s: &delays, weights: None };
                    let points = grid(Point::default(), radius, 15);
                    let got = compare(&bar(radius), &medium(), &aperture, mode, &points);
                    assert!(got.counts.answered > 100 && got.counts.outside > 30);
                }
            }
        }
    }
}

// Truth: independent code. Attenuation, a bar off centre, absent elements.
#[test]
fn lossy_maps_with_missing_elements_meet_the_plain_engine() {
    let mut lossy = medium();
    lossy.attenuation =
        Attenuation { longitudinal_np_m: 10.0, shear_np_m: 15.0, reference_hz: 5e6, exponent: 3.0 };
    let surface = Surface::Round { centre: Point::new(0.003, -0.002), radius_m: 0.03 };
    let elements = arc(0.055, 1.2, 24, 6e-4, 5e-4, 1e-2);
    let weights: Vec<f64> = (0..24).map(|i| if i % 5 == 2 { 0.0 } else { 1.0 }).collect();
    for mode in [Mode::L, Mode::S] {
        let delays = law(&surface, &elements, mode, Point::new(0.0, 0.01));
        let aperture = Aperture { elements: &elements, delays_s: &delays, weights: Some(&weights) };
        let points = grid(Point::new(0.003, -0.002), 0.03, 13);
        let got = compare(&surface, &lossy, &aperture, mode, &points);
        // Absent elements are as if they had never been listed.
        let kept: Vec<usize> = (0..24).filter(|i| i % 5 != 2).collect();
        let fewer: Vec<Element> = kept.iter().map(|i| elements[*i]).collect();
        let times: Vec<f64> = kept.iter().map(|i| delays[*i]).collect();
        let without = Aperture { elements: &fewer, delays_s: &times, weights: None };
        let other = map(&surface, &lossy, &without, mode, &pulse(), &points).expect("a map");
        assert_eq!(format!("{got:?}"), format!("{other:?}"));
        let shifted = got.peaks.iter().flatten().filter(|p| p.centre_hz < 4.6e6).count();
        assert!(shifted > 10, "deep points have lost high frequencies");
    }
}

// Truth: independent code. An arc over an edge of a square bar sends sound through two
// faces, its middle through neither; turned and
// moved with the probe it answers the same (1e-9: rounding of the places).
#[test]
fn maps_of_square_bars_meet_the_plain_engine() {
    let elements = arc(0.06, FRAC_PI_2 / 2.0, 24, 4e-3, 8e-4, 1e-2);
    let delays = vec![0.0; 24];
    let aperture = Aperture { elements: &elements, delays_s: &delays, weights: None };
    let zero = Point::default();
    let square = Section::square(zero, 0.05, 0.003, 0.0).expect("a square");
    let points = grid(zero, 0.025, 17);
    for mode in [Mode::L, Mode::S] {
        let got = compare(&square, &medium(), &aperture, mode, &points);
        assert!(got.counts.shadow > 0 && got.counts.answered > 50, "{:?}", got.counts);
        let one =
            crate::ray::field(&square, &medium(), &aperture, mode, 5e6, Point::new(0.01, 0.01));
        let faces: Vec<usize> = one.expect("a field").arrivals.iter().map(|a| a.face).collect();
        assert!(faces.contains(&0) && faces.contains(&3), "through both faces: {faces:?}");
        let (turn, shift) = (0.7, Point::new(0.01, 0.02));
        let moved = |p: Point| p.rotated(turn) + shift;
        let other = Section::square(shift, 0.05, 0.003, turn).expect("a square");
        let probe: Vec<Element> = elements
            .iter()
            .map(|e| Element { centre: moved(e.centre), facing_rad: e.facing_rad + turn, ..*e })
            .collect();
        let aperture = Aperture { elements: &probe, ..aperture };
        let places: Vec<Point> = points.iter().map(|p| moved(*p)).collect();
        let turned = map(&other, &medium(), &aperture, mode, &pulse(), &places).expect("a map");
        let strongest = got.peaks.iter().flatten().map(|p| p.amplitude).fold(0.0, f64::max);
        for (a, b) in got.peaks.iter().flatten().zip(turned.peaks.iter().flatten()) {
            assert!((a.amplitude - b.amplitude).abs() < 1e-9 * strongest);
        }
        assert_eq!(got.counts, turned.counts);
    }
    // Below the face only, behind the far edge of the other: every element has one ray.
    let above = flat(Point::new(0.0, 0.045), -FRAC_PI_2, 8, 6e-4, 5e-4, 1e-2);
    let aperture = Aperture { elements: &above, delays_s: &delays[..8], weights: None };
    let face = square.faces()[0];
    let whole = map(&square, &medium(), &aperture, Mode::L, &pulse(), &[zero]).expect("a map");
    let alone = map(&face, &medium(), &aperture, Mode::L, &pulse(), &[zero]).expect("a map");
    assert_eq!(whole, alone);
}

#[test]
fn bad_input_is_refused_with_its_numbers() {
    let elements = arc(0.055, FRAC_PI_2, 4, 6e-4, 5e-4, 1e-2);
    let good = Aperture { elements: &elements, delays_s: &[0.0; 4], weights: None };
    let run = |medium: &RayMedium, aperture: &Aperture, pulse: &Pulse, points: &[Point]| {
        map(&bar(0.03), medium, aperture, Mode::L, pulse, points)
    };
    let range = |r: Result<RayMap>| matches!(r, Err(WaveError::OutOfRange { .. }));
    let centre = [Point::default()];
    for c in [0.0, -1480.0, f64::NAN] {
        let mut bad = medium();
        bad.fluid.velocity_m_s = c;
        assert!(range(run(&bad, &good, &pulse(), &centre)));
        let mut bad = medium();
        bad.solid.longitudinal_m_s = c;
        assert!(range(run(&bad, &good, &pulse(), &centre)));
        let mut bad = medium();
        bad.attenuation.longitudinal_np_m = if c == 0.0 { f64::INFINITY } else { c };
        assert!(range(run(&bad, &good, &pulse(), &centre)));
        let bad = Pulse { centre_hz: c, bandwidth_rel: 0.6 };
        assert!(range(run(&medium(), &good, &bad, &centre)));
    }
    for place in [Point::default(), Point::new(0.0, 0.03), Point::new(f64::NAN, 0.05)] {
        let mut inside = elements.clone();
        inside[2].centre = place;
        assert!(range(run(&medium(), &Aperture { elements: &inside, ..good }, &pulse(), &centre)));
    }
    let mut turned = elements.clone();
    turned[1].facing_rad = f64::NAN;
    assert!(range(run(&medium(), &Aperture { elements: &turned, ..good }, &pulse(), &centre)));
    for bad in [f64::NAN, f64::INFINITY] {
        let late = [0.0, bad, 0.0, 0.0];
        assert!(range(run(&medium(), &Aperture { delays_s: &late, ..good }, &pulse(), &centre)));
        let weights = Some(late.as_slice());
        assert!(range(run(&medium(), &Aperture { weights, ..good }, &pulse(), &centre)));
    }
    // A second between elements is a mistake of units.
    let late = [0.0, 1.0, 0.0, 0.0];
    assert!(range(run(&medium(), &Aperture { delays_s: &late, ..good }, &pulse(), &centre)));
    let mute = Some([0.0; 4].as_slice());
    let refused = run(&medium(), &Aperture { weights: mute, ..good }, &pulse(), &centre);
    assert!(matches!(refused, Err(WaveError::Count { got: 0, need: 1, .. })));
    let many = vec![Point::default(); MAX_POINTS + 1];
    let refused = run(&medium(), &good, &pulse(), &many);
    assert!(matches!(refused, Err(WaveError::Count { need: MAX_POINTS, .. })));
    let none = run(&medium(), &good, &pulse(), &[]).expect("an empty map");
    assert_eq!((none.peaks.len(), none.counts), (0, Counts::default()));
    // Points are answered or refused one by one.
    let points = [
        Point::new(f64::NAN, 0.0),
        Point::new(0.0, f64::INFINITY),
        Point::new(0.0, 0.031),
        Point::new(0.0, 0.03),
        Point::new(0.02, 0.0),
    ];
    let got = run(&medium(), &good, &pulse(), &points).expect("a map");
    assert_eq!((got.counts.outside, got.counts.answered), (3, 2));
    for peak in got.peaks.iter().flatten() {
        assert!(peak.amplitude.is_finite() && peak.time_s.is_finite());
    }
}
