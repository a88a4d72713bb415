//! Functions, coefficients, paths and holes.

use barwright_wave::cylinder::{Attenuation, ModalSolution, Passage};
use barwright_wave::harmonics::{Ladder, bessel_j, hankel_1};
use barwright_wave::interface::{free_surface_ss, plane_wave, plane_wave_out};
use barwright_wave::path::least_time;
use barwright_wave::scatter::SideDrilledHole;
use barwright_wave::{Fluid, Mode, Point, Solid, Surface, fresnel, water};
use num_complex::Complex64;
use serde_json::{Value, json};
use std::f64::consts::TAU;

use super::pair;

pub fn cases() -> Vec<Value> {
    let mut all = vec![water_speed(), fresnel_integrals(), target_strengths()];
    all.extend(ladders());
    all.extend(plane_waves());
    all.extend(paths());
    all.extend(holes());
    all.extend(form_functions());
    all
}

fn water_speed() -> Value {
    let temperatures: Vec<f64> = (0..=19).map(|k| f64::from(k) * 5.0).collect();
    let speed = |t: &f64| water::sound_velocity_m_s(*t).expect("in range");
    let ours: Vec<f64> = temperatures.iter().map(speed).collect();
    json!({ "kind": "water", "celsius": temperatures, "ours": ours })
}

fn fresnel_integrals() -> Value {
    let x: Vec<f64> =
        (0..200).map(|k| f64::from(k) * 0.05).chain([20.0, 40.0, -1.5, -7.0]).collect();
    let ours: Vec<Value> = x.iter().map(|&x| pair(fresnel::integral(x))).collect();
    json!({ "kind": "fresnel", "x": x, "ours": ours })
}

/// Bessel and Hankel functions: real and damped arguments on both sides of the switch at 25, and
/// orders far beyond the argument, where the values need exponents of their own.
fn ladders() -> Vec<Value> {
    let arguments = [
        (0.3, 0.0),
        (24.9, 0.0),
        (25.1, 0.0),
        (500.0, 0.0),
        (1271.0, 0.0),
        (24.0, 3.0),
        (800.0, 5.0),
        (636.0, 40.0),
    ];
    let mut cases = Vec::new();
    for (re, im) in arguments {
        let x = Complex64::new(re, im);
        let turning = x.norm() as usize;
        let orders = [0, 1, turning / 2 + 2, turning + 3, turning + 60, 2 * turning + 40, 3000];
        let highest = 3001;
        for (name, ladder) in [("j", bessel_j(x, highest)), ("h", hankel_1(x, highest))]
            .map(|(n, l)| (n, l.expect("in range")))
        {
            cases.push(ladder_case(name, x, &ladder, &orders));
        }
    }
    cases
}

fn ladder_case(name: &str, x: Complex64, ladder: &Ladder, orders: &[usize]) -> Value {
    let mantissas: Vec<Value> = orders.iter().map(|&n| pair(ladder.mantissas()[n])).collect();
    let exponents: Vec<i32> = orders.iter().map(|&n| ladder.exponents()[n]).collect();
    json!({ "kind": "ladder", "function": name, "x": pair(x), "orders": orders,
        "mantissas": mantissas, "exponents": exponents })
}

fn plane_waves() -> Vec<Value> {
    let mut cases = Vec::new();
    for (fluid, solid) in [
        ([1482.38, 998.204], [5920.0, 3255.0, 7850.0]),
        ([1480.0, 1000.0], [6320.0, 3130.0, 2700.0]),
        ([1480.0, 1000.0], [2700.0, 1100.0, 1180.0]),
    ] {
        let media = json!([fluid, solid]);
        let f = Fluid::new(fluid[0], fluid[1]).expect("a fluid");
        let s = Solid::new(solid[0], solid[1], solid[2]).expect("a solid");
        for k in 0..=177 {
            // Half degrees, and 45 degrees of shear refraction among them.
            let angle = if k == 177 {
                (fluid[0] / solid[1] * 0.5_f64.sqrt()).asin()
            } else {
                f64::from(k) * 0.5_f64.to_radians()
            };
            let w = plane_wave(&f, &s, angle).expect("in range");
            let out = |mode| pair(plane_wave_out(&f, &s, angle, mode).expect("in range"));
            cases.push(json!({ "kind": "plane", "media": media, "angle": angle,
                "in": [pair(w.reflected), pair(w.transmitted_l), pair(w.transmitted_s)],
                "out": [out(Mode::L), out(Mode::S)], "energy": w.energy,
                "free": pair(free_surface_ss(&s, angle)) }));
        }
    }
    cases
}

fn paths() -> Vec<Value> {
    let mut cases = Vec::new();
    let radii = [0.005, 0.010, 0.030, 0.060, 0.127];
    for (k, radius_m) in radii.into_iter().enumerate() {
        let round = Surface::Round { centre: Point::default(), radius_m };
        for (turn, depth) in
            [(0.0, 1.0), (0.05, 0.9), (0.3, 0.5), (-0.9, 0.02), (1.0, 1.0), (1.4, 1.7), (0.6, 1e-4)]
        {
            let from = Point::polar(radius_m * 1.5 + 0.004 + 0.003 * k as f64, 1.5);
            let at = radius_m * (1.0 - depth);
            let to = Point::polar(at.abs(), 1.5 + turn + if at < 0.0 { 3.1 } else { 0.0 });
            for c in [5920.0, 3255.0] {
                let path = least_time(&round, from, to, 1482.38, c).expect("a path");
                cases.push(json!({ "kind": "fermat", "radius": radius_m, "cf": 1482.38, "c": c,
                    "from": [from.x, from.y], "to": [to.x, to.y], "ours": path.time_s }));
            }
        }
    }
    let face = Surface::Flat { a: Point::new(1.0, 0.0), b: Point::new(-1.0, 0.0) };
    for (x, depth) in [(0.0, 0.02), (0.01, 0.03), (-0.05, 0.02), (0.2, 0.001), (0.003, 0.25)] {
        for c in [6320.0, 3130.0] {
            let (from, to) = (Point::new(0.0, 0.010), Point::new(x, -depth));
            let path = least_time(&face, from, to, 1480.0, c).expect("a path");
            cases.push(json!({ "kind": "fermat", "radius": null, "cf": 1480.0, "c": c,
                "from": [from.x, from.y], "to": [to.x, to.y], "ours": path.time_s }));
        }
    }
    cases
}

fn holes() -> Vec<Value> {
    let solid = Solid::new(5920.0, 3255.0, 7850.0).expect("steel");
    let mut cases = Vec::new();
    for (radius_m, frequency) in [(0.25e-3, 2e6), (0.5e-3, 5e6), (1.5e-3, 5e6), (3e-3, 10e6)] {
        let hole = SideDrilledHole::new(radius_m, &solid, frequency).expect("a hole");
        for theta in [0.0, 0.4, 1.3, -2.0, 2.9, std::f64::consts::PI] {
            let f = |incident, scattered| pair(hole.amplitude(incident, scattered, theta));
            let ours = [
                f(Mode::L, Mode::L),
                f(Mode::L, Mode::S),
                f(Mode::S, Mode::L),
                f(Mode::S, Mode::S),
            ];
            cases.push(json!({ "kind": "hole", "radius": radius_m, "frequency": frequency,
                "solid": [5920.0, 3255.0], "theta": theta, "ours": ours }));
        }
    }
    cases
}

/// Modal coefficients of a cylinder of 5 mm radius at a size parameter.
fn scattered(fluid: [f64; 2], solid: [f64; 3], ka: f64, shear_np_m: f64) -> Vec<Complex64> {
    let f = Fluid::new(fluid[0], fluid[1]).expect("a fluid");
    let s = Solid::new(solid[0], solid[1], solid[2]).expect("a solid");
    let loss = Attenuation { longitudinal_np_m: 0.0, shear_np_m };
    let angular = Complex64::new(ka / 0.005 * fluid[0], 0.0);
    ModalSolution::new(0.005, &s, &f, angular, loss, Passage::Full)
        .expect("valid")
        .scattered()
        .to_vec()
}

/// Sum over the orders of the back-scattered wave.
fn back(b: &[Complex64]) -> f64 {
    let sign = |n: usize| if n.is_multiple_of(2) { 1.0 } else { -1.0 };
    let sum: Complex64 =
        b.iter().enumerate().map(|(n, b)| b * (if n == 0 { 1.0 } else { 2.0 * sign(n) })).sum();
    sum.norm()
}

fn form_functions() -> Vec<Value> {
    let water = [1482.38, 998.204];
    let bodies = [
        ("steel", [5920.0, 3255.0, 7850.0]),
        ("aluminium", [6300.0, 3130.0, 2700.0]),
        ("tungsten carbide", [6853.0, 4171.0, 14900.0]),
        ("stainless 347", [5790.0, 3100.0, 7910.0]),
        // The two limits of a body without an inside.
        ("rigid", [5920.0, 3255.0, 1e14]),
        ("soft", [5920.0, 3255.0, 1e-8]),
    ];
    let mut cases = Vec::new();
    for (name, solid) in bodies {
        for ka in [0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0] {
            let b = scattered(water, solid, ka, 0.0);
            let f = 2.0 / (std::f64::consts::PI * ka).sqrt() * back(&b);
            let unitary =
                b.iter().map(|b| ((1.0 + 2.0 * b).norm() - 1.0).abs()).fold(0.0, f64::max);
            cases.push(json!({ "kind": "form", "body": name, "fluid": water, "solid": solid,
                "ka": ka, "ours": f, "unitary": unitary }));
        }
    }
    // A solid whose shear waves are slow and die out at once is a fluid.
    for ka in [0.5, 2.0, 5.0, 12.0] {
        let body = [1150.0, 2.0, 1260.0];
        let b = scattered(water, body, ka, 8e3);
        let ours: Vec<Value> = b.iter().take(ka as usize + 4).map(|b| pair(*b)).collect();
        cases.push(json!({ "kind": "fluid body", "fluid": water, "body": [1150.0, 1260.0],
            "ka": ka, "ours": ours }));
    }
    cases
}

fn target_strengths() -> Value {
    let khz = [12.0, 20.0, 38.0, 50.0, 60.0, 68.0];
    let strength = |f: &f64| {
        let ka = TAU * f * 1e3 / 1477.3 * 0.005;
        let sum = back(&scattered([1477.3, 1026.8], [6398.0, 3122.0, 2800.0], ka, 0.0));
        20.0 * (0.040 / std::f64::consts::PI * sum).log10()
    };
    let ours: Vec<f64> = khz.iter().map(strength).collect();
    json!({ "kind": "target strength", "khz": khz, "ours": ours })
}
