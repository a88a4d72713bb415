//! The frequencies that a proof of coverage needs, as few as the wanted error allows.

use num_complex::Complex64;
use std::f64::consts::TAU;

use crate::error::{Result, WaveError, positive};
use crate::geometry::Point;
use crate::media::{Fluid, Mode, Solid};
use crate::pulse::Pulse;

use super::Passage;
use super::array::{Drive, LineArray};
use super::band::CylinderBand;

/// Angles at which the surface counts as a source.
const SURFACE: usize = 360;
/// Rings (at these shares of the radius) and angles where the spread of arrivals is looked for.
const RINGS: [f64; 5] = [0.2, 0.4, 0.6, 0.8, 0.95];
const ANGLES: usize = 36;
/// Record in periods of the pulse's centre, and the errors in dB that 95 % of the places keep with it.
const MEASURED_PERIODS: f64 = 51.2;
const MEASURED_L_DB: f64 = 0.02;
const MEASURED_S_DB: f64 = 0.27;
/// How these errors fall with the length of the record.
const POWER_L: f64 = 0.8;
const POWER_S: f64 = 0.7;
/// Shortest record measured.
const SHORTEST_PERIODS: f64 = 23.0;
/// Relative bandwidth of the pulse they were measured with.
const MEASURED_BANDWIDTH: f64 = 0.6;
/// Error in dB over the height of the spectrum at its cut: 0.13 dB where it is cut at 1.5e-3.
const CUT_DB: f64 = 85.0;
/// Share of the wanted error left to the cut.
const SHARE_CUT: f64 = 0.25;

/// A bar in water and what illuminates it.
#[derive(Debug, Clone, Copy)]
pub struct ProofScene<'a> {
    /// Radius of the bar in metres.
    pub radius_m: f64,
    /// Steel.
    pub solid: &'a Solid,
    /// Water.
    pub fluid: &'a Fluid,
    /// Elements, relative to the bar's axis.
    pub array: &'a LineArray,
    /// All laws that are to share the band.
    pub drives: &'a [Drive],
}

/// Frequencies for maps of the first passage with a wanted error of the peaks: the record they
/// make (one over their step) is as short as that error allows.
///
/// There is no damping, and hence the record may start at any time: an undamped record repeats
/// itself, so it need only hold the spread of arrivals at *one* place, not the crossing of the bar.
/// Damping was measured and makes shear worse. The field shows waves *before* the first arrival
/// possible (up to -5 dB re the peak of a weak place), which taking the damping out lifts. The first
/// passage is cut off sharply between orders, each order at another frequency, and such a cut is not
/// causal: that is the likely reason.
///
/// *Algorithm*
/// 1. Spread: at places over the section, the direct arrival of the last element less the first
///    arrival possible (through the water, along the surface with the longitudinal velocity, then
///    straight inside); plus the pulse's duration between its -40 dB points.
/// 2. What wraps falls slowly with the length of the record. Measured at 51.2 periods of the pulse:
///    0.02 dB (L) and 0.27 dB (S), falling with the powers 0.8 and 0.7 of the length; 23 periods
///    at least, the shortest record measured.
/// 3. Cut of the spectrum: 0.13 dB where it is cut at 1.5e-3 of its peak, in proportion.
///
/// Validity: 95 % of the places keep the wanted error, of those deeper than two wavelengths (at the
/// centre frequency) and within 30 dB of the strongest such place. The worst single places, where shear
/// refracts near the longitudinal critical incidence, err by more: see the figures in
/// `docs/speed-exact.md`, measured for bars of 20 to 254 mm with 5 MHz and 60 % bandwidth. Nearer the
/// surface short records may be off by several dB. Narrower pulses get a longer record in
/// proportion (scaling, not measured).
///
/// Source: own measurement, no other.
#[derive(Debug, Clone, PartialEq)]
pub struct ProofBand {
    /// Frequencies in Hz, evenly spaced.
    pub frequencies_hz: Vec<f64>,
    /// Damping in 1/s: none.
    pub damping_1_s: f64,
    /// Start of the record in seconds: zero, which without damping is as good as any.
    pub start_s: f64,
    /// Largest spread of arrivals at one place, in seconds.
    pub spread_s: f64,
    pulse: Pulse,
}

impl ProofBand {
    /// Chooses the frequencies for maps of one mode; `error_db` is the error of a peak that 95 % of
    /// the places keep.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for an error outside 0.02 to 3 dB (what was measured), a radius
    /// that is not positive, an element number the array has not, or sources inside the bar;
    /// [`WaveError::Count`] without a drive or where no drive has an element.
    pub fn choose(scene: &ProofScene, mode: Mode, pulse: &Pulse, error_db: f64) -> Result<Self> {
        positive("the bar radius", scene.radius_m, "m")?;
        if !(0.02..=3.0).contains(&error_db) {
            return Err(WaveError::OutOfRange {
                what: "the wanted error of a map",
                value: error_db,
                unit: "dB",
                expected: "between 0.02 and 3 dB",
            });
        }
        let spread_s = scene.spread_s(mode)?;
        let (measured_db, power) = match mode {
            Mode::L => (MEASURED_L_DB, POWER_L),
            Mode::S => (MEASURED_S_DB, POWER_S),
        };
        let periods = MEASURED_PERIODS * (measured_db / error_db).powf(1.0 / power);
        let periods = periods.max(SHORTEST_PERIODS);
        let narrow = (MEASURED_BANDWIDTH / pulse.bandwidth_rel).max(1.0);
        let record_s = (periods * narrow / pulse.centre_hz).max(spread_s + pulse.duration_s(40.0));
        let step_hz = 1.0 / record_s;
        let reach_hz = (2.0 * (CUT_DB / (SHARE_CUT * error_db)).ln()).sqrt() * pulse.sigma_hz();
        let first = ((pulse.centre_hz - reach_hz) / step_hz).ceil().max(1.0) as usize;
        let last = ((pulse.centre_hz + reach_hz) / step_hz).floor() as usize;
        let frequencies_hz = (first..=last).map(|k| k as f64 * step_hz).collect();
        Ok(Self { frequencies_hz, damping_1_s: 0.0, start_s: 0.0, spread_s, pulse: *pulse })
    }

    /// Solves the bar at the chosen frequencies.
    ///
    /// # Errors
    /// As [`CylinderBand::new`].
    pub fn solve(&self, scene: &ProofScene) -> Result<CylinderBand> {
        CylinderBand::new(
            scene.radius_m,
            scene.solid,
            scene.fluid,
            &self.frequencies_hz,
            self.damping_1_s,
            Passage::First,
        )
    }

    /// Spectrum of the pulse at each frequency; one at its centre.
    #[must_use]
    pub fn spectrum(&self) -> Vec<Complex64> {
        self.frequencies_hz.iter().map(|&f| self.pulse.spectrum(f).into()).collect()
    }
}

impl ProofScene<'_> {
    /// Largest spread of arrivals at one place, over all drives.
    fn spread_s(&self, mode: Mode) -> Result<f64> {
        let nearest = self.array.nearest_m();
        if nearest <= self.radius_m {
            return Err(WaveError::OutOfRange {
                what: "the distance of a line source from the bar's axis",
                value: nearest,
                unit: "m",
                expected: "above the bar's radius",
            });
        }
        let surface: Vec<Point> = turn(SURFACE).map(|a| Point::polar(self.radius_m, a)).collect();
        let places = RINGS
            .iter()
            .flat_map(|r| turn(ANGLES).map(move |a| Point::polar(r * self.radius_m, a)));
        let velocity = self.solid.velocity_m_s(mode);
        let inside: Vec<Vec<f64>> = places
            .map(|place| surface.iter().map(|x| x.distance(place) / velocity).collect())
            .collect();
        let elements = self.array.elements();
        // Times from each element in use to each place of the surface it sees, infinite elsewhere.
        let mut seen: Vec<Option<Vec<f64>>> = vec![None; elements.len()];
        let mut spread: Option<f64> = None;
        for drive in self.drives {
            let mut to_surface = vec![f64::INFINITY; SURFACE];
            let mut last_inside = vec![f64::NEG_INFINITY; inside.len()];
            for (&element, delay) in drive.elements().iter().zip(drive.delays_s()) {
                let Some(sources) = elements.get(element) else {
                    return Err(WaveError::OutOfRange {
                        what: "the number of a driven element (counted from 0)",
                        value: element as f64,
                        unit: "",
                        expected: "below the number of elements of the array",
                    });
                };
                let middle = sources[sources.len() / 2].at;
                let times = seen[element].get_or_insert_with(|| self.times_to(&surface, middle));
                for (first, t) in to_surface.iter_mut().zip(times.iter()) {
                    *first = first.min(t + delay);
                }
                for (last, inside) in last_inside.iter_mut().zip(&inside) {
                    *last = last.max(earliest(times, inside) + delay);
                }
            }
            self.creep(&mut to_surface);
            for (last, inside) in last_inside.iter().zip(&inside) {
                let here = last - earliest(&to_surface, inside);
                if here.is_finite() {
                    spread = Some(spread.map_or(here, |spread| spread.max(here)));
                }
            }
        }
        spread.ok_or(WaveError::Count { what: "driven elements", got: 0, need: 1 })
    }

    fn times_to(&self, surface: &[Point], source: Point) -> Vec<f64> {
        let sees = |x: &Point| x.x * source.x + x.y * source.y > self.radius_m * self.radius_m;
        let time = |x: &Point| x.distance(source) / self.fluid.velocity_m_s;
        surface.iter().map(|x| if sees(x) { time(x) } else { f64::INFINITY }).collect()
    }

    /// Lets arrivals run along the surface as fast as anything can, both ways round.
    fn creep(&self, times: &mut [f64]) {
        let count = times.len();
        let step = TAU * self.radius_m / count as f64 / self.solid.longitudinal_m_s;
        for k in 0..2 * count {
            let (from, to) = (k % count, (k + 1) % count);
            times[to] = times[to].min(times[from] + step);
        }
        for k in (0..2 * count).rev() {
            let (from, to) = ((k + 1) % count, k % count);
            times[to] = times[to].min(times[from] + step);
        }
    }
}

/// Angles of a full turn in even steps.
fn turn(count: usize) -> impl Iterator<Item = f64> {
    (0..count).map(move |k| TAU * k as f64 / count as f64)
}

/// Soonest way by any place of the surface.
fn earliest(to_surface: &[f64], inside: &[f64]) -> f64 {
    to_surface.iter().zip(inside).map(|(a, b)| a + b).fold(f64::INFINITY, f64::min)
}
