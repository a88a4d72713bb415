//! Orders of an aperture whose elements are one element turned about the axis.

use num_complex::Complex64;

use super::wide::wide;

/// Elements handled together.
const TOGETHER: usize = 8;

type Group = [f64; TOGETHER];

/// Orders -highest..=highest of `Σ_e f_e h_n e^{-inθ_e}`, with `h_{-n} = (-1)^n h_n`: the turns of
/// all elements are summed first, `h_n` is multiplied once.
pub(super) fn turned_orders(
    h: &[Complex64],
    elements: impl Iterator<Item = (f64, Complex64)>,
    highest: usize,
) -> Vec<Complex64> {
    let mut orders = vec![Complex64::ZERO; 2 * highest + 1];
    let mut elements = elements.peekable();
    while elements.peek().is_some() {
        let [mut fr, mut fi, mut cos, mut sin] = [[0.0; TOGETHER]; 4];
        for (lane, (angle, factor)) in elements.by_ref().take(TOGETHER).enumerate() {
            (fr[lane], fi[lane]) = (factor.re, factor.im);
            (sin[lane], cos[lane]) = (-angle).sin_cos();
        }
        wide(
            #[inline(always)]
            || add_turns(&mut orders, fr, fi, cos, sin),
        );
    }
    let (negative, positive) = orders.split_at_mut(highest);
    positive[0] *= h[0];
    for (n, h) in h.iter().enumerate().take(highest + 1).skip(1) {
        positive[n] *= h;
        negative[highest - n] *= if n % 2 == 0 { *h } else { -h };
    }
    orders
}

/// Adds `Σ f u^n` to order n and `Σ f conj(u)^n` to order -n, `u = cos + i sin`.
#[inline(always)]
fn add_turns(orders: &mut [Complex64], fr: Group, fi: Group, cos: Group, sin: Group) {
    let highest = orders.len() / 2;
    let (mut ur, mut ui) = ([1.0; TOGETHER], [0.0; TOGETHER]);
    for n in 0..=highest {
        let [mut rr, mut ii, mut ri, mut ir] = [[0.0; TOGETHER]; 4];
        for l in 0..TOGETHER {
            rr[l] = fr[l] * ur[l];
            ii[l] = fi[l] * ui[l];
            ri[l] = fr[l] * ui[l];
            ir[l] = fi[l] * ur[l];
            let next = ur[l] * cos[l] - ui[l] * sin[l];
            ui[l] = ur[l] * sin[l] + ui[l] * cos[l];
            ur[l] = next;
        }
        let [rr, ii, ri, ir] = [rr, ii, ri, ir].map(total);
        orders[highest + n] += Complex64::new(rr - ii, ri + ir);
        if n > 0 {
            orders[highest - n] += Complex64::new(rr + ii, ir - ri);
        }
    }
}

/// Sum by halves, so that additions need not wait for each other.
#[inline(always)]
fn total(mut v: Group) -> f64 {
    for l in 0..4 {
        v[l] += v[l + 4];
    }
    (v[0] + v[2]) + (v[1] + v[3])
}
