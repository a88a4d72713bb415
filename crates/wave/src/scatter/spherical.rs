//! Spherical Bessel functions of all orders at one argument.

use num_complex::Complex64;

/// j_n and h_n = j_n + i y_n of one argument for orders 0 to a limit; the argument may be damped
/// (imaginary part zero or more).
pub(super) struct Spherical {
    x: Complex64,
    standing: Vec<Complex64>,
    outgoing: Vec<Complex64>,
}

impl Spherical {
    /// Orders 0 to `limit` (and one more for the derivatives); |x| above zero.
    pub(super) fn new(limit: usize, x: Complex64) -> Self {
        let (sin, cos) = (x.sin(), x.cos());
        let mut y = vec![-cos / x, -cos / (x * x) - sin / x];
        for n in 1..=limit {
            y.push(y[n] * (2 * n + 1) as f64 / x - y[n - 1]);
        }
        // Downward (Miller), from an order where j is negligible, scaled on the larger of j0, j1.
        let start = limit.max(x.norm() as usize) + 40;
        let mut j = vec![Complex64::ZERO; start + 2];
        j[start] = Complex64::from(1e-100);
        for n in (1..=start).rev() {
            j[n - 1] = j[n] * (2 * n + 1) as f64 / x - j[n + 1];
            if j[n - 1].norm_sqr() > 1e200 {
                for value in &mut j[n - 1..] {
                    *value *= 1e-100;
                }
            }
        }
        let first = if x.norm() < 1e-3 { x / 3.0 } else { sin / (x * x) - cos / x };
        let (zero, one) = (sin / x, first);
        let scale = if j[0].norm() >= j[1].norm() { zero / j[0] } else { one / j[1] };
        j.iter_mut().for_each(|value| *value *= scale);
        let i = Complex64::i();
        let outgoing = j.iter().zip(&y).map(|(j, y)| j + i * y).collect();
        Self { x, standing: j, outgoing }
    }

    /// Order n: the value and x times the derivative.
    pub(super) fn radial(&self, n: usize, outgoing: bool) -> (Complex64, Complex64) {
        let list = if outgoing { &self.outgoing } else { &self.standing };
        (list[n], list[n] * n as f64 - self.x * list[n + 1])
    }
}
