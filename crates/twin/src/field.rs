//! The sound field of every beam, exact, over the frequencies of the pulse.

use barwright_job::technique::{Section, Technique};
use barwright_wave::cylinder::{Attenuation, CylinderBand, Drive, LineArray, Passage, Synthesis};
use barwright_wave::pulse::Pulse;
use barwright_wave::{Fluid, Mode, Point, Solid, ray};
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use crate::beam::BeamModel;
use crate::error::{Result, TwinError};
use crate::ring::{ArcGrid, face_radius_m};

/// Line sources that stand for an element: enough for widths up to two wavelengths.
pub(crate) const SOURCES_PER_ELEMENT: usize = 3;

/// Neper by which the signal is damped over one period of the record: what arrives a whole period
/// late wraps into it 61 dB down.
const DAMPING_NP: f64 = 7.0;

/// Field of a beam at a place: spectrum of its transmit side and, where it differs, of its receive
/// side.
pub(crate) struct Pair {
    pub transmit: Vec<Complex64>,
    pub receive: Option<Vec<Complex64>>,
}

impl Pair {
    pub(crate) fn receive(&self) -> &[Complex64] {
        self.receive.as_deref().unwrap_or(&self.transmit)
    }
}

/// Bar, water and elements over the frequencies of the pulse.
pub(crate) struct Field {
    pub fluid: Fluid,
    pub solid: Solid,
    pub radius_m: f64,
    pub pulse: Pulse,
    /// Spectrum of the pulse at each frequency of the bands (unit peak in time).
    pub pulse_spectrum: Vec<Complex64>,
    /// All reflections.
    full: CylinderBand,
    /// First passage only.
    first: CylinderBand,
    array: LineArray,
    grid: Option<ArcGrid>,
    /// Sampling rate and samples in one period.
    rate_hz: f64,
    period: usize,
}

impl Field {
    /// # Errors
    /// [`TwinError::Section`] for a section that is not round or without water;
    /// [`TwinError::OutOfRange`] for a sampling rate too low for the pulse; the wave crate's errors.
    pub(crate) fn new(technique: &Technique) -> Result<Self> {
        let radius_m = round_radius_m(technique)?;
        let fluid =
            technique.media.water.ok_or(TwinError::Section { section: "bar without water" })?;
        let solid = technique.media.steel;
        let pulse = Pulse::new(technique.pulse.centre_hz, technique.pulse.bandwidth_rel)?;
        let rate_hz = technique.record.sample_rate_hz;
        let (low, high) = band_hz(&pulse);
        if rate_hz < 2.0 * high {
            return Err(TwinError::OutOfRange {
                what: "the sampling rate".into(),
                value: rate_hz / 1e6,
                unit: "MHz",
                expected: format!("at least {:.1} MHz for this pulse", 2.0 * high / 1e6),
            });
        }
        // Half as long again as the record, in a number of samples with small factors.
        let period = (technique.record.samples as usize * 3 / 2).next_multiple_of(64);
        let step_hz = rate_hz / period as f64;
        let frequencies: Vec<f64> = ((low / step_hz).ceil() as usize
            ..=(high / step_hz).floor() as usize)
            .map(|k| k as f64 * step_hz)
            .collect();
        let damping = DAMPING_NP * step_hz;
        let media = technique.media;
        // The attenuation of a technique is that at the centre frequency.
        let growing = ray::Attenuation {
            longitudinal_np_m: media.attenuation_l_np_m,
            shear_np_m: media.attenuation_s_np_m,
            reference_hz: pulse.centre_hz,
            ..ray::Attenuation::default()
        };
        let band = |passage| {
            let attenuation = |f| Attenuation {
                longitudinal_np_m: growing.np_m(Mode::L, f),
                shear_np_m: growing.np_m(Mode::S, f),
            };
            CylinderBand::with_attenuation(
                radius_m,
                &solid,
                &fluid,
                &frequencies,
                damping,
                passage,
                attenuation,
            )
        };
        let elements: Vec<_> =
            technique.probes.iter().flat_map(|p| p.elements.iter().copied()).collect();
        let array = LineArray::new(
            &elements,
            SOURCES_PER_ELEMENT,
            Point::default(),
            face_radius_m(technique),
        )?;
        let grid = if array.is_concentric() { ArcGrid::of(technique) } else { None };
        let pulse_spectrum = frequencies
            .iter()
            .map(|&f| damped_spectrum(&pulse, f, damping) * taper(&pulse, f))
            .collect();
        let (full, first) = rayon::join(|| band(Passage::Full), || band(Passage::First));
        Ok(Self {
            fluid,
            solid,
            radius_m,
            pulse,
            pulse_spectrum,
            full: full?,
            first: first?,
            array,
            grid,
            rate_hz,
            period,
        })
    }

    /// Frequencies of the spectra in Hz.
    pub(crate) fn frequencies_hz(&self) -> &[f64] {
        self.full.frequencies_hz()
    }

    /// Time signals of `samples` samples from a time on. Nothing may arrive before `start_s`.
    ///
    /// # Errors
    /// The wave crate's, for more samples than a period has.
    pub(crate) fn synthesis(&self, start_s: f64, samples: usize) -> Result<Synthesis> {
        Ok(Synthesis::new(&self.full, start_s, self.rate_hz, samples.min(self.period))?)
    }

    /// Spectra of what the bar itself returns to each beam, in two dimensions, pulse included.
    ///
    /// # Errors
    /// The wave crate's.
    pub(crate) fn bare(&self, beams: &[BeamModel]) -> Result<Vec<Vec<Complex64>>> {
        let transmit: Vec<Drive> = beams.iter().map(|b| b.transmit.clone()).collect();
        let receive: Vec<Drive> = beams.iter().map(|b| b.receive().clone()).collect();
        let spectra = self.full.illuminate(&self.array)?.received(&transmit, &receive)?;
        let with_pulse =
            |row: &[Complex64]| row.iter().zip(&self.pulse_spectrum).map(|(x, s)| x * s).collect();
        Ok(spectra.iter().map(with_pulse).collect())
    }

    /// The angle at which fields of many turns are computed instead of this one.
    pub(crate) fn snapped_rad(&self, beam: &BeamModel, angle_rad: f64) -> f64 {
        match &self.grid {
            Some(grid) => grid.snapped_rad(beam, angle_rad),
            None => {
                // Half a degree; each angle costs as much as a flaw.
                let step = PI / 360.0;
                (angle_rad / step).round() * step
            }
        }
    }

    /// Field of beams at one angle of the section and several radii: `[beam][radius]`.
    ///
    /// # Errors
    /// The wave crate's.
    pub(crate) fn at(
        &self,
        mode: Mode,
        passage: Passage,
        beams: &[&BeamModel],
        radii_m: &[f64],
        angle_rad: f64,
    ) -> Result<Vec<Vec<Pair>>> {
        let mut drives: Vec<Drive> = beams.iter().map(|b| b.transmit.clone()).collect();
        drives.extend(beams.iter().filter_map(|b| b.receive.clone()));
        let points: Vec<Point> = radii_m.iter().map(|&r| Point::polar(r, angle_rad)).collect();
        let tables =
            self.band(passage).illuminate(&self.array)?.fields_at(&drives, &points, mode)?;
        let mut own_receive = beams.len();
        let pairs = beams.iter().enumerate().map(|(i, beam)| {
            let receive_row = beam.receive.as_ref().map(|_| {
                own_receive += 1;
                own_receive - 1
            });
            let pair = |table: &barwright_wave::cylinder::Spectra| Pair {
                transmit: table.row(i).to_vec(),
                receive: receive_row.map(|row| table.row(row).to_vec()),
            };
            tables.iter().map(pair).collect()
        });
        Ok(pairs.collect())
    }

    /// Field for many beams and angles (each from [`Self::snapped_rad`]): `[request][radius]`.
    ///
    /// # Errors
    /// The wave crate's.
    pub(crate) fn around(
        &self,
        mode: Mode,
        passage: Passage,
        radii_m: &[f64],
        requests: &[(&BeamModel, f64)],
    ) -> Result<Vec<Vec<Pair>>> {
        let Some(grid) = &self.grid else {
            return requests
                .iter()
                .map(|&(beam, angle)| {
                    Ok(self.at(mode, passage, &[beam], radii_m, angle)?.remove(0))
                })
                .collect();
        };
        let mut by_request: Vec<Vec<Pair>> =
            requests.iter().map(|_| Vec::with_capacity(radii_m.len())).collect();
        for &radius in radii_m {
            let pairs = grid.fields(self.band(passage), mode, radius, requests)?;
            for (list, pair) in by_request.iter_mut().zip(pairs) {
                list.push(pair);
            }
        }
        Ok(by_request)
    }

    fn band(&self, passage: Passage) -> &CylinderBand {
        match passage {
            Passage::Full => &self.full,
            Passage::First => &self.first,
        }
    }
}

/// Radius of a technique's round section in metres.
///
/// # Errors
/// [`TwinError::Section`] for any other section.
pub(crate) fn round_radius_m(technique: &Technique) -> Result<f64> {
    match technique.section {
        Section::Round { radius_m } => Ok(radius_m),
        Section::Square { .. } => Err(TwinError::Section { section: "square bar" }),
        Section::Flat { .. } => Err(TwinError::Section { section: "flat block" }),
    }
}

/// Frequencies outside which the pulse has less than 1e-4 of its spectrum.
fn band_hz(pulse: &Pulse) -> (f64, f64) {
    let reach = 4.3 * pulse.sigma_hz();
    ((pulse.centre_hz - reach).max(0.05 * pulse.centre_hz), pulse.centre_hz + reach)
}

/// Spectrum of the pulse with unit peak in time, continued to the damped frequency so that it
/// keeps its shape.
fn damped_spectrum(pulse: &Pulse, f_hz: f64, damping_1_s: f64) -> Complex64 {
    let x = (Complex64::new(f_hz, damping_1_s / TAU) - pulse.centre_hz) / pulse.sigma_hz();
    (-0.5 * x * x).exp() / (pulse.sigma_hz() * TAU.sqrt())
}

/// Rises smoothly from the lowest frequency over a fifth of the centre frequency: an amplifier
/// passes no direct current, and a sharp edge would ring through the whole record.
fn taper(pulse: &Pulse, f_hz: f64) -> f64 {
    let (low, _) = band_hz(pulse);
    let share = ((f_hz - low) / (0.2 * pulse.centre_hz)).clamp(0.0, 1.0);
    (0.5 * PI * share).sin().powi(2)
}
