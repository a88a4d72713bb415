//! Spheres: exact scattering of longitudinal waves by a void or an inclusion.

use num_complex::Complex64;
use std::f64::consts::TAU;

use super::angular_frequency;
use super::dense::solve;
use super::spherical::Spherical;
use crate::error::{Result, WaveError, positive};
use crate::media::Solid;

/// Scattering of a plane longitudinal wave by a spherical void, at one frequency.
///
/// Separation of variables; source: Ying & Truell, J. Appl. Phys. 27 (1956) 1086. A void stands for
/// the strongest compact reflector of its size; light inclusions return about as much, those of
/// nearly the steel's impedance far less ([`SphericalInclusion`]).
#[derive(Debug, Clone)]
pub struct SphericalVoid(Series);

impl SphericalVoid {
    /// The void of a radius in m at a frequency in Hz; k a up to some hundreds.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a radius or frequency that is not positive.
    pub fn new(radius_m: f64, solid: &Solid, frequency_hz: f64) -> Result<Self> {
        let omega = TAU * positive("the frequency", frequency_hz, "Hz")?;
        Self::damped(radius_m, solid, Complex64::from(omega))
    }

    /// The same at an angular frequency ω + i damping in rad/s.
    ///
    /// # Errors
    /// As [`Self::new`], and for a damping below zero.
    pub fn damped(radius_m: f64, solid: &Solid, angular: Complex64) -> Result<Self> {
        positive("the radius of the void", radius_m, "m")?;
        let host = Shell::new(radius_m, solid, angular, None)?;
        let orders = (0..host.limit).map(|n| host.void(n).map(|x| x[0])).collect::<Option<_>>();
        Ok(Self(Series::new(angular, solid, orders)?))
    }

    /// Far-field amplitude in m, longitudinal to longitudinal: scattered = A exp(ikr)/r times the
    /// incident wave; `theta_rad` zero forward, π back to the source.
    #[must_use]
    pub fn amplitude(&self, theta_rad: f64) -> Complex64 {
        self.0.amplitude(theta_rad)
    }
}

/// Scattering of a plane longitudinal wave by a solid sphere welded to the steel around it, at one
/// frequency.
///
/// Source: Ying & Truell, J. Appl. Phys. 27 (1956) 1086; Faran, JASA 23 (1951) 405 for the sphere in
/// a fluid, against whose published values the boundary rows are checked.
#[derive(Debug, Clone)]
pub struct SphericalInclusion(Series);

impl SphericalInclusion {
    /// The sphere of a radius in m at a frequency in Hz; k a up to some hundreds.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a radius or frequency that is not positive.
    pub fn new(radius_m: f64, solid: &Solid, inside: &Solid, frequency_hz: f64) -> Result<Self> {
        let omega = TAU * positive("the frequency", frequency_hz, "Hz")?;
        Self::damped(radius_m, solid, inside, Complex64::from(omega))
    }

    /// The same at an angular frequency ω + i damping in rad/s.
    ///
    /// # Errors
    /// As [`Self::new`], and for a damping below zero.
    pub fn damped(
        radius_m: f64,
        solid: &Solid,
        inside: &Solid,
        angular: Complex64,
    ) -> Result<Self> {
        positive("the radius of the inclusion", radius_m, "m")?;
        let host = Shell::new(radius_m, solid, angular, None)?;
        let core = Shell::new(radius_m, inside, angular, Some(host.limit))?;
        let heavy = inside.density_kg_m3 * inside.shear_m_s.powi(2)
            / (solid.density_kg_m3 * solid.shear_m_s.powi(2));
        let orders = (0..host.limit)
            .map(|n| host.welded(n, &core, heavy).map(|x| x[0]))
            .collect::<Option<_>>();
        Ok(Self(Series::new(angular, solid, orders)?))
    }

    /// Far-field amplitude in m, as [`SphericalVoid::amplitude`].
    #[must_use]
    pub fn amplitude(&self, theta_rad: f64) -> Complex64 {
        self.0.amplitude(theta_rad)
    }
}

/// Scattered over incident longitudinal coefficient, by order from zero.
#[derive(Debug, Clone)]
struct Series {
    k_l: Complex64,
    orders: Vec<Complex64>,
}

impl Series {
    fn new(angular: Complex64, solid: &Solid, orders: Option<Vec<Complex64>>) -> Result<Self> {
        let orders = orders.filter(|list| list.iter().all(|x| x.is_finite()));
        orders.map(|orders| Self { k_l: angular / solid.longitudinal_m_s, orders }).ok_or(
            WaveError::OutOfRange {
                what: "the angular frequency of a sphere",
                value: angular.re,
                unit: "rad/s",
                expected: "within the range its series can be summed in (k a of 1e-3 to some hundreds)",
            },
        )
    }

    fn amplitude(&self, theta_rad: f64) -> Complex64 {
        let x = theta_rad.cos();
        let (mut before, mut legendre) = (0.0, 1.0);
        let mut sum = Complex64::ZERO;
        for (n, order) in self.orders.iter().enumerate() {
            let n = n as f64;
            sum += order * ((2.0 * n + 1.0) * legendre);
            let next = ((2.0 * n + 1.0) * x * legendre - n * before) / (n + 1.0);
            before = std::mem::replace(&mut legendre, next);
        }
        sum * Complex64::new(0.0, -1.0) / self.k_l
    }
}

/// What the waves of one solid do at the sphere's surface, u = grad φ + curl curl (r ψ).
struct Shell {
    limit: usize,
    x_s: Complex64,
    l: Spherical,
    s: Spherical,
}

/// Radial and tangential displacement (times a), normal and tangential traction (times a²/2μ).
type Surface = [Complex64; 4];

impl Shell {
    fn new(radius_m: f64, solid: &Solid, angular: Complex64, limit: Option<usize>) -> Result<Self> {
        angular_frequency(angular)?;
        let (x_l, x_s) =
            (angular / solid.longitudinal_m_s * radius_m, angular / solid.shear_m_s * radius_m);
        let size = x_s.norm();
        let limit = limit.unwrap_or((size + 6.0 * size.cbrt() + 8.0) as usize);
        Ok(Self { limit, x_s, l: Spherical::new(limit, x_l), s: Spherical::new(limit, x_s) })
    }

    fn longitudinal(&self, n: usize, outgoing: bool) -> Surface {
        let nn = (n * (n + 1)) as f64;
        let own = nn - self.x_s * self.x_s / 2.0;
        let (value, slope) = self.l.radial(n, outgoing);
        [slope, value, value * own - slope * 2.0, slope - value]
    }

    fn shear(&self, n: usize, outgoing: bool) -> Surface {
        let nn = (n * (n + 1)) as f64;
        let own = nn - self.x_s * self.x_s / 2.0;
        let (value, slope) = self.s.radial(n, outgoing);
        [value * nn, value + slope, (slope - value) * nn, value * (own - 1.0) - slope]
    }

    /// Scattered L and S over incident L of order n for a traction-free wall.
    fn void(&self, n: usize) -> Option<[Complex64; 2]> {
        let (inward, out) = (self.longitudinal(n, false), self.longitudinal(n, true));
        if n == 0 {
            return Some([-inward[2] / out[2], Complex64::ZERO]);
        }
        let shear = self.shear(n, true);
        solve([[out[2], out[3]], [shear[2], shear[3]]], [-inward[2], -inward[3]])
    }

    /// Scattered L and S for a welded core whose shear modulus is `heavy` times this solid's.
    fn welded(&self, n: usize, core: &Self, heavy: f64) -> Option<[Complex64; 2]> {
        let stiff = |[a, b, c, d]: Surface| [-a, -b, -c * heavy, -d * heavy];
        let (inward, out) = (self.longitudinal(n, false), self.longitudinal(n, true));
        let held = stiff(core.longitudinal(n, false));
        if n == 0 {
            let x = solve([[out[0], out[2]], [held[0], held[2]]], [-inward[0], -inward[2]])?;
            return Some([x[0], Complex64::ZERO]);
        }
        let turned = stiff(core.shear(n, false));
        let x = solve([out, self.shear(n, true), held, turned], inward.map(|v| -v))?;
        Some([x[0], x[1]])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    fn steel() -> Solid {
        Solid::new(5900.0, 3230.0, 7800.0).expect("steel")
    }

    fn shell(solid: &Solid, f: f64, radius: f64) -> Shell {
        Shell::new(radius, solid, Complex64::from(TAU * f), None).expect("a shell")
    }

    // Truth: property (energy in L and S together, order by order), void and inclusion.
    #[test]
    fn energy_is_conserved_order_by_order() {
        let steel = steel();
        let oxide = Solid::new(9900.0, 5800.0, 3900.0).expect("an inclusion");
        for f in [5e5, 2e6, 2e7] {
            let host = shell(&steel, f, 1e-3);
            let core =
                Shell::new(1e-3, &oxide, Complex64::from(TAU * f), Some(host.limit)).expect("core");
            let heavy = 3900.0 * 5800.0_f64.powi(2) / (7800.0 * 3230.0_f64.powi(2));
            for n in 0..(host.x_s.norm() as usize + 6).min(host.limit) {
                for x in [host.void(n), host.welded(n, &core, heavy)] {
                    let [a, b] = x.expect("solved");
                    let nn = (n * (n + 1)) as f64;
                    let sum = (Complex64::from(1.0) + a * 2.0).norm_sqr()
                        + 4.0 * nn * (3230.0 / 5900.0) * b.norm_sqr();
                    // The determinant of small x loses n²/x² digits.
                    assert!((sum - 1.0).abs() < 1e-9, "{f} {n}: {sum}");
                }
            }
        }
    }

    // Truth: closed forms: mirror limit a/2, and fall with f² for voids far below the wavelength.
    #[test]
    fn large_and_small_voids_follow_their_laws() {
        let back = |a, f| SphericalVoid::new(a, &steel(), f).expect("a void").amplitude(PI).norm();
        // 3 % at k a = 53: the remaining share of creeping waves.
        assert!((back(0.01, 5e6) / 0.005 - 1.0).abs() < 0.03, "{}", back(0.01, 5e6));
        let slope = (back(1e-5, 2e6) / back(1e-5, 1e6)).log2();
        assert!((slope - 2.0).abs() < 0.01, "{slope}");
        assert!(SphericalVoid::new(0.0, &steel(), 5e6).is_err());
        assert!(SphericalVoid::new(1e-3, &steel(), f64::NAN).is_err());
        let damped = Complex64::new(3e7, -1.0);
        assert!(SphericalVoid::damped(1e-3, &steel(), damped).is_err());
    }

    // Truth: property. A sphere of the steel itself scatters nothing; a feather-light one is a void.
    #[test]
    fn an_inclusion_lies_between_nothing_and_a_void() {
        let (steel, radius, f) = (steel(), 5e-4, 5e6);
        let back = |inside: &Solid| {
            SphericalInclusion::new(radius, &steel, inside, f).expect("a sphere").amplitude(PI)
        };
        let void = SphericalVoid::new(radius, &steel, f).expect("a void").amplitude(PI);
        assert!(back(&steel).norm() < 1e-12 * void.norm());
        // Density and moduli 1e-8 of the steel's; what they add is of that order times k a.
        let feather = Solid::new(5900.0, 3230.0, 7.8e-5).expect("a feather");
        assert!((back(&feather) / void - 1.0).norm() < 1e-5);
    }

    // Truth: published table (tungsten carbide sphere of 38.1 mm in water, 1477.3 m/s, 1026.8 kg/m³;
    // target strength 20 lg |A|), through the same boundary rows with a fluid outside: no shear wave
    // there and no grip on the surface. 1e-3 dB: the inputs are rounded as printed.
    #[test]
    fn tungsten_carbide_in_water_meets_published_values() {
        let core = Solid::new(6853.0, 4171.0, 14900.0).expect("tungsten carbide");
        let (radius, c, rho) = (0.01905, 1477.3, 1026.8);
        for (f, want) in
            [(38e3, -42.33), (70e3, -41.070_33), (120e3, -39.502_64), (200e3, -39.438_21)]
        {
            let inner = shell(&core, f, radius);
            let x = Complex64::from(TAU * f / c * radius);
            let outer = Spherical::new(inner.limit, x);
            let weight = -(rho / 14900.0) * inner.x_s * inner.x_s / 2.0;
            let orders = (0..inner.limit)
                .map(|n| {
                    let fluid = |outgoing| {
                        let (value, slope) = outer.radial(n, outgoing);
                        [slope, value * weight, Complex64::ZERO]
                    };
                    let held = inner.longitudinal(n, false);
                    let (inward, out) = (fluid(false), fluid(true));
                    if n == 0 {
                        let columns = [[out[0], out[1]], [-held[0], -held[2]]];
                        return solve(columns, [-inward[0], -inward[1]]).map(|x| x[0]);
                    }
                    let turned = inner.shear(n, false);
                    let columns =
                        [out, [-held[0], -held[2], -held[3]], [-turned[0], -turned[2], -turned[3]]];
                    solve(columns, inward.map(|v| -v)).map(|x| x[0])
                })
                .collect::<Option<Vec<_>>>()
                .expect("solved");
            let series = Series { k_l: x / radius, orders };
            let strength = 20.0 * series.amplitude(PI).norm().log10();
            assert!((strength - want).abs() < 1e-3, "{f}: {strength} {want}");
        }
    }
}
