//! The bulk solver against the plain one.

use super::*;
use proptest::prelude::*;
use std::f64::consts::PI;

/// A number in 0..1 that looks random and is the same every time.
fn scatter(i: usize, salt: f64) -> f64 {
    ((i as f64 + 1.0) * 0.754_877_666_246_693 + salt * 0.569_840_290_998_053).fract()
}

/// Compares all answers with those of `least_time`; returns the tally.
///
/// 1e-15 s: rounding of the coordinates against the frame (1e-17 m over 1480 m/s) is the scale;
/// 1e-12 s is what is asked for. Angles are ratios of lengths good to 1e-16 of the size of the
/// surface, so their sines err by that over the shorter way; 1e-9 besides for what Halley leaves.
fn compare(surface: &Surface, from: Point, c2: f64, targets: &[Point]) -> Tally {
    let size = match *surface {
        Surface::Round { radius_m, .. } => radius_m,
        Surface::Flat { a, b } => a.distance(b),
    };
    let x: Vec<f64> = targets.iter().map(|p| p.x).collect();
    let y: Vec<f64> = targets.iter().map(|p| p.y).collect();
    let solver = Fermat::new(surface, from, 1480.0, c2).expect("a source in the water");
    let mut rays = Rays::new(x.len());
    let tally = solver.rays(&x, &y, &mut rays.as_mut()).expect("lists of one length");
    let mut times = vec![0.0; x.len()];
    let again = solver.times(&x, &y, &mut times).expect("lists of one length");
    assert_eq!(tally, again);
    assert_eq!(tally.found + tally.no_path + tally.refused, x.len());
    for (i, to) in targets.iter().enumerate() {
        match least_time(surface, from, *to, 1480.0, c2) {
            Ok(path) => {
                let at = format!("{surface:?} {from:?} {to:?} {c2}");
                assert_eq!(rays.state[i], RayState::Found, "{at}");
                let late = rays.time_s[i] - path.time_s;
                assert!(late.abs() < 1e-15 && times[i] == rays.time_s[i], "{at}: {late}");
                let angle = 1e-9 + 1e-14 * size / path.steel_m.min(path.water_m);
                for (name, got, want) in [
                    ("sin in", rays.sin_in[i], path.angle_in_rad.sin()),
                    ("cos in", rays.cos_in[i], path.angle_in_rad.cos()),
                    ("sin out", rays.sin_out[i], path.angle_out_rad.sin()),
                    ("cos out", rays.cos_out[i], path.angle_out_rad.cos()),
                ] {
                    assert!((got - want).abs() < angle, "{name} {at}: {}", got - want);
                }
                for (name, got, want) in [
                    ("water", rays.water_m[i], path.water_m),
                    ("steel", rays.steel_m[i], path.steel_m),
                    ("entry x", rays.entry_x_m[i], path.entry.x),
                    ("entry y", rays.entry_y_m[i], path.entry.y),
                ] {
                    assert!((got - want).abs() < 1e-9 * size, "{name} {at}: {}", got - want);
                }
            }
            Err(error) => {
                let none = matches!(error, WaveError::NoPath { .. });
                let state = if none { RayState::NoPath } else { RayState::Refused };
                assert_eq!(rays.state[i], state, "{surface:?} {from:?} {to:?}");
                assert!(times[i] == f64::INFINITY && rays.time_s[i] == f64::INFINITY);
                assert_eq!(rays.steel_m[i], 0.0);
                // As text, since a value that is no number differs from itself.
                let told = solver.path(*to).expect_err("refused").to_string();
                assert_eq!(told, error.to_string());
            }
        }
    }
    tally
}

// Truth: independent code (the plain solver). Bars of 10 to 254 mm anywhere, sources anywhere in the
// water, targets at the centre, throughout the section, close under the surface and outside.
#[test]
fn round_bars_meet_the_plain_solver() {
    let (mut total, mut close) = (Tally::default(), Tally::default());
    for (k, diameter) in [0.010, 0.020, 0.060, 0.150, 0.254].into_iter().enumerate() {
        for j in 0..8 {
            let a = diameter / 2.0;
            let centre = Point::new(0.01 * j as f64, -0.003 * k as f64);
            let gap = 10f64.powf(-2.0 + 2.5 * scatter(j, 3.0));
            let from = centre + Point::polar(a * (1.0 + gap), 2.0 * PI * scatter(j, k as f64));
            let spread: Vec<Point> = (0..400)
                .map(|i| {
                    let r = a * 1.02 * scatter(i, 0.3).sqrt();
                    centre + Point::polar(r, 2.0 * PI * scatter(i * 31, 0.1))
                })
                .collect();
            let special: Vec<Point> = (0..100)
                .map(|i| {
                    let depth = 10f64.powf(-9.0 + 8.0 * scatter(i, 0.7));
                    centre + Point::polar(a * (1.0 - depth), 2.0 * PI * scatter(i * 17, 0.9))
                })
                .chain([0.0, -0.4 / (1.0 + gap), 0.5 / (1.0 + gap), 1.0 / (1.0 + gap)].map(
                    // The centre, behind and before it, and the foot of the source.
                    |part| centre + (from - centre) * part,
                ))
                .collect();
            let surface = Surface::Round { centre, radius_m: a };
            for c2 in [5900.0, 3230.0, 1700.0] {
                total = total + compare(&surface, from, c2, &spread);
                close = close + compare(&surface, from, c2, &special);
            }
        }
    }
    assert!(total.found > 40_000 && total.refused > 1_000 && close.found > 10_000, "{total:?}");
    // Fast, not only right: the plain solver is for outsiders and the last micrometre.
    let kept = total.one_by_one - total.refused;
    assert!(kept < total.found / 1000, "{total:?}");
    assert!(close.one_by_one < close.found / 2, "{close:?}");
}

// Truth: independent code (the plain solver). Faces of any direction, with targets whose rays miss
// them, at their ends and on them.
#[test]
fn flat_faces_meet_the_plain_solver() {
    let mut total = Tally::default();
    for j in 0..40 {
        let turn = 2.0 * PI * scatter(j, 0.0);
        let place = Point::new(0.02 * scatter(j, 1.0), -0.01);
        let at = |x: f64, y: f64| place + Point::new(x, y).rotated(turn);
        let half = 0.005 + 0.1 * scatter(j, 2.0);
        let face = Surface::Flat { a: at(half, 0.0), b: at(-half, 0.0) };
        let height = 10f64.powf(-3.5 + 2.5 * scatter(j, 3.0));
        let from = at(1.5 * half * (2.0 * scatter(j, 4.0) - 1.0), height);
        let targets: Vec<Point> = (0..600)
            .map(|i| {
                let x = 2.4 * half * (scatter(i, 5.0) - 0.5);
                let depth = half * (2.1 * scatter(i * 7, 6.0) - 0.1);
                at(x, -depth)
            })
            .chain([at(0.0, 0.0), at(half, -0.01), at(half, 0.0)])
            .collect();
        for c2 in [5900.0, 3230.0] {
            total = total + compare(&face, from, c2, &targets);
        }
    }
    assert!(total.found > 20_000 && total.no_path > 2_000 && total.refused > 500, "{total:?}");
    let kept = total.one_by_one - total.refused;
    // Two targets of each face lie on it.
    assert!(kept < total.found / 100, "{total:?}");
}

// Truth: independent code. Steel slower than the water has no bulk solver, and the same answers.
#[test]
fn slow_steel_is_solved_one_by_one() {
    let surface = Surface::Round { centre: Point::default(), radius_m: 0.03 };
    let targets: Vec<Point> =
        (0..100).map(|i| Point::polar(0.029 * scatter(i, 0.5), i as f64)).collect();
    let tally = compare(&surface, Point::new(0.0, 0.05), 1200.0, &targets);
    assert_eq!(tally.one_by_one, 100);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    // Truth: independent code (the plain solver), on grids as maps use them.
    #[test]
    fn grids_meet_the_plain_solver(
        radius in 0.005..0.127f64,
        gap in 0.05..3.0f64,
        at in -3.1..3.1f64,
        shear in any::<bool>(),
    ) {
        let surface = Surface::Round { centre: Point::default(), radius_m: radius };
        let targets: Vec<Point> = (0..169)
            .map(|i| Point::new((i % 13) as f64 - 6.0, (i / 13) as f64 - 6.0) * (radius / 6.0))
            .collect();
        let from = Point::polar(radius * (1.0 + gap), at);
        compare(&surface, from, if shear { 3230.0 } else { 5900.0 }, &targets);
    }
}

#[test]
fn bad_input_is_refused_with_its_numbers() {
    let bar = Surface::Round { centre: Point::default(), radius_m: 0.03 };
    let above = Point::new(0.0, 0.05);
    let range = |r: Result<Fermat>| matches!(r, Err(WaveError::OutOfRange { .. }));
    for c in [0.0, -1480.0, f64::NAN, f64::INFINITY] {
        assert!(range(Fermat::new(&bar, above, c, 5900.0)));
        assert!(range(Fermat::new(&bar, above, 1480.0, c)));
    }
    let place = Point::new(f64::NAN, 0.05);
    for from in [Point::default(), Point::new(0.0, 0.03), place, Point::new(0.0, f64::INFINITY)] {
        assert!(range(Fermat::new(&bar, from, 1480.0, 5900.0)), "{from:?}");
    }
    for radius_m in [0.0, -0.03, f64::NAN] {
        let none = Surface::Round { centre: Point::default(), radius_m };
        assert!(range(Fermat::new(&none, above, 1480.0, 5900.0)));
    }
    let none = Surface::Flat { a: above, b: above };
    assert!(range(Fermat::new(&none, Point::new(0.0, 0.06), 1480.0, 5900.0)));
    let solver = Fermat::new(&bar, above, 1480.0, 5900.0).expect("a solver");
    let mut times = [0.0; 3];
    let short = solver.times(&[0.0; 3], &[0.0; 2], &mut times);
    assert!(matches!(short, Err(WaveError::Count { got: 2, need: 3, .. })));
    let mut rays = Rays::new(2);
    let short = solver.rays(&[0.0; 3], &[0.0; 3], &mut rays.as_mut());
    assert!(matches!(short, Err(WaveError::Count { got: 2, need: 3, .. })));
    // Targets that are none are told, not computed.
    let x = [f64::NAN, 0.0, f64::INFINITY, 0.01];
    let y = [0.0, f64::NAN, 0.0, f64::NEG_INFINITY];
    let mut times = [0.0; 4];
    let tally = solver.times(&x, &y, &mut times).expect("an answer");
    assert_eq!((tally.refused, times), (4, [f64::INFINITY; 4]));
    assert_eq!(solver.times(&[], &[], &mut []), Ok(Tally::default()));
}

// Truth: the same solver, source by source.
#[test]
fn an_aperture_is_its_elements() {
    let bar = Surface::Round { centre: Point::default(), radius_m: 0.03 };
    let from: Vec<Point> = (0..5).map(|i| Point::new(0.002 * i as f64, 0.05)).collect();
    let x: Vec<f64> = (0..130).map(|i| 0.02 * scatter(i, 0.0)).collect();
    let y: Vec<f64> = (0..130).map(|i| 0.02 * scatter(i, 0.5)).collect();
    let mut all = vec![0.0; 650];
    let tally = aperture_times(&bar, &from, 1480.0, 5900.0, &x, &y, &mut all).expect("times");
    assert_eq!(tally.found, 650);
    let mut one = vec![0.0; 130];
    for (e, at) in from.iter().enumerate() {
        let solver = Fermat::new(&bar, *at, 1480.0, 5900.0).expect("a solver");
        solver.times(&x, &y, &mut one).expect("times");
        assert_eq!(one, all[130 * e..130 * (e + 1)]);
    }
    let short = aperture_times(&bar, &from, 1480.0, 5900.0, &x, &y, &mut all[..649]);
    assert!(matches!(short, Err(WaveError::Count { got: 649, need: 650, .. })));
    let inside = aperture_times(&bar, &[Point::default()], 1480.0, 5900.0, &x, &y, &mut one);
    assert!(matches!(inside, Err(WaveError::OutOfRange { .. })));
}
