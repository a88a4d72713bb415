//! Case files on water and on plane waves at its surface.

use barwright_wave::{Fluid, Result, Solid, interface, water};
use serde::Deserialize;

use super::cases::{Case, Named, Pair};

/// Water velocity at one temperature.
#[derive(Debug, Deserialize)]
pub struct WaterSpeed {
    id: String,
    #[serde(rename = "temperature_C")]
    temperature_c: f64,
    expected: ExpectedSpeed,
}

#[derive(Debug, Deserialize)]
struct ExpectedSpeed {
    c_m_s: f64,
}

#[derive(Debug, Deserialize)]
pub struct SpeedTolerance {
    abs_m_s: f64,
}

impl Named for WaterSpeed {
    fn id(&self) -> &str {
        &self.id
    }
}

/// Sound velocity of water.
pub fn water_speed(
    case: &WaterSpeed,
    tolerance: &SpeedTolerance,
    out: &mut Case<'_>,
) -> Result<()> {
    let c = water::sound_velocity_m_s(case.temperature_c)?;
    out.reals("sound velocity", "m/s", tolerance.abs_m_s, &[c], &[case.expected.c_m_s]);
    Ok(())
}

/// A plane wave on a flat interface.
#[derive(Debug, Deserialize)]
pub struct PlaneWaveCase {
    id: String,
    c_f: f64,
    rho_f: f64,
    #[serde(rename = "cL")]
    c_l: f64,
    #[serde(rename = "cS")]
    c_s: f64,
    rho: f64,
    theta_rad: f64,
    #[serde(rename = "crit_L_rad")]
    critical_l_rad: Option<f64>,
    #[serde(rename = "crit_S_rad")]
    critical_s_rad: Option<f64>,
    expected: ExpectedPlane,
}

#[derive(Debug, Deserialize)]
struct ExpectedPlane {
    #[serde(rename = "R")]
    reflected: Pair,
    #[serde(rename = "T_L")]
    longitudinal: Pair,
    #[serde(rename = "T_S")]
    shear: Pair,
    energy: [f64; 3],
}

#[derive(Debug, Deserialize)]
pub struct PlaneTolerance {
    abs: f64,
}

impl Named for PlaneWaveCase {
    fn id(&self) -> &str {
        &self.id
    }
}

/// Reflection, transmission, energy and critical angles.
pub fn plane_wave(
    case: &PlaneWaveCase,
    tolerance: &PlaneTolerance,
    out: &mut Case<'_>,
) -> Result<()> {
    let fluid = Fluid::new(case.c_f, case.rho_f)?;
    let solid = Solid::new(case.c_l, case.c_s, case.rho)?;
    let w = interface::plane_wave(&fluid, &solid, case.theta_rad)?;
    let e = &case.expected;
    for (name, found, wanted) in [
        ("reflection", w.reflected, e.reflected),
        ("transmission L", w.transmitted_l, e.longitudinal),
        ("transmission S", w.transmitted_s, e.shear),
    ] {
        out.pairs(name, "", tolerance.abs, &[[found.re, found.im]], &[wanted]);
    }
    out.reals("energy", "", tolerance.abs, &w.energy, &e.energy);
    let critical = interface::critical_angles(&fluid, &solid);
    for (name, found, wanted) in [
        ("critical angle L", critical.longitudinal_rad, case.critical_l_rad),
        ("critical angle S", critical.shear_rad, case.critical_s_rad),
    ] {
        if let Some(wanted) = wanted {
            out.reals(name, "rad", tolerance.abs, &[found.unwrap_or(f64::NAN)], &[wanted]);
        }
    }
    Ok(())
}
