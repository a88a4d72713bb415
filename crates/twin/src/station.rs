//! The virtual station: everything that does not depend on the bar at hand, computed once.

use barwright_capture::{CaptureKind, Header};
use barwright_job::limits::Limits;
use barwright_job::{Hash, Sealed, Technique, reference::ReferenceBar};
use barwright_wave::cylinder::Synthesis;
use barwright_wave::elevation::Spread;
use barwright_wave::pulse::Pulse;
use barwright_wave::{Fluid, Point, Solid};
use num_complex::Complex64;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use std::f64::consts::TAU;

use crate::beam::{BeamModel, ElementRow};
use crate::bend::{BentAxis, Places};
use crate::capture::Capture;
use crate::disturb::drift_db_per_min;
use crate::echo::EchoMaker;
use crate::error::{Result, TwinError};
use crate::faults::StationFaults;
use crate::field::Field;
pub(crate) use crate::field::round_radius_m;
use crate::fitted::Fitted;
use crate::motion::{passes, reference_runs};
use crate::noise::{NoiseTable, generator};
use crate::reflector::Reflector;
use crate::scene::SceneBar;

/// Sub-sample positions at which the bare bar's signals are kept, so that a wandering bar shifts
/// them smoothly.
const PHASES: usize = 8;

/// A station with a technique loaded and its faults, ready to take captures.
pub struct VirtualStation {
    pub(crate) technique: Technique,
    pub(crate) technique_hash: Hash,
    pub(crate) seed: u64,
    pub(crate) wobble_m: f64,
    pub(crate) faults: StationFaults,
    pub(crate) bend: Option<BentAxis>,
    pub(crate) field: Field,
    pub(crate) beams: Vec<BeamModel>,
    pub(crate) bare: BareSignals,
    /// In sample counts.
    pub(crate) noise: NoiseTable,
    sensitivity_db: Vec<Vec<f64>>,
    window: Window,
    curves: Vec<Vec<f32>>,
    synthesis: Synthesis,
}

/// What the bare bar returns to each beam: unit transfer with the gain curve, before gain.
pub(crate) struct BareSignals {
    /// `[((beam * places + place) * phases + phase) * stride + sample + pad]`; phase p is later by
    /// p/phases samples; places are those of a bent bar.
    pub samples: Vec<f32>,
    pub places: usize,
    pub phases: usize,
    /// Samples kept before and after the record.
    pub pad: usize,
    pub stride: usize,
}

/// Samples over which echoes of flaws are synthesised: the record and something around it.
#[derive(Debug, Clone, Copy)]
struct Window {
    start: isize,
    samples: usize,
}

impl VirtualStation {
    /// Loads a technique into a station with faults. The seed decides the elements' sensitivities,
    /// drifts, bubbles and all noise.
    ///
    /// A bar off centre, moved probes and warmer water cost some seconds for a hundred beams, since
    /// nothing is concentric any more; a bent reference bar costs that six to fifteen times over.
    ///
    /// # Errors
    /// [`TwinError::Section`] for sections that are not round or not in water;
    /// [`TwinError::Count`] for beams that do not fit their probes, or exchanged plugs of probes that
    /// differ; [`TwinError::OutOfRange`] for a fault that names a probe or element the ring has not,
    /// or water that cannot be warmed so far; [`TwinError::Document`] for a fault beyond the limits of
    /// a scene; [`TwinError::Wave`] for numbers that mean nothing.
    pub fn new(technique: &Sealed<Technique>, faults: &StationFaults, seed: u64) -> Result<Self> {
        // Not those of elements: a negative loss is a louder element, which a program may ask for.
        StationFaults { weak_elements: Vec::new(), ..faults.clone() }
            .check(&Limits { document: "the station's faults" })?;
        let body = technique.body.clone();
        let fitted = Fitted::new(&body, faults)?;
        let bend = faults.bend.filter(|b| b.sag_mm > 0.0).map(|b| BentAxis::new(&b));
        let places = bend.map_or_else(Places::one, |b| b.places(phase_spread_1_m(&body)));
        let field = Field::new(&body, &fitted, places)?;
        let sensitivity_db = sensitivity_db(&body, faults, seed)?;
        let row = ElementRow::new(&body, linear(&sensitivity_db));
        let beams = body
            .beams
            .iter()
            .map(|beam| BeamModel::new(&fitted, beam, &row))
            .collect::<Result<Vec<_>>>()?;
        let surface_s = surface_times_s(&body, field.fluid, &field.solid, field.radius_m, &beams);
        let record = body.record;
        let wobble_m = faults.wobble_mm / 1e3;
        let most_m = wobble_m + faults.bend.map_or(0.0, |b| b.sag_mm / 1e3);
        let wander = 2.0 * most_m / field.fluid.velocity_m_s * record.sample_rate_hz;
        let pad = wander.ceil() as usize + 2;
        let phases = if most_m > 0.0 { PHASES } else { 1 };
        let bare = bare_signals(&body, &field, &beams, &surface_s, pad, phases)?;
        let samples = record.samples as usize;
        let window = Window { start: -(pad as isize), samples: samples + 2 * pad };
        let start_s = record.time_s(window.start as f64);
        let synthesis = field.synthesis(start_s, window.samples)?;
        let curves = (0..beams.len())
            .map(|b| {
                let after = |j| synthesis.time_s(j) - surface_s[b];
                (0..window.samples).map(|j| curve(&body, b, after(j)) as f32).collect()
            })
            .collect();
        let rate = record.sample_rate_hz;
        let rms = counts_per_fsh(&body) * faults.noise_fsh_percent / 100.0;
        // The instrument's band, whatever probes hang on it.
        let band = Pulse::new(body.pulse.centre_hz, body.pulse.bandwidth_rel)?;
        let noise = NoiseTable::new(seed, samples, rms, |f| band.spectrum(f * rate));
        Ok(Self {
            technique: body,
            technique_hash: technique.hash.clone(),
            seed,
            wobble_m,
            faults: faults.clone(),
            bend,
            field,
            beams,
            bare,
            noise,
            sensitivity_db,
            window,
            curves,
            synthesis,
        })
    }

    /// Sensitivity of each element in dB against nominal, on firing and on receiving each, by probe and
    /// place within it: the truth behind a levelling. Losses of whole probes are in it.
    #[must_use]
    pub fn sensitivity_db(&self) -> &[Vec<f64>] {
        &self.sensitivity_db
    }

    /// Drift of each probe in dB of echo height per minute: the truth behind a levelling.
    #[must_use]
    pub fn drift_db_per_min(&self) -> Vec<f64> {
        drift_db_per_min(&self.faults, self.technique.probes.len(), self.seed)
    }

    /// The reference bar moved through its motion list, `count` times over. The column
    /// `pass` of the shots says the motion. Captures of another `occasion` have other noise.
    ///
    /// # Errors
    /// [`TwinError::Count`] for gains that do not fit the beams;
    /// [`TwinError::OutOfRange`] for a reflector outside the bar;
    /// [`TwinError::Document`] for a reference bar of another technique.
    pub fn reference_capture(
        &self,
        reference: &Sealed<ReferenceBar>,
        gains_db: &[f64],
        level: Option<Hash>,
        count: u16,
        occasion: &str,
    ) -> Result<Capture<'_>> {
        let runs = reference_runs(&reference.body, &self.technique.schedule, count);
        let header = self.reference_header(reference, CaptureKind::Reference, gains_db, level)?;
        let reflectors = self.reflectors(reference)?;
        let capture = self.capture(header, runs, reflectors, None, reference.body.motion.len())?;
        Ok(Capture { occasion: occasion.to_owned(), ..capture })
    }

    /// The reference bar passing at line speed, `count` times. Captures of another `occasion` have
    /// other noise.
    ///
    /// # Errors
    /// As [`Self::reference_capture`]; [`TwinError::OutOfRange`] for a speed that is not positive.
    pub fn check_capture(
        &self,
        reference: &Sealed<ReferenceBar>,
        gains_db: &[f64],
        level: Option<Hash>,
        count: u16,
        speed_m_s: f64,
        occasion: &str,
    ) -> Result<Capture<'_>> {
        let speed_m_s = positive_speed(speed_m_s)?;
        let runs = passes(reference.body.length_m, speed_m_s, &self.technique.schedule, count);
        let header = self.reference_header(reference, CaptureKind::Check, gains_db, level)?;
        let capture = self.capture(header, runs, self.reflectors(reference)?, None, 1)?;
        Ok(Capture { occasion: occasion.to_owned(), ..capture })
    }

    /// A bar of the order passing at the technique's line speed.
    ///
    /// # Errors
    /// [`TwinError::Count`] for gains that do not fit the beams; [`TwinError::OutOfRange`] for a
    /// length that is not positive or a flaw that does not fit into the bar.
    pub fn bar_capture(
        &self,
        bar: &SceneBar,
        heat: &str,
        length_m: f64,
        gains_db: &[f64],
        level: Option<Hash>,
    ) -> Result<Capture<'_>> {
        let reflectors = bar
            .flaws
            .iter()
            .map(|flaw| Reflector::of_flaw(flaw, self.field.radius_m))
            .collect::<Result<Vec<_>>>()?;
        if let Some(r) = reflectors.iter().find(|r| r.to_m > length_m) {
            return Err(TwinError::OutOfRange {
                what: format!("the end of a flaw of bar {}", bar.name),
                value: r.to_m * 1e3,
                unit: "mm",
                expected: format!("within the bar's {:.0} mm", length_m * 1e3),
            });
        }
        let speed_m_s = positive_speed(self.technique.line_speed_m_s)?;
        let runs = passes(length_m, speed_m_s, &self.technique.schedule, 1);
        let header =
            self.header(CaptureKind::Production, gains_db, level, &bar.name, heat, length_m)?;
        self.capture(header, runs, reflectors, Some(bar.clone()), 1)
    }

    fn reflectors(&self, reference: &Sealed<ReferenceBar>) -> Result<Vec<Reflector>> {
        reference
            .body
            .reflectors
            .iter()
            .filter_map(|r| Reflector::of_reference(r, self.field.radius_m).transpose())
            .collect()
    }

    fn reference_header(
        &self,
        reference: &Sealed<ReferenceBar>,
        kind: CaptureKind,
        gains_db: &[f64],
        level: Option<Hash>,
    ) -> Result<Header> {
        reference.demand(&reference.body.name, "technique", &self.technique_hash)?;
        self.header(kind, gains_db, level, &reference.body.name, "", reference.body.length_m)
    }

    fn header(
        &self,
        kind: CaptureKind,
        gains_db: &[f64],
        level: Option<Hash>,
        bar: &str,
        heat: &str,
        length_m: f64,
    ) -> Result<Header> {
        if gains_db.len() != self.beams.len() {
            return Err(TwinError::Count {
                what: "gains",
                got: gains_db.len(),
                need: self.beams.len(),
            });
        }
        Ok(Header {
            kind,
            technique: self.technique_hash.clone(),
            level,
            bar: bar.to_owned(),
            heat: heat.to_owned(),
            length_m,
            record: self.technique.record,
            gains_db: gains_db.to_vec(),
            origin: format!("virtual station, seed {}", self.seed),
        })
    }

    fn capture(
        &self,
        header: Header,
        runs: Vec<crate::motion::Run>,
        reflectors: Vec<Reflector>,
        bar: Option<SceneBar>,
        motions: usize,
    ) -> Result<Capture<'_>> {
        let occasion = String::new();
        Ok(Capture { station: self, header, runs, reflectors, bar, motions, occasion })
    }

    pub(crate) fn echo_maker(&self) -> EchoMaker<'_> {
        EchoMaker {
            field: &self.field,
            beams: &self.beams,
            synthesis: &self.synthesis,
            start: self.window.start,
            curves: &self.curves,
        }
    }

    /// Sample counts that stand for one full screen height.
    pub(crate) fn counts_per_fsh(&self) -> f64 {
        counts_per_fsh(&self.technique)
    }
}

fn counts_per_fsh(technique: &Technique) -> f64 {
    f64::from(i16::MAX) / technique.record.full_scale_fsh
}

fn positive_speed(speed_m_s: f64) -> Result<f64> {
    if speed_m_s.is_finite() && speed_m_s > 0.0 {
        return Ok(speed_m_s);
    }
    Err(TwinError::OutOfRange {
        what: "the line speed".into(),
        value: speed_m_s,
        unit: "m/s",
        expected: "finite and above zero".into(),
    })
}

/// Gain curve of a beam at a time after its surface, as a factor.
pub(crate) fn curve(technique: &Technique, beam: usize, after_surface_s: f64) -> f64 {
    10f64.powf(technique.beams[beam].curve_db(after_surface_s) / 20.0)
}

/// Time at which each beam's gain curve starts: nominal, shifted like the surface echo that it follows.
pub(crate) fn surface_times_s(
    technique: &Technique,
    fluid: Fluid,
    solid: &Solid,
    radius_m: f64,
    beams: &[BeamModel],
) -> Vec<f64> {
    let nominal_m_s = technique.media.water.map_or(fluid.velocity_m_s, |w| w.velocity_m_s);
    let water_m_s = fluid.velocity_m_s;
    let shift_s = |model: &BeamModel| {
        let steel = solid.velocity_m_s(model.mode);
        let aim = model.aim(Point::default(), radius_m, water_m_s, steel);
        2.0 * (aim.water_m / water_m_s - model.water_m / nominal_m_s)
    };
    technique
        .beams
        .iter()
        .zip(beams)
        .map(|(beam, model)| {
            let followed = beam.surface_beam.and_then(|b| beams.get(b as usize)).unwrap_or(model);
            beam.surface_time_s + shift_s(followed)
        })
        .collect()
}

/// By how much the phase turns across half the widest aperture, at the centre frequency, for every
/// metre that the bar moves across its beam: in rad per metre.
fn phase_spread_1_m(technique: &Technique) -> f64 {
    let Some(water) = technique.media.water else { return 0.0 };
    let half_rad = technique
        .beams
        .iter()
        .filter_map(|beam| {
            let elements = &technique.probes.get(beam.probe as usize)?.elements;
            let first = elements.get(beam.first_element as usize)?;
            let last = elements.get((beam.first_element + beam.elements()) as usize - 1)?;
            Some(0.5 * first.centre.distance(last.centre) / first.centre.radius())
        })
        .fold(0.0, f64::max);
    TAU * technique.pulse.centre_hz / water.velocity_m_s * half_rad
}

/// Sensitivities as factors.
fn linear(rows_db: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let factors = |row: &Vec<f64>| row.iter().map(|db| 10f64.powf(db / 20.0)).collect();
    rows_db.iter().map(factors).collect()
}

/// Sensitivity of every element on firing and on receiving each, as factors.
///
/// # Errors
/// As [`sensitivity_db`].
pub(crate) fn linear_sensitivity(
    technique: &Technique,
    faults: &StationFaults,
    seed: u64,
) -> Result<Vec<Vec<f64>>> {
    Ok(linear(&sensitivity_db(technique, faults, seed)?))
}

/// Draws the sensitivity of every element: its probe's and its own share, both normal in dB.
fn sensitivity_db(
    technique: &Technique,
    faults: &StationFaults,
    seed: u64,
) -> Result<Vec<Vec<f64>>> {
    let mut random = generator(seed, "sensitivity");
    let mut draw = |spread: f64| -> f64 {
        let x: f64 = StandardNormal.sample(&mut random);
        // Three standard deviations: an element beyond is a fault of its own.
        spread * x.clamp(-3.0, 3.0)
    };
    let mut rows: Vec<Vec<f64>> = technique
        .probes
        .iter()
        .map(|probe| {
            let common = draw(faults.probe_spread_db);
            probe.elements.iter().map(|_| common + draw(faults.element_spread_db)).collect()
        })
        .collect();
    for weak in &faults.weak_probes {
        // Firing and receiving take half of the loss each.
        if let Some(row) = rows.get_mut(weak.probe as usize) {
            row.iter_mut().for_each(|db| *db -= weak.loss_db / 2.0);
        }
    }
    for weak in &faults.weak_elements {
        match rows.get_mut(weak.probe as usize).and_then(|row| row.get_mut(weak.element as usize)) {
            Some(db) => *db -= weak.loss_db,
            None => {
                return Err(TwinError::OutOfRange {
                    what: format!("the weak element of probe {}", weak.probe),
                    value: f64::from(weak.element),
                    unit: "",
                    expected: "an element of a probe of this ring, both counted from 0".into(),
                });
            }
        }
    }
    Ok(rows)
}

/// Everything the bar itself returns. The length of the elements enters as if every echo were that
/// of a wall facing the beam, at the way that longitudinal sound has made by then.
fn bare_signals(
    technique: &Technique,
    field: &Field,
    beams: &[BeamModel],
    surface_s: &[f64],
    pad: usize,
    phases: usize,
) -> Result<BareSignals> {
    let record = technique.record;
    let stride = record.samples as usize + 2 * pad;
    let spectra = field.bare(beams)?;
    let syntheses = (0..phases)
        .map(|p| {
            let later = p as f64 / phases as f64;
            field.synthesis(record.time_s(-(pad as f64) - later), stride)
        })
        .collect::<Result<Vec<_>>>()?;
    let c_steel = field.solid.longitudinal_m_s;
    let rows = beams
        .par_iter()
        .enumerate()
        .map(|(b, beam)| {
            let factors: Vec<Complex64> = (0..stride)
                .map(|j| {
                    let time_s = record.time_s(j as f64 - pad as f64);
                    let steel_m = (time_s - surface_s[b]).max(0.0) * c_steel / 2.0;
                    let spread = Spread::through_water(
                        beam.water_m,
                        steel_m,
                        field.fluid.velocity_m_s,
                        c_steel,
                    );
                    beam.strip.mirror_factor(&spread, field.pulse.centre_hz)
                        * (beam.strip.length_m * curve(technique, b, time_s - surface_s[b]))
                })
                .collect();
            let mut row = Vec::with_capacity(spectra.len() * phases * stride);
            for place in &spectra {
                for synthesis in &syntheses {
                    let signal = synthesis.analytic(&place[b])?;
                    row.extend(
                        signal.iter().zip(&factors).map(|(z, factor)| (z * factor).re as f32),
                    );
                }
            }
            Ok(row)
        })
        .collect::<Result<Vec<_>>>()?;
    Ok(BareSignals { samples: rows.concat(), places: spectra.len(), phases, pad, stride })
}
