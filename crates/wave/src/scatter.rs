//! Reflectors: far-field amplitudes, and how a scattered wave is received back in the water.
//!
//! Two kinds of amplitude occur. In two dimensions (holes and cracks that are long along the bar)
//! the scattered wave is `f exp(ikr)/√r` times the incident one, `f` in √m; for compact reflectors
//! it is `A exp(ikr)/r`, `A` in m. Both refer to `P_L` or `P_S`, incident and scattered alike.

mod corner;
mod dense;
mod hole;
mod kirchhoff;
mod sphere;
mod spherical;

pub use corner::{Corner, Front, Mirrored, Wall};
pub use hole::SideDrilledHole;
pub use kirchhoff::{Meeting, disc_strength, face_coupling, strip_strength, surface_ss};
pub use sphere::{SphericalInclusion, SphericalVoid};

use num_complex::Complex64;
use std::f64::consts::PI;

use crate::error::{Result, WaveError, positive};
use crate::interface::free_surface_ss;
use crate::media::{Fluid, Solid};

/// Kirchhoff amplitude in m of a flat disc (the end of a flat-bottomed hole), back towards the
/// source, for a wave that meets its normal at `tilt_rad`: area / λ · cos(tilt) · 2 J₁(v)/v,
/// v = 2 k b sin(tilt).
///
/// Valid for discs of about a wavelength across or more and tilts below about 60 degrees. Source:
/// Krautkraemer, *Ultrasonic Testing of Materials* (4th ed. 1990), ch. 5; Schmerr (2016), ch. 10.
#[must_use]
pub fn disc_amplitude(radius_m: f64, wavelength_m: f64, tilt_rad: f64) -> f64 {
    let facing = PI * radius_m * radius_m / wavelength_m;
    let v = 4.0 * PI / wavelength_m * radius_m * tilt_rad.sin();
    // 2 J1(v)/v = 1 - v²/8 + ...; below 1e-4 the quotient would lose digits to no avail.
    let directivity = if v.abs() < 1e-4 { 1.0 - v * v / 8.0 } else { 2.0 * libm::j1(v) / v };
    facing * tilt_rad.cos() * directivity
}

/// Amplitude |f| in √m of a crack of depth `depth_m` that stands square on the surface, for a shear
/// wave that meets the surface from inside at `incidence_rad` from its normal and returns by the
/// corner of crack and surface.
///
/// Two-dimensional Kirchhoff: the corner acts as a mirror 2 h sin β wide, with the reflections at
/// the surface (β) and at the crack (90° - β) multiplied in; both are total between about 33 and 57
/// degrees in steel. Valid for depths of about a shear wavelength or more (below, it overestimates
/// the tip's share and ignores the surface wave) and while the crack is smaller than the beam is
/// wide; the caller limits larger ones to the beam. Water outside (`outside`) takes its share from the
/// reflection at the surface, 0.75 dB at 45 degrees; the crack itself is dry. Source: Krautkraemer (4th ed. 1990), ch. 5
/// (angle reflection); Schmerr (2016), ch. 10.
///
/// # Errors
/// [`WaveError::OutOfRange`] for a depth or wavelength that is not positive, or an incidence outside
/// ±π/2.
pub fn crack_strength(
    depth_m: f64,
    wavelength_s_m: f64,
    incidence_rad: f64,
    solid: &Solid,
    outside: Option<&Fluid>,
) -> Result<f64> {
    positive("the depth of the crack", depth_m, "m")?;
    positive("the shear wavelength", wavelength_s_m, "m")?;
    let beta = incidence_rad.abs();
    if beta.is_nan() || beta > PI / 2.0 {
        return Err(WaveError::OutOfRange {
            what: "the incidence of the shear wave on the surface",
            value: incidence_rad,
            unit: "rad",
            expected: "within ±π/2",
        });
    }
    let returned = surface_ss(solid, outside, beta) * free_surface_ss(solid, PI / 2.0 - beta);
    Ok(2.0 * depth_m * beta.sin() * returned.norm() / wavelength_s_m.sqrt())
}

/// Strength q of the line source q (i/4) H₀(kr) whose far field is `f exp(ikr)/√r`.
///
/// From the asymptotic form of H₀: q = f √(8πk) exp(-iπ/4).
#[must_use]
pub fn line_strength(f: Complex64, k_rad_m: f64) -> Complex64 {
    f * Complex64::from_polar((8.0 * PI * k_rad_m).sqrt(), -PI / 4.0)
}

/// Strength q of the point source q exp(ikr)/(4πr) whose field is `A exp(ikr)/r`, `A` in m.
#[must_use]
pub fn point_strength(amplitude_m: Complex64) -> Complex64 {
    amplitude_m * (4.0 * PI)
}

/// Pressure at a place in the water due to a source of strength q in the steel.
///
/// `field_of_unit_source` is `P_L` or `P_S` (the kind that the source radiates) at the source's
/// place, due to a unit line or point source at the receiving place: p = q (ρ_f/ρ_s) P.
///
/// Derivation. A source of `P_L` of strength q is a body force grad(G δ), G = q (λ+2μ)/(ρ_s ω²); one
/// of `P_S` is curl(G δ z), G = q μ/(ρ_s ω²); a unit source of p in the water is a volume injected
/// there, -1/(ρ_f ω²). Betti's theorem for the two states equates the work of the body force on the
/// displacement of the second state, q P/(ρ_s ω²), with the work of the injected volume against the
/// pressure of the first, p/(ρ_f ω²). Source of the theorem: Achenbach, *Reciprocity in
/// Elastodynamics* (2003), ch. 6.
#[must_use]
pub fn received_pressure(
    fluid: &Fluid,
    solid: &Solid,
    strength: Complex64,
    field_of_unit_source: Complex64,
) -> Complex64 {
    strength * field_of_unit_source * reciprocity_factor(fluid, solid)
}

/// The ratio ρ_f/ρ_s of [`received_pressure`].
#[must_use]
pub fn reciprocity_factor(fluid: &Fluid, solid: &Solid) -> f64 {
    fluid.density_kg_m3 / solid.density_kg_m3
}

/// `Ok` for ω + i damping with ω above zero and a damping of zero or more.
fn angular_frequency(angular: Complex64) -> Result<()> {
    positive("the angular frequency", angular.re, "rad/s")?;
    if angular.im.is_finite() && angular.im >= 0.0 {
        return Ok(());
    }
    let (what, value) = ("the damping", angular.im);
    Err(WaveError::OutOfRange { what, value, unit: "1/s", expected: "zero or more" })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::interface::{plane_wave, plane_wave_out};
    use crate::media::Mode;

    // Truth: closed form (2 mm disc at λ 1.184 mm; first zero of J1 at 3.8317).
    #[test]
    fn disc_is_area_over_wavelength_and_nulls_where_j1_does() {
        let facing = disc_amplitude(1e-3, 1.184e-3, 0.0);
        assert!((facing - 2.65337e-3).abs() < 5e-9);
        let null: f64 = 3.831_705_970_207_512 / (4.0 * PI / 1.184e-3 * 1e-3);
        assert!(disc_amplitude(1e-3, 1.184e-3, null.asin()).abs() < 1e-14);
        assert!((disc_amplitude(1e-3, 1.184e-3, 1e-5) / facing - 1.0).abs() < 1e-8);
    }

    // Truth: closed form (asymptotic H0 written out at large kr).
    #[test]
    fn strengths_reproduce_the_far_field() {
        let (f, k, r) = (Complex64::new(0.01, 0.003), 5000.0, 40.0);
        // H0(x) from library Bessel functions; relative error of the asymptotic form 1/(8x).
        let x = k * r;
        let h0 = Complex64::new(libm::j0(x), libm::y0(x));
        let field = line_strength(f, k) * Complex64::new(0.0, 0.25) * h0;
        let far = f * Complex64::from_polar(1.0 / f64::sqrt(r), x);
        assert!((field / far - 1.0).norm() < 1.0 / (4.0 * x));
        let point = point_strength(f) / (4.0 * PI * r);
        assert!((point - f / r).norm() < 1e-18);
    }

    // Truth: independent route. A far source in the steel meets the flat surface as a plane wave;
    // what leaves by the plane-wave coefficient must equal what reciprocity says, by comparing the
    // ray formulas of both directions (the same spreading, seen from either end).
    #[test]
    fn reciprocity_agrees_with_plane_waves_leaving_the_steel() {
        let fluid = Fluid::new(1480.0, 1000.0).expect("water");
        let solid = Solid::new(5900.0, 3230.0, 7800.0).expect("steel");
        for (mode, angle) in [(Mode::L, 0.1), (Mode::L, 0.2), (Mode::S, 0.3), (Mode::S, 0.4)] {
            let c2 = solid.velocity_m_s(mode);
            let (r1, r2) = (0.03, 0.05);
            let sine2: f64 = c2 / fluid.velocity_m_s * f64::sin(angle);
            let cos = (angle.cos(), (1.0 - sine2 * sine2).sqrt());
            // Tube of a line source across a flat face, from the water and from the steel; the
            // common phase is left out. Unit sources, per sqrt(8π) of each wavenumber.
            let k = 2.0 * PI * 5e6;
            let (k1, k2) = (k / fluid.velocity_m_s, k / c2);
            let q = (k1 * cos.0 * cos.0, k2 * cos.1 * cos.1);
            let inward = plane_wave(&fluid, &solid, angle).expect("in range").transmitted(mode)
                / (k1 * r1).sqrt()
                / (1.0 + r2 * q.0 / (q.1 * r1)).sqrt();
            let outward = plane_wave_out(&fluid, &solid, angle, mode).expect("in range")
                / (k2 * r2).sqrt()
                / (1.0 + r1 * q.1 / (q.0 * r2)).sqrt();
            let one = Complex64::from(1.0);
            let by_reciprocity = received_pressure(&fluid, &solid, one, inward);
            // Rounding only.
            assert!((by_reciprocity - outward).norm() < 1e-12 * outward.norm(), "{mode:?} {angle}");
        }
    }

    // Truth: closed form inside the window of total reflection; property outside.
    #[test]
    fn corner_returns_all_between_the_critical_angles() {
        let steel = Solid::new(5900.0, 3230.0, 7800.0).expect("steel");
        let wavelength = 3230.0 / 5e6;
        let at = |deg: f64| {
            crack_strength(1e-3, wavelength, deg.to_radians(), &steel, None).expect("a crack")
        };
        let full = 2.0 * 1e-3 * 0.5f64.sqrt() / wavelength.sqrt();
        assert!((at(45.0) / full - 1.0).abs() < 1e-12);
        assert!(at(62.0) < 0.6 * full);
        assert!(crack_strength(0.0, wavelength, 0.7, &steel, None).is_err());
        assert!(crack_strength(1e-3, wavelength, 1.6, &steel, None).is_err());
    }
}
