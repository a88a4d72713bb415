//! Fresnel integrals.

use num_complex::Complex64;
use std::f64::consts::PI;

/// Below this argument the power series, above it the continued fraction.
const SWITCH: f64 = 1.5;

/// C(x) + i S(x), the integral of exp(iπt²/2) from 0 to x; odd in x.
///
/// Absolute accuracy 1e-14. Source: Abramowitz & Stegun, *Handbook of Mathematical Functions*,
/// 7.3.11 to 7.3.14 (power series) and 7.1.14 with 7.3.22 (continued fraction of the error function
/// at complex argument).
#[must_use]
pub fn integral(x: f64) -> Complex64 {
    let size = x.abs();
    let value = if size <= SWITCH { series(size) } else { half() - tail(size) };
    if x < 0.0 { -value } else { value }
}

/// Primitive of [`integral`] that vanishes at zero; even in x.
#[must_use]
pub fn primitive(x: f64) -> Complex64 {
    let wave = Complex64::from_polar(1.0, PI * x * x / 2.0);
    integral(x) * x + Complex64::new(0.0, 1.0 / PI) * (wave - 1.0)
}

/// Value of the integral to infinity.
fn half() -> Complex64 {
    Complex64::new(0.5, 0.5)
}

fn series(x: f64) -> Complex64 {
    // Terms x (iπx²/2)^k / (k! (2k+1)).
    let step = Complex64::new(0.0, PI * x * x / 2.0);
    let mut power = Complex64::from(x);
    let mut sum = power;
    for k in 1..60 {
        power *= step / f64::from(k);
        let term = power / f64::from(2 * k + 1);
        sum += term;
        if term.norm_sqr() < 1e-34 * sum.norm_sqr() {
            break;
        }
    }
    sum
}

/// Integral from x to infinity: erfc of z = √π/2 (1-i) x by Lentz's continued fraction.
fn tail(x: f64) -> Complex64 {
    if x.is_infinite() {
        return Complex64::ZERO;
    }
    // ∫_x^∞ exp(iπt²/2) dt = (1+i)/2 erfc(z), with z² = -iπx²/2; exp(-z²) = exp(iπx²/2).
    let z2 = Complex64::new(0.0, -PI * x * x);
    // (1+i)/2 · 2z/√π · exp(-z²) / (2z²+1 - 1·2/(2z²+5 - 3·4/(2z²+9 - ...))).
    let mut b = z2 + 1.0;
    let mut d = b.inv();
    let mut c = Complex64::from(1e300);
    let mut fraction = d;
    for k in 1..200 {
        let a = -f64::from((2 * k - 1) * (2 * k));
        b += 4.0;
        d = (d * a + b).inv();
        c = b + a / c;
        let factor = c * d;
        fraction *= factor;
        // Rounding alone leaves some 1e-16.
        if (factor - 1.0).norm_sqr() < 1e-30 {
            break;
        }
    }
    // (1+i)/2 · 2/√π · √π/2 (1-i) x = x.
    fraction * x * Complex64::from_polar(1.0, PI * x * x / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: independent code (50-digit arithmetic) and Abramowitz & Stegun, table 7.7.
    #[test]
    fn values_meet_the_reference() {
        for (x, c, s) in REFERENCE {
            let got = integral(x);
            assert!((got - Complex64::new(c, s)).norm() < 1e-14, "{x}: {got}");
            assert_eq!(integral(-x), -got);
        }
        assert!((integral(f64::INFINITY) - half()).norm() == 0.0);
    }

    // Truth: closed form (derivative of the primitive). 1e-8: central differences.
    #[test]
    fn primitive_integrates() {
        for x in [-2.0, -0.4, 0.3, 1.5, 4.0] {
            let h = 1e-5;
            let slope = (primitive(x + h) - primitive(x - h)) / (2.0 * h);
            assert!((slope - integral(x)).norm() < 1e-8);
        }
        assert_eq!(primitive(0.0).norm(), 0.0);
    }

    const REFERENCE: [(f64, f64, f64); 11] = [
        (0.1, 0.09999753262708508, 0.0005235895476122107),
        (0.5, 0.4923442258714464, 0.06473243285999927),
        (1.0, 0.7798934003768229, 0.43825914739035476),
        (1.4, 0.5430957835462564, 0.7135250773634121),
        (1.5, 0.4452611760398215, 0.6975049600820931),
        (1.6, 0.36546168344048763, 0.6388876835093809),
        (2.0, 0.48825340607534073, 0.34341567836369824),
        (3.0, 0.6057207892976856, 0.496312998967375),
        (5.0, 0.5636311887040122, 0.49919138191711687),
        (10.0, 0.4998986942055157, 0.46816997858488224),
        (40.0, 0.49999841685744545, 0.4920422537902731),
    ];
}
