//! The field of a strip along the bar at one frequency, in closed form.

use num_complex::Complex64;
use serde::{Deserialize, Serialize};
use std::f64::consts::{FRAC_PI_4, PI};

use super::equivalent_path_m;
use crate::error::{Result, positive};
use crate::fresnel;

/// Where what the focus leaves of the wave's curvature turns the phase at the ends of the strip by
/// less than this (rad), two terms of a series replace Fresnel integrals that would lose digits:
/// half its square is left out.
const FLAT_WAVE: f64 = 1e-4;

/// An element seen along the bar.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Strip {
    /// Its length in m.
    pub length_m: f64,
    /// Way in the water, in m, at which a face that is curved along the bar focuses; absent for a
    /// straight face.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub focus_m: Option<f64>,
}

/// How far sound has spread along the bar: a way in one medium that spreads it as much.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// That way, in m.
    pub path_m: f64,
    /// Velocity in the medium that it counts in, in m/s.
    pub velocity_m_s: f64,
}

impl Spread {
    /// After a way in water and one in steel, counted in water.
    #[must_use]
    pub fn through_water(water_m: f64, steel_m: f64, c_water_m_s: f64, c_steel_m_s: f64) -> Self {
        Self {
            path_m: equivalent_path_m(water_m, steel_m, c_water_m_s, c_steel_m_s),
            velocity_m_s: c_water_m_s,
        }
    }

    /// After a way in steel alone: an array in contact.
    #[must_use]
    pub fn in_steel(steel_m: f64, c_steel_m_s: f64) -> Self {
        Self { path_m: steel_m, velocity_m_s: c_steel_m_s }
    }

    /// Wavelength in m of the medium that the way counts in.
    #[must_use]
    pub fn wavelength_m(&self, frequency_hz: f64) -> f64 {
        self.velocity_m_s / frequency_hz
    }

    /// Delay in s with which sound from the middle of a strip arrives `z_m` along the bar, after its
    /// arrival straight across; paraxial.
    #[must_use]
    pub fn delay_s(&self, z_m: f64) -> f64 {
        z_m * z_m / (2.0 * self.path_m * self.velocity_m_s)
    }
}

impl Strip {
    /// A straight strip.
    #[must_use]
    pub const fn straight(length_m: f64) -> Self {
        Self { length_m, focus_m: None }
    }

    /// The strip itself if its numbers can be one.
    ///
    /// # Errors
    /// [`crate::WaveError::OutOfRange`] for a length that is not positive or a focus that is neither
    /// positive (a concave face) nor absent.
    pub fn checked(self) -> Result<Self> {
        positive("the element's length", self.length_m, "m")?;
        if let Some(focus) = self.focus_m {
            positive("the focal distance along the bar", focus, "m")?;
        }
        Ok(self)
    }

    /// Field at `z_m` along the bar from the strip's middle, relative to a strip without end.
    ///
    /// Paraxial: the point lies within about 20 degrees of the strip's middle (|z| < 0.35 · path), and
    /// the path is longer than the strip. Tends to one for a long strip on its axis. Expects positive
    /// lengths, ways and frequencies; a strip of length zero radiates nothing.
    #[must_use]
    pub fn factor(&self, z_m: f64, spread: &Spread, frequency_hz: f64) -> Complex64 {
        let (lambda, path) = (spread.wavelength_m(frequency_hz), spread.path_m);
        let half = self.length_m / 2.0;
        let Some(focus) = self.focus_m else {
            let scale = (2.0 / (lambda * path)).sqrt();
            let both =
                fresnel::integral(scale * (half - z_m)) - fresnel::integral(scale * (-half - z_m));
            return both * endless();
        };
        // ∫ exp(iπ/λ [(z-z')²/s - z'²/F]) dz' over the strip, by that over an endless straight one.
        let curvature = 1.0 / path - 1.0 / focus;
        let outside = Complex64::from_polar(
            1.0 / (lambda * path).sqrt(),
            PI * z_m * z_m / (lambda * path) - FRAC_PI_4,
        );
        if (PI * curvature * half * half / lambda).abs() < FLAT_WAVE {
            return outside
                * nearly_flat(half, 2.0 * PI * z_m / (lambda * path), curvature, lambda);
        }
        let middle = z_m / (path * curvature);
        let scale = (2.0 * curvature.abs() / lambda).sqrt();
        let both = fresnel::integral(scale * (half - middle))
            - fresnel::integral(scale * (-half - middle));
        let both = if curvature < 0.0 { both.conj() } else { both };
        let turn = Complex64::from_polar(1.0, -PI * middle * middle * curvature / lambda);
        outside * turn * both / scale
    }

    /// Mean of the field over the strip itself after there and back, relative to a strip without end:
    /// the echo of a large plane wall `spread` away, relative to the same in two dimensions.
    #[must_use]
    pub fn mirror_factor(&self, spread: &Spread, frequency_hz: f64) -> Complex64 {
        if self.length_m == 0.0 {
            return Complex64::ZERO;
        }
        let twice = Spread { path_m: 2.0 * spread.path_m, ..*spread };
        let lambda = spread.wavelength_m(frequency_hz);
        let Some(focus) = self.focus_m else {
            let reach = (2.0 / (lambda * twice.path_m)).sqrt() * self.length_m;
            return fresnel::primitive(reach) * (2.0 / reach) * endless();
        };
        // No closed form: the midpoint rule, eight points to the shortest ripple. The face receives
        // as it sends, ahead by its curvature.
        let ripple = lambda / (self.length_m / twice.path_m + self.length_m / (2.0 * focus));
        let parts = (8.0 * self.length_m / ripple).ceil().max(16.0);
        let step = self.length_m / parts;
        let sum: Complex64 = (0..parts as usize)
            .map(|i| {
                let z = -self.length_m / 2.0 + (i as f64 + 0.5) * step;
                self.factor(z, &twice, frequency_hz)
                    * Complex64::from_polar(1.0, -PI * z * z / (lambda * focus))
            })
            .sum();
        sum / parts
    }
}

/// Inverse of the integral over a strip without end: exp(-iπ/4)/√2.
fn endless() -> Complex64 {
    Complex64::new(0.5, -0.5)
}

/// ∫ exp(-iqz) (1 + iπκz²/λ) dz over -half..half, for a curvature κ that hardly bends the wave.
fn nearly_flat(half: f64, q: f64, curvature: f64, lambda: f64) -> Complex64 {
    let x = q * half;
    let (sin, cos) = x.sin_cos();
    let (flat, bent) = if x.abs() < 0.1 {
        let s = x * x;
        // sin x / x and ∫ z² exp(-iqz) dz / (2 half³) to x⁶.
        (
            1.0 - s / 6.0 + s * s / 120.0 - s * s * s / 5040.0,
            1.0 / 3.0 - s / 10.0 + s * s / 168.0 - s * s * s / 6480.0,
        )
    } else {
        (sin / x, (x * x * sin + 2.0 * x * cos - 2.0 * sin) / (x * x * x))
    };
    2.0 * half * Complex64::new(flat, PI * curvature * half * half / lambda * bent)
}

#[cfg(test)]
impl Strip {
    /// Phase in rad by which a point of the face `z_m` from its middle is ahead, at a wavelength in m.
    pub(super) fn ahead_rad(&self, z_m: f64, wavelength_m: f64) -> f64 {
        self.focus_m.map_or(0.0, |focus| PI * z_m * z_m / (wavelength_m * focus))
    }
}

/// `Ok` if a way and a velocity can be a [`Spread`].
pub(super) fn checked_spread(spread: &Spread) -> Result<()> {
    positive("the path", spread.path_m, "m")?;
    positive("the velocity along the path", spread.velocity_m_s, "m/s")?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    const F: f64 = 5e6;
    const C: f64 = 1482.0;

    fn water(path_m: f64) -> Spread {
        Spread { path_m, velocity_m_s: C }
    }

    /// Sum over point sources with true distances, relative to the far field of an endless line.
    fn summed(strip: &Strip, z: f64, path: f64) -> Complex64 {
        let (n, k, lambda) = (6000, 2.0 * PI * F / C, C / F);
        let sum: Complex64 = (0..n)
            .map(|i| {
                let at = strip.length_m * ((f64::from(i) + 0.5) / f64::from(n) - 0.5);
                let r = path.hypot(z - at);
                // A curved face stands nearer to its focus by z²/2F: the phase is that of the way.
                Complex64::from_polar(1.0 / (4.0 * PI * r), k * r - strip.ahead_rad(at, lambda))
            })
            .sum::<Complex64>()
            * (strip.length_m / f64::from(n));
        let line =
            Complex64::from_polar(0.25 * (2.0 / (PI * k * path)).sqrt(), k * path + FRAC_PI_4);
        sum / line
    }

    // Truth: closed form, the limits of an infinitely long strip and of its edge.
    #[test]
    fn long_strips_have_factor_one_and_half_at_the_edge() {
        let strip = Strip::straight(2.0);
        // Remaining ripple 1/(π u) at u = L/2 · √(2/λs), two edges.
        assert!((strip.factor(0.0, &water(0.05), F) - 1.0).norm() < 2.0 / (3.1 * 367.0));
        assert!((strip.factor(1.0, &water(0.05), F) - 0.5).norm() < 1e-3);
        assert!((strip.mirror_factor(&water(0.05), F) - 1.0).norm() < 4e-3);
    }

    // Truth: independent computation (sources summed along z with true three-dimensional distances).
    // Paraxial error: quartic phase k z⁴/(8 s³) below 0.1 rad and amplitude z²/2s² below 2 %.
    #[test]
    fn factor_meets_a_sum_over_point_sources() {
        for focus_m in [None, Some(0.06), Some(0.08), Some(0.0800001), Some(0.2)] {
            let strip = Strip { length_m: 0.012, focus_m };
            for z in [0.0, 0.002, 0.006, 0.01] {
                let (got, want) = (strip.factor(z, &water(0.08), F), summed(&strip, z, 0.08));
                assert!((got - want).norm() < 0.06, "{focus_m:?} {z}: {got} {want}");
                assert!((got.norm() - want.norm()).abs() < 0.03, "{focus_m:?} {z}");
            }
        }
    }

    // Truth: closed form. In its focus a curved strip is the Fourier transform of its length,
    // L/√(λF) sinc(L z/(λF)): first zero at λF/L, -6 dB there and back at 0.4430 of it.
    #[test]
    fn a_focus_along_the_bar_is_a_sinc() {
        let (length, focus) = (0.012, 0.09);
        let strip = Strip { length_m: length, focus_m: Some(focus) };
        let lambda = C / F;
        let at = |z: f64| strip.factor(z, &water(focus), F).norm();
        let zero = lambda * focus / length;
        assert!((at(0.0) / (length / (lambda * focus).sqrt()) - 1.0).abs() < 1e-9);
        assert!(at(zero) < 1e-9 * at(0.0));
        // One way 3.0 dB down (1/√2) at sin(x)/x with x = 1.39156.
        let half = 1.391_557_378 / PI * zero;
        assert!((at(half) / at(0.0) - 0.5f64.sqrt()).abs() < 1e-9);
    }

    // Truth: property. Series and Fresnel integrals agree where one gives way to the other, and no
    // focus is a focus far away.
    #[test]
    fn the_three_forms_join() {
        let lambda = C / F;
        let edge = FLAT_WAVE * lambda / (PI * 0.006 * 0.006);
        let path = 0.08;
        for z in [0.0, 0.0005, 0.004, 0.012] {
            let at = |curvature: f64| {
                let focus_m = Some(1.0 / (1.0 / path - curvature));
                Strip { length_m: 0.012, focus_m }.factor(z, &water(path), F)
            };
            for side in [-1.0, 1.0] {
                let (below, above) = (at(side * edge * 0.999_999), at(side * edge * 1.000_001));
                // 1e-7: what the series leaves out (5e-9) and digits lost in the integrals.
                assert!((below - above).norm() < 1e-7, "{z}: {below} {above}");
            }
            let (far, none) = (
                Strip { length_m: 0.012, focus_m: Some(1e9) },
                Strip::straight(0.012).factor(z, &water(path), F),
            );
            assert!((far.factor(z, &water(path), F) - none).norm() < 1e-7);
        }
    }

    // Truth: numerical mean of the factor over the receiving strip.
    #[test]
    fn mirror_factor_is_a_mean() {
        let n = 2000;
        for focus_m in [None, Some(0.09), Some(0.3)] {
            let strip = Strip { length_m: 0.012, focus_m };
            let mean: Complex64 = (0..n)
                .map(|i| {
                    let z = strip.length_m * ((f64::from(i) + 0.5) / f64::from(n) - 0.5);
                    strip.factor(z, &water(0.18), F)
                        * Complex64::from_polar(1.0, -strip.ahead_rad(z, C / F))
                })
                .sum::<Complex64>()
                / f64::from(n);
            // Midpoint rule with eight points to a ripple: 3e-3; the closed form meets it to 1e-5.
            let tolerance = if focus_m.is_some() { 3e-3 } else { 1e-5 };
            assert!((mean - strip.mirror_factor(&water(0.09), F)).norm() < tolerance);
        }
    }

    #[test]
    fn strips_that_mean_nothing_are_refused() {
        assert!(Strip::straight(0.01).checked().is_ok());
        for length_m in [0.0, -1.0, f64::NAN] {
            assert!(Strip::straight(length_m).checked().is_err());
        }
        for focus in [0.0, -0.1, f64::INFINITY] {
            assert!(Strip { length_m: 0.01, focus_m: Some(focus) }.checked().is_err());
        }
    }
}
