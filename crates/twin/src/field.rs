//! The sound field of every beam, exact, over the frequencies of the pulse.

use barwright_job::technique::{Section, Technique};
use barwright_wave::cylinder::{
    Attenuation, CylinderBand, Drive, LineArray, Passage, Spectra, Synthesis,
};
use barwright_wave::pulse::Pulse;
use barwright_wave::{Element, Fluid, Mode, Point, Solid, ray};
use num_complex::Complex64;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};

use crate::beam::BeamModel;
use crate::bend::Places;
use crate::error::{Result, TwinError};
use crate::fitted::Fitted;
use crate::ring::{ArcGrid, face_radius_m};

/// Line sources that stand for an element: enough for widths up to two wavelengths.
pub(crate) const SOURCES_PER_ELEMENT: usize = 3;

/// Neper by which the signal is damped over one period of the record: what arrives a whole period
/// late wraps into it 61 dB down.
const DAMPING_NP: f64 = 7.0;

/// Share of the sampling rate up to which an instrument's filter passes: just below a half.
const FILTER: f64 = 0.49;

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

    fn add(&mut self, more: &Self) {
        let sum = |a: &mut Vec<Complex64>, b: &[Complex64]| {
            a.iter_mut().zip(b).for_each(|(a, b)| *a += b);
        };
        sum(&mut self.transmit, &more.transmit);
        if let (Some(own), Some(more)) = (&mut self.receive, &more.receive) {
            sum(own, more);
        }
    }
}

/// A field that is asked for of a bar that may stand anywhere.
#[derive(Debug, Clone, Copy)]
pub(crate) struct About {
    /// Beam by number.
    pub beam: usize,
    /// Angle of the place in the bar's section, turn included.
    pub angle_rad: f64,
    /// Where the axis of a bent bar stands against that of a straight one.
    pub bent: Point,
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
    /// The elements as a straight bar sees them, then as a bent one does at each of its places.
    arrays: Vec<LineArray>,
    places: Places,
    /// How the water tells times from ways at each frequency: exp(i ω s) for a time of s.
    angular: Vec<Complex64>,
    /// Bar and probes are where the technique has them.
    in_place: bool,
    grid: Option<ArcGrid>,
    /// Sampling rate and samples in one period.
    rate_hz: f64,
    period: usize,
}

impl Field {
    /// # Errors
    /// [`TwinError::Section`] for a section that is not round or without water;
    /// [`TwinError::OutOfRange`] for a sampling rate too low for the pulse; the wave crate's errors.
    pub(crate) fn new(nominal: &Technique, fitted: &Fitted, places: Places) -> Result<Self> {
        let technique = &fitted.technique;
        let radius_m = round_radius_m(technique)?;
        let fluid =
            technique.media.water.ok_or(TwinError::Section { section: "bar without water" })?;
        let solid = technique.media.steel;
        let pulse = Pulse::new(technique.pulse.centre_hz, technique.pulse.bandwidth_rel)?;
        let rate_hz = technique.record.sample_rate_hz;
        let (low, mut high) = band_hz(&pulse);
        if technique.pulse != nominal.pulse {
            // Probes of another make meet the filter of the instrument.
            high = high.min(FILTER * rate_hz);
        } else if rate_hz < 2.0 * high {
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
            reference_hz: nominal.pulse.centre_hz,
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
        let in_place = fitted.in_place();
        let face_m = face_radius_m(technique);
        let arrays = places
            .list()
            .iter()
            .map(|&bent| -> Result<LineArray> {
                let elements: Vec<Element> = (technique.probes.iter().enumerate())
                    .flat_map(|(p, probe)| {
                        let moved = fitted.moved(p) + bent;
                        probe.elements.iter().map(move |&e| seen_from(e, moved))
                    })
                    .collect();
                Ok(LineArray::new(&elements, SOURCES_PER_ELEMENT, Point::default(), face_m)?)
            })
            .collect::<Result<Vec<_>>>()?;
        let grid = if arrays.len() == 1 && in_place && arrays[0].is_concentric() {
            ArcGrid::of(technique)
        } else {
            None
        };
        let pulse_spectrum = frequencies
            .iter()
            .map(|&f| damped_spectrum(&pulse, f, damping) * taper(&pulse, f))
            .collect();
        let (full, first) = rayon::join(|| band(Passage::Full), || band(Passage::First));
        let (full, first) = (full?, first?);
        Ok(Self {
            angular: full.angular_frequencies().collect(),
            fluid,
            solid,
            radius_m,
            pulse,
            pulse_spectrum,
            full,
            first,
            arrays,
            places,
            in_place,
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

    /// Spectra of what the bar itself returns to each beam, in two dimensions, pulse included; for
    /// each place of a bent bar in turn, there without the change of the surface's time.
    ///
    /// # Errors
    /// The wave crate's.
    pub(crate) fn bare(&self, beams: &[BeamModel]) -> Result<Vec<Vec<Vec<Complex64>>>> {
        let transmit: Vec<Drive> = beams.iter().map(|b| b.transmit.clone()).collect();
        let receive: Vec<Drive> = beams.iter().map(|b| b.receive().clone()).collect();
        let each = |(array, &bent): (&LineArray, &Point)| -> Result<Vec<Vec<Complex64>>> {
            let mut rows = self.returned(array, &transmit, &receive)?;
            if bent != Point::default() {
                for (row, beam) in rows.iter_mut().zip(beams) {
                    self.later(row, -beam.surface_shift_s(bent, self.fluid.velocity_m_s));
                }
            }
            Ok(rows)
        };
        self.arrays.iter().zip(self.places.list()).map(each).collect()
    }

    /// Moves a spectrum by a time.
    fn later(&self, spectrum: &mut [Complex64], by_s: f64) {
        for (value, angular) in spectrum.iter_mut().zip(&self.angular) {
            *value *= (Complex64::i() * angular * by_s).exp();
        }
    }

    /// Whether fields come from [`Self::at`] and [`Self::around`]; from [`Self::about`] otherwise.
    pub(crate) fn is_in_place(&self) -> bool {
        self.in_place && self.arrays.len() == 1
    }

    /// Places of the bar between which a bent one stands.
    pub(crate) fn places(&self) -> &Places {
        &self.places
    }

    /// Fields of beams about a bar that may stand anywhere, each request at its own angle and place:
    /// tables of `[table][radius]`, and the table of each request.
    ///
    /// # Errors
    /// The wave crate's.
    pub(crate) fn about(
        &self,
        mode: Mode,
        passage: Passage,
        radii_m: &[f64],
        beams: &[BeamModel],
        requests: &[About],
    ) -> Result<(Vec<Vec<Pair>>, Vec<usize>)> {
        // Each beam and angle once.
        let mut by_beam: BTreeMap<usize, BTreeMap<u64, usize>> = BTreeMap::new();
        for request in requests {
            by_beam.entry(request.beam).or_default().insert(request.angle_rad.to_bits(), 0);
        }
        let mut count = 0;
        for index in by_beam.values_mut().flat_map(BTreeMap::values_mut) {
            *index = count;
            count += 1;
        }
        let index: Vec<usize> =
            requests.iter().map(|r| by_beam[&r.beam][&r.angle_rad.to_bits()]).collect();
        let (mut drives, mut angles) = (Vec::new(), Vec::new());
        for (&beam, list) in &by_beam {
            drives.push(beams[beam].transmit.clone());
            angles.push(list.keys().map(|&bits| f64::from_bits(bits)).collect::<Vec<_>>());
        }
        // Receive sides that differ follow all transmit sides.
        let mut heard: Vec<Option<usize>> = Vec::with_capacity(count);
        let mut more = 0;
        for (&beam, list) in &by_beam {
            let own = beams[beam].receive.as_ref();
            heard.extend((0..list.len()).map(|i| own.map(|_| count + more + i)));
            if let Some(own) = own {
                drives.push(own.clone());
                angles.push(list.keys().map(|&bits| f64::from_bits(bits)).collect());
                more += list.len();
            }
        }
        let tables = |array: &LineArray| -> Result<Vec<Spectra>> {
            let light = self.band(passage).illuminate(array)?;
            Ok(light.fields_around(&drives, &angles, radii_m, mode)?)
        };
        let pair = |table: &Spectra, i: usize| Pair {
            transmit: table.row(i).to_vec(),
            receive: heard[i].map(|row| table.row(row).to_vec()),
        };
        if self.arrays.len() == 1 {
            let tables = tables(&self.arrays[0])?;
            let fields =
                (0..count).map(|i| tables.iter().map(|table| pair(table, i)).collect()).collect();
            return Ok((fields, index));
        }
        // One way: half the change of the echo's time, taken out at the places and put back.
        let half_s =
            |beam: usize, bent: Point| 0.5 * beams[beam].shift_s(bent, self.fluid.velocity_m_s);
        let weights: Vec<Vec<f64>> = requests.iter().map(|r| self.places.weights(r.bent)).collect();
        let mut fields: Vec<Vec<Pair>> = Vec::new();
        for (place, array) in self.arrays.iter().enumerate() {
            let tables = tables(array)?;
            let at = self.places.list()[place];
            let share = |r: usize| -> Vec<Pair> {
                let by_s = half_s(requests[r].beam, requests[r].bent - at);
                let mut factors = vec![Complex64::new(weights[r][place], 0.0); self.angular.len()];
                self.later(&mut factors, by_s);
                let times = |row: &[Complex64]| -> Vec<Complex64> {
                    row.iter().zip(&factors).map(|(x, f)| x * f).collect()
                };
                let i = index[r];
                tables
                    .iter()
                    .map(|table| Pair {
                        transmit: times(table.row(i)),
                        receive: heard[i].map(|row| times(table.row(row))),
                    })
                    .collect()
            };
            let shares: Vec<Vec<Pair>> = (0..requests.len()).into_par_iter().map(share).collect();
            if place == 0 {
                fields = shares;
            } else {
                for (sum, more) in fields.iter_mut().flatten().zip(shares.iter().flatten()) {
                    sum.add(more);
                }
            }
        }
        Ok((fields, (0..requests.len()).collect()))
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

    /// Spectra of drives at one angle of the section, a table for each radius.
    ///
    /// # Errors
    /// The wave crate's.
    pub(crate) fn heard(
        &self,
        mode: Mode,
        passage: Passage,
        drives: &[Drive],
        radii_m: &[f64],
        angle_rad: f64,
    ) -> Result<Vec<Spectra>> {
        let points: Vec<Point> = radii_m.iter().map(|&r| Point::polar(r, angle_rad)).collect();
        Ok(self.band(passage).illuminate(&self.arrays[0])?.fields_at(drives, &points, mode)?)
    }

    /// Spectra of what a straight bar itself returns from drives to drives, in two dimensions, pulse included.
    ///
    /// # Errors
    /// The wave crate's.
    pub(crate) fn returned_straight(
        &self,
        transmit: &[Drive],
        receive: &[Drive],
    ) -> Result<Vec<Vec<Complex64>>> {
        self.returned(&self.arrays[0], transmit, receive)
    }

    fn returned(
        &self,
        array: &LineArray,
        transmit: &[Drive],
        receive: &[Drive],
    ) -> Result<Vec<Vec<Complex64>>> {
        let spectra = self.full.illuminate(array)?.received(transmit, receive)?;
        let with_pulse = |row: &[Complex64]| -> Vec<Complex64> {
            row.iter().zip(&self.pulse_spectrum).map(|(x, s)| x * s).collect()
        };
        Ok(spectra.iter().map(with_pulse).collect())
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
        let tables = self.heard(mode, passage, &drives, radii_m, angle_rad)?;
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

/// An element in the frame of a bar whose axis stands off the ring's centre.
fn seen_from(element: Element, moved: Point) -> Element {
    if moved == Point::default() {
        return element;
    }
    Element { centre: element.centre - moved, ..element }
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
