//! The third dimension: strips of finite length side by side are pistons, whose fields are known.

use std::f64::consts::PI;

use barwright_wave::elevation::{Spread, Strip, axial_width_m};
use barwright_wave::pulse::Pulse;
use barwright_wave::{Result, scatter};
use num_complex::Complex64;

use super::published::Table;
use super::{Comparison, Truth};

const C_M_S: f64 = 1480.0;
const F_HZ: f64 = 5e6;
/// Strips that a piston is cut into.
const STRIPS: u32 = 1200;

/// Compares all of them.
pub fn compare(out: &mut Vec<Comparison>) -> Result<()> {
    let mut t = Table {
        out,
        source: "circular piston, Krautkraemer (4th ed. 1990) ch. 4 (chapter from memory)",
        truth: Truth::ClosedForm,
    };
    circular(&mut t);
    t.source = "Fresnel's integrals and a sinc in the focus";
    strip(&mut t)
}

/// Pressure over ρ c v of a circular piston at (x, z) on a plane `depth_m` away.
fn piston(radius_m: f64, depth_m: f64, x_m: f64, z_m: f64) -> f64 {
    let k = 2.0 * PI * F_HZ / C_M_S;
    let width = 2.0 * radius_m / f64::from(STRIPS);
    let sum: Complex64 = (0..STRIPS)
        .map(|i| {
            let at = -radius_m + (f64::from(i) + 0.5) * width;
            let length = 2.0 * (radius_m * radius_m - at * at).sqrt();
            let r = depth_m.hypot(x_m - at);
            // Far field of a line source of unit strength (1/(8kr) is left out: 2e-5 here).
            let line = scatter::line_strength(Complex64::ONE, k).inv()
                * Complex64::from_polar(1.0 / r.sqrt(), k * r);
            let spread = Spread { path_m: r, velocity_m_s: C_M_S };
            line * Strip::straight(length).factor(z_m, &spread, F_HZ)
        })
        .sum();
    (sum * 2.0 * k * width).norm()
}

fn circular(t: &mut Table<'_>) {
    let (k, a) = (2.0 * PI * F_HZ / C_M_S, 5e-3);
    for d in [0.05_f64, 0.0845, 0.12, 0.3] {
        let exact = 2.0 * (k / 2.0 * (d.hypot(a) - d)).sin().abs();
        // Quartic phase k a⁴/(8 d³): 0.04 rad at 50 mm.
        let case = format!("piston of 10 mm, 5 MHz, {:.0} mm away", d * 1e3);
        t.row(&case, "pressure on the axis", "ρcv", piston(a, d, 0.0, 0.0), exact, 0.04);
    }
    let (d, off) = (1.5, 0.045);
    let axis = piston(a, d, 0.0, 0.0);
    let v = k * a * off / f64::hypot(d, off);
    let exact = (2.0 * bessel_j1(v) / v).abs();
    for (name, x, z) in [("across the strips", off, 0.0), ("along them", 0.0, off)] {
        // The far field is 17 near fields away.
        let got = piston(a, d, x, z) / axis;
        t.row("piston of 10 mm, far away", &format!("2 J1(v)/v {name}"), "", got, exact, 0.01);
    }
}

/// J₁ by its integral, the mean of cos(θ - x sin θ): exact for a periodic integrand once the points
/// outnumber x.
fn bessel_j1(x: f64) -> f64 {
    let n = 64;
    let angle = |i: u32| 2.0 * PI * f64::from(i) / f64::from(n);
    (0..n).map(|i| (angle(i) - x * angle(i).sin()).cos()).sum::<f64>() / f64::from(n)
}

fn strip(t: &mut Table<'_>) -> Result<()> {
    let lambda = C_M_S / F_HZ;
    let length = 0.012;
    let focus = 0.09;
    let curved = Strip { length_m: length, focus_m: Some(focus) };
    let at = |path_m: f64| Spread { path_m, velocity_m_s: C_M_S };
    let exact = length / (lambda * focus).sqrt();
    let got = curved.factor(0.0, &at(focus), F_HZ).norm();
    t.row("12 mm strip in its focus of 90 mm", "gain over an endless strip", "", got, exact, 1e-9);
    // The last maximum of Fresnel's spiral: √2 |C + iS| at u = 1.2094, s = L²/(2 λ u²).
    let end = length * length / (2.0 * lambda * 1.2094 * 1.2094);
    let got = Strip::straight(length).factor(0.0, &at(end), F_HZ).norm();
    t.row("12 mm strip, end of its near field", "field on the axis", "", got, 1.342_17, 1e-4);
    // One frequency: 1 % of bandwidth. There and back sinc² falls to 1/2 and 1/10 there.
    let narrow = Pulse::new(F_HZ, 0.01)?;
    for (drop_db, half) in [(20.0 * 2f64.log10(), 0.442_946), (20.0, 0.738_026)] {
        let got = axial_width_m(&curved, &at(focus), &narrow, drop_db)? * 1e3;
        let exact = 2.0 * half * lambda * focus / length * 1e3;
        let quantity = format!("width there and back, -{drop_db:.0} dB");
        // 0.4 %: the bandwidth.
        t.row("12 mm strip in its focus of 90 mm", &quantity, "mm", got, exact, 0.004 * exact);
    }
    Ok(())
}
