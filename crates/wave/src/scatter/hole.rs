//! The side-drilled hole: exact scattering by a long cylindrical void.

use num_complex::Complex64;
use std::f64::consts::{FRAC_PI_4, PI, TAU};

use super::angular_frequency;
use crate::error::{Result, positive};
use crate::harmonics::{Ladder, bessel_j, hankel_1, radix};
use crate::media::{Mode, Solid};

/// Scattering of plane waves by a cylindrical void, at one frequency.
///
/// Scattered potentials Σ A_n H_n(k_L r) e^{inθ} and Σ B_n H_n(k_S r) e^{inθ} with a traction-free
/// wall. Source: Lopez-Sanchez, Kim, Schmerr, Sedov, J. Nondestr. Eval. 24 (2005) 83 (separation of
/// variables), and IEEE Trans. UFFC 52 (2005). Solved once; amplitudes in any direction are sums.
#[derive(Debug, Clone)]
pub struct SideDrilledHole {
    k_l: Complex64,
    k_s: Complex64,
    /// By order from zero: scattered over incident coefficient, LL, LS, SL, SS.
    orders: Vec<[Complex64; 4]>,
}

impl SideDrilledHole {
    /// The hole of a radius in m at a frequency in Hz; accurate to 1e-10 of √radius from k a of 1e-3
    /// to some hundreds.
    ///
    /// # Errors
    /// [`crate::WaveError::OutOfRange`] for a radius or frequency that is not positive.
    pub fn new(radius_m: f64, solid: &Solid, frequency_hz: f64) -> Result<Self> {
        let omega = TAU * positive("the frequency", frequency_hz, "Hz")?;
        Self::damped(radius_m, solid, Complex64::from(omega))
    }

    /// The same at an angular frequency ω + i damping in rad/s, as damped bands use it; the damping
    /// is zero or more.
    ///
    /// # Errors
    /// [`crate::WaveError::OutOfRange`] for a radius or frequency that is not positive, or a damping
    /// below zero.
    pub fn damped(radius_m: f64, solid: &Solid, angular: Complex64) -> Result<Self> {
        positive("the radius of the hole", radius_m, "m")?;
        angular_frequency(angular)?;
        let (k_l, k_s) = (angular / solid.longitudinal_m_s, angular / solid.shear_m_s);
        let (x_l, x_s) = (k_l * radius_m, k_s * radius_m);
        let size = x_s.norm();
        let limit = (size + 15.0 * size.cbrt() + 25.0) as usize;
        let (l, s) = (Wave::new(x_l, limit)?, Wave::new(x_s, limit)?);
        let mut orders = Vec::new();
        for n in 0..=limit {
            let order = modal(n, &l, &s);
            let largest = order.iter().map(|c| c.norm()).fold(0.0, f64::max);
            orders.push(order);
            // Past the order of the argument the coefficients fall faster than any power.
            if n as f64 > size + 2.0 && largest < 1e-18 {
                break;
            }
        }
        Ok(Self { k_l, k_s, orders })
    }

    /// Far-field amplitude f in √m: scattered wave = f exp(ikr)/√r times the incident one, k that of
    /// the scattered kind. `theta_rad` is the angle from the direction of incidence, counter-clockwise:
    /// zero forward, π back to the source.
    #[must_use]
    pub fn amplitude(&self, incident: Mode, scattered: Mode, theta_rad: f64) -> Complex64 {
        let k = if scattered == Mode::L { self.k_l } else { self.k_s };
        let far = (2.0 / (PI * k)).sqrt() * Complex64::from_polar(1.0, -FRAC_PI_4);
        self.sum(incident, scattered, theta_rad) * far
    }

    /// Strength of the line source that stands for the hole: [`super::line_strength`] of
    /// [`Self::amplitude`], a pure number.
    #[must_use]
    pub fn strength(&self, incident: Mode, scattered: Mode, theta_rad: f64) -> Complex64 {
        // The source (i/4) H_0 carries 4/i; the wave numbers of both asymptotic forms cancel.
        self.sum(incident, scattered, theta_rad) * Complex64::new(0.0, -4.0)
    }

    /// Scattered over incident coefficient of one angular order, H_n over J_n; zero beyond the orders
    /// that matter.
    pub(crate) fn order(&self, incident: Mode, scattered: Mode, n: i32) -> Complex64 {
        let Some(all) = self.orders.get(n.unsigned_abs() as usize) else {
            return Complex64::ZERO;
        };
        match (incident, scattered) {
            (Mode::L, Mode::L) => all[0],
            // Converted orders are odd in n.
            (Mode::L, Mode::S) => all[1] * f64::from(n.signum()),
            (Mode::S, Mode::L) => all[2] * f64::from(n.signum()),
            (Mode::S, Mode::S) => all[3],
        }
    }

    fn sum(&self, incident: Mode, scattered: Mode, theta_rad: f64) -> Complex64 {
        let (which, converts) = match (incident, scattered) {
            (Mode::L, Mode::L) => (0, false),
            (Mode::L, Mode::S) => (1, true),
            (Mode::S, Mode::L) => (2, true),
            (Mode::S, Mode::S) => (3, false),
        };
        let mut sum = Complex64::ZERO;
        for (n, order) in self.orders.iter().enumerate() {
            let angle = n as f64 * theta_rad;
            // Orders n and -n together: even for like waves, odd for converted ones.
            sum += match (n, converts) {
                (0, false) => order[which],
                (0, true) => Complex64::ZERO,
                (_, false) => order[which] * (2.0 * angle.cos()),
                (_, true) => order[which] * Complex64::new(0.0, 2.0 * angle.sin()),
            };
        }
        sum
    }
}

/// Cylinder functions of one kind of wave at the wall: standing and outgoing.
struct Wave {
    x: Complex64,
    standing: Ladder,
    outgoing: Ladder,
}

impl Wave {
    fn new(x: Complex64, limit: usize) -> Result<Self> {
        Ok(Self { x, standing: bessel_j(x, limit + 1)?, outgoing: hankel_1(x, limit + 1)? })
    }

    /// Order n: value, x times derivative, and the exponent of both.
    fn at(&self, n: usize, outgoing: bool) -> (Complex64, Complex64, i32) {
        let ladder = if outgoing { &self.outgoing } else { &self.standing };
        let base = ladder.exponents()[n];
        let value = ladder.mantissas()[n];
        // x C_n' = n C_n - x C_{n+1}.
        (value, value * n as f64 - self.x * ladder.over(n + 1, base), base)
    }
}

/// Scattered over incident coefficients of order n: LL, LS, SL, SS.
fn modal(n: usize, l: &Wave, s: &Wave) -> [Complex64; 4] {
    let nf = n as f64;
    let own = 2.0 * nf * nf - s.x * s.x;
    let turn = Complex64::new(0.0, 2.0 * nf);
    // Tractions (normal, tangential; times a²/μ) at the wall due to P_L and P_S of order n.
    let by_l = |outgoing| {
        let (value, slope, base) = l.at(n, outgoing);
        ([value * own - slope * 2.0, turn * (slope - value)], base)
    };
    let by_s = |outgoing| {
        let (value, slope, base) = s.at(n, outgoing);
        ([turn * (slope - value), slope * 2.0 - value * own], base)
    };
    let ((out_l, high_l), (out_s, high_s)) = (by_l(true), by_s(true));
    let ((in_l, low_l), (in_s, low_s)) = (by_l(false), by_s(false));
    let det = |p: [Complex64; 2], q: [Complex64; 2]| p[0] * q[1] - p[1] * q[0];
    let whole = -det(out_l, out_s);
    [
        det(in_l, out_s) / whole * radix(low_l - high_l),
        det(out_l, in_l) / whole * radix(low_l - high_s),
        det(in_s, out_s) / whole * radix(low_s - high_l),
        det(out_l, in_s) / whole * radix(low_s - high_s),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steel() -> Solid {
        Solid::new(5900.0, 3230.0, 7800.0).expect("steel")
    }

    // Truth: property. A void keeps energy: the modal scattering matrix is unitary, and
    // symmetric by reciprocity. 1e-10: the determinant of small x loses n²/x² digits.
    #[test]
    fn energy_is_conserved_order_by_order() {
        for f in [2e5, 1e6, 5e6, 2e7] {
            let hole = SideDrilledHole::new(5e-4, &steel(), f).expect("a hole");
            for (n, [ll, ls, sl, ss]) in hole.orders.iter().enumerate() {
                let one = (Complex64::from(1.0) + ll * 2.0).norm_sqr() + (ls * 2.0).norm_sqr();
                let two = (Complex64::from(1.0) + ss * 2.0).norm_sqr() + (sl * 2.0).norm_sqr();
                assert!((one - 1.0).abs() < 1e-10, "{f} {n}: {one}");
                assert!((two - 1.0).abs() < 1e-10, "{f} {n}: {two}");
                assert!((ls + sl).norm() < 1e-10, "{f} {n}: {ls} {sl}");
            }
        }
    }

    // Truth: published values of an open test suite (2 MHz, 6000/3000 m/s, radius 0.5 mm), amplitude
    // per root wavelength, angle counted from the way back. LL to 1e-9; its SS values differ from a
    // converged series by 2e-6, so 1e-5.
    #[test]
    fn hole_meets_published_scattering() {
        let solid = Solid::new(6000.0, 3000.0, 2700.0).expect("a solid");
        let hole = SideDrilledHole::new(5e-4, &solid, 2e6).expect("a hole");
        let rows = [
            (0.209_439_5, (0.212_013_086_1, 0.184_664_953_6), (0.181_910_208, -0.257_602_560)),
            (
                1.466_076_571_675,
                (-0.005_253_862_3, 0.211_028_560_2),
                (-0.126_223_796, 0.187_399_980),
            ),
            (PI, (-0.206_384_032_6, 0.336_645_038_8), (-0.262_017_703, 0.771_353_788)),
        ];
        for (back, ll, ss) in rows {
            let got = |mode, c: f64| hole.amplitude(mode, mode, PI - back) / (c / 2e6).sqrt();
            let far = got(Mode::L, 6000.0) - Complex64::new(ll.0, ll.1);
            // The first angle is printed to seven digits.
            assert!(far.norm() < 2e-8, "{back}: LL off by {far}");
            let far = got(Mode::S, 3000.0) - Complex64::new(ss.0, ss.1);
            assert!(far.norm() < 1e-5, "{back}: SS off by {far}");
        }
    }

    // Truth: closed form, the high-frequency limit |f| = √(a/2); 2 % at k a = 100 (creeping waves).
    #[test]
    fn large_holes_reflect_like_a_mirror() {
        let hole = SideDrilledHole::new(0.02, &steel(), 5e6).expect("a hole");
        for mode in [Mode::L, Mode::S] {
            let f = hole.amplitude(mode, mode, PI).norm();
            assert!((f / 0.1 - 1.0).abs() < 0.02, "{mode:?} {f}");
        }
    }

    // Truth: property (optical theorem in two dimensions, both kinds of wave). What leaves in all
    // directions equals what the forward wave lacks; a P-unit of S carries cL/cS less the other way
    // round. 1e-10 as order by order; the trapezoidal rule is exact for a finite Fourier sum.
    #[test]
    fn the_optical_theorem_holds_with_conversion() {
        let (solid, hole_m, f) = (steel(), 5e-4, 5e6);
        let hole = SideDrilledHole::new(hole_m, &solid, f).expect("a hole");
        let c = |mode| solid.velocity_m_s(mode);
        for incident in [Mode::L, Mode::S] {
            let steps = 512;
            // Energy flux of a wave of unit P is 1/(2 ρ c): scattered width = Σ c_in/c_out ∫|f|².
            let left: f64 = [Mode::L, Mode::S]
                .iter()
                .map(|&out| {
                    let sum: f64 = (0..steps)
                        .map(|i| {
                            let theta = TAU * f64::from(i) / f64::from(steps);
                            hole.amplitude(incident, out, theta).norm_sqr()
                        })
                        .sum();
                    c(incident) / c(out) * sum * TAU / f64::from(steps)
                })
                .sum();
            let k = TAU * f / c(incident);
            let forward = hole.amplitude(incident, incident, 0.0);
            let lost =
                -2.0 * (TAU / k).sqrt() * (forward * Complex64::from_polar(1.0, FRAC_PI_4)).re;
            assert!((left / lost - 1.0).abs() < 1e-10, "{incident:?} {left} {lost}");
        }
    }

    // Truth: property (reciprocity of mode conversion): as line sources, L to S one way equals S to
    // L back, whose angle is counted from the other direction. Rounding only.
    #[test]
    fn conversion_is_the_same_both_ways() {
        let hole = SideDrilledHole::new(7e-4, &steel(), 4e6).expect("a hole");
        for theta in [0.3, 1.2, 2.5, -2.0] {
            let there = hole.strength(Mode::L, Mode::S, theta);
            let back = hole.strength(Mode::S, Mode::L, -theta);
            assert!((there - back).norm() < 1e-10 * there.norm(), "{theta}: {there} {back}");
        }
    }

    // Truth: closed form. In a solid whose shear velocity tends to zero the hole is a soft cylinder
    // in a fluid, Σ -J_n/H_n; what is left goes with the square of cS/cL (1.2e-5 here).
    #[test]
    fn without_shear_it_is_a_soft_cylinder() {
        let solid = Solid::new(5900.0, 20.0, 7800.0).expect("nearly a fluid");
        let (radius, f) = (5e-4, 2e6);
        let hole = SideDrilledHole::new(radius, &solid, f).expect("a hole");
        let x = TAU * f / 5900.0 * radius;
        for theta in [0.0, 1.0, PI] {
            let soft: Complex64 = (0..30)
                .map(|n| {
                    let h = Complex64::new(libm::jn(n, x), libm::yn(n, x));
                    let twice = if n == 0 { 1.0 } else { 2.0 };
                    -h.re / h * twice * (f64::from(n) * theta).cos()
                })
                .sum();
            let got = hole.strength(Mode::L, Mode::L, theta) / Complex64::new(0.0, -4.0);
            assert!((got - soft).norm() < 1e-3 * soft.norm(), "{theta}: {got} {soft}");
        }
    }

    // Truth: property. A little damping continues the answer analytically: the change over i δ equals
    // the change over δ (Cauchy-Riemann), to second order in the step of 1e-4.
    #[test]
    fn damping_continues_the_answer() {
        let omega = Complex64::from(TAU * 5e6);
        let at = |step: Complex64| {
            let hole = SideDrilledHole::damped(5e-4, &steel(), omega + step).expect("a hole");
            hole.strength(Mode::S, Mode::S, 2.0)
        };
        let d = TAU * 500.0;
        let along = (at(Complex64::from(d)) - at(Complex64::from(-d))) / (2.0 * d);
        let up = (at(Complex64::new(0.0, d)) - at(Complex64::ZERO)) / Complex64::new(0.0, d);
        assert!((along - up).norm() < 1e-2 * along.norm(), "{along} {up}");
    }

    #[test]
    fn what_is_no_hole_is_refused() {
        for bad in [0.0, -1e-3, f64::NAN, f64::INFINITY] {
            assert!(SideDrilledHole::new(bad, &steel(), 5e6).is_err(), "{bad}");
            assert!(SideDrilledHole::new(1e-3, &steel(), bad).is_err(), "{bad}");
        }
        assert!(SideDrilledHole::damped(1e-3, &steel(), Complex64::new(3e7, -1.0)).is_err());
    }
}
