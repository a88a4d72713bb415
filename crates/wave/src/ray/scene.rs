//! Media and pulse that the tests of the ray engine share.

use crate::media::{Fluid, Solid};
use crate::pulse::Pulse;

use super::{Attenuation, RayMedium};

/// Water and steel without losses.
pub(super) fn medium() -> RayMedium {
    RayMedium {
        fluid: Fluid::new(1480.0, 1000.0).expect("water"),
        solid: Solid::new(5900.0, 3230.0, 7800.0).expect("steel"),
        attenuation: Attenuation::default(),
    }
}

/// 5 MHz, 60 % bandwidth.
pub(super) fn pulse() -> Pulse {
    Pulse::new(5e6, 0.6).expect("a pulse")
}
