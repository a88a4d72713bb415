//! Echoes of reflectors: signals of each beam, and how they change along the bar.

use barwright_wave::cylinder::{Passage, Synthesis};
use barwright_wave::elevation::Spread;
use barwright_wave::path::least_time;
use barwright_wave::{Mode, Point, Surface};
use num_complex::{Complex32, Complex64};
use rayon::prelude::*;
use std::collections::HashMap;
use std::sync::Arc;

use crate::along::{Factors, Seen};
use crate::beam::{Aim, BeamModel};
use crate::error::Result;
use crate::field::{About, Field, Pair};
use crate::reflector::{Kind, Reflector};

/// Samples of an echo below this share of its peak are left out at both ends.
const TRIM: f32 = 2e-3;
/// Beams whose axis passes further than this from a reflector do not see it, in metres: four times
/// the half width of a shear beam that crosses the bar unfocused, more of a focused one.
const SHEAR_REACH_M: f64 = 10e-3;
const LONGITUDINAL_REACH_M: f64 = 7e-3;
/// Discs are not computed for sound that meets them more obliquely (Kirchhoff ends before).
pub(crate) const MOST_TILT_RAD: f64 = 1.2;

/// Echo of one reflector in one shot before gain: analytic signal in unit transfer, gain curve
/// included.
pub(crate) struct Echo {
    /// Sample of the record at which it starts; may lie before or after the record.
    pub first: isize,
    /// Its samples.
    pub samples: Vec<Complex32>,
    /// Largest magnitude.
    pub peak: f32,
}

/// A shot's echo that is asked for.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Request {
    /// Beam by number.
    pub beam: usize,
    /// Turn of the bar.
    pub turn_rad: f64,
    /// Place under the ring, in metres from the head end.
    pub z_m: f64,
    /// Where the axis of a bent bar stands then, against that of a straight one.
    pub bent: Point,
}

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
    /// Whether a shot can see a reflector.
    pub(crate) fn sees(&self, reflector: &Reflector, request: &Request) -> bool {
        self.meeting_rad(reflector, request).is_some()
    }

    /// Echoes of a bar that stands anywhere, turning or not.
    ///
    /// # Errors
    /// The wave crate's.
    pub(crate) fn about(
        &self,
        reflector: &Reflector,
        requests: &[Request],
    ) -> Result<Vec<Option<Echo>>> {
        let asked: Vec<About> = requests
            .iter()
            .map(|r| About {
                beam: r.beam,
                angle_rad: reflector.angle_rad + r.turn_rad,
                bent: r.bent,
            })
            .collect();
        let radii = self.radii_m(reflector);
        self.met(reflector, requests, |passage| {
            let mode = reflector.mode();
            let (fields, index) = self.field.about(mode, passage, &radii, self.beams, &asked)?;
            let fields: Vec<Arc<Vec<Pair>>> = fields.into_iter().map(Arc::new).collect();
            Ok(index.into_iter().map(|i| Arc::clone(&fields[i])).collect())
        })
    }

    fn aim(&self, request: &Request, mode: Mode) -> Aim {
        let (water, steel) = (self.field.fluid.velocity_m_s, self.field.solid.velocity_m_s(mode));
        self.beams[request.beam].aim(request.bent, self.field.radius_m, water, steel)
    }

    /// Echoes of a bar that does not turn, one for each of the requests.
    ///
    /// # Errors
    /// The wave crate's.
    pub(crate) fn at(
        &self,
        reflector: &Reflector,
        requests: &[Request],
    ) -> Result<Vec<Option<Echo>>> {
        let Some(first) = requests.first() else {
            return Ok(Vec::new());
        };
        let mut beams: Vec<usize> = requests.iter().map(|r| r.beam).collect();
        beams.sort_unstable();
        beams.dedup();
        let models: Vec<&BeamModel> = beams.iter().map(|&b| &self.beams[b]).collect();
        let angle = reflector.angle_rad + first.turn_rad;
        let radii = self.radii_m(reflector);
        self.met(reflector, requests, |passage| {
            let fields = self.field.at(reflector.mode(), passage, &models, &radii, angle)?;
            let by_beam: HashMap<usize, Arc<Vec<Pair>>> =
                beams.iter().copied().zip(fields.into_iter().map(Arc::new)).collect();
            let of = |r: &Request| by_beam.get(&r.beam).cloned().unwrap_or_default();
            Ok(requests.iter().map(of).collect())
        })
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
            .map(|r| {
                let beam = &self.beams[r.beam];
                (beam, self.field.snapped_rad(beam, reflector.angle_rad + r.turn_rad))
            })
            .collect();
        let radii = self.radii_m(reflector);
        self.met(reflector, requests, |passage| {
            let fields = self.field.around(reflector.mode(), passage, &radii, &snapped)?;
            Ok(fields.into_iter().map(Arc::new).collect())
        })
    }

    /// Echoes from the fields that a reflector needs, each as `field` gives it.
    fn met(
        &self,
        reflector: &Reflector,
        requests: &[Request],
        field: impl Fn(Passage) -> Result<Vec<Arc<Vec<Pair>>>>,
    ) -> Result<Vec<Option<Echo>>> {
        let fields = field(passage(reflector))?;
        let direct = match reflector.kind {
            Kind::Hole { .. } => Some(field(Passage::First)?),
            Kind::Disc { .. } | Kind::Crack { .. } => None,
        };
        self.echoes(reflector, requests, &fields, direct.as_deref())
    }

    fn radii_m(&self, reflector: &Reflector) -> Vec<f64> {
        reflector.radii_m(self.field.solid.shear_m_s / self.field.pulse.centre_hz)
    }

    fn echoes(
        &self,
        reflector: &Reflector,
        requests: &[Request],
        fields: &[Arc<Vec<Pair>>],
        direct: Option<&[Arc<Vec<Pair>>]>,
    ) -> Result<Vec<Option<Echo>>> {
        // Only a disc's strength depends on how it is met in a way that differs between beams; of
        // a hole it is computed once.
        let frequencies = self.field.frequencies_hz();
        let centre_hz = self.field.pulse.centre_hz;
        let (solid, fluid) = (&self.field.solid, &self.field.fluid);
        let common = match reflector.kind {
            Kind::Hole { .. } => Some(reflector.strength(solid, fluid, frequencies, 0.0)?),
            Kind::Disc { .. } | Kind::Crack { .. } => None,
        };
        let onwards = reflector.onwards(solid, frequencies)?;
        let seen: Vec<Seen> = requests.iter().map(|r| self.seen(reflector, r)).collect();
        let near = seen.iter().copied().filter(|s| s.within_reach(reflector, centre_hz));
        let factors = Factors::of(reflector, frequencies, centre_hz, near);
        requests
            .par_iter()
            .zip(fields)
            .zip(&seen)
            .enumerate()
            .map(|(i, ((request, pairs), seen))| {
                let (Some(meeting), Some(along)) =
                    (self.meeting_rad(reflector, request), factors.get(seen))
                else {
                    return Ok(None);
                };
                let strength = match &common {
                    Some(strength) => strength.clone(),
                    None => reflector.strength(solid, fluid, frequencies, meeting)?,
                };
                let mut spectrum = match (&onwards, direct) {
                    (Some(onwards), Some(direct)) => {
                        self.both_sides(&strength, onwards, pairs, &direct[i])
                    }
                    _ => self.spectrum(&strength, pairs),
                };
                for (value, factor) in spectrum.iter_mut().zip(along) {
                    *value *= factor;
                }
                self.echo(request.beam, &spectrum)
            })
            .collect()
    }

    /// How a shot sees a reflector along the bar.
    pub(crate) fn seen(&self, reflector: &Reflector, request: &Request) -> Seen {
        let model = &self.beams[request.beam];
        let aim = self.aim(request, model.mode);
        let spread = Spread::through_water(
            aim.water_m,
            reflector.place(request.turn_rad).distance(aim.entry),
            self.field.fluid.velocity_m_s,
            self.field.solid.velocity_m_s(reflector.mode()),
        );
        Seen { strip: model.strip, spread, z_m: request.z_m }
    }

    /// Spectrum received of a hole, which throws sound back otherwise than onwards. What came straight
    /// and what came by way of the far wall meet it from opposite sides: each by itself it throws
    /// back, from one to the other it throws onwards (behind it lies its shadow).
    pub(crate) fn both_sides(
        &self,
        back: &[Complex64],
        onwards: &[Complex64],
        full: &[Pair],
        direct: &[Pair],
    ) -> Vec<Complex64> {
        let ratio = self.field.fluid.density_kg_m3 / self.field.solid.density_kg_m3;
        let (Some(full), Some(direct)) = (full.first(), direct.first()) else {
            return vec![Complex64::ZERO; back.len()];
        };
        (0..back.len())
            .map(|f| {
                let (sent, heard) = (direct.transmit[f], direct.receive()[f]);
                let (sent_far, heard_far) = (full.transmit[f] - sent, full.receive()[f] - heard);
                let echo = back[f] * (sent * heard + sent_far * heard_far)
                    + onwards[f] * (sent * heard_far + sent_far * heard);
                echo * self.field.pulse_spectrum[f] * ratio
            })
            .collect()
    }

    /// Spectrum received: strength, both fields, density ratio (reciprocity) and pulse.
    pub(crate) fn spectrum(&self, strength: &[Complex64], pairs: &[Pair]) -> Vec<Complex64> {
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

    fn echo(&self, beam: usize, spectrum: &[Complex64]) -> Result<Option<Echo>> {
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
        Ok(Some(Echo { first: self.start + start as isize, samples, peak }))
    }

    /// How the sound of a beam meets a reflector (see [`Reflector::strength`]), in rad; `None` if
    /// the beam does not see it.
    fn meeting_rad(&self, reflector: &Reflector, request: &Request) -> Option<f64> {
        let mode = self.beams[request.beam].mode;
        let turn_rad = request.turn_rad;
        let place = reflector.place(turn_rad);
        if mode != reflector.mode() {
            return None;
        }
        let aim = self.aim(request, mode);
        match reflector.kind {
            Kind::Hole { .. } => (aim.distance_m(place) < LONGITUDINAL_REACH_M).then_some(0.0),
            Kind::Disc { .. } => {
                let c_water = self.field.fluid.velocity_m_s;
                let c_steel = self.field.solid.longitudinal_m_s;
                disc_meeting_rad(reflector, turn_rad, &aim, self.field.radius_m, c_water, c_steel)
            }
            Kind::Crack { .. } => {
                // The corner is met after half a skip: away from where the sound enters.
                if place.distance(aim.far_wall()) > SHEAR_REACH_M {
                    return None;
                }
                let way = place - aim.entry;
                let cosine = (way.x * place.x + way.y * place.y) / (way.radius() * place.radius());
                (way.radius() > SHEAR_REACH_M).then(|| cosine.clamp(-1.0, 1.0).acos())
            }
        }
    }
}

/// How a longitudinal beam meets a disc, in rad to its normal; `None` if the beam does not see it.
pub(crate) fn disc_meeting_rad(
    reflector: &Reflector,
    turn_rad: f64,
    aim: &Aim,
    bar_radius_m: f64,
    c_water: f64,
    c_steel: f64,
) -> Option<f64> {
    let place = reflector.place(turn_rad);
    if aim.distance_m(place) > LONGITUDINAL_REACH_M {
        return None;
    }
    let surface = Surface::Round { centre: Point::default(), radius_m: bar_radius_m };
    let path = least_time(&surface, aim.middle, place, c_water, c_steel).ok()?;
    let way = place - path.entry;
    let direction = if way.radius() > 0.0 { way.angle() } else { aim.direction_rad };
    reflector.tilt_rad(turn_rad, direction).filter(|&tilt| tilt < MOST_TILT_RAD)
}

/// Cracks are met by the first passage (the corner's own reflections are in their strength);
/// flaws of the volume by everything that travels in the bar.
pub(crate) fn passage(reflector: &Reflector) -> Passage {
    match reflector.kind {
        Kind::Crack { .. } => Passage::First,
        Kind::Disc { .. } | Kind::Hole { .. } => Passage::Full,
    }
}
