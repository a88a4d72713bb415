//! Water and steel as the waves meet them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::error::{Result, WaveError, positive};

/// Kind of wave in the steel.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
pub enum Mode {
    /// Longitudinal.
    L,
    /// Shear, polarised in the section.
    S,
}

/// A lossless fluid.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fluid {
    /// Sound velocity in m/s.
    pub velocity_m_s: f64,
    /// Density in kg/m³.
    pub density_kg_m3: f64,
}

impl Fluid {
    /// A fluid after checking that both numbers can be one.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a value that is not finite and positive.
    pub fn new(velocity_m_s: f64, density_kg_m3: f64) -> Result<Self> {
        Ok(Self {
            velocity_m_s: positive("the sound velocity of the fluid", velocity_m_s, "m/s")?,
            density_kg_m3: positive("the density of the fluid", density_kg_m3, "kg/m³")?,
        })
    }
}

/// An isotropic elastic solid.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Solid {
    /// Longitudinal velocity in m/s.
    pub longitudinal_m_s: f64,
    /// Shear velocity in m/s.
    pub shear_m_s: f64,
    /// Density in kg/m³.
    pub density_kg_m3: f64,
}

impl Solid {
    /// A solid after checking that its velocities can belong together.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a value that is not finite and positive, or a shear velocity
    /// above `longitudinal / √2` (Poisson's ratio would be negative).
    pub fn new(longitudinal_m_s: f64, shear_m_s: f64, density_kg_m3: f64) -> Result<Self> {
        positive("the longitudinal velocity", longitudinal_m_s, "m/s")?;
        positive("the shear velocity", shear_m_s, "m/s")?;
        positive("the density of the solid", density_kg_m3, "kg/m³")?;
        if shear_m_s * std::f64::consts::SQRT_2 > longitudinal_m_s {
            return Err(WaveError::OutOfRange {
                what: "the shear velocity",
                value: shear_m_s,
                unit: "m/s",
                expected: "at most the longitudinal velocity divided by the square root of two",
            });
        }
        Ok(Self { longitudinal_m_s, shear_m_s, density_kg_m3 })
    }

    /// Velocity of one kind of wave in m/s.
    #[must_use]
    pub fn velocity_m_s(&self, mode: Mode) -> f64 {
        match mode {
            Mode::L => self.longitudinal_m_s,
            Mode::S => self.shear_m_s,
        }
    }
}
