//! Stations with one thing wrong, or nothing, and the truth beside them: what a levelling is tried on.
//!
//! The limits are those of common practice for such a station (no source): below them a levelling may
//! keep silent, well above it must name the cause.

use barwright_job::Technique;
use rand::RngExt;
use rand::seq::IndexedRandom;
use rand_xoshiro::Xoshiro256PlusPlus;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

use crate::faults::{
    Bend, Bubbles, MovedProbe, StationFaults, WeakElement, WeakProbe, WrongProbes,
};
use crate::noise::generator;

/// Offset of the bar's centre that is let pass, in mm.
pub const OFFSET_LIMIT_MM: f64 = 0.1;
/// Sag of the reference bar that is let pass, in mm.
pub const SAG_LIMIT_MM: f64 = 0.1;
/// Change of the water's temperature that is let pass, in K.
pub const TEMPERATURE_LIMIT_K: f64 = 1.0;
/// Change of the water path, of all probes or of one, that is let pass, in mm.
pub const PATH_LIMIT_MM: f64 = 0.1;
/// Loss of an element that is let pass, in dB on firing and on receiving each.
pub const ELEMENT_LIMIT_DB: f64 = 4.0;
/// Loss of a whole probe that is let pass, in dB of echo height.
pub const PROBE_LIMIT_DB: f64 = 3.0;
/// Difference of pitch or frequency that is let pass, in percent.
pub const MAKE_LIMIT_PERCENT: f64 = 1.5;
/// Drift that is let pass, in dB of echo height per minute.
pub const DRIFT_LIMIT_DB_MIN: f64 = 0.5;
/// Bubbles that are let pass, per second.
pub const BUBBLES_LIMIT_1_S: f64 = 0.2;

/// Offset of a station that counts as centred, in mm.
const CENTRED_MM: f64 = 0.03;
/// Largest spread of the gains at the start, in dB.
const GAIN_SPREAD_DB: f64 = 12.0;
/// Sizes of faults as shares of their limit: drawn evenly in their logarithm.
const SHARES: [f64; 2] = [0.4, 5.0];
/// Loss that stands for a dead element, in dB.
const DEAD_DB: f64 = 60.0;
/// One scene in so many is healthy.
const HEALTHY_EVERY: usize = 4;

/// A station to be levelled, with what is wrong with it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FaultScene {
    /// Number and kind, for people.
    pub name: String,
    /// Seed for [`crate::VirtualStation::new`].
    pub seed: u64,
    /// What is wrong, small spreads and noise included.
    pub faults: StationFaults,
    /// To be added to each beam's gain before the first capture, in dB: up to 6 dB either way.
    pub gains_spread_db: Vec<f64>,
    /// The main cause.
    pub truth: MainCause,
    /// Size of the main cause as a share of its limit; absent where it has no size.
    pub share_of_limit: Option<f64>,
}

impl FaultScene {
    /// Gains to start from: the technique's with their spread, in dB.
    #[must_use]
    pub fn gains_db(&self, technique: &Technique) -> Vec<f64> {
        technique
            .beams
            .iter()
            .zip(&self.gains_spread_db)
            .map(|(b, more)| b.gain_db + more)
            .collect()
    }
}

/// The main cause of how a station reads, with its size as the scene has it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "the fields are those of the faults, with their units")]
pub enum MainCause {
    /// Nothing beyond small spreads, noise and an offset below 0.03 mm.
    Healthy,
    /// Bar off centre.
    OffCentre { x_mm: f64, y_mm: f64 },
    /// Reference bar bent.
    BentBar { sag_mm: f64, direction_deg: f64 },
    /// Water warmer (positive) or colder.
    WaterTemperature { change_k: f64 },
    /// All probes farther out (positive) or nearer.
    WaterPath { change_mm: f64 },
    /// One probe farther out (positive) or nearer.
    ProbeMoved { probe: u32, by_mm: f64 },
    /// A run of elements weak: loss on firing and on receiving each.
    Elements { probe: u32, first: u32, last: u32, loss_db: f64 },
    /// A probe low: loss of echo height.
    ProbeLow { probe: u32, loss_db: f64 },
    /// Plugs of two probes exchanged.
    ProbesSwapped { probes: [u32; 2] },
    /// Elements of a probe in reverse order.
    ProbeReversed { probe: u32 },
    /// Probes of another make.
    WrongProbes { pitch_percent: f64, frequency_percent: f64 },
    /// Probes that drift; signs differ.
    Drift { db_per_min: f64 },
    /// Bubbles.
    Bubbles { per_second: f64, duration_ms: f64, loss_db: f64 },
    /// Bar off centre and an element weak.
    OffCentreAndElement { x_mm: f64, y_mm: f64, probe: u32, element: u32, loss_db: f64 },
}

/// Kinds of faults, in the order in which they come round.
const KINDS: [Draw; 13] = [
    |s, f| s.off_centre(f),
    |s, f| s.element(f),
    |s, f| s.temperature(f),
    |s, f| s.probe_low(f),
    |s, f| s.bent(f),
    |s, f| s.moved(f),
    |s, f| s.swapped(f),
    |s, f| s.mixed(f),
    |s, f| s.path(f),
    |s, f| s.reversed(f),
    |s, f| s.wrong(f),
    |s, f| s.drift(f),
    |s, f| s.bubbles(f),
];

type Draw = fn(&mut Scenes<'_>, &mut StationFaults) -> (&'static str, MainCause, Option<f64>);

/// Scenes of stations to be levelled: the first of every four healthy, the others with one main fault
/// each, every kind in turn. Sizes go from 0.4 to 5 times the limits above.
///
/// The seed decides; a longer list begins with the shorter one. A technique without beams gives
/// healthy scenes only.
#[must_use]
pub fn fault_scenes(seed: u64, count: usize, technique: &Technique) -> Vec<FaultScene> {
    (0..count)
        .map(|number| {
            let random = generator(seed, &format!("fault scene {number}"));
            let mut scenes = Scenes { random, technique };
            let mut faults = scenes.healthy();
            let turn = number - number.div_ceil(HEALTHY_EVERY);
            let fault = number % HEALTHY_EVERY != 0 && !technique.beams.is_empty();
            let (kind, truth, share_of_limit) = if fault {
                KINDS[turn % KINDS.len()](&mut scenes, &mut faults)
            } else {
                ("healthy", MainCause::Healthy, None)
            };
            let half_db = scenes.random.random_range(0.0..GAIN_SPREAD_DB) / 2.0;
            let spread = (technique.beams.iter())
                .map(|_| hundredth(half_db * scenes.random.random_range(-1.0..1.0)));
            FaultScene {
                name: format!("{number:03} {kind}"),
                gains_spread_db: spread.collect(),
                seed: scenes.random.random_range(1..1_000_000),
                faults,
                truth,
                share_of_limit,
            }
        })
        .collect()
}

struct Scenes<'a> {
    random: Xoshiro256PlusPlus,
    technique: &'a Technique,
}

impl Scenes<'_> {
    fn healthy(&mut self) -> StationFaults {
        let offset = self.point(CENTRED_MM);
        StationFaults {
            element_spread_db: hundredth(self.random.random_range(0.1..0.5)),
            probe_spread_db: hundredth(self.random.random_range(0.1..0.6)),
            noise_fsh_percent: hundredth(self.random.random_range(0.3..1.5)),
            offset_mm: offset,
            ..StationFaults::default()
        }
    }

    /// A place within a circle, in mm.
    fn point(&mut self, most_mm: f64) -> [f64; 2] {
        let size = most_mm * self.random.random_range(0.0f64..1.0).sqrt();
        self.at(size)
    }

    /// A place on a circle, in mm.
    fn at(&mut self, size_mm: f64) -> [f64; 2] {
        let (sin, cos) = self.random.random_range(0.0..TAU).sin_cos();
        [micro(size_mm * cos), micro(size_mm * sin)]
    }

    /// A size as a share of its limit.
    fn share(&mut self) -> f64 {
        hundredth(
            (SHARES[0].ln() + (SHARES[1] / SHARES[0]).ln() * self.random.random_range(0.0..1.0))
                .exp(),
        )
    }

    fn sign(&mut self) -> f64 {
        if self.random.random_range(0.0..1.0) < 0.5 { -1.0 } else { 1.0 }
    }

    fn probe(&mut self) -> u32 {
        self.random.random_range(0..self.technique.probes.len().max(1)) as u32
    }

    /// A run of elements that some beam uses.
    fn run(&mut self, most: u32) -> (u32, u32, u32) {
        let Some(beam) = self.technique.beams.choose(&mut self.random) else { return (0, 0, 0) };
        let length = self.random.random_range(1..=most.min(beam.elements().max(1)));
        let first = beam.first_element
            + self.random.random_range(0..=beam.elements().saturating_sub(length));
        (beam.probe, first, first + length - 1)
    }

    fn off_centre(&mut self, faults: &mut StationFaults) -> (&'static str, MainCause, Option<f64>) {
        let share = self.share();
        let [x_mm, y_mm] = self.at(share * OFFSET_LIMIT_MM);
        faults.offset_mm = [x_mm, y_mm];
        ("bar off centre", MainCause::OffCentre { x_mm, y_mm }, Some(share))
    }

    fn bent(&mut self, faults: &mut StationFaults) -> (&'static str, MainCause, Option<f64>) {
        let share = self.share();
        let sag_mm = micro(share * SAG_LIMIT_MM);
        let direction_deg = self.random.random_range(0.0_f64..360.0).floor();
        faults.bend = Some(Bend { sag_mm, direction_deg });
        ("reference bar bent", MainCause::BentBar { sag_mm, direction_deg }, Some(share))
    }

    fn temperature(
        &mut self,
        faults: &mut StationFaults,
    ) -> (&'static str, MainCause, Option<f64>) {
        let share = self.share();
        let change_k = hundredth(self.sign() * share * TEMPERATURE_LIMIT_K);
        faults.temperature_k = change_k;
        ("water temperature", MainCause::WaterTemperature { change_k }, Some(share))
    }

    fn path(&mut self, faults: &mut StationFaults) -> (&'static str, MainCause, Option<f64>) {
        let share = self.share();
        let change_mm = micro(self.sign() * share * PATH_LIMIT_MM);
        faults.water_path_mm = change_mm;
        ("water path", MainCause::WaterPath { change_mm }, Some(share))
    }

    fn moved(&mut self, faults: &mut StationFaults) -> (&'static str, MainCause, Option<f64>) {
        let (share, probe) = (self.share(), self.probe());
        let by_mm = micro(self.sign() * share * PATH_LIMIT_MM);
        faults.moved_probes = vec![MovedProbe { probe, by_mm }];
        ("probe moved", MainCause::ProbeMoved { probe, by_mm }, Some(share))
    }

    fn element(&mut self, faults: &mut StationFaults) -> (&'static str, MainCause, Option<f64>) {
        let (probe, first, last) = self.run(3);
        let (loss_db, share) = self.loss();
        faults.weak_elements =
            (first..=last).map(|element| WeakElement { probe, element, loss_db }).collect();
        ("weak elements", MainCause::Elements { probe, first, last, loss_db }, Some(share))
    }

    /// Loss of an element: one in four is dead.
    fn loss(&mut self) -> (f64, f64) {
        let (dead, share) = (self.random.random_range(0.0..1.0) < 0.25, self.share());
        let loss_db = if dead { DEAD_DB } else { hundredth(share * ELEMENT_LIMIT_DB) };
        (loss_db, loss_db / ELEMENT_LIMIT_DB)
    }

    fn probe_low(&mut self, faults: &mut StationFaults) -> (&'static str, MainCause, Option<f64>) {
        let (share, probe) = (self.share(), self.probe());
        let loss_db = hundredth(share * PROBE_LIMIT_DB);
        faults.weak_probes = vec![WeakProbe { probe, loss_db }];
        ("probe low", MainCause::ProbeLow { probe, loss_db }, Some(share))
    }

    fn swapped(&mut self, faults: &mut StationFaults) -> (&'static str, MainCause, Option<f64>) {
        let a = self.probe();
        let elements = |p: u32| self.technique.probes.get(p as usize).map(|p| p.elements.len());
        let others: Vec<u32> = (0..self.technique.probes.len() as u32)
            .filter(|&b| b != a && elements(b) == elements(a))
            .collect();
        // A probe that no other matches cannot be exchanged: it is reversed instead.
        let Some(&b) = others.choose(&mut self.random) else { return self.reversed(faults) };
        let probes = [a.min(b), a.max(b)];
        faults.swapped_probes = Some(probes);
        ("plugs exchanged", MainCause::ProbesSwapped { probes }, None)
    }

    fn reversed(&mut self, faults: &mut StationFaults) -> (&'static str, MainCause, Option<f64>) {
        let probe = self.probe();
        faults.reversed_probes = vec![probe];
        ("probe reversed", MainCause::ProbeReversed { probe }, None)
    }

    fn wrong(&mut self, faults: &mut StationFaults) -> (&'static str, MainCause, Option<f64>) {
        let share = self.share();
        let [mut pitch, mut frequency] = [0, 1].map(|_| share * MAKE_LIMIT_PERCENT * self.sign());
        // Pitch, frequency or both.
        match self.random.random_range(0..3) {
            0 => pitch = 0.0,
            1 => frequency = 0.0,
            _ => {}
        }
        let (pitch_percent, frequency_percent) = (hundredth(pitch), hundredth(frequency));
        faults.wrong_probes = Some(WrongProbes { pitch_percent, frequency_percent });
        ("other probes", MainCause::WrongProbes { pitch_percent, frequency_percent }, Some(share))
    }

    fn drift(&mut self, faults: &mut StationFaults) -> (&'static str, MainCause, Option<f64>) {
        let share = self.share();
        let db_per_min = hundredth(share * DRIFT_LIMIT_DB_MIN);
        faults.drift_db_per_min = db_per_min;
        ("drift", MainCause::Drift { db_per_min }, Some(share))
    }

    fn bubbles(&mut self, faults: &mut StationFaults) -> (&'static str, MainCause, Option<f64>) {
        let share = self.share();
        let per_second = hundredth(share * BUBBLES_LIMIT_1_S);
        let duration_ms = self.random.random_range(20.0_f64..200.0).round();
        let loss_db = hundredth(self.random.random_range(4.0..20.0));
        faults.bubbles = Some(Bubbles { per_second, duration_ms, loss_db });
        ("bubbles", MainCause::Bubbles { per_second, duration_ms, loss_db }, Some(share))
    }

    fn mixed(&mut self, faults: &mut StationFaults) -> (&'static str, MainCause, Option<f64>) {
        let share = self.share();
        let [x_mm, y_mm] = self.at(share * OFFSET_LIMIT_MM);
        let (probe, element, _) = self.run(1);
        let (loss_db, _) = self.loss();
        faults.offset_mm = [x_mm, y_mm];
        faults.weak_elements = vec![WeakElement { probe, element, loss_db }];
        let truth = MainCause::OffCentreAndElement { x_mm, y_mm, probe, element, loss_db };
        ("off centre and a weak element", truth, Some(share))
    }
}

fn hundredth(x: f64) -> f64 {
    (x * 100.0).round() / 100.0
}

/// Millimetres to the micrometre.
fn micro(x: f64) -> f64 {
    (x * 1000.0).round() / 1000.0
}
