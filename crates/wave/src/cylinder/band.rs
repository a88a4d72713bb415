//! The modal solutions of all frequencies of a pulse.

use num_complex::Complex64;
use rayon::prelude::*;
use std::f64::consts::TAU;

use crate::error::{Result, WaveError, positive};
use crate::media::{Fluid, Mode, Solid};

use super::array::LineArray;
use super::illumination::Illumination;
use super::limits::check_band;
use super::modal::{Attenuation, ModalSolution, orders_for};
use super::{Passage, Spectra};

/// A round bar in water over a band of frequencies: computed once, then used for every array,
/// delay law and point.
#[derive(Debug, Clone)]
pub struct CylinderBand {
    frequencies_hz: Vec<f64>,
    damping_1_s: f64,
    solutions: Vec<ModalSolution>,
}

impl CylinderBand {
    /// Solutions for a lossless steel at the given frequencies.
    ///
    /// `damping_1_s` moves the frequencies to `ω + i damping`, which multiplies every signal by
    /// exp(-damping t); [`super::Synthesis`] takes it out again. A record of length T = 1/step repeats
    /// itself; with damping·T about 5 what arrives later than T wraps with e^-5 of its size. Use
    /// it for [`Passage::Full`], where reflections go on for long and undamped resonances are
    /// too narrow to sample; the first passage needs none. Let the frequencies reach to where the
    /// pulse's spectrum is below 1e-4 or so of its peak: what is cut off there rings through the
    /// whole record, and taking the damping out again lifts it by up to e^5.
    ///
    /// # Errors
    /// As [`Self::with_attenuation`].
    pub fn new(
        radius_m: f64,
        solid: &Solid,
        fluid: &Fluid,
        frequencies_hz: &[f64],
        damping_1_s: f64,
        passage: Passage,
    ) -> Result<Self> {
        let lossless = |_| Attenuation::default();
        Self::with_attenuation(
            radius_m,
            solid,
            fluid,
            frequencies_hz,
            damping_1_s,
            passage,
            lossless,
        )
    }

    /// The same for a steel that attenuates: `attenuation` gives neper per metre at a frequency
    /// in Hz. It acts on every path inside, reflections included.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a radius, frequency, damping or attenuation that means
    /// nothing, for frequencies that do not rise, for a size parameter ka outside 1e-6 to 1e5 or more
    /// than 4e7 orders of all frequencies together (some 3 GB); [`WaveError::Count`] for an empty band.
    pub fn with_attenuation(
        radius_m: f64,
        solid: &Solid,
        fluid: &Fluid,
        frequencies_hz: &[f64],
        damping_1_s: f64,
        passage: Passage,
        attenuation: impl Fn(f64) -> Attenuation + Sync,
    ) -> Result<Self> {
        if frequencies_hz.is_empty() {
            return Err(WaveError::Count { what: "frequencies of the band", got: 0, need: 1 });
        }
        if let Some(pair) = frequencies_hz.windows(2).find(|pair| pair[0] >= pair[1]) {
            return Err(WaveError::OutOfRange {
                what: "a frequency of the band",
                value: pair[1],
                unit: "Hz",
                expected: "above the one before it",
            });
        }
        if !(damping_1_s.is_finite() && damping_1_s >= 0.0) {
            return Err(WaveError::OutOfRange {
                what: "the damping",
                value: damping_1_s,
                unit: "1/s",
                expected: "zero or more",
            });
        }
        positive("the bar radius", radius_m, "m")?;
        let top = frequencies_hz[frequencies_hz.len() - 1];
        let size = Complex64::new(TAU * top, damping_1_s).norm() * radius_m / fluid.velocity_m_s;
        check_band(frequencies_hz.len(), size, orders_for(size))?;
        let solutions = frequencies_hz
            .par_iter()
            .map(|&f| {
                let angular = Complex64::new(TAU * f, damping_1_s);
                ModalSolution::new(radius_m, solid, fluid, angular, attenuation(f), passage)
            })
            .collect::<Result<Vec<_>>>()?;
        Ok(Self { frequencies_hz: frequencies_hz.to_vec(), damping_1_s, solutions })
    }

    /// Frequencies of the band in Hz.
    #[must_use]
    pub fn frequencies_hz(&self) -> &[f64] {
        &self.frequencies_hz
    }

    /// Damping in 1/s (imaginary part of all angular frequencies).
    #[must_use]
    pub fn damping_1_s(&self) -> f64 {
        self.damping_1_s
    }

    /// Angular frequency ω + i damping of each frequency, in rad/s. A pulse's spectrum continued
    /// to this complex frequency keeps its shape exactly; taken at the real frequency the pulse
    /// is multiplied by exp(damping t) about its own middle.
    pub fn angular_frequencies(&self) -> impl Iterator<Item = Complex64> + '_ {
        self.frequencies_hz.iter().map(|&f| Complex64::new(TAU * f, self.damping_1_s))
    }

    /// Radius of the bar in metres.
    #[must_use]
    pub fn radius_m(&self) -> f64 {
        self.solutions[0].radius_m()
    }

    /// The solution of each frequency.
    #[must_use]
    pub fn solutions(&self) -> &[ModalSolution] {
        &self.solutions
    }

    /// Joins the band with an array outside the bar.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] if a source of the array lies inside the bar.
    pub fn illuminate<'a>(&'a self, array: &'a LineArray) -> Result<Illumination<'a>> {
        Illumination::new(self, array)
    }

    pub(super) fn angular(&self, index: usize) -> Complex64 {
        Complex64::new(TAU * self.frequencies_hz[index], self.damping_1_s)
    }

    /// Runs `each` for every frequency in parallel; it returns one value per row (in the same
    /// order every time), which become the spectra of `rows` rows.
    pub(super) fn sweep(
        &self,
        rows: usize,
        each: impl Fn(usize, &ModalSolution) -> Result<Vec<Complex64>> + Sync,
    ) -> Result<Spectra> {
        let by_frequency = self
            .solutions
            .par_iter()
            .enumerate()
            .map(|(index, solution)| each(index, solution))
            .collect::<Result<Vec<_>>>()?;
        Ok(Spectra::from_columns(rows, &by_frequency))
    }
}

/// +1 for L, -1 for S: the interior coefficients are even in the order for L, odd for S.
pub(super) fn parity(mode: Mode) -> f64 {
    match mode {
        Mode::L => 1.0,
        Mode::S => -1.0,
    }
}
