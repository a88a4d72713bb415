//! Strips of finite length side by side are pistons: their field against closed forms.
//!
//! Truth of every test here: closed form, or a surface integral over point sources.

use barwright_wave::elevation::{Spread, Strip};
use num_complex::Complex64;
use std::f64::consts::PI;

const C: f64 = 1480.0;
const F: f64 = 5e6;
const K: f64 = 2.0 * PI * F / C;

/// (i/4) H₀(kr): the line source that each strip is.
fn line_source(r: f64) -> Complex64 {
    Complex64::new(libm::j0(K * r), libm::y0(K * r)) * Complex64::new(0.0, 0.25)
}

/// Pressure over ρ c v of a piston in a wall, at (x, z) on a plane `depth` away; `length(x)` is the
/// piston's extent along z at x, |x| up to `half`. Rayleigh's integral -ik/(2π) ∬ exp(ikR)/R, its
/// inner integral by line source and strip.
fn piston(length: impl Fn(f64) -> f64, half: f64, depth: f64, x: f64, z: f64) -> Complex64 {
    let n = 1200;
    let width = 2.0 * half / f64::from(n);
    (0..n)
        .map(|i| {
            let at = -half + (f64::from(i) + 0.5) * width;
            let r = depth.hypot(x - at);
            let spread = Spread { path_m: r, velocity_m_s: C };
            line_source(r) * Strip::straight(length(at)).factor(z, &spread, F)
        })
        .sum::<Complex64>()
        * Complex64::new(0.0, -2.0 * K * width)
}

fn disc(radius: f64, depth: f64, x: f64, z: f64) -> Complex64 {
    piston(|at| 2.0 * (radius * radius - at * at).max(0.0).sqrt(), radius, depth, x, z)
}

// 2 |sin(k/2 (√(d²+a²) - d))|: Krautkraemer, 4th ed. 1990, ch. 4; Schmerr 2016, ch. 8 (chapters from
// memory). 0.02 of 2: quartic phase k a⁴/(8 d³), 0.04 rad at 50 mm.
#[test]
fn a_circular_piston_on_its_axis() {
    let a: f64 = 5e-3;
    for d in [0.05_f64, 0.06, 0.0845, 0.12, 0.3] {
        let exact = 2.0 * (K / 2.0 * ((d * d + a * a).sqrt() - d)).sin().abs();
        let got = disc(a, d, 0.0, 0.0).norm();
        assert!((got - exact).abs() < 0.04, "{d}: {got} {exact}");
    }
}

// The last maximum stands at a²/λ - λ/4. 1 %: the maximum is flat, 0.1 % in height over 2 % in place.
#[test]
fn the_near_field_of_a_circular_piston_ends_where_it_should() {
    let a = 5e-3;
    let lambda = C / F;
    let end = a * a / lambda - lambda / 4.0;
    let height = |d: f64| disc(a, d, 0.0, 0.0).norm();
    let crest = crest(height, 0.8 * end, 1.2 * end);
    assert!((crest / end - 1.0).abs() < 0.01, "{crest} {end}");
    assert!((height(crest) - 2.0).abs() < 5e-3);
}

fn crest(height: impl Fn(f64) -> f64, from: f64, to: f64) -> f64 {
    let n = 40;
    let step = (to - from) / f64::from(n);
    let levels: Vec<f64> = (0..=n).map(|i| height(from + f64::from(i) * step)).collect();
    let top = (1..levels.len() - 1).max_by(|a, b| levels[*a].total_cmp(&levels[*b])).expect("one");
    let (l, c, r) = (levels[top - 1], levels[top], levels[top + 1]);
    from + (top as f64 + 0.5 * (l - r) / (l - 2.0 * c + r)) * step
}

// Off the axis in the far field: 2 J₁(v)/v, v = k a sin θ, along the strips, across them and between.
// 0.01: the far field is 17 near fields away.
#[test]
fn a_circular_piston_off_its_axis() {
    let (a, d) = (5e-3, 1.5);
    let axis = disc(a, d, 0.0, 0.0).norm();
    for off in [0.02, 0.045, 0.07] {
        let v: f64 = K * a * off / f64::hypot(d, off);
        let exact = (2.0 * libm::j1(v) / v).abs();
        for turn in [0.0_f64, 0.7, PI / 2.0] {
            let got = disc(a, d, off * turn.cos(), off * turn.sin()).norm() / axis;
            assert!((got - exact).abs() < 0.01, "{off} {turn}: {got} {exact}");
        }
    }
}

// Along the axis of any piston Rayleigh's integral is one over its edge:
// p/(ρcv) = exp(ikd) - 1/(2π) ∮ exp(ikR) dθ. 0.02: quartic phase 0.02 rad.
#[test]
fn a_rectangular_piston_on_its_axis() {
    let (w, l) = (4e-3, 6e-3);
    for d in [0.05_f64, 0.08, 0.2] {
        let n = 4000;
        let edge: Complex64 = (0..n)
            .map(|i| {
                let (sin, cos) = (2.0 * PI * (f64::from(i) + 0.5) / f64::from(n)).sin_cos();
                let rho = (w / cos.abs()).min(l / sin.abs());
                Complex64::from_polar(1.0, K * d.hypot(rho))
            })
            .sum::<Complex64>()
            / f64::from(n);
        let exact = Complex64::from_polar(1.0, K * d) - edge;
        let got = piston(|_| 2.0 * l, w, d, 0.0, 0.0);
        assert!((got - exact).norm() < 0.05, "{d}: {got} {exact}");
        assert!((got.norm() - exact.norm()).abs() < 0.02, "{d}: {got} {exact}");
    }
}

// Off the axis near the piston: the surface integral over point sources; far away: a sinc either way.
#[test]
fn a_rectangular_piston_off_its_axis() {
    let (w, l, d) = (4e-3, 6e-3, 0.07_f64);
    for (x, z) in [(0.003, 0.0), (0.0, 0.005), (0.005, 0.008)] {
        let (nx, nz) = (240, 360);
        let mut exact = Complex64::ZERO;
        for i in 0..nx {
            for j in 0..nz {
                let at = (
                    w * (2.0 * (f64::from(i) + 0.5) / f64::from(nx) - 1.0),
                    l * (2.0 * (f64::from(j) + 0.5) / f64::from(nz) - 1.0),
                );
                let r = d.hypot(x - at.0).hypot(z - at.1);
                exact += Complex64::from_polar(1.0 / r, K * r);
            }
        }
        let part = 4.0 * w * l / f64::from(nx * nz);
        exact *= Complex64::new(0.0, -K / (2.0 * PI)) * part;
        let got = piston(|_| 2.0 * l, w, d, x, z);
        // Quartic phase of the oblique parts, 0.06 rad.
        assert!((got.norm() - exact.norm()).abs() < 0.03, "{x} {z}: {got} {exact}");
    }
    let far = 2.5;
    let axis = piston(|_| 2.0 * l, w, far, 0.0, 0.0).norm();
    let sinc = |v: f64| v.sin() / v;
    for (x, z) in [(0.05_f64, 1e-9_f64), (1e-9, 0.05), (0.04, 0.03)] {
        let exact = (sinc(K * w * x / far) * sinc(K * l * z / far)).abs();
        let got = piston(|_| 2.0 * l, w, far, x, z).norm() / axis;
        assert!((got - exact).abs() < 0.01, "{x} {z}: {got} {exact}");
    }
}

// A strip's own near field ends where Fresnel's spiral is furthest from its centre for the last
// time: L²/(2λs) = u², u = 1.2094, height √2 |C + iS| = 1.3422 (root of d(C²+S²)/du, computed here).
#[test]
fn the_near_field_of_a_strip_ends_where_it_should() {
    let length = 0.012;
    let lambda = C / F;
    let height = |s: f64| {
        Strip::straight(length).factor(0.0, &Spread { path_m: s, velocity_m_s: C }, F).norm()
    };
    let end = length * length / (2.0 * lambda * 1.2094 * 1.2094);
    let found = crest(height, 0.8 * end, 1.25 * end);
    assert!((found / end - 1.0).abs() < 2e-3, "{found} {end}");
    assert!((height(found) - 1.3422).abs() < 2e-4, "{}", height(found));
}
