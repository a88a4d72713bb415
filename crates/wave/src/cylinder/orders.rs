//! Angular orders that line sources send onto the bar.

use num_complex::Complex64;

use crate::error::Result;
use crate::harmonics::{hankel_start, radix};

use super::array::LineSource;
use super::modal::ModalSolution;
use super::wide::wide;

/// `i/4`, the strength of a unit line source.
pub(super) const SOURCE: Complex64 = Complex64::new(0.0, 0.25);

/// Sources handled together, so that the recurrence fills the vector units.
const LANES: usize = 4;

/// Orders of a symmetric element at angle zero: `(i/4) Σ w H_n(k r) cos(n δ)`.
pub(super) fn symmetric_orders(
    solution: &ModalSolution,
    pattern: &[(f64, f64, f64)],
) -> Result<Vec<Complex64>> {
    let highest = solution.highest_order();
    let mut sum = vec![Complex64::ZERO; highest + 1];
    let mut known: Option<(f64, Vec<Complex64>)> = None;
    for &(radius, offset, weight) in pattern {
        // All strips of an arc element share their radius: one ladder serves.
        let outer = match known.take() {
            Some((r, outer)) if (r - radius).abs() <= 1e-13 * radius => outer,
            _ => solution.outer(radius, highest)?,
        };
        for (n, (total, h)) in sum.iter_mut().zip(&outer).enumerate() {
            *total += SOURCE * h * (weight * (n as f64 * offset).cos());
        }
        known = Some((radius, outer));
    }
    Ok(sum)
}

/// Scaled orders -highest..=highest of a few line sources: `(i/4) Σ w H_n(k r) e^{-inθ}`.
///
/// The upward recurrence of `H_n` runs on scaled values, stepping with the scale; the weight
/// rides along because the recurrence is linear.
pub(super) fn source_orders(
    solution: &ModalSolution,
    sources: &[LineSource],
    highest: usize,
) -> Result<Vec<Complex64>> {
    let mut orders = vec![Complex64::ZERO; 2 * highest + 1];
    for chunk in sources.chunks(LANES) {
        add_lanes(&mut orders, solution, chunk)?;
    }
    Ok(orders)
}

#[derive(Clone, Copy, Default)]
struct Lanes {
    re: [f64; LANES],
    im: [f64; LANES],
}

impl Lanes {
    fn set(&mut self, lane: usize, value: Complex64) {
        self.re[lane] = value.re;
        self.im[lane] = value.im;
    }

    #[inline(always)]
    fn scaled(mut self, factor: f64) -> Self {
        for lane in 0..LANES {
            self.re[lane] *= factor;
            self.im[lane] *= factor;
        }
        self
    }

    #[inline(always)]
    fn times(self, other: Self) -> Self {
        let mut product = Self::default();
        for lane in 0..LANES {
            product.re[lane] = self.re[lane] * other.re[lane] - self.im[lane] * other.im[lane];
            product.im[lane] = self.re[lane] * other.im[lane] + self.im[lane] * other.re[lane];
        }
        product
    }

    #[inline(always)]
    fn minus(mut self, other: Self) -> Self {
        for lane in 0..LANES {
            self.re[lane] -= other.re[lane];
            self.im[lane] -= other.im[lane];
        }
        self
    }

    /// Sums over the lanes of `self · other` and `self · conj(other)`.
    #[inline(always)]
    fn both_products(self, other: Self) -> (Complex64, Complex64) {
        let [mut rr, mut ii, mut ri, mut ir] = [[0.0; LANES]; 4];
        for lane in 0..LANES {
            rr[lane] = self.re[lane] * other.re[lane];
            ii[lane] = self.im[lane] * other.im[lane];
            ri[lane] = self.re[lane] * other.im[lane];
            ir[lane] = self.im[lane] * other.re[lane];
        }
        let [rr, ii, ri, ir] = [rr, ii, ri, ir].map(|v| (v[0] + v[2]) + (v[1] + v[3]));
        (Complex64::new(rr - ii, ri + ir), Complex64::new(rr + ii, ir - ri))
    }
}

fn add_lanes(
    orders: &mut [Complex64],
    solution: &ModalSolution,
    sources: &[LineSource],
) -> Result<()> {
    let [mut two_over_x, mut here, mut up, mut step] = [Lanes::default(); 4];
    for (lane, source) in sources.iter().enumerate() {
        let x = solution.wave_number_water() * source.at.radius();
        let (zero, one) = hankel_start(x)?;
        two_over_x.set(lane, 2.0 / x);
        here.set(lane, zero * SOURCE * source.weight);
        up.set(lane, one * SOURCE * source.weight);
        step.set(lane, Complex64::from_polar(1.0, -source.at.angle()));
    }
    let exponents = solution.surface_exponents();
    wide(
        #[inline(always)]
        || climb(orders, exponents, two_over_x, here, up, step),
    );
    Ok(())
}

/// Up the orders from `H_0` and `H_1`.
#[inline(always)]
fn climb(
    orders: &mut [Complex64],
    exponents: &[i32],
    two_over_x: Lanes,
    mut here: Lanes,
    mut up: Lanes,
    step: Lanes,
) {
    let highest = orders.len() / 2;
    let mut turn = Lanes { re: [1.0; LANES], im: [0.0; LANES] };
    let mut scale = 0;
    let mut sign = 1.0;
    for (n, &exponent) in exponents.iter().take(highest + 1).enumerate() {
        if exponent != scale {
            let change = radix(exponent - scale);
            here = here.scaled(change);
            up = up.scaled(change);
            scale = exponent;
        }
        let (forth, back) = here.both_products(turn);
        orders[highest + n] += forth;
        if n > 0 {
            orders[highest - n] += back * sign;
        }
        let next = two_over_x.scaled((n + 1) as f64).times(up).minus(here);
        here = up;
        up = next;
        turn = turn.times(step);
        sign = -sign;
    }
}
