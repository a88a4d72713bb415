//! Scenes of a station that is being levelled: sound ones, and ones with a single fault.

use barwright_twin::StationFaults;
use barwright_twin::scene::{Bend, MovedProbe, WeakElement, WeakProbe, WrongProbes};
use serde::Serialize;

/// What is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Nothing but the spread of sound probes and elements, and noise.
    Sound,
    OffCentre,
    Temperature,
    WaterPath,
    ProbeMoved,
    Elements,
    ProbeLow,
    ProbesSwapped,
    ProbeReversed,
    WrongProbes,
    BentBar,
}

/// Faults in the order in which they are drawn. A bent bar takes the virtual station minutes, so it
/// comes last.
pub const FAULTS: [Kind; 10] = [
    Kind::OffCentre,
    Kind::Temperature,
    Kind::WaterPath,
    Kind::ProbeMoved,
    Kind::Elements,
    Kind::ProbeLow,
    Kind::ProbesSwapped,
    Kind::ProbeReversed,
    Kind::WrongProbes,
    Kind::BentBar,
];

impl Kind {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Sound => "sound",
            Self::OffCentre => "bar off centre",
            Self::Temperature => "water temperature",
            Self::WaterPath => "water path",
            Self::ProbeMoved => "one probe moved",
            Self::Elements => "weak elements",
            Self::ProbeLow => "probe low",
            Self::ProbesSwapped => "plugs exchanged",
            Self::ProbeReversed => "probe reversed",
            Self::WrongProbes => "wrong probes",
            Self::BentBar => "bent bar",
        }
    }
}

/// Numbers at random: SplitMix64 (Steele, Lea & Flood, OOPSLA 2014).
pub struct Random(u64);

impl Random {
    /// A generator for a seed.
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15))
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut x = self.0;
        x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        x ^ (x >> 31)
    }

    /// Evenly between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A whole number below another.
    pub fn below(&mut self, n: u32) -> u32 {
        (self.next() % u64::from(n.max(1))) as u32
    }

    /// The number or its negative.
    pub fn either(&mut self, x: f64) -> f64 {
        if self.next() & 1 == 0 { x } else { -x }
    }
}

/// A scene of a kind for a ring of so many probes of so many elements. Every fault exceeds its stated
/// detection limit: half as much again at least, so that spread does not hide it.
pub fn scene(kind: Kind, seed: u64, probes: u32, elements: u32) -> StationFaults {
    let r = &mut Random::new(seed);
    let mut f = StationFaults {
        element_spread_db: 0.5,
        probe_spread_db: r.between(0.5, 1.0),
        noise_fsh_percent: r.between(0.5, 1.5),
        ..StationFaults::default()
    };
    match kind {
        Kind::Sound => {}
        Kind::OffCentre => {
            let (size, angle) = (r.between(0.15, 0.6), r.between(0.0, std::f64::consts::TAU));
            f.offset_mm = [size * angle.cos(), size * angle.sin()];
        }
        Kind::Temperature => {
            let size = r.between(0.9, 4.0);
            f.temperature_k = r.either(size);
        }
        Kind::WaterPath => {
            let size = r.between(0.1, 0.5);
            f.water_path_mm = r.either(size);
        }
        Kind::ProbeMoved => {
            let size = r.between(0.1, 0.4);
            f.moved_probes = vec![MovedProbe { probe: r.below(probes), by_mm: r.either(size) }];
        }
        Kind::Elements => {
            let probe = r.below(probes);
            let mut chosen: Vec<u32> = Vec::new();
            for _ in 0..=r.below(3) {
                let element = r.below(elements);
                if !chosen.iter().any(|&c| c.abs_diff(element) < 2) {
                    chosen.push(element);
                }
            }
            f.weak_elements = chosen
                .into_iter()
                .map(|element| {
                    let dead = r.below(2) == 0;
                    let loss_db = if dead { 60.0 } else { r.between(9.0, 14.0) };
                    WeakElement { probe, element, loss_db }
                })
                .collect();
        }
        Kind::ProbeLow => {
            let loss_db = r.between(12.0, 20.0);
            f.weak_probes = vec![WeakProbe { probe: r.below(probes), loss_db }];
        }
        Kind::ProbesSwapped => {
            let a = r.below(probes);
            let b = (a + 1 + r.below(probes.saturating_sub(1))) % probes;
            f.swapped_probes = Some([a.min(b), a.max(b)]);
        }
        Kind::ProbeReversed => f.reversed_probes = vec![r.below(probes)],
        Kind::WrongProbes => {
            let by_pitch = r.below(2) == 0;
            let size = if by_pitch { r.between(2.0, 6.0) } else { r.between(15.0, 20.0) };
            let size = r.either(size);
            f.wrong_probes = Some(WrongProbes {
                pitch_percent: if by_pitch { size } else { 0.0 },
                frequency_percent: if by_pitch { 0.0 } else { size },
            });
        }
        Kind::BentBar => {
            f.bend = Some(Bend {
                sag_mm: r.between(0.15, 0.3),
                direction_deg: r.between(-180.0, 180.0),
            });
        }
    }
    f
}
