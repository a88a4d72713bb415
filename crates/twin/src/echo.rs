//! Echoes of reflectors: signals of each beam, and how they change along the bar.

use barwright_wave::cylinder::{Passage, Synthesis};
use barwright_wave::path::least_time;
use barwright_wave::{Mode, Point, Surface, elevation};
use num_complex::{Complex32, Complex64};
use rayon::prelude::*;

use crate::beam::BeamModel;
use crate::error::Result;
use crate::field::{Field, Pair};
use crate::reflector::{Kind, Reflector};

/// Samples of an echo below this share of its peak are left out at both ends.
const TRIM: f32 = 2e-3;
/// Beams whose axis passes further than this from a reflector do not see it, in metres: four times
/// the half width of a shear beam that crosses the bar unfocused, more of a focused one.
const SHEAR_REACH_M: f64 = 10e-3;
const LONGITUDINAL_REACH_M: f64 = 7e-3;
/// Discs are not computed for sound that meets them more obliquely (Kirchhoff ends before).
const MOST_TILT_RAD: f64 = 1.2;

/// Echo of one reflector in one beam before gain: analytic signal in unit transfer per unit of the
/// axial factor, gain curve included.
pub(crate) struct Echo {
    /// Sample of the record at which it starts; may lie before or after the record.
    pub first: isize,
    /// Its samples.
    pub samples: Vec<Complex32>,
    /// Largest magnitude.
    pub peak: f32,
    /// Way that spreads the sound along the bar, as a way in water, in metres.
    pub path_m: f64,
}

/// A request: beam by number, and the turn of the bar.
pub(crate) type Request = (usize, f64);

/// What turns spectra into echoes.
pub(crate) struct EchoMaker<'a> {
    pub field: &'a Field,
    pub beams: &'a [BeamModel],
    pub synthesis: &'a Synthesis,
    /// Sample of the record at which the synthesis starts.
    pub start: isize,
    /// Gain curve of each beam as factors over the synthesis' samples.
    pub curves: &'a [Vec<f32>],
}

impl EchoMaker<'_> {
    /// Beams that can see a reflector at a turn.
    pub(crate) fn viewers(&self, reflector: &Reflector, turn_rad: f64) -> Vec<usize> {
        (0..self.beams.len()).filter(|&b| self.sees(reflector, b, turn_rad)).collect()
    }

    /// Whether a beam can see a reflector at a turn.
    pub(crate) fn sees(&self, reflector: &Reflector, beam: usize, turn_rad: f64) -> bool {
        self.meeting_rad(reflector, beam, turn_rad).is_some()
    }

    /// Echoes at one exact turn, one for each of the beams.
    ///
    /// # Errors
    /// The wave crate's.
    pub(crate) fn at(
        &self,
        reflector: &Reflector,
        beams: &[usize],
        turn_rad: f64,
    ) -> Result<Vec<Option<Echo>>> {
        let models: Vec<&BeamModel> = beams.iter().map(|&b| &self.beams[b]).collect();
        let angle = reflector.angle_rad + turn_rad;
        let fields = self.field.at(
            reflector.mode(),
            passage(reflector),
            &models,
            &self.radii_m(reflector),
            angle,
        )?;
        let requests: Vec<Request> = beams.iter().map(|&b| (b, turn_rad)).collect();
        self.echoes(reflector, &requests, fields)
    }

    /// Echoes at many turns, which are taken at the nearest point of the field's grid.
    ///
    /// # Errors
    /// The wave crate's.
    pub(crate) fn around(
        &self,
        reflector: &Reflector,
        requests: &[Request],
    ) -> Result<Vec<Option<Echo>>> {
        let snapped: Vec<(&BeamModel, f64)> = requests
            .iter()
            .map(|&(b, turn)| {
                let beam = &self.beams[b];
                (beam, self.field.snapped_rad(beam, reflector.angle_rad + turn))
            })
            .collect();
        let radii = self.radii_m(reflector);
        let fields = self.field.around(reflector.mode(), passage(reflector), &radii, &snapped)?;
        self.echoes(reflector, requests, fields)
    }

    fn radii_m(&self, reflector: &Reflector) -> Vec<f64> {
        reflector.radii_m(self.field.solid.shear_m_s / self.field.pulse.centre_hz)
    }

    fn echoes(
        &self,
        reflector: &Reflector,
        requests: &[Request],
        fields: Vec<Vec<Pair>>,
    ) -> Result<Vec<Option<Echo>>> {
        // Only a disc's strength depends on how it is met in a way that differs between beams; of
        // a hole it is computed once.
        let frequencies = self.field.frequencies_hz();
        let common = match reflector.kind {
            Kind::Hole { .. } => Some(reflector.strength(&self.field.solid, frequencies, 0.0)?),
            Kind::Disc { .. } | Kind::Crack { .. } => None,
        };
        requests
            .par_iter()
            .zip(fields)
            .map(|(&(b, turn), pairs)| {
                let Some(meeting) = self.meeting_rad(reflector, b, turn) else {
                    return Ok(None);
                };
                let strength = match &common {
                    Some(strength) => strength.clone(),
                    None => reflector.strength(&self.field.solid, frequencies, meeting)?,
                };
                let spectrum = self.spectrum(&strength, &pairs);
                self.echo(b, reflector.place(turn), reflector.mode(), &spectrum)
            })
            .collect()
    }

    /// Spectrum received: strength, both fields, density ratio (reciprocity) and pulse.
    fn spectrum(&self, strength: &[Complex64], pairs: &[Pair]) -> Vec<Complex64> {
        let ratio = self.field.fluid.density_kg_m3 / self.field.solid.density_kg_m3;
        let Some((mouth, face)) = pairs.split_first() else {
            return vec![Complex64::ZERO; strength.len()];
        };
        (0..strength.len())
            .map(|f| {
                let both = mouth.transmit[f] * mouth.receive()[f];
                // On a crack's face the wave meets itself by way of the surface: the way there and
                // back is the same at every depth, so the phase is that of the mouth and the
                // magnitude the mean over the face.
                let both = if face.is_empty() || both == Complex64::ZERO {
                    both
                } else {
                    let mean: f64 = face
                        .iter()
                        .map(|p| p.transmit[f].norm() * p.receive()[f].norm())
                        .sum::<f64>()
                        / face.len() as f64;
                    both * (mean / both.norm())
                };
                strength[f] * both * self.field.pulse_spectrum[f] * ratio
            })
            .collect()
    }

    fn echo(
        &self,
        beam: usize,
        place: Point,
        mode: Mode,
        spectrum: &[Complex64],
    ) -> Result<Option<Echo>> {
        let signal = self.synthesis.analytic(spectrum)?;
        let mut samples: Vec<Complex32> = signal
            .iter()
            .zip(&self.curves[beam])
            .map(|(z, &gain)| Complex32::new(z.re as f32, z.im as f32) * gain)
            .collect();
        let peak = samples.iter().map(|z| z.norm_sqr()).fold(0.0, f32::max).sqrt();
        let counts = |z: &Complex32| z.norm_sqr() > (TRIM * peak).powi(2);
        let (Some(start), Some(end)) =
            (samples.iter().position(counts), samples.iter().rposition(counts))
        else {
            return Ok(None);
        };
        samples.truncate(end + 1);
        samples.drain(..start);
        let model = &self.beams[beam];
        let path_m = elevation::equivalent_path_m(
            model.water_m,
            place.distance(model.entry),
            self.field.fluid.velocity_m_s,
            self.field.solid.velocity_m_s(mode),
        );
        Ok(Some(Echo { first: self.start + start as isize, samples, peak, path_m }))
    }

    /// How the sound of a beam meets a reflector (see [`Reflector::strength`]), in rad; `None` if
    /// the beam does not see it.
    fn meeting_rad(&self, reflector: &Reflector, beam: usize, turn_rad: f64) -> Option<f64> {
        let model = &self.beams[beam];
        let place = reflector.place(turn_rad);
        if model.mode != reflector.mode() {
            return None;
        }
        match reflector.kind {
            Kind::Hole { .. } => (model.distance_m(place) < LONGITUDINAL_REACH_M).then_some(0.0),
            Kind::Disc { .. } => {
                if model.distance_m(place) > LONGITUDINAL_REACH_M {
                    return None;
                }
                let surface =
                    Surface::Round { centre: Point::default(), radius_m: self.field.radius_m };
                let c_water = self.field.fluid.velocity_m_s;
                let c_steel = self.field.solid.longitudinal_m_s;
                let path = least_time(&surface, model.middle, place, c_water, c_steel).ok()?;
                let way = place - path.entry;
                let direction = if way.radius() > 0.0 { way.angle() } else { model.direction_rad };
                reflector.tilt_rad(turn_rad, direction).filter(|&tilt| tilt < MOST_TILT_RAD)
            }
            Kind::Crack { .. } => {
                // The corner is met after half a skip: away from where the sound enters.
                if place.distance(model.far_wall()) > SHEAR_REACH_M {
                    return None;
                }
                let way = place - model.entry;
                let cosine = (way.x * place.x + way.y * place.y) / (way.radius() * place.radius());
                (way.radius() > SHEAR_REACH_M).then(|| cosine.clamp(-1.0, 1.0).acos())
            }
        }
    }
}

/// Cracks are met by the first passage (the corner's own reflections are in their strength);
/// flaws of the volume by everything that travels in the bar.
fn passage(reflector: &Reflector) -> Passage {
    match reflector.kind {
        Kind::Crack { .. } => Passage::First,
        Kind::Disc { .. } | Kind::Hole { .. } => Passage::Full,
    }
}

/// Factor along the bar: product of the transmit and receive strips' fields at the reflector, or
/// its integral over the length of a line-like one (m); `z_m` is the place under the ring.
///
/// Zero further away than the beam reaches.
pub(crate) fn axial_factor(
    reflector: &Reflector,
    z_m: f64,
    length_m: f64,
    path_m: f64,
    wavelength_m: f64,
) -> Complex32 {
    let reach = axial_reach_m(length_m, path_m, wavelength_m);
    let both = |z: f64| {
        let one = elevation::factor(length_m, z, path_m, wavelength_m);
        one * one
    };
    let factor = if reflector.line_length_m() > 0.0 {
        let low = (reflector.from_m - z_m).max(-reach);
        let high = (reflector.to_m - z_m).min(reach);
        if high <= low {
            return Complex32::ZERO;
        }
        // Fresnel ripples are a millimetre or more apart; the midpoint rule at 0.4 mm follows.
        let parts = ((high - low) / 4e-4).ceil().max(4.0);
        let step = (high - low) / parts;
        (0..parts as usize).map(|i| both(low + (i as f64 + 0.5) * step)).sum::<Complex64>() * step
    } else {
        let z = reflector.middle_m() - z_m;
        if z.abs() > reach {
            return Complex32::ZERO;
        }
        both(z)
    };
    Complex32::new(factor.re as f32, factor.im as f32)
}

/// Distance along the bar beyond which the pulse-echo field of a strip is below -54 dB of its middle: from
/// the edge on, |E|² falls as 1/(2 π² u²) in Fresnel's coordinate u.
pub(crate) fn axial_reach_m(length_m: f64, path_m: f64, wavelength_m: f64) -> f64 {
    length_m / 2.0 + 5.0 * (wavelength_m * path_m / 2.0).sqrt()
}
