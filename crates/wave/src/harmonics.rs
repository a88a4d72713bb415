//! Bessel and Hankel functions of all orders at one argument ("ladders"), without overflow.
//!
//! `J_n` falls below and `H_n` rises above what a float can hold long before a series over the
//! orders has converged, so every value carries a mantissa and an exponent of its own. Arguments
//! may be complex with an imaginary part of zero or more (damped waves); sizes up to the 10⁵ of a
//! thick bar at high frequency are ordinary.
//!
//! Source: Abramowitz & Stegun, *Handbook of Mathematical Functions*, 9.1.27 (recurrence),
//! 9.1.44-45 (sum rule), 9.1.88 (Neumann series for Y), 9.2.5-10 (Hankel's expansion);
//! Miller's downward recurrence: section 9.12.

use num_complex::Complex64;
use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI};

use crate::error::{Result, WaveError};

/// Exponents count powers of 2^256: rare enough to be cheap, far enough from the limits of a
/// float that products of three mantissas stay inside.
const UP: f64 = f64::from_bits((1023 + 256) << 52);
const DOWN: f64 = f64::from_bits((1023 - 256) << 52);
/// Squared bounds of a mantissa: 2^-128 ..= 2^128.
const LARGE_SQR: f64 = UP;
const SMALL_SQR: f64 = DOWN;
/// From this size on Hankel's expansion is exact to the last bit (its smallest term is e^-2|x|).
const FAR: f64 = 25.0;
/// Below this size every `J_n` but `J_0` vanishes beside 1.
const NOUGHT: f64 = 1e-20;
const EULER: f64 = 0.577_215_664_901_532_9;
const I: Complex64 = Complex64::new(0.0, 1.0);

/// 2^(256 e), zero or infinite beyond the range of a float.
#[must_use]
pub fn radix(exponent: i32) -> f64 {
    match exponent {
        0 => 1.0,
        1 => UP,
        2 => UP * UP,
        3 => UP * UP * UP,
        -1 => DOWN,
        -2 => DOWN * DOWN,
        -3 => DOWN * DOWN * DOWN,
        e if e < 0 => 0.0,
        _ => f64::INFINITY,
    }
}

/// Values of the orders 0, 1, 2, ... each as `mantissa · 2^(256 exponent)`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Ladder {
    mantissa: Vec<Complex64>,
    exponent: Vec<i32>,
}

impl Ladder {
    /// An empty ladder with room for the orders `0..=highest`.
    #[must_use]
    pub fn with_highest(highest: usize) -> Self {
        Self {
            mantissa: Vec::with_capacity(highest + 1),
            exponent: Vec::with_capacity(highest + 1),
        }
    }

    /// Appends the next order.
    pub fn push(&mut self, mantissa: Complex64, exponent: i32) {
        let (mantissa, exponent) = normalised(mantissa, exponent);
        self.mantissa.push(mantissa);
        self.exponent.push(exponent);
    }

    /// Number of orders held (highest order + 1).
    #[must_use]
    pub fn len(&self) -> usize {
        self.mantissa.len()
    }

    /// True if no order is held.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.mantissa.is_empty()
    }

    /// Mantissas of all orders, each of size 2^-128 to 2^128 (or exactly zero).
    #[must_use]
    pub fn mantissas(&self) -> &[Complex64] {
        &self.mantissa
    }

    /// Exponents of all orders, in powers of 2^256.
    #[must_use]
    pub fn exponents(&self) -> &[i32] {
        &self.exponent
    }

    /// Value of one order as a plain number: zero or infinite where a float cannot hold it.
    #[must_use]
    pub fn value(&self, order: usize) -> Complex64 {
        self.over(order, 0)
    }

    /// Value of one order divided by 2^(256 base).
    #[must_use]
    pub fn over(&self, order: usize, base: i32) -> Complex64 {
        self.mantissa[order] * radix(self.exponent[order] - base)
    }
}

fn normalised(mut mantissa: Complex64, mut exponent: i32) -> (Complex64, i32) {
    let mut size = mantissa.norm_sqr();
    while size > LARGE_SQR {
        mantissa *= DOWN;
        exponent += 1;
        size = mantissa.norm_sqr();
    }
    while size < SMALL_SQR && size > 0.0 {
        mantissa *= UP;
        exponent -= 1;
        size = mantissa.norm_sqr();
    }
    (mantissa, exponent)
}

fn checked(x: Complex64) -> Result<()> {
    let outside = |value, expected| {
        Err(WaveError::OutOfRange {
            what: "the argument of a Bessel function",
            value,
            unit: "",
            expected,
        })
    };
    if !(x.re.is_finite() && (0.0..1e7).contains(&x.re)) {
        return outside(x.re, "zero or more and below 1e7 (real part)");
    }
    if !(0.0..=100.0).contains(&x.im) {
        return outside(x.im, "between 0 and 100 (imaginary part: less damping is needed)");
    }
    Ok(())
}

/// `J_n(x)` for n = 0..=highest.
///
/// Relative accuracy about `|x|` units in the last place (the phase of `x` itself).
///
/// # Errors
/// [`WaveError::OutOfRange`] unless `0 <= Re x < 1e7` and `0 <= Im x <= 100`.
pub fn bessel_j(x: Complex64, highest: usize) -> Result<Ladder> {
    checked(x)?;
    if x.norm() < NOUGHT {
        let mut ladder = Ladder::with_highest(highest);
        for n in 0..=highest {
            ladder.push(if n == 0 { Complex64::ONE } else { Complex64::ZERO }, 0);
        }
        return Ok(ladder);
    }
    let near = x.norm() < FAR;
    let first = (highest.max(1) as f64).max(x.norm());
    // 15 widths of the turning point: J has fallen by e^-54 there, its square by 1e-47.
    let start = (first + 15.0 * first.cbrt() + 30.0) as usize;
    let kept = if near { start } else { highest.max(1) };
    let mut mantissa = vec![Complex64::ZERO; kept + 1];
    let mut exponent = vec![0_i32; kept + 1];
    let two_over_x = 2.0 / x;
    let (mut above, mut here, mut scale) = (Complex64::ZERO, Complex64::ONE, 0_i32);
    for n in (0..start).rev() {
        // The bracket stands off the chain of dependent steps.
        let next = (two_over_x * (n + 1) as f64) * here - above;
        above = here;
        here = next;
        if here.norm_sqr() > LARGE_SQR {
            here *= DOWN;
            above *= DOWN;
            scale += 1;
        }
        if n <= kept {
            mantissa[n] = here;
            exponent[n] = scale;
        }
    }
    let base = exponent[0];
    let raw = |n: usize| mantissa[n] * radix(exponent[n] - base);
    let factor = if near {
        // e^-ix = J_0 + 2 Σ (-i)^n J_n: of the size of its terms for every Im x >= 0.
        let mut sum = raw(0);
        let mut turn = Complex64::new(2.0, 0.0);
        for n in 1..=kept {
            turn *= -I;
            sum += turn * raw(n);
        }
        (-I * x).exp() / sum
    } else {
        // The larger of the two: the other may sit on a zero.
        let (j0, j1) = (far_bessel(0, x), far_bessel(1, x));
        if j0.norm_sqr() >= j1.norm_sqr() { j0 / raw(0) } else { j1 / raw(1) }
    };
    let mut ladder = Ladder::with_highest(highest);
    for n in 0..=highest {
        ladder.push(mantissa[n] * factor, exponent[n] - base);
    }
    Ok(ladder)
}

/// `H⁽¹⁾_n(x) = J_n(x) + i Y_n(x)` for n = 0..=highest.
///
/// # Errors
/// [`WaveError::OutOfRange`] unless `1e-20 <= |x|`, `0 <= Re x < 1e7`, `0 <= Im x <= 100`, and
/// `Im x <= 4` for `|x| < 25` (the small-argument series cancels beyond).
pub fn hankel_1(x: Complex64, highest: usize) -> Result<Ladder> {
    let (zero, one) = hankel_start(x)?;
    let mut ladder = Ladder::with_highest(highest);
    let two_over_x = 2.0 / x;
    let (mut below, mut here, mut scale) = (zero, one, 0_i32);
    ladder.push(zero, 0);
    for n in 1..=highest {
        ladder.push(here, scale);
        let next = (two_over_x * n as f64) * here - below;
        below = here;
        here = next;
        if here.norm_sqr() > LARGE_SQR {
            here *= DOWN;
            below *= DOWN;
            scale += 1;
        }
    }
    Ok(ladder)
}

/// `H_0(x)` and `H_1(x)`, from which the recurrence climbs; limits as for [`hankel_1`].
pub(crate) fn hankel_start(x: Complex64) -> Result<(Complex64, Complex64)> {
    checked(x)?;
    let outside = |value, expected| {
        Err(WaveError::OutOfRange {
            what: "the argument of a Hankel function",
            value,
            unit: "",
            expected,
        })
    };
    if x.norm() < NOUGHT {
        return outside(x.norm(), "above 1e-20 in size");
    }
    if x.norm() >= FAR {
        Ok((far_hankel(0, x), far_hankel(1, x)))
    } else if x.im > 4.0 {
        outside(x.im, "at most 4 (imaginary part) while the argument is below 25")
    } else {
        near_hankel(x)
    }
}

/// Hankel's expansion for order 0 or 1.
fn far_hankel(order: i32, x: Complex64) -> Complex64 {
    let mu = f64::from(4 * order * order);
    let (mut term, mut sum) = (Complex64::ONE, Complex64::ONE);
    for k in 1..60 {
        let odd = f64::from(2 * k - 1);
        let next = term * I * (mu - odd * odd) / (8.0 * f64::from(k) * x);
        if next.norm_sqr() >= term.norm_sqr() {
            break;
        }
        term = next;
        sum += term;
        if term.norm_sqr() < 1e-36 {
            break;
        }
    }
    let phase = I * (x - f64::from(order) * FRAC_PI_2 - FRAC_PI_4);
    (2.0 / (PI * x)).sqrt() * phase.exp() * sum
}

/// `J = (H⁽¹⁾ + H⁽²⁾)/2` with `H⁽²⁾(x) = conj H⁽¹⁾(conj x)`.
fn far_bessel(order: i32, x: Complex64) -> Complex64 {
    (far_hankel(order, x) + far_hankel(order, x.conj()).conj()) / 2.0
}

/// `H_0`, `H_1` from Neumann's series for Y.
fn near_hankel(x: Complex64) -> Result<(Complex64, Complex64)> {
    let terms = 40;
    let j = bessel_j(x, 2 * terms + 1)?;
    let log = (x / 2.0).ln() + EULER;
    let (mut sum0, mut sum1) = (Complex64::ZERO, Complex64::ZERO);
    let mut sign = 1.0;
    for k in 1..=terms {
        sign = -sign;
        let (kf, odd) = (k as f64, (2 * k + 1) as f64);
        sum0 += j.value(2 * k) * (sign * 2.0 / kf);
        sum1 += j.value(2 * k + 1) * (sign * odd / (kf * (kf + 1.0)));
    }
    let y0 = (log * j.value(0) - sum0) * (2.0 / PI);
    let y1 = ((log - 1.0) * j.value(1) - j.value(0) / x - sum1) * (2.0 / PI);
    Ok((j.value(0) + I * y0, j.value(1) + I * y1))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64, relative: f64) {
        assert!((got - want).abs() <= relative * want.abs(), "{got} against {want}");
    }

    /// Truth: published table (Abramowitz & Stegun, tables 9.1, 9.2, 9.4). Tolerance: their digits.
    #[test]
    fn tabulated_values() {
        let at = |x: f64| Complex64::new(x, 0.0);
        let j = bessel_j(at(2.0), 30).expect("in range");
        close(j.value(0).re, 0.223_890_779_141_236, 1e-13);
        close(j.value(1).re, 0.576_724_807_756_873, 1e-13);
        close(j.value(10).re, 2.515_386_283e-7, 1e-9);
        let h = hankel_1(at(2.0), 30).expect("in range");
        close(h.value(0).im, 0.510_375_672_649_745, 1e-13);
        close(h.value(1).im, -0.107_032_431_540_938, 1e-13);
        let j = bessel_j(at(50.0), 100).expect("in range");
        close(j.value(10).re, -0.113_847_849_1, 1e-8);
        close(j.value(100).re, 1.115_927_367_8e-21, 1e-8);
        let h = hankel_1(at(50.0), 100).expect("in range");
        close(h.value(100).im, -3.293_800_188e18, 1e-8);
    }

    /// Truth: closed form, Wronskian J_{n+1} H_n - J_n H_{n+1} = 2i/(πx), in the range of a thick
    /// bar at high frequency, of small arguments and of damped waves. Tolerance: rounding of the
    /// recurrences over thousands of orders.
    #[test]
    fn wronskian_holds_for_every_order() {
        for x in [
            Complex64::new(1e-3, 0.0),
            Complex64::new(0.7, 0.0),
            Complex64::new(24.9, 1.0),
            Complex64::new(25.1, 1.0),
            Complex64::new(447.3, 1.2),
            Complex64::new(700.0, 12.0),
            Complex64::new(8_600.0, 0.0),
        ] {
            let highest = (x.norm() + 15.0 * x.norm().cbrt() + 25.0) as usize;
            let j = bessel_j(x, highest + 1).expect("in range");
            let h = hankel_1(x, highest + 1).expect("in range");
            let want = 2.0 * I / (PI * x);
            for n in 0..=highest {
                let base = j.exponents()[n];
                let got =
                    j.over(n + 1, base) * h.over(n, -base) - j.over(n, base) * h.over(n + 1, -base);
                assert!(
                    (got / want - 1.0).norm() < 2e-11,
                    "x {x}, order {n}: {got} against {want}"
                );
            }
        }
    }

    /// Truth: closed form, both ways of starting a ladder must agree where they meet; continuous
    /// in x, so the values either side of the switch differ by the derivative times the step.
    #[test]
    fn near_and_far_starts_agree() {
        for imaginary in [0.0, 0.5, 3.0] {
            let x = Complex64::new(26.0, imaginary);
            let (zero, one) = near_hankel(x).expect("in range");
            // Cancellation of J + iY costs e^(2 Im x).
            let allowed = 1e-14 * (2.0 * imaginary).exp() + 1e-14;
            assert!((zero / far_hankel(0, x) - 1.0).norm() < 10.0 * allowed);
            assert!((one / far_hankel(1, x) - 1.0).norm() < 10.0 * allowed);
        }
    }

    #[test]
    fn refuses_what_it_cannot_do() {
        assert!(bessel_j(Complex64::new(f64::NAN, 0.0), 3).is_err());
        assert!(bessel_j(Complex64::new(1.0, -0.1), 3).is_err());
        assert!(hankel_1(Complex64::new(0.0, 0.0), 3).is_err());
        assert_eq!(bessel_j(Complex64::ZERO, 2).expect("zero is fine").value(0), Complex64::ONE);
    }
}
