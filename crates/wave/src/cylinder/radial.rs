//! Radial functions of sixteen frequencies side by side, in units of their size at the surface.
//!
//! `J_n(k r)` spans hundreds of decades over the orders. Divided by a smooth `D_n` that falls like
//! `J_n(k a)`, it stays in the range of a float and what is too small to matter underflows to
//! nothing, so that no exponents need be carried. With `ρ_n = D_n/D_{n-1}` the recurrence reads
//! `J̃_{n-1} = ρ_n ((2n/x) J̃_n - ρ_{n+1} J̃_{n+1})`.
//!
//! Source: Abramowitz & Stegun, 9.1.27 (recurrence), 9.1.44-46 (sums for the scale), 9.3.7 (Debye's
//! exponents), 9.12 (Miller's way down).

use num_complex::Complex64;

use super::wide::{LANES, Lanes, wide};

/// Bounds between which the values on their way down are kept, and where they start.
const HUGE: f64 = 1e150;
const TINY: f64 = 1e-150;
const START: f64 = 1e-200;
/// Steps between looks at the bounds: sixteen factors `2n/x` of 1e8 stay inside a float.
const STEPS: usize = 4;
/// Neper by which `J_n` falls (and `Y_n` rises) beyond the last order wanted: `e^-40 = 4e-18`.
const MARGIN_NP: f64 = 20.0;

/// Debye's exponent η in neper: `J_n(x)` is of size e^-η for n > x; zero up to there.
///
/// Source: Abramowitz & Stegun, 9.3.7.
#[must_use]
pub fn debye_exponent(n: f64, x: f64) -> f64 {
    if n > x { n * (n / x).acosh() - (n * n - x * x).sqrt() } else { 0.0 }
}

/// Order from which Miller's recurrence must start so that `J_n(x)` comes out right up to `last`.
#[must_use]
pub fn miller_start(last: usize, x: f64) -> usize {
    let from = (last as f64).max(x);
    let target = debye_exponent(from, x) + MARGIN_NP;
    let (mut low, mut width) = (from.ceil() as usize, 8);
    while debye_exponent((low + width) as f64, x) < target {
        low += width;
        width *= 2;
    }
    let mut high = low + width;
    while low < high {
        let middle = (low + high) / 2;
        if debye_exponent(middle as f64, x) < target {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    high.max(2)
}

/// `ρ_n` for n = 0..=highest at the surface `x = |k| a` of each lane: one up to n = x, then
/// the derivative of Debye's exponent.
pub(super) fn surface_ratios(x: &Lanes, highest: usize) -> Vec<Lanes> {
    let mut ratios = vec![[1.0; LANES]; highest + 1];
    wide(
        #[inline(always)]
        || {
            for (n, ratio) in ratios.iter_mut().enumerate() {
                let n = n as f64;
                for (r, x) in ratio.iter_mut().zip(x) {
                    let beyond = x / (n + (n * n - x * x).max(0.0).sqrt());
                    *r = if n > *x { beyond } else { 1.0 };
                }
            }
        },
    );
    ratios
}

/// Room for the orders of one radius; the imaginary parts are used for lossy steel or damped
/// waves only.
#[derive(Default)]
pub(super) struct Radial {
    pub re: Vec<Lanes>,
    pub im: Vec<Lanes>,
}

impl Radial {
    /// `J_n(x) e^(-level) / D_n` of each lane for n = 0..=start, right up to where
    /// [`miller_start`] of the largest lane promises. `level` keeps damped waves in range.
    pub fn fill(&mut self, x: &[Complex64; LANES], level: &Lanes, ratios: &[Lanes], start: usize) {
        let start = start.min(ratios.len() - 1);
        self.re.resize(start + 1, [0.0; LANES]);
        if x.iter().any(|x| x.im != 0.0) {
            self.im.resize(start + 1, [0.0; LANES]);
            wide(
                #[inline(always)]
                || descend::<true>(x, level, &ratios[..=start], &mut self.re, &mut self.im),
            );
        } else {
            self.im.clear();
            wide(
                #[inline(always)]
                || descend::<false>(x, level, &ratios[..=start], &mut self.re, &mut []),
            );
        }
    }
}

/// Miller's recurrence from the last order down, then the scale from
/// `e^-ix = J_0 + 2 Σ (-i)^n J_n` or its real part for x = 0, `1 = J_0 + 2 Σ J_2n`: the terms of
/// either are of the size of the sum.
#[expect(clippy::needless_range_loop, reason = "lanes of several arrays step together")]
#[inline(always)]
fn descend<const LOSSY: bool>(
    x: &[Complex64; LANES],
    level: &Lanes,
    ratios: &[Lanes],
    re: &mut [Lanes],
    im: &mut [Lanes],
) {
    let start = ratios.len() - 1;
    let (mut tx, mut ty) = ([0.0; LANES], [0.0; LANES]);
    for l in 0..LANES {
        let two_over = 2.0 / x[l];
        tx[l] = two_over.re;
        ty[l] = two_over.im;
    }
    let (mut hr, mut hi) = ([START; LANES], [0.0; LANES]);
    let (mut ar, mut ai) = ([0.0; LANES], [0.0; LANES]);
    // Sum over the orders passed, in units of D_n, without the factor 2.
    let (mut sr, mut si) = ([0.0; LANES], [0.0; LANES]);
    re[start] = hr;
    if LOSSY {
        im[start] = hi;
    }
    let even = |n: usize| if n.is_multiple_of(2) { 1.0 } else { 0.0 };
    for l in 0..LANES {
        sr[l] = if LOSSY { START } else { START * even(start) };
    }
    for n in (1..=start).rev() {
        let rho = &ratios[n];
        let order = n as f64;
        let counts = even(n - 1);
        for l in 0..LANES {
            let c = order * tx[l];
            let below;
            if LOSSY {
                let d = order * ty[l];
                below = rho[l] * (c * hr[l] - d * hi[l] - ar[l]);
                let below_i = rho[l] * (c * hi[l] + d * hr[l] - ai[l]);
                ai[l] = rho[l] * hi[l];
                hi[l] = below_i;
                let turned = rho[l] * si[l] + below;
                si[l] = below_i - rho[l] * sr[l];
                sr[l] = turned;
            } else {
                below = rho[l] * (c * hr[l] - ar[l]);
                sr[l] = rho[l] * sr[l] + counts * below;
            }
            ar[l] = rho[l] * hr[l];
            hr[l] = below;
        }
        re[n - 1] = hr;
        if LOSSY {
            im[n - 1] = hi;
        }
        if n % STEPS == 0 {
            let mut largest = 0.0;
            for l in 0..LANES {
                let size = if LOSSY { hr[l].abs() + hi[l].abs() } else { hr[l].abs() };
                largest = if size > largest { size } else { largest };
            }
            if largest > HUGE {
                for l in 0..LANES {
                    if hr[l].abs() + hi[l].abs() <= HUGE {
                        continue;
                    }
                    for part in [&mut hr, &mut hi, &mut ar, &mut ai, &mut sr, &mut si] {
                        part[l] *= TINY;
                    }
                    re[n - 1..].iter_mut().for_each(|v| v[l] *= TINY);
                    if LOSSY {
                        im[n - 1..].iter_mut().for_each(|v| v[l] *= TINY);
                    }
                }
            }
        }
    }
    let (mut fr, mut fi) = ([0.0; LANES], [0.0; LANES]);
    for l in 0..LANES {
        if LOSSY {
            let sum = Complex64::new(2.0 * sr[l] - hr[l], 2.0 * si[l] - hi[l]);
            let whole = Complex64::new(x[l].im - level[l], -x[l].re).exp();
            // In steps, for the square of the sum may leave the range of a float.
            let size = sum.norm();
            let factor = whole * (sum / size).conj() / size;
            fr[l] = factor.re;
            fi[l] = factor.im;
        } else {
            fr[l] = (-level[l]).exp() / (2.0 * sr[l] - hr[l]);
        }
    }
    for (n, value) in re.iter_mut().enumerate() {
        if LOSSY {
            for l in 0..LANES {
                let (r, i) = (value[l], im[n][l]);
                value[l] = r * fr[l] - i * fi[l];
                im[n][l] = r * fi[l] + i * fr[l];
            }
        } else {
            for l in 0..LANES {
                value[l] *= fr[l];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::harmonics::bessel_j;

    /// Truth: own code (ladders with exponents, tested against tables and the Wronskian).
    /// Tolerance: rounding of the recurrences and of the sum for the scale, some √x units, relative
    /// to the largest neighbour; far below it, where values underflow, an absolute 1e-13.
    #[test]
    fn agrees_with_the_ladders() {
        for (surface, loss) in [(30.0, 0.0), (160.0, 0.0), (160.0, 0.01), (2500.0, 0.0)] {
            let factor = |l: usize| 0.4 + 0.04 * l as f64;
            let at = |share: f64| -> [Complex64; LANES] {
                std::array::from_fn(|l| Complex64::new(1.0, loss) * (surface * factor(l) * share))
            };
            let outer = at(1.0).map(|x| x.norm());
            let level = at(1.0).map(|x| x.im);
            let highest = (4.0 * surface) as usize + 30;
            let table = surface_ratios(&outer, miller_start(highest, outer[LANES - 1]));
            let mut radial = Radial::default();
            for share in [1e-12, 1e-3, 0.05, 0.5, 0.9, 1.0] {
                let x = at(share);
                let start = miller_start(highest, x[LANES - 1].norm());
                radial.fill(&x, &level, &table, start);
                for l in 0..LANES {
                    let ladder = bessel_j(x[l], highest).expect("in range");
                    let (mut scale, mut exponent) = (1.0, 0);
                    for (n, ratios) in table.iter().enumerate().take(highest + 1) {
                        scale *= ratios[l];
                        if scale < 1e-100 {
                            scale *= crate::harmonics::radix(1);
                            exponent -= 1;
                        }
                        let want = ladder.over(n, exponent) / scale * (-level[l]).exp();
                        let im = if loss > 0.0 { radial.im[n][l] } else { 0.0 };
                        let got = Complex64::new(radial.re[n][l], im);
                        assert!(
                            (got - want).norm() < 1e-13 + 1e-11 * want.norm(),
                            "x {}, order {n}: {got} against {want}",
                            x[l]
                        );
                    }
                }
            }
        }
    }
}
