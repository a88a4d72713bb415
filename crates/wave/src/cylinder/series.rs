//! Sums over angular orders at many angles.

use num_complex::Complex64;

use crate::media::Mode;

use super::wide::{LANES, wide};

/// `c_0 + 2 Σ c_n cos nθ` (L: orders even in n) or `2i Σ c_n sin nθ` (S: odd), at each angle.
///
/// Clenshaw's recurrence (two real multiplications a term). Close to θ = 0 or π it loses up to
/// the number of terms in units of the last place.
pub(super) fn angular_series(
    coefficients: &[Complex64],
    angles: &[f64],
    mode: Mode,
) -> Vec<Complex64> {
    let mut values = Vec::with_capacity(angles.len());
    wide(
        #[inline(always)]
        || add_series(coefficients, angles, mode, &mut values),
    );
    values
}

/// Sixteen angles at a time, so that the recurrence fills the vector units.
#[inline(always)]
fn add_series(coefficients: &[Complex64], angles: &[f64], mode: Mode, values: &mut Vec<Complex64>) {
    for chunk in angles.chunks(LANES) {
        let mut twice = [0.0; LANES];
        for (t, angle) in twice.iter_mut().zip(chunk) {
            *t = 2.0 * angle.cos();
        }
        let [mut re1, mut im1, mut re2, mut im2] = [[0.0; LANES]; 4];
        for c in coefficients.iter().skip(1).rev() {
            for lane in 0..LANES {
                let re = twice[lane] * re1[lane] + (c.re - re2[lane]);
                let im = twice[lane] * im1[lane] + (c.im - im2[lane]);
                re2[lane] = re1[lane];
                im2[lane] = im1[lane];
                re1[lane] = re;
                im1[lane] = im;
            }
        }
        for (lane, angle) in chunk.iter().enumerate() {
            let first = Complex64::new(re1[lane], im1[lane]);
            let second = Complex64::new(re2[lane], im2[lane]);
            values.push(match mode {
                Mode::L => coefficients[0] + 2.0 * (first * angle.cos() - second),
                Mode::S => Complex64::new(0.0, 2.0) * first * angle.sin(),
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Truth: closed form (the defining sum). Tolerance: terms times rounding.
    #[test]
    fn agrees_with_the_plain_sum() {
        let c: Vec<_> = (0..300)
            .map(|n| Complex64::from_polar(1.0 / (1.0 + n as f64), n as f64 * 0.7))
            .collect();
        let angles: Vec<f64> = (-20..20).map(|k| f64::from(k) * 0.31).collect();
        for mode in [Mode::L, Mode::S] {
            for (got, angle) in angular_series(&c, &angles, mode).iter().zip(&angles) {
                let mut want = if mode == Mode::L { c[0] } else { Complex64::ZERO };
                for (n, c) in c.iter().enumerate().skip(1) {
                    let turn = n as f64 * angle;
                    want += match mode {
                        Mode::L => c * (2.0 * turn.cos()),
                        Mode::S => c * Complex64::new(0.0, 2.0 * turn.sin()),
                    };
                }
                assert!((got - want).norm() < 1e-11, "{got} against {want} at {angle}");
            }
        }
    }
}
