//! Boundary-value problems of a round bar solved afresh: plain functions, plain elimination.

use barwright_wave::harmonics::{bessel_j, hankel_1};
use barwright_wave::{Fluid, Mode, Point, Solid};
use num_complex::Complex64;

const I: Complex64 = Complex64::new(0.0, 1.0);

/// Value, first and second derivative by the argument, of order |n|.
#[derive(Clone, Copy)]
struct Radial {
    z: Complex64,
    d: Complex64,
    dd: Complex64,
}

/// Orders 0..=highest of J (or H) at x.
fn radials(x: Complex64, highest: usize, outgoing: bool) -> Vec<Radial> {
    let ladder = if outgoing { hankel_1(x, highest + 1) } else { bessel_j(x, highest + 1) };
    let ladder = ladder.expect("in range");
    (0..=highest)
        .map(|n| {
            let (nf, z) = (n as f64, ladder.value(n));
            let d = z * nf / x - ladder.value(n + 1);
            Radial { z, d, dd: -d / x - z * (1.0 - (nf / x) * (nf / x)) }
        })
        .collect()
}

/// Normal stress, shear stress, normal displacement of P_L of order n at a radius (x_l = k_L r).
fn by_l(n: i32, f: Radial, x_l: Complex64, x_s: Complex64, x: Complex64) -> [Complex64; 3] {
    let k2 = (x_s / x_l).powi(2);
    let turn = 2.0 * I * f64::from(n) / (x_s * x_s);
    [f.dd * 2.0 / k2 - f.z * (1.0 - 2.0 / k2), turn * (x_l * f.d - f.z), x_l * f.d / x]
}

/// The same of P_S.
fn by_s(n: i32, f: Radial, x_s: Complex64, x: Complex64) -> [Complex64; 3] {
    let n = f64::from(n);
    let turn = 2.0 * I * n / (x_s * x_s);
    let shear = (-f.z * n * n - x_s * x_s * f.dd + x_s * f.d) / (x_s * x_s);
    [turn * (x_s * f.d - f.z), shear, I * n * f.z / x]
}

fn by_water(f: Radial, heavy: f64) -> [Complex64; 3] {
    [f.z, Complex64::ZERO, -heavy * f.d]
}

/// Gauss with column scaling and partial pivoting.
fn solve(mut columns: Vec<Vec<Complex64>>, mut right: Vec<Complex64>) -> Vec<Complex64> {
    let n = right.len();
    let sizes: Vec<f64> =
        columns.iter().map(|c| c.iter().map(|v| v.norm()).fold(0.0, f64::max)).collect();
    for (column, size) in columns.iter_mut().zip(&sizes) {
        column.iter_mut().for_each(|v| *v /= *size);
    }
    for p in 0..n {
        let best = (p..n)
            .max_by(|&a, &b| columns[p][a].norm().total_cmp(&columns[p][b].norm()))
            .expect("rows");
        columns.iter_mut().for_each(|c| c.swap(p, best));
        right.swap(p, best);
        for row in p + 1..n {
            let factor = columns[p][row] / columns[p][p];
            for column in columns.iter_mut() {
                let above = column[p];
                column[row] -= factor * above;
            }
            let above = right[p];
            right[row] -= factor * above;
        }
    }
    for row in (0..n).rev() {
        for c in row + 1..n {
            let known = columns[c][row] * right[c];
            right[row] -= known;
        }
        right[row] /= columns[row][row];
    }
    right.iter().zip(&sizes).map(|(x, s)| x / s).collect()
}

/// Pressure at a place in the water due to a unit line source (i/4) H_0 of one mode in the steel.
pub fn source_in_steel(
    radius: f64,
    fluid: &Fluid,
    solid: &Solid,
    angular: Complex64,
    mode: Mode,
    source: Point,
    receiver: Point,
) -> Complex64 {
    let (k, k_l, k_s) =
        (angular / fluid.velocity_m_s, angular / solid.longitudinal_m_s, angular / solid.shear_m_s);
    let [x, x_l, x_s] = [k, k_l, k_s].map(|k| k * radius);
    let highest = (x.norm() + 25.0) as usize;
    let heavy = solid.density_kg_m3 / fluid.density_kg_m3;
    let k_m = if mode == Mode::L { k_l } else { k_s };
    let water = radials(x, highest, true);
    let heard = radials(k * receiver.radius(), highest, true);
    let (l, s) = (radials(x_l, highest, false), radials(x_s, highest, false));
    let out = radials(k_m * radius, highest, true);
    let near = bessel_j(k_m * source.radius(), highest).expect("in range");
    let turn = receiver.angle() - source.angle();
    let mut p = Complex64::ZERO;
    let top = highest as i32;
    for n in -top..=top {
        let m = n.unsigned_abs() as usize;
        let sent = match mode {
            Mode::L => by_l(n, out[m], x_l, x_s, x),
            Mode::S => by_s(n, out[m], x_s, x),
        };
        let strength = 0.25 * I * near.value(m);
        let columns = vec![
            by_water(water[m], heavy).to_vec(),
            by_l(n, l[m], x_l, x_s, x).to_vec(),
            by_s(n, s[m], x_s, x).to_vec(),
        ];
        let b = solve(columns, sent.iter().map(|v| -v * strength).collect())[0];
        p += b * heard[m].z * Complex64::from_polar(1.0, f64::from(n) * turn);
    }
    p
}

/// What elements at a distance and at angles hear of their own sound because of a bore on the axis: bar
/// with bore less solid bar, unit line sources, all at once.
pub fn bar_with_bore(
    radius: f64,
    bore: f64,
    fluid: &Fluid,
    solid: &Solid,
    angular: Complex64,
    distance: f64,
    angles: &[f64],
) -> Complex64 {
    let (k, k_l, k_s) =
        (angular / fluid.velocity_m_s, angular / solid.longitudinal_m_s, angular / solid.shear_m_s);
    let [x, x_l, x_s] = [k, k_l, k_s].map(|k| k * radius);
    let [y_l, y_s] = [k_l, k_s].map(|k| k * bore);
    // Orders that reach the bore.
    let highest = (y_s.norm() + 12.0 * y_s.norm().cbrt() + 8.0) as usize;
    let heavy = solid.density_kg_m3 / fluid.density_kg_m3;
    let (water, inward) = (radials(x, highest, true), radials(x, highest, false));
    let outer = [(x_l, false), (x_l, true), (x_s, false), (x_s, true)]
        .map(|(x, out)| radials(x, highest, out));
    let inner = [(y_l, false), (y_l, true), (y_s, false), (y_s, true)]
        .map(|(x, out)| radials(x, highest, out));
    let far = radials(k * distance, highest, true);
    let mut sum = Complex64::ZERO;
    for (m, far) in far.iter().enumerate() {
        let n = m as i32;
        let first = by_water(water[m], heavy);
        let sent = by_water(inward[m], heavy);
        let surface = [
            by_l(n, outer[0][m], x_l, x_s, x),
            by_l(n, outer[1][m], x_l, x_s, x),
            by_s(n, outer[2][m], x_s, x),
            by_s(n, outer[3][m], x_s, x),
        ];
        let solid_bar =
            solve(vec![first.to_vec(), surface[0].to_vec(), surface[2].to_vec()], minus(&sent));
        let wall = [
            by_l(n, inner[0][m], y_l, y_s, y_s),
            by_l(n, inner[1][m], y_l, y_s, y_s),
            by_s(n, inner[2][m], y_s, y_s),
            by_s(n, inner[3][m], y_s, y_s),
        ];
        let none = [Complex64::ZERO; 2];
        let column = |a: &[Complex64; 3], b: &[Complex64]| [&a[..], &b[..2]].concat();
        let mut columns = vec![column(&first, &none)];
        columns.extend(surface.iter().zip(&wall).map(|(a, b)| column(a, b)));
        let mut right = minus(&sent);
        right.extend(none);
        let bored = solve(columns, right);
        let pattern: Complex64 =
            angles.iter().map(|a| Complex64::from_polar(1.0, f64::from(n) * a)).sum();
        let twice = if n == 0 { 1.0 } else { 2.0 };
        sum += (bored[0] - solid_bar[0]) * 0.25 * I * far.z * far.z * pattern.norm_sqr() * twice;
    }
    sum
}

fn minus(list: &[Complex64]) -> Vec<Complex64> {
    list.iter().map(|v| -v).collect()
}
