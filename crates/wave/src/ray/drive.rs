//! What a ray computation starts from: the media and the driven elements.

use serde::{Deserialize, Serialize};

use crate::array::Element;
use crate::error::{Result, WaveError};
use crate::media::{Fluid, Mode, Solid};

/// Amplitude attenuation in the steel; none by default.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Attenuation {
    /// Of longitudinal waves at the reference frequency, in Np/m.
    pub longitudinal_np_m: f64,
    /// Of shear waves at the reference frequency, in Np/m.
    pub shear_np_m: f64,
    /// Reference frequency in Hz.
    pub reference_hz: f64,
    /// Power of the frequency with which it grows: 4 for scatter by grains well below the wavelength,
    /// 1 for absorption.
    pub exponent: f64,
}

impl Default for Attenuation {
    fn default() -> Self {
        Self { longitudinal_np_m: 0.0, shear_np_m: 0.0, reference_hz: 5e6, exponent: 2.0 }
    }
}

impl Attenuation {
    /// Attenuation of one kind of wave in Np/m at a frequency in Hz.
    #[must_use]
    pub fn np_m(&self, mode: Mode, frequency_hz: f64) -> f64 {
        let reference = match mode {
            Mode::L => self.longitudinal_np_m,
            Mode::S => self.shear_np_m,
        };
        if reference == 0.0 {
            return 0.0;
        }
        reference * (frequency_hz / self.reference_hz).powf(self.exponent)
    }
}

/// Water, steel and what the steel takes away.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RayMedium {
    /// The water.
    pub fluid: Fluid,
    /// The steel.
    pub solid: Solid,
    /// Attenuation in the steel.
    pub attenuation: Attenuation,
}

/// Elements that act together under a delay law.
#[derive(Debug, Clone, Copy)]
pub struct Aperture<'a> {
    /// The elements.
    pub elements: &'a [Element],
    /// Delay of each in s.
    pub delays_s: &'a [f64],
    /// Amplitude weight of each; all one if absent.
    pub weights: Option<&'a [f64]>,
}

impl Aperture<'_> {
    pub(super) fn check(&self) -> Result<()> {
        let need = self.elements.len();
        if need == 0 {
            return Err(WaveError::Count { what: "elements of the aperture", got: 0, need: 1 });
        }
        if self.delays_s.len() != need {
            let got = self.delays_s.len();
            return Err(WaveError::Count { what: "delays of the aperture", got, need });
        }
        match self.weights {
            Some(w) if w.len() != need => {
                Err(WaveError::Count { what: "weights of the aperture", got: w.len(), need })
            }
            _ => Ok(()),
        }
    }

    pub(super) fn weight(&self, element: usize) -> f64 {
        self.weights.map_or(1.0, |w| w[element])
    }
}
