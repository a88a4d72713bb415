//! What to know about an echo besides its value.

use crate::media::Solid;
use crate::ray::RayFlags;

use super::echo::Reflector;

/// Why an echo may be off; the value is given all the same.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum EchoFinding {
    /// A face smaller than one wavelength at the middle of the band: Kirchhoff's approximation is off
    /// by some decibels.
    SmallFace {
        /// Diameter, width or depth over the wavelength.
        in_wavelengths: f64,
    },
    /// The sound meets a face this far from its normal (more than 60 degrees), where waves along the
    /// face count.
    Grazing {
        /// Angle to the normal in rad.
        angle_rad: f64,
    },
    /// Shear waves meet the corner outside the window in which both reflections are total; waves
    /// along crack and surface, which are not contained, carry a part.
    CornerNotTotal {
        /// Incidence on the surface in rad.
        incidence_rad: f64,
    },
    /// The field engine does not trust its own answer at the reflector.
    Field(RayFlags),
}

/// Findings about a reflector's size, for a wavelength in m.
pub(super) fn of_size(reflector: &Reflector, wavelength_m: f64) -> Option<EchoFinding> {
    let size = match *reflector {
        Reflector::Disc { radius_m, .. } => 2.0 * radius_m,
        Reflector::Strip { width_m, .. } => width_m,
        Reflector::Crack { depth_m, .. } => depth_m,
        _ => return None,
    };
    let in_wavelengths = size / wavelength_m;
    (in_wavelengths < 1.0).then_some(EchoFinding::SmallFace { in_wavelengths })
}

/// Findings about the direction in which a face is met.
pub(super) fn of_direction(normal_rad: f64, heading_rad: f64) -> Option<EchoFinding> {
    let angle_rad = (heading_rad - normal_rad).cos().abs().min(1.0).acos();
    (angle_rad > std::f64::consts::FRAC_PI_3).then_some(EchoFinding::Grazing { angle_rad })
}

/// Findings about the incidence on a corner, square or tilted by `tilt_rad`.
pub(super) fn of_corner(solid: &Solid, incidence_rad: f64) -> Option<EchoFinding> {
    let critical = (solid.shear_m_s / solid.longitudinal_m_s).asin();
    let total = (critical..=std::f64::consts::FRAC_PI_2 - critical).contains(&incidence_rad.abs());
    (!total).then_some(EchoFinding::CornerNotTotal { incidence_rad })
}
