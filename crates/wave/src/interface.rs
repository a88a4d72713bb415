//! Plane waves at the surface of the steel: water into steel and back, and the traction-free face.

use num_complex::Complex64;

use crate::error::{Result, WaveError};
use crate::media::{Fluid, Mode, Solid};

/// Reflection and transmission of a plane wave that meets steel from the water.
///
/// All amplitudes are relative to the pressure of the incident wave at the interface; axes: x
/// along the interface in the direction of travel, y into the steel, z = x × y.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaneWave {
    /// Reflected pressure over incident pressure.
    pub reflected: Complex64,
    /// `P_L` over incident pressure.
    pub transmitted_l: Complex64,
    /// `P_S` over incident pressure; its sign turns with the sense of travel along x.
    pub transmitted_s: Complex64,
    /// Shares of the incident energy that leave the interface: reflected, L, S. They add up to one.
    pub energy: [f64; 3],
}

impl PlaneWave {
    /// The transmission coefficient of one kind of wave.
    #[must_use]
    pub fn transmitted(&self, mode: Mode) -> Complex64 {
        match mode {
            Mode::L => self.transmitted_l,
            Mode::S => self.transmitted_s,
        }
    }
}

/// Incidence angles in water beyond which a wave in the steel no longer carries energy inwards.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CriticalAngles {
    /// First critical angle (longitudinal), in rad; none where the steel wave is the slower one.
    pub longitudinal_rad: Option<f64>,
    /// Second critical angle (shear), in rad; none where the steel wave is the slower one.
    pub shear_rad: Option<f64>,
}

/// Plane-wave coefficients for an incidence angle in rad, -π/2 to π/2; complex beyond a critical
/// angle.
///
/// Source: Schmerr, *Fundamentals of Ultrasonic Nondestructive Evaluation* (2nd ed. 2016), ch. 6;
/// Krautkraemer, *Ultrasonic Testing of Materials* (4th ed. 1990), appendix. The quotients of the
/// textbook are multiplied out here, so that neither 45 degrees of shear refraction nor grazing
/// incidence divides by zero.
///
/// # Errors
/// [`WaveError::OutOfRange`] for an angle outside -π/2..=π/2 or not finite.
pub fn plane_wave(fluid: &Fluid, solid: &Solid, incidence_rad: f64) -> Result<PlaneWave> {
    let limit = std::f64::consts::FRAC_PI_2;
    if !(-limit..=limit).contains(&incidence_rad) {
        return Err(WaveError::OutOfRange {
            what: "the incidence angle",
            value: incidence_rad,
            unit: "rad",
            expected: "between -π/2 and π/2",
        });
    }
    let q = incidence_rad.sin() / fluid.velocity_m_s;
    let c_in = incidence_rad.cos() / fluid.velocity_m_s;
    let k_l = vertical(1.0 / solid.longitudinal_m_s, q);
    let k_s = vertical(1.0 / solid.shear_m_s, q);
    let cs2 = solid.shear_m_s * solid.shear_m_s;
    let density = fluid.density_kg_m3 / solid.density_kg_m3;

    // No shear stress at the interface: P_L : P_S = a : b.
    let a = 1.0 - 2.0 * q * q * cs2;
    let b = k_l * (-2.0 * q * cs2);
    // Normal stress and normal displacement per unit of that pair.
    let stress = a * a - k_s * b * (2.0 * q * cs2);
    let flow = (k_l * a - b * q) * density;
    let denominator = stress * c_in + flow;

    let transmitted_l = Complex64::from(2.0 * a * c_in) / denominator;
    let transmitted_s = b * (2.0 * c_in) / denominator;
    let reflected = (stress * c_in - flow) / denominator;
    let share = |k: Complex64, amplitude: Complex64| {
        if c_in > 0.0 { density * k.re * amplitude.norm_sqr() / c_in } else { 0.0 }
    };
    let energy = [reflected.norm_sqr(), share(k_l, transmitted_l), share(k_s, transmitted_s)];
    Ok(PlaneWave { reflected, transmitted_l, transmitted_s, energy })
}

/// Pressure in the water over `P_L` or `P_S` of a plane wave that leaves the steel so that it
/// travels in the water at `water_angle_rad` from the normal (-π/2 < angle < π/2).
///
/// Follows from [`plane_wave`] by reciprocity: the ratio of the two is the ratio of densities times
/// the ratio of the normal slownesses. Zero where no such wave can arrive (beyond critical).
///
/// # Errors
/// [`WaveError::OutOfRange`] as for [`plane_wave`].
pub fn plane_wave_out(
    fluid: &Fluid,
    solid: &Solid,
    water_angle_rad: f64,
    mode: Mode,
) -> Result<Complex64> {
    let inward = plane_wave(fluid, solid, water_angle_rad)?.transmitted(mode);
    let q = water_angle_rad.sin() / fluid.velocity_m_s;
    let k = vertical(1.0 / solid.velocity_m_s(mode), q);
    let c_out = water_angle_rad.cos() / fluid.velocity_m_s;
    if k.re == 0.0 || c_out <= 0.0 {
        return Ok(Complex64::ZERO);
    }
    Ok(inward * (fluid.density_kg_m3 / solid.density_kg_m3) * (k.re / c_out))
}

/// Critical angles of incidence from the water.
#[must_use]
pub fn critical_angles(fluid: &Fluid, solid: &Solid) -> CriticalAngles {
    let angle = |c: f64| (c > fluid.velocity_m_s).then(|| (fluid.velocity_m_s / c).asin());
    CriticalAngles {
        longitudinal_rad: angle(solid.longitudinal_m_s),
        shear_rad: angle(solid.shear_m_s),
    }
}

/// Snell's law: the angle in the second medium in rad, with the sign of the first; `None` beyond
/// the critical angle.
#[must_use]
pub fn refracted(c_first_m_s: f64, c_second_m_s: f64, angle_rad: f64) -> Option<f64> {
    let sine = c_second_m_s / c_first_m_s * angle_rad.sin();
    (sine.abs() <= 1.0).then(|| sine.asin())
}

/// Reflection of an in-plane shear wave as a shear wave at a traction-free plane face: reflected
/// over incident `P_S`, for an incidence angle from the face's normal in rad (-π/2..=π/2).
///
/// -1 at normal incidence; of modulus one where the longitudinal wave cannot travel (beyond about
/// 33 degrees in steel). Source: Schmerr (2016), ch. 6; Achenbach, *Wave Propagation in Elastic
/// Solids* (1973), section 5.7.
#[must_use]
pub fn free_surface_ss(solid: &Solid, shear_incidence_rad: f64) -> Complex64 {
    let (sin, cos) = shear_incidence_rad.sin_cos();
    // Slownesses times the shear velocity.
    let k_l = vertical(solid.shear_m_s / solid.longitudinal_m_s, sin);
    let coupling = k_l * (4.0 * sin * sin * cos);
    let own = (cos * cos - sin * sin).powi(2);
    (coupling - own) / (coupling + own)
}

/// Normal component of a slowness whose tangential component is `tangential`; imaginary part not
/// negative, so that waves beyond the critical angle decay (time factor exp(-iωt)).
fn vertical(slowness: f64, tangential: f64) -> Complex64 {
    let square = slowness * slowness - tangential * tangential;
    if square >= 0.0 {
        Complex64::new(square.sqrt(), 0.0)
    } else {
        Complex64::new(0.0, (-square).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pair() -> (Fluid, Solid) {
        (
            Fluid::new(1482.38, 998.204).expect("water"),
            Solid::new(5920.0, 3255.0, 7850.0).expect("steel"),
        )
    }

    // Truth: property (conservation of energy), at every angle, 45 degrees of shear included.
    // 1e-13: rounding of a dozen operations.
    #[test]
    fn energy_is_conserved() {
        let (fluid, solid) = pair();
        let at_45 = (fluid.velocity_m_s / solid.shear_m_s * 0.5f64.sqrt()).asin();
        let angles = (-900..=900).map(|i| f64::from(i) * 0.1_f64.to_radians()).chain([at_45]);
        for angle in angles {
            let Ok(wave) = plane_wave(&fluid, &solid, angle) else {
                continue;
            };
            let sum: f64 = wave.energy.iter().sum();
            assert!((sum - 1.0).abs() < 1e-13, "{angle}: {sum}");
        }
        let wave = plane_wave(&fluid, &solid, at_45).expect("in range");
        assert!(wave.transmitted_l.norm() < 1e-10 && wave.transmitted_s.norm() > 1.9);
    }

    // Truth: closed form (impedances) at normal incidence.
    #[test]
    fn normal_incidence_follows_the_impedances() {
        let (fluid, solid) = pair();
        let (z1, z2) = (998.204 * 1482.38, 7850.0 * 5920.0);
        let wave = plane_wave(&fluid, &solid, 0.0).expect("in range");
        assert!((wave.reflected.re - (z2 - z1) / (z2 + z1)).abs() < 1e-14);
        assert!((wave.transmitted_l.re - 2.0 * z2 / (z2 + z1)).abs() < 1e-14);
        assert_eq!(wave.transmitted_s.norm(), 0.0);
    }

    // Truth: published table (textbook formula of another form, four printed digits).
    #[test]
    fn moduli_meet_the_printed_table() {
        let (fluid, solid) = pair();
        for (deg, r, l, s) in [
            (5.0, 0.9378, Some(1.9248), 0.4098),
            (10.0, 0.9370, Some(1.9187), 0.8173),
            (14.0, 0.9493, Some(2.6092), 0.9028),
            (18.786, 0.9171, None, 1.9171),
            (26.0, 0.9327, None, 2.7287),
        ] {
            let wave = plane_wave(&fluid, &solid, f64::to_radians(deg)).expect("in range");
            // One unit of the last printed digit: the inputs of the table are rounded too.
            assert!((wave.reflected.norm() - r).abs() < 1e-4, "{deg} R {}", wave.reflected.norm());
            assert!((wave.transmitted_s.norm() - s).abs() < 1e-4, "{deg} S");
            if let Some(l) = l {
                assert!((wave.transmitted_l.norm() - l).abs() < 1e-4, "{deg} L");
            }
        }
    }

    /// Solves the solid-to-fluid problem directly: incident wave of one mode from the steel.
    fn direct_out(fluid: &Fluid, solid: &Solid, water_angle: f64, mode: Mode) -> Complex64 {
        let q = Complex64::from(water_angle.sin() / fluid.velocity_m_s);
        let c_out = Complex64::from(water_angle.cos() / fluid.velocity_m_s);
        let (k_l, k_s) =
            (vertical(1.0 / solid.longitudinal_m_s, q.re), vertical(1.0 / solid.shear_m_s, q.re));
        let cs2 = solid.shear_m_s * solid.shear_m_s;
        let a = Complex64::from(1.0) - q * q * 2.0 * cs2;
        let density = fluid.density_kg_m3 / solid.density_kg_m3;
        // Waves e^{iω(qx ± k y)}, steel in y > 0; rows: normal stress, shear stress, normal
        // displacement; incident travels to -y, reflected to +y, water wave to -y.
        let l = |k: Complex64| [a, q * k * 2.0 * cs2, k * density];
        let s = |k: Complex64| [-q * k * 2.0 * cs2, (k * k - q * q) * cs2, -q * density];
        let water = [Complex64::from(1.0), Complex64::ZERO, -c_out];
        let incident = match mode {
            Mode::L => l(-k_l),
            Mode::S => s(-k_s),
        };
        // a·refl_l + b·refl_s - w·water = -incident, by Cramer's rule for w.
        let det = |c: [[Complex64; 3]; 3]| {
            c[0][0] * (c[1][1] * c[2][2] - c[2][1] * c[1][2])
                - c[1][0] * (c[0][1] * c[2][2] - c[2][1] * c[0][2])
                + c[2][0] * (c[0][1] * c[1][2] - c[1][1] * c[0][2])
        };
        let minus = |c: [Complex64; 3]| [-c[0], -c[1], -c[2]];
        det([l(k_l), s(k_s), minus(incident)]) / det([l(k_l), s(k_s), minus(water)])
    }

    // Truth: independent solution of the reverse problem. 1e-12: rounding through two determinants.
    #[test]
    fn leaving_the_steel_is_the_reciprocal_of_entering_it() {
        let (fluid, solid) = pair();
        for (deg, mode) in [
            (0.0, Mode::L),
            (7.0, Mode::L),
            (13.0, Mode::L),
            (5.0, Mode::S),
            (18.0, Mode::S),
            (25.0, Mode::S),
        ] {
            let angle = f64::to_radians(deg);
            let direct = direct_out(&fluid, &solid, angle, mode);
            let out = plane_wave_out(&fluid, &solid, angle, mode).expect("in range");
            // A shear wave's z axis turns over when the direction of travel is reversed.
            let sign = if mode == Mode::S { -1.0 } else { 1.0 };
            assert!((out * sign - direct).norm() < 1e-12, "{deg} {mode:?}: {out} {direct}");
        }
    }

    // Truth: property and closed form (Snell): total reflection window of the corner.
    #[test]
    fn shear_reflects_fully_between_33_and_57_degrees() {
        let (_, solid) = pair();
        assert!((free_surface_ss(&solid, 0.0) + 1.0).norm() < 1e-15);
        let critical = (solid.shear_m_s / solid.longitudinal_m_s).asin();
        for i in 1..50 {
            let beta =
                critical + (std::f64::consts::FRAC_PI_2 - 2.0 * critical) * f64::from(i) / 50.0;
            assert!((free_surface_ss(&solid, beta).norm() - 1.0).abs() < 1e-14);
        }
        assert!(free_surface_ss(&solid, critical * 0.9).norm() < 0.95);
    }

    // Truth: published values (critical angles water at 20 °C to reference steel).
    #[test]
    fn critical_angles_meet_the_printed_ones() {
        let (fluid, solid) = pair();
        let critical = critical_angles(&fluid, &solid);
        // Half a unit of the last printed digit, in degrees.
        let close = |got: Option<f64>, deg: f64| {
            got.is_some_and(|rad| (rad.to_degrees() - deg).abs() < 5e-4)
        };
        assert!(close(critical.longitudinal_rad, 14.501));
        assert!(close(critical.shear_rad, 27.092));
        let beta = refracted(1482.38, 3255.0, f64::to_radians(18.786)).expect("below critical");
        // 45 degrees within the propagated rounding of 18.786.
        assert!((beta.to_degrees() - 45.0).abs() < 2e-3);
        assert_eq!(refracted(1480.0, 5900.0, 0.5), None);
    }
}
