//! Heights of many discs at once, by whatever computes exact fields in batches: what a campaign needs to know of them, without a
//! record of every shot.
//!
//! Of each disc the highest echo of all longitudinal beams, gain and gain curve included: the disc's strength, the third dimension
//! and the instrument are those of captures. Left out against captures: noise, what the bar itself returns at the same time, reflections
//! inside the bar (the first passage alone), and that beams fire one after the other along the bar (all stand at the same place).

use barwright_job::Technique;
use barwright_wave::cylinder::batch::{
    BarBand, EchoBatch, EchoItem, FieldEngine, ItemPlaces, RingShares,
};
use barwright_wave::cylinder::{EchoPlace, EchoWeights, LineArray, ProofBand, ProofScene};
use barwright_wave::elevation::Spread;
use barwright_wave::path::least_time;
use barwright_wave::pulse::Pulse;
use barwright_wave::{Element, Mode, Point, Surface, ray};
use num_complex::Complex64;
use rayon::prelude::*;
use std::f64::consts::TAU;

use crate::along::{Factors, Seen};
use crate::beam::{BeamModel, ElementRow};
use crate::echo::disc_meeting_rad;
use crate::error::{Result, TwinError};
use crate::faults::StationFaults;
use crate::field::{SOURCES_PER_ELEMENT, round_radius_m};
use crate::fitted::Fitted;
use crate::reflector::Reflector;
use crate::ring::face_radius_m;
use crate::scene::{Disc, Flaw};
use crate::station::{curve, linear_sensitivity, surface_times_s};

/// A disc and where it stands along the bar when it is heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DiscAsk {
    /// The disc.
    pub disc: Disc,
    /// Distance along the bar from the disc to the ring, in m.
    pub off_m: f64,
}

/// Discs whose echoes are asked for together: each has a ring of its own.
const TOGETHER: usize = 48;
/// Places of a ring: an angle is met to a tenth of a degree.
const ANGLES: usize = 2048;
/// Error of a peak that nineteen in twenty places keep, in dB.
const ERROR_DB: f64 = 0.1;

/// The height of each disc's highest echo as a fraction of full screen height, over all longitudinal beams of a technique on a line
/// with faults; nought where no beam meets it. Not clipped.
///
/// # Errors
/// [`TwinError::Section`] for sections that are not round or not in water; [`TwinError::Count`] for gains that do not fit
/// the beams; [`TwinError::OutOfRange`] for a disc that does not fit into the bar; [`TwinError::Engine`] where the engine failed; the
/// wave crate's.
pub fn disc_heights(
    technique: &Technique,
    faults: &StationFaults,
    seed: u64,
    gains_db: &[f64],
    discs: &[DiscAsk],
    engine: &dyn FieldEngine,
) -> Result<Vec<f64>> {
    if gains_db.len() != technique.beams.len() {
        let (got, need) = (gains_db.len(), technique.beams.len());
        return Err(TwinError::Count { what: "gains", got, need });
    }
    let line = Line::new(technique, faults, seed)?;
    let mut heights = Vec::with_capacity(discs.len());
    for some in discs.chunks(TOGETHER) {
        heights.extend(line.heights(technique, gains_db, some, engine)?);
    }
    Ok(heights)
}

/// What all discs have in common.
struct Line {
    beams: Vec<BeamModel>,
    array: LineArray,
    bar: BarBand,
    band: ProofBand,
    pulse: Pulse,
    surface_s: Vec<f64>,
}

impl Line {
    fn new(technique: &Technique, faults: &StationFaults, seed: u64) -> Result<Self> {
        let fitted = Fitted::new(technique, faults)?;
        let own = &fitted.technique;
        let radius_m = round_radius_m(own)?;
        let fluid = own.media.water.ok_or(TwinError::Section { section: "bar without water" })?;
        let row = ElementRow::new(technique, linear_sensitivity(technique, faults, seed)?);
        let beams = technique
            .beams
            .iter()
            .map(|beam| BeamModel::new(&fitted, beam, &row))
            .collect::<Result<Vec<_>>>()?;
        let elements: Vec<Element> = (own.probes.iter().enumerate())
            .flat_map(|(p, probe)| {
                let moved = fitted.moved(p);
                probe.elements.iter().map(move |e| Element { centre: e.centre - moved, ..*e })
            })
            .collect();
        let array =
            LineArray::new(&elements, SOURCES_PER_ELEMENT, Point::default(), face_radius_m(own))?;
        let pulse = Pulse::new(own.pulse.centre_hz, own.pulse.bandwidth_rel)?;
        let drives: Vec<_> =
            beams.iter().filter(|b| b.mode == Mode::L).map(|b| b.transmit.clone()).collect();
        let scene = ProofScene {
            radius_m,
            solid: &own.media.steel,
            fluid: &fluid,
            array: &array,
            drives: &drives,
        };
        let band = ProofBand::choose(&scene, Mode::L, &pulse, ERROR_DB)?;
        let loss = ray::Attenuation {
            longitudinal_np_m: own.media.attenuation_l_np_m,
            shear_np_m: own.media.attenuation_s_np_m,
            reference_hz: technique.pulse.centre_hz,
            ..ray::Attenuation::default()
        };
        let at = |f: &f64| barwright_wave::cylinder::Attenuation {
            longitudinal_np_m: loss.np_m(Mode::L, *f),
            shear_np_m: loss.np_m(Mode::S, *f),
        };
        let attenuation = band.frequencies_hz.iter().map(at).collect();
        let surface_s = surface_times_s(technique, fluid, &own.media.steel, radius_m, &beams);
        let bar = BarBand { radius_m, solid: own.media.steel, fluid, attenuation };
        Ok(Self { beams, array, bar, band, pulse, surface_s })
    }

    fn heights(
        &self,
        technique: &Technique,
        gains_db: &[f64],
        discs: &[DiscAsk],
        engine: &dyn FieldEngine,
    ) -> Result<Vec<f64>> {
        let (water, steel) = (self.bar.fluid.velocity_m_s, self.bar.solid.longitudinal_m_s);
        let radius_m = self.bar.radius_m;
        let reflectors = discs
            .iter()
            .map(|ask| {
                let own = Reflector::of_flaw(&Flaw::Disc(ask.disc), radius_m)?;
                // Where the field is computed: the nearest place of its ring.
                let step = TAU / ANGLES as f64;
                let angle = (own.angle_rad / step).round() as usize % ANGLES;
                Ok((own, angle))
            })
            .collect::<Result<Vec<_>>>()?;
        let mut items = Vec::new();
        let mut rows = Vec::new();
        let mut of = Vec::new();
        let mut longest_s = 0.0f64;
        for (number, (ask, (reflector, angle))) in discs.iter().zip(&reflectors).enumerate() {
            let place = reflector.place(0.0);
            for (beam, model) in self.beams.iter().enumerate().filter(|b| b.1.mode == Mode::L) {
                let aim = model.aim(Point::default(), radius_m, water, steel);
                let Some(meeting) = disc_meeting_rad(reflector, 0.0, &aim, radius_m, water, steel)
                else {
                    continue;
                };
                let spread =
                    Spread::through_water(aim.water_m, place.distance(aim.entry), water, steel);
                let seen =
                    Seen { strip: model.strip, spread, z_m: reflector.middle_m() + ask.off_m };
                let Some([first_s, last_s]) = self.arrivals_s(model, place) else { continue };
                let half_s = self.pulse.duration_s(40.0) / 2.0;
                longest_s = longest_s.max(last_s - first_s + 2.0 * half_s);
                rows.push((*reflector, meeting, seen));
                let mut rings = vec![Vec::new(); discs.len()];
                let earliest_s = first_s - half_s;
                rings[number].push(EchoPlace { angle: *angle, row: 0.0, earliest_s });
                items.push(EchoItem {
                    bar: 0,
                    array: 0,
                    transmit: model.transmit.clone(),
                    receive: model.receive.clone(),
                    centre: Point::default(),
                    weights: items.len(),
                    places: ItemPlaces { rings },
                });
                of.push((number, beam));
            }
        }
        let mut heights = vec![0.0; discs.len()];
        if items.is_empty() {
            return Ok(heights);
        }
        let weights = self.weights(&rows)?;
        let shares = reflectors.iter().map(|(r, _)| r.radius_m / radius_m).collect();
        let frequencies = &self.band.frequencies_hz;
        // A record holds one period of its lowest step; an echo is looked for within most of it.
        let record_s = 1.0 / (frequencies[1] - frequencies[0]);
        let found = engine
            .echoes(&EchoBatch {
                frequencies_hz: frequencies,
                mode: Mode::L,
                bars: std::slice::from_ref(&self.bar),
                arrays: std::slice::from_ref(&self.array),
                weights: &weights,
                items: &items,
                rings: &RingShares { shares, angles: ANGLES },
                times: (frequencies.len() * 3).next_power_of_two(),
                search_s: longest_s.min(0.9 * record_s),
                headings: false,
            })
            .map_err(TwinError::Engine)?;
        for ((number, beam), rings) in of.into_iter().zip(found) {
            for peak in rings.into_iter().flatten() {
                let after_s = peak.time_s - self.surface_s[beam];
                let gain = 10f64.powf(gains_db[beam] / 20.0) * curve(technique, beam, after_s);
                heights[number] = f64::max(heights[number], peak.amplitude * gain);
            }
        }
        Ok(heights)
    }

    /// First and last time at which the aperture's sound can be back from a place, delays included.
    fn arrivals_s(&self, model: &BeamModel, place: Point) -> Option<[f64; 2]> {
        let surface = Surface::Round { centre: Point::default(), radius_m: self.bar.radius_m };
        let (water, steel) = (self.bar.fluid.velocity_m_s, self.bar.solid.longitudinal_m_s);
        let elements = self.array.elements();
        let span = |drive: &barwright_wave::cylinder::Drive| {
            let times = drive.elements().iter().zip(drive.delays_s()).filter_map(|(e, delay)| {
                let sources = &elements[*e];
                let from = sources.get(sources.len() / 2)?.at;
                let path = least_time(&surface, from, place, water, steel).ok()?;
                Some(path.time_s + delay)
            });
            times.fold(None, |span: Option<[f64; 2]>, t| {
                let [a, b] = span.unwrap_or([t, t]);
                Some([a.min(t), b.max(t)])
            })
        };
        let [a, b] = span(&model.transmit)?;
        let [c, d] = span(model.receive())?;
        Some([a + c, b + d])
    }

    /// What each echo's spectrum is multiplied by: pulse, disc, the third dimension, and reciprocity's ratio of densities.
    fn weights(&self, rows: &[(Reflector, f64, Seen)]) -> Result<Vec<EchoWeights>> {
        let frequencies = &self.band.frequencies_hz;
        let (solid, fluid) = (&self.bar.solid, &self.bar.fluid);
        let ratio = fluid.density_kg_m3 / solid.density_kg_m3;
        let unit = 1.0 / (self.pulse.sigma_hz() * TAU.sqrt());
        rows.par_iter()
            .map(|(reflector, meeting, seen)| {
                let strength = reflector.strength(solid, fluid, frequencies, *meeting)?;
                let factors = Factors::of(
                    reflector,
                    frequencies,
                    self.pulse.centre_hz,
                    std::iter::once(*seen),
                );
                let along = factors.get(seen).unwrap_or_default();
                let row: Vec<Complex64> = strength
                    .iter()
                    .zip(along)
                    .zip(frequencies)
                    .map(|((s, a), f)| s * a * (self.pulse.spectrum(*f) * unit * ratio))
                    .collect();
                Ok(EchoWeights::new(&[row])?)
            })
            .collect()
    }
}
