//! Pulse-echo of a beam on small reflectors at many places of a round bar: the peak of each echo's
//! envelope and its time.
//!
//! An echo's spectrum is the transmit field times the receive field at the place times a weight (pulse,
//! reflector, third dimension) that varies slowly with depth. Rings of places come from one FFT a
//! frequency, as in maps of the field; each place then costs one short FFT into time.

use num_complex::{Complex32, Complex64};
use rayon::prelude::*;
use rustfft::{Fft, FftPlanner};
use std::f64::consts::TAU;
use std::sync::Arc;

use crate::error::{Result, WaveError};
use crate::media::Mode;

use super::band::CylinderBand;
use super::envelopes::LINE;
use super::incident::Incident;
use super::limits;
use super::radial::Radial;
use super::slab::Slab;
use super::synthesis::even_step_hz;
use super::wide::{LANES, wide};

/// Rings of places about the bar's axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Rings {
    /// Radius of each ring in m.
    pub radii_m: Vec<f64>,
    /// Places of a full turn; place `j` stands at the angle `2π j / angles`.
    pub angles: usize,
}

/// A place at which an echo is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EchoPlace {
    /// Its number on the ring.
    pub angle: usize,
    /// Where its weight lies between the rows of [`EchoWeights`]: 2.25 is a quarter of the way from
    /// row 2 to row 3; held constant outside.
    pub row: f32,
    /// Time in s before which no part of the echo arrives. The echo is looked for within one
    /// [`EchoTask::search_s`] from here on.
    pub earliest_s: f64,
}

/// Weights of an echo's spectrum, for some depths.
#[derive(Debug, Clone, PartialEq)]
pub struct EchoWeights {
    rows: Vec<Vec<Complex32>>,
    unit: f64,
}

impl EchoWeights {
    /// Rows of one weight per frequency. The spectrum of the pulse belongs into them, in s: a weight
    /// of `S(f)` alone gives an echo of `∫ S P_t P_r e^{-2πift} df`.
    ///
    /// # Errors
    /// [`WaveError::Count`] for no row or rows of different lengths; [`WaveError::OutOfRange`] for a
    /// weight that is not finite.
    pub fn new(rows: &[Vec<Complex64>]) -> Result<Self> {
        let need = rows.first().map_or(1, Vec::len);
        if rows.is_empty() || need == 0 {
            return Err(WaveError::Count { what: "rows of weights", got: 0, need: 1 });
        }
        if let Some(row) = rows.iter().find(|row| row.len() != need) {
            return Err(WaveError::Count { what: "weights of a row", got: row.len(), need });
        }
        for value in rows.iter().flatten() {
            limits::check_size("a weight of an echo's spectrum", value.norm(), "")?;
        }
        let unit = rows.iter().flatten().map(|w| w.norm()).fold(f64::MIN_POSITIVE, f64::max);
        let single = |w: &Complex64| Complex32::new((w.re / unit) as f32, (w.im / unit) as f32);
        Ok(Self { rows: rows.iter().map(|row| row.iter().map(single).collect()).collect(), unit })
    }

    /// Weights of each row, divided by [`Self::unit`].
    #[must_use]
    pub fn rows(&self) -> &[Vec<Complex32>] {
        &self.rows
    }

    /// What the rows are to be multiplied by.
    #[must_use]
    pub fn unit(&self) -> f64 {
        self.unit
    }

    /// Weights at a row that may lie between two.
    fn at(&self, row: f32, into: &mut [Complex32]) {
        let last = self.rows.len() - 1;
        let row = row.clamp(0.0, last as f32);
        let lower = (row as usize).min(last);
        let share = row - lower as f32;
        let upper = &self.rows[(lower + 1).min(last)];
        for ((w, a), b) in into.iter_mut().zip(&self.rows[lower]).zip(upper) {
            *w = a * (1.0 - share) + b * share;
        }
    }
}

/// One beam and what is asked of it.
#[derive(Debug, Clone)]
pub struct EchoTask<'a> {
    /// Transmit side.
    pub transmit: &'a Incident,
    /// Receive side; absent if it is the transmit side.
    pub receive: Option<&'a Incident>,
    /// Weights of the spectrum.
    pub weights: &'a EchoWeights,
    /// Places of each ring, in any order.
    pub places: Vec<Vec<EchoPlace>>,
    /// How long after the earliest time of a place its echo is looked for, in s; at most one over the
    /// frequency step.
    pub search_s: f64,
    /// Whether directions of travel are wanted.
    pub headings: bool,
}

/// Echo of a place.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct EchoPeak {
    /// Peak of the envelope, in units of the weights.
    pub amplitude: f64,
    /// Its time in s.
    pub time_s: f64,
    /// Sine of the angle between the inward or outward radius and the direction of travel of the
    /// transmitted wave, positive where it runs towards larger angles; weighted by energy and weights over the band;
    /// zero unless asked for.
    pub sine: f64,
}

impl CylinderBand {
    /// Echoes of each task, by ring, in the order of its places.
    ///
    /// `times` samples over one record (one over the frequency step); three for each frequency bring
    /// peaks to 0.02 dB. Damping of the band is taken out.
    ///
    /// # Errors
    /// [`WaveError::Count`] for weights or fields of another band, fewer times than frequencies, or
    /// lists of places that are not one per ring; [`WaveError::OutOfRange`] for uneven frequencies, a
    /// ring outside the bar, a place beyond the ring's angles, a search longer than the record or
    /// grids beyond the limits of [`super::MapGrid`].
    pub fn echo_peaks(
        &self,
        mode: Mode,
        rings: &Rings,
        times: usize,
        tasks: &[EchoTask<'_>],
    ) -> Result<Vec<Vec<Vec<EchoPeak>>>> {
        let frequencies = self.frequencies_hz().len();
        let step_hz = even_step_hz(self.frequencies_hz())?;
        if rings.angles == 0 || times < frequencies {
            let (what, got, need) = if rings.angles == 0 {
                ("places of a ring", 0, 1)
            } else {
                ("times of the record", times, frequencies)
            };
            return Err(WaveError::Count { what, got, need });
        }
        limits::check_samples(
            "frequencies times places of a ring",
            (frequencies * rings.angles) as f64,
        )?;
        limits::check_samples("times of the record", times as f64)?;
        for &radius in &rings.radii_m {
            limits::check_inside(radius, self.radius_m())?;
        }
        for task in tasks {
            task.check(self, rings, step_hz)?;
        }
        let ones = vec![Complex64::ONE; frequencies];
        let round = FftPlanner::<f32>::new().plan_fft_inverse(rings.angles);
        let into_time = IntoTime::new(self, times, step_hz);
        tasks
            .iter()
            .map(|task| {
                let transmit = Side::new(self, mode, task.transmit, &ones)?;
                let receive = task.receive.map(|r| Side::new(self, mode, r, &ones)).transpose()?;
                let stride = rings.angles + LINE;
                let room = || Room {
                    sent: vec![Complex32::ZERO; frequencies * stride],
                    heard: match receive {
                        Some(_) => vec![Complex32::ZERO; frequencies * stride],
                        None => Vec::new(),
                    },
                    scratch: vec![Complex32::ZERO; round.get_inplace_scratch_len()],
                    radial: Radial::default(),
                    time: into_time.room(frequencies),
                };
                let peaks = rings
                    .radii_m
                    .par_iter()
                    .zip(&task.places)
                    .map_init(room, |room, (&radius, places)| {
                        if places.is_empty() {
                            return Vec::new();
                        }
                        let Room { sent, heard, scratch, radial, time } = room;
                        transmit.ring(radius, rings.angles, &*round, radial, sent, scratch);
                        let mut unit = transmit.unit * transmit.unit;
                        if let Some(side) = &receive {
                            side.ring(radius, rings.angles, &*round, radial, heard, scratch);
                            unit = transmit.unit * side.unit;
                        }
                        let rows = Rows {
                            sent,
                            heard: if receive.is_some() { heard } else { sent },
                            stride,
                            angles: rings.angles,
                        };
                        let unit = unit * task.weights.unit * step_hz;
                        let wave = |f: usize| self.solutions()[f].wave_number(mode).re * radius;
                        places
                            .iter()
                            .map(|place| {
                                let mut peak = into_time.peak(task, place, &rows, time);
                                peak.amplitude *= unit;
                                if task.headings {
                                    peak.sine = rows.sine(place.angle, &time.weights, wave);
                                }
                                peak
                            })
                            .collect()
                    })
                    .collect();
                Ok(peaks)
            })
            .collect()
    }
}

impl EchoTask<'_> {
    fn check(&self, band: &CylinderBand, rings: &Rings, step_hz: f64) -> Result<()> {
        let frequencies = band.frequencies_hz().len();
        let receive = self.receive.unwrap_or(self.transmit);
        for (what, got, need) in [
            ("frequencies of the transmit side", self.transmit.frequencies(), frequencies),
            ("frequencies of the receive side", receive.frequencies(), frequencies),
            ("weights of a row", self.weights.rows[0].len(), frequencies),
            ("lists of places, one per ring", self.places.len(), rings.radii_m.len()),
        ] {
            if got != need {
                return Err(WaveError::Count { what, got, need });
            }
        }
        for (f, solution) in band.solutions().iter().enumerate() {
            let need = 2 * solution.highest_order() + 1;
            for side in [self.transmit, receive] {
                let got = side.orders(f).len();
                if got != need {
                    return Err(WaveError::Count {
                        what: "orders of an incident field",
                        got,
                        need,
                    });
                }
            }
        }
        if !(self.search_s > 0.0 && self.search_s * step_hz <= 1.0 + 1e-9) {
            return Err(WaveError::OutOfRange {
                what: "the time within which an echo is looked for",
                value: self.search_s,
                unit: "s",
                expected: "above zero and at most one over the frequency step",
            });
        }
        for place in self.places.iter().flatten() {
            if place.angle >= rings.angles {
                return Err(WaveError::OutOfRange {
                    what: "the number of a place on its ring",
                    value: place.angle as f64,
                    unit: "",
                    expected: "below the number of places",
                });
            }
            limits::check_time("the earliest time of an echo", place.earliest_s)?;
            limits::check_growth(band.damping_1_s(), place.earliest_s.abs() + self.search_s)?;
        }
        Ok(())
    }
}

/// One side of a beam, ready for rings.
struct Side {
    slabs: Vec<Slab>,
    unit: f64,
}

impl Side {
    fn new(band: &CylinderBand, mode: Mode, field: &Incident, ones: &[Complex64]) -> Result<Self> {
        let slabs = (0..band.frequencies_hz().len())
            .into_par_iter()
            .step_by(LANES)
            .map(|first| {
                let orders = |f| Ok(std::borrow::Cow::Borrowed(field.orders(f)));
                Slab::of(band.solutions(), mode, first, ones, orders)
            })
            .collect::<Result<Vec<_>>>()?;
        let unit = slabs.iter().map(Slab::size).fold(f64::MIN_POSITIVE, f64::max);
        Ok(Self { slabs, unit })
    }

    /// The field around a ring, one row per frequency, divided by `unit`.
    fn ring(
        &self,
        radius_m: f64,
        angles: usize,
        round: &dyn Fft<f32>,
        radial: &mut Radial,
        rows: &mut [Complex32],
        scratch: &mut [Complex32],
    ) {
        let stride = angles + LINE;
        for slab in &self.slabs {
            let rows = &mut rows[slab.first * stride..][..slab.count * stride];
            slab.ring(radius_m, self.unit, radial, rows, stride, angles);
            for row in rows.chunks_exact_mut(stride) {
                round.process_with_scratch(&mut row[..angles], scratch);
            }
        }
    }
}

/// Working room of one thread.
struct Room {
    sent: Vec<Complex32>,
    heard: Vec<Complex32>,
    scratch: Vec<Complex32>,
    radial: Radial,
    time: TimeRoom,
}

/// Both fields around a ring.
struct Rows<'a> {
    sent: &'a [Complex32],
    heard: &'a [Complex32],
    stride: usize,
    angles: usize,
}

impl Rows<'_> {
    /// Sine of the direction of travel at a place; `wave` is k r at a frequency's number.
    fn sine(&self, angle: usize, weights: &[Complex32], wave: impl Fn(usize) -> f64) -> f64 {
        let before = (angle + self.angles - 1) % self.angles;
        let after = (angle + 1) % self.angles;
        let step = TAU / self.angles as f64;
        let (mut sum, mut weight) = (0.0, 0.0);
        for (f, (row, w)) in self.sent.chunks_exact(self.stride).zip(weights).enumerate() {
            let here = row[angle];
            let energy = f64::from(here.norm_sqr()) * f64::from(w.norm_sqr());
            let turn = (row[before].conj() * here + here.conj() * row[after]).arg();
            let around = wave(f);
            if around > 0.0 {
                sum += energy * (f64::from(turn) / step / around);
                weight += energy;
            }
        }
        if weight > 0.0 { (sum / weight).clamp(-1.0, 1.0) } else { 0.0 }
    }
}

/// From spectra to peaks in time.
struct IntoTime {
    fft: Arc<dyn Fft<f32>>,
    times: usize,
    spacing_s: f64,
    damping_1_s: f64,
}

struct TimeRoom {
    weights: Vec<Complex32>,
    signal: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

impl IntoTime {
    fn new(band: &CylinderBand, times: usize, step_hz: f64) -> Self {
        let fft = FftPlanner::new().plan_fft_forward(times);
        let spacing_s = 1.0 / (step_hz * times as f64);
        Self { fft, times, spacing_s, damping_1_s: band.damping_1_s() }
    }

    fn room(&self, frequencies: usize) -> TimeRoom {
        TimeRoom {
            weights: vec![Complex32::ZERO; frequencies],
            signal: vec![Complex32::ZERO; self.times],
            scratch: vec![Complex32::ZERO; self.fft.get_inplace_scratch_len()],
        }
    }

    /// Largest envelope within the search; the heading is left open.
    fn peak(
        &self,
        task: &EchoTask<'_>,
        place: &EchoPlace,
        rows: &Rows<'_>,
        room: &mut TimeRoom,
    ) -> EchoPeak {
        let TimeRoom { weights, signal, scratch } = room;
        task.weights.at(place.row, weights);
        let (angle, stride) = (place.angle, rows.stride);
        for (f, (z, w)) in signal.iter_mut().zip(weights.iter()).enumerate() {
            let at = f * stride + angle;
            *z = rows.sent[at] * rows.heard[at] * w;
        }
        let frequencies = weights.len();
        signal[frequencies..].fill(Complex32::ZERO);
        self.fft.process_with_scratch(signal, scratch);
        let first = (place.earliest_s / self.spacing_s).floor();
        let offset = first.rem_euclid(self.times as f64) as usize;
        let count = ((task.search_s / self.spacing_s).ceil() as usize).clamp(1, self.times);
        let (mut best, mut at) = (0.0_f64, 0);
        let growth = (2.0 * self.damping_1_s * self.spacing_s).exp();
        wide(
            #[inline(always)]
            || {
                let mut grown = 1.0_f64;
                for i in 0..count {
                    let z = signal[(offset + i) % self.times];
                    let size = f64::from(z.re * z.re + z.im * z.im) * grown;
                    if size > best {
                        (best, at) = (size, i);
                    }
                    grown *= growth;
                }
            },
        );
        // A parabola through the logarithm: exact for a Gaussian.
        let log = |i: isize| {
            let j = (offset as isize + i).rem_euclid(self.times as isize) as usize;
            let z = signal[j];
            let size = f64::from(z.re * z.re + z.im * z.im);
            size.max(1e-300).ln() + 2.0 * self.damping_1_s * self.spacing_s * i as f64
        };
        let middle = at as isize;
        let (left, here, right) = (log(middle - 1), log(middle), log(middle + 1));
        let bend = 2.0 * here - left - right;
        let shift = if bend > 0.0 { (0.5 * (right - left) / bend).clamp(-0.5, 0.5) } else { 0.0 };
        let top = here + 0.25 * (right - left) * shift;
        let start_s = first * self.spacing_s;
        EchoPeak {
            amplitude: if best > 0.0 {
                (0.5 * top + self.damping_1_s * start_s).exp()
            } else {
                0.0
            },
            time_s: start_s + (at as f64 + shift) * self.spacing_s,
            sine: 0.0,
        }
    }
}
