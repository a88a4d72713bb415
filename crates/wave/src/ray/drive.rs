//! What a ray computation starts from: the media and the driven elements.

use serde::{Deserialize, Serialize};

use crate::array::Element;
use crate::error::{Result, WaveError, positive};
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

    pub(super) fn check(&self) -> Result<()> {
        positive("the reference frequency of the attenuation", self.reference_hz, "Hz")?;
        for (what, value, unit) in [
            ("the longitudinal attenuation", self.longitudinal_np_m, "Np/m"),
            ("the shear attenuation", self.shear_np_m, "Np/m"),
            ("the exponent of the attenuation", self.exponent, ""),
        ] {
            if !(value.is_finite() && value >= 0.0) {
                let expected = "finite and not negative";
                return Err(WaveError::OutOfRange { what, value, unit, expected });
            }
        }
        Ok(())
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

impl RayMedium {
    /// The fields are public: what the constructors of the media check is checked again.
    pub(super) fn check(&self) -> Result<()> {
        Fluid::new(self.fluid.velocity_m_s, self.fluid.density_kg_m3)?;
        let Solid { longitudinal_m_s, shear_m_s, density_kg_m3 } = self.solid;
        Solid::new(longitudinal_m_s, shear_m_s, density_kg_m3)?;
        self.attenuation.check()
    }
}

/// Elements that act together under a delay law.
#[derive(Debug, Clone, Copy)]
pub struct Aperture<'a> {
    /// The elements.
    pub elements: &'a [Element],
    /// Delay of each in s.
    pub delays_s: &'a [f64],
    /// Amplitude weight of each; all one if absent. An element of weight 0 counts as absent: it costs
    /// nothing and casts no shadow.
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
        if let Some(w) = self.weights
            && w.len() != need
        {
            return Err(WaveError::Count { what: "weights of the aperture", got: w.len(), need });
        }
        let mut driven = 0;
        for (i, e) in self.elements.iter().enumerate() {
            let weight = self.weight(i);
            for (what, value, unit) in [
                ("the weight of an element", weight, ""),
                ("the delay of an element", self.delays_s[i], "s"),
                ("the x of an element", e.centre.x, "m"),
                ("the y of an element", e.centre.y, "m"),
                ("the facing of an element", e.facing_rad, "rad"),
                ("the width of an element", e.width_m, "m"),
            ] {
                if !value.is_finite() {
                    return Err(WaveError::OutOfRange { what, value, unit, expected: "finite" });
                }
            }
            driven += usize::from(weight != 0.0);
        }
        if driven == 0 {
            return Err(WaveError::Count { what: "driven elements", got: 0, need: 1 });
        }
        Ok(())
    }

    /// Elements whose weight is not zero: number, element, weight.
    pub(super) fn driven(&self) -> impl Iterator<Item = (usize, &Element, f64)> {
        let all = self.elements.iter().enumerate();
        all.map(|(i, e)| (i, e, self.weight(i))).filter(|(_, _, weight)| *weight != 0.0)
    }

    fn weight(&self, element: usize) -> f64 {
        self.weights.map_or(1.0, |w| w[element])
    }
}
