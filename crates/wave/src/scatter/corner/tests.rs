use super::*;
use crate::interface::free_surface_ss;
use crate::scatter::{crack_strength, line_strength};
use std::f64::consts::TAU;

fn steel() -> Solid {
    Solid::new(5900.0, 3230.0, 7800.0).expect("steel")
}

const UP: Wall = Wall::Flat { outward_rad: FRAC_PI_2 };

fn corner(wall: Wall, mouth: Point, depth: f64, tilt_deg: f64) -> Corner {
    Corner::new(mouth, wall, depth, tilt_deg.to_radians()).expect("a crack")
}

// Truth: closed form. Over whole wavelengths of the straight pair the tip and mouth terms vanish
// and the corner alone is left, phase included; total between the critical angles.
#[test]
fn a_square_corner_returns_all_between_the_critical_angles() {
    let (f, wavelength) = (5e6, 3230.0 / 5e6);
    for deg in [20.0_f64, 36.0, 45.0, 54.0, 70.0] {
        let beta = deg.to_radians();
        let depth = 4.0 * wavelength / (2.0 * beta.cos());
        let crack = corner(UP, Point::default(), depth, 0.0);
        let heading = FRAC_PI_2 + beta;
        let got = crack
            .plane_strength(&steel(), Complex64::from(TAU * f), heading, heading)
            .expect("a strength");
        let returned =
            free_surface_ss(&steel(), beta) * free_surface_ss(&steel(), FRAC_PI_2 - beta);
        let k = TAU / wavelength;
        let want = Complex64::new(0.0, -4.0 * k * depth * beta.sin()) * returned;
        assert!((got - want).norm() < 1e-10 * want.norm(), "{deg}: {got} {want}");
        // The amplitude form of before is its modulus.
        let flat = crack_strength(depth, wavelength, beta, &steel(), None).expect("a crack");
        let old = line_strength(Complex64::from(flat), k).norm();
        assert!((got.norm() / old - 1.0).abs() < 1e-10);
        let total = (33.2..56.8).contains(&deg);
        assert_eq!((returned.norm() - 1.0).abs() < 1e-12, total, "{deg}");
    }
}

// Truth: property (reciprocity of the corner pairs in pulse-echo; mirror image of tilt and
// direction gives the same strength).
#[test]
fn a_mirrored_crack_is_the_same() {
    let omega = Complex64::from(TAU * 5e6);
    for (tilt, beta) in [(0.0, 45.0), (5.0, 40.0), (-12.0, 50.0)] {
        let at = |sign: f64| {
            corner(UP, Point::default(), 1.3e-3, sign * tilt)
                .plane_strength(
                    &steel(),
                    omega,
                    FRAC_PI_2 + sign * f64::to_radians(beta),
                    FRAC_PI_2 + sign * f64::to_radians(beta),
                )
                .expect("a strength")
        };
        assert!((at(1.0) - at(-1.0)).norm() < 1e-10 * at(1.0).norm(), "{tilt}");
    }
}

// Truth: closed form. Turning a crack by δ gives the mixed pairs, at 45 degrees, a phase of
// 2 k s sin δ sin 45° along the face: a sinc, whose first null leaves only the terms of tip and mouth
// (a few per cent each at this depth).
#[test]
fn tilt_turns_the_echo_away() {
    let (f, depth) = (5e6, 4e-3);
    let omega = Complex64::from(TAU * f);
    let heading = FRAC_PI_2 + 45f64.to_radians();
    let size = |tilt: f64| {
        Corner::new(Point::default(), UP, depth, tilt)
            .expect("a crack")
            .plane_strength(&steel(), omega, heading, heading)
            .expect("a strength")
            .norm()
    };
    let k = TAU * f / 3230.0;
    let null = (TAU / (k * depth * 2.0 * 0.5f64.sqrt())).asin();
    assert!(size(null) < 0.15 * size(0.0), "{} {}", size(null), size(0.0));
    assert!(size(null / 2.0) < 0.75 * size(0.0));
}

// Truth: numerical integral. Nodes and mirrored waves give the closed form on a plane wall.
// 1e-4: Gauss-Legendre on half wavelengths of a product that turns twice as fast.
#[test]
fn nodes_and_mirrored_waves_meet_the_closed_form() {
    let (omega, wavelength) = (TAU * 5e6, 3230.0 / 5e6);
    let mouth = Point::new(0.004, 0.03);
    let k = omega / 3230.0;
    for tilt in [0.0, 7.0, -20.0] {
        let crack = corner(UP, mouth, 1.7e-3, tilt);
        let heading = FRAC_PI_2 - 0.7;
        let wave = |p: Point| {
            let way = dot(p - mouth, Point::polar(1.0, heading));
            Complex64::from_polar(1.0, k * way)
        };
        let mut sum = Complex64::ZERO;
        for (place, weight) in crack.nodes(wavelength).expect("nodes") {
            let m = crack.mirrored(&steel(), place, &Front::plane(heading)).expect("mirrored");
            assert!((m.from.y - 0.03).abs() < 1e-15);
            let by_wall = wave(m.from) * Complex64::from_polar(1.0, k * m.way_m) * m.coefficient;
            let both = [(heading, wave(place)), (m.heading_rad, by_wall)];
            for (sent, a) in both {
                for (received, b) in both {
                    let meet = |heading_rad| Meeting { mode: Mode::S, heading_rad };
                    let c = face_coupling(&steel(), crack.normal_rad(), meet(sent), meet(received))
                        .expect("a coupling");
                    sum += c * a * b * weight;
                }
            }
        }
        let got = Complex64::new(0.0, omega) * sum;
        let want = crack
            .plane_strength(&steel(), Complex64::from(omega), heading, heading)
            .expect("a strength");
        assert!((got - want).norm() < 1e-4 * want.norm(), "{tilt}: {got} {want}");
    }
}

// Truth: property. A very large bar is a plane wall; on a real one the law of reflection holds at
// the place found, and the wave is focused.
#[test]
fn a_round_wall_mirrors_by_the_law_of_reflection() {
    let heading = FRAC_PI_2 - 0.8;
    let at = |radius_m: f64, depth: f64| {
        let centre = Point::new(0.0, -radius_m);
        let crack = corner(Wall::Round { centre, radius_m }, Point::default(), depth, 0.0);
        (
            crack.mirrored(&steel(), crack.place(depth), &Front::plane(heading)).expect("mirrored"),
            centre,
        )
    };
    let flat = corner(UP, Point::default(), 1e-3, 0.0);
    let plane =
        flat.mirrored(&steel(), flat.place(1e-3), &Front::plane(heading)).expect("mirrored");
    let (huge, _) = at(1e3, 1e-3);
    assert!(huge.from.distance(plane.from) < 1e-8);
    assert!((huge.coefficient - plane.coefficient).norm() < 1e-5);
    let (m, centre) = at(0.03, 2e-3);
    let place = Point::new(0.0, -2e-3);
    let normal = (m.from - centre) * (1.0 / 0.03);
    let leg = (place - m.from) * (1.0 / m.from.distance(place));
    let travel = Point::polar(1.0, heading);
    assert!((dot(travel, normal) + dot(leg, normal)).abs() < 1e-9);
    assert!((m.way_m - m.from.distance(place)).abs() < 1e-12);
    assert!(m.coefficient.norm() > 1.1);
}

// Truth: closed form. A wave from a point near by, mirrored in a plane, comes from its image: place,
// way and spreading. The front is linear across; its error is of third order (0.02² here).
#[test]
fn a_diverging_wave_comes_from_the_image_of_its_source() {
    let source = Point::new(-0.03, -0.03);
    let crack = corner(UP, Point::default(), 1e-3, 0.0);
    let front = Front {
        at: Point::default(),
        heading_rad: FRAC_PI_2 / 2.0,
        divergence_1_m: 1.0 / source.radius(),
    };
    let place = crack.place(1e-3);
    let m = crack.mirrored(&steel(), place, &front).expect("mirrored");
    let image = Point::new(-0.03, 0.03);
    let want = Point::new(-0.03 + 0.03 * 0.03 / 0.031, 0.0);
    assert!(m.from.distance(want) < 2e-6, "{:?} {want:?}", m.from);
    let spread = (m.from.distance(image) / place.distance(image)).sqrt();
    assert!((m.coefficient.norm() / spread - 1.0).abs() < 1e-3);
}

#[test]
fn what_is_no_crack_is_refused() {
    let round = Wall::Round { centre: Point::default(), radius_m: 0.03 };
    let on = Point::new(0.03, 0.0);
    for depth in [0.0, -1e-3, f64::NAN, 0.013] {
        assert!(Corner::new(on, round, depth, 0.0).is_err(), "{depth}");
    }
    for tilt in [FRAC_PI_2, -2.0, f64::NAN] {
        assert!(Corner::new(on, round, 1e-3, tilt).is_err(), "{tilt}");
    }
    assert!(Corner::new(Point::new(0.02, 0.0), round, 1e-3, 0.0).is_err());
    assert!(Corner::new(Point::new(f64::NAN, 0.0), UP, 1e-3, 0.0).is_err());
    let crack = Corner::new(on, round, 1e-3, 0.0).expect("a crack");
    assert!(crack.incidence_rad(PI).is_err());
    assert!(crack.nodes(0.0).is_err());
    let omega = Complex64::from(TAU * 5e6);
    assert!(crack.plane_strength(&steel(), omega, 2.0, 2.0).is_err());
    assert!(crack.plane_strength(&steel(), Complex64::ZERO, 0.5, 0.5).is_err());
}
