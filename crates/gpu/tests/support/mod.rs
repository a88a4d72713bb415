//! Batches that several tests ask for.

use barwright_wave::array::arc;
use barwright_wave::cylinder::batch::{
    BarBand, EchoBatch, EchoItem, ItemPlaces, MapBatch, MapItem, RingShares,
};
use barwright_wave::cylinder::{Attenuation, Drive, EchoPlace, EchoWeights, LineArray};
use barwright_wave::{Element, Fluid, Mode, Point, Solid};
use num_complex::Complex64;
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use std::f64::consts::TAU;

/// A batch with everything that it borrows.
pub struct Case {
    pub frequencies_hz: Vec<f64>,
    pub spectrum: Vec<Complex64>,
    pub mode: Mode,
    pub bars: Vec<BarBand>,
    pub arrays: Vec<LineArray>,
    pub items: Vec<MapItem>,
    pub rings: RingShares,
    pub sector: (usize, usize),
    pub times: usize,
}

impl Case {
    pub fn batch(&self) -> MapBatch<'_> {
        MapBatch {
            frequencies_hz: &self.frequencies_hz,
            spectrum: &self.spectrum,
            mode: self.mode,
            bars: &self.bars,
            arrays: &self.arrays,
            items: &self.items,
            rings: &self.rings,
            sector: self.sector,
            times: self.times,
        }
    }
}

pub fn random(seed: u64) -> Xoshiro256PlusPlus {
    Xoshiro256PlusPlus::seed_from_u64(seed)
}

fn between(random: &mut Xoshiro256PlusPlus, low: f64, high: f64) -> f64 {
    low + (high - low) * random.random::<f64>()
}

/// Frequencies and Gaussian spectrum of a pulse over a record.
pub fn pulse(centre_hz: f64, bandwidth: f64, record_s: f64) -> (Vec<f64>, Vec<Complex64>) {
    let sigma = bandwidth * centre_hz / 2.354_82;
    let low = ((centre_hz - 3.5 * sigma).max(0.05 * centre_hz) * record_s).ceil() as usize;
    let high = ((centre_hz + 3.5 * sigma) * record_s).floor() as usize;
    let frequencies: Vec<f64> = (low..=high).map(|k| k as f64 / record_s).collect();
    let spectrum = frequencies
        .iter()
        .map(|f| Complex64::new((-0.5 * ((f - centre_hz) / sigma).powi(2)).exp(), 0.0))
        .collect();
    (frequencies, spectrum)
}

/// Bars about a radius, arrays and items, all drawn.
pub fn drawn(seed: u64) -> Case {
    let mut r = random(seed);
    let radius_m = between(&mut r, 0.005, 0.04);
    let mode = if r.random::<bool>() { Mode::L } else { Mode::S };
    let (frequencies_hz, spectrum) =
        pulse(between(&mut r, 2e6, 6e6), between(&mut r, 0.4, 0.8), between(&mut r, 7e-6, 20e-6));
    let lossy = r.random::<bool>();
    let bars = (0..3)
        .map(|_| BarBand {
            radius_m: radius_m * between(&mut r, 0.98, 1.02),
            solid: Solid::new(5900.0 * between(&mut r, 0.97, 1.03), 3230.0, 7800.0).expect("steel"),
            fluid: Fluid::new(1480.0 * between(&mut r, 0.97, 1.03), 1000.0).expect("water"),
            attenuation: if lossy {
                frequencies_hz
                    .iter()
                    .map(|f| Attenuation {
                        longitudinal_np_m: 0.5 * (f / 5e6).powi(2),
                        shear_np_m: 2.0 * (f / 5e6).powi(2),
                    })
                    .collect()
            } else {
                Vec::new()
            },
        })
        .collect();
    let face = radius_m + between(&mut r, 0.01, 0.03);
    let count = 8 + (r.random::<u32>() % 56) as usize;
    let about = between(&mut r, 0.0, TAU);
    let curved = arc(face, about, count, 0.6e-3, 0.5e-3, 0.01);
    let middle = Point::polar(face, about);
    let side = Point::new(-middle.y, middle.x) * (1.0 / face);
    let flat: Vec<Element> = (0..count)
        .map(|e| Element {
            centre: middle + side * ((e as f64 - 0.5 * (count as f64 - 1.0)) * 0.6e-3),
            facing_rad: about + std::f64::consts::PI,
            ..curved[e]
        })
        .collect();
    let arrays = vec![
        LineArray::new(&curved, 3, Point::default(), Some(face)).expect("an array"),
        LineArray::new(&flat, 4, Point::default(), None).expect("an array"),
    ];
    let items = (0..8)
        .map(|i| {
            let used = 4 + (r.random::<u32>() as usize) % (count - 4);
            let slope = between(&mut r, -8e-8, 8e-8);
            let elements: Vec<usize> = (0..used).collect();
            let delays: Vec<f64> = elements.iter().map(|e| slope * *e as f64).collect();
            let mut weights = vec![1.0; used];
            weights[used / 2] = between(&mut r, 0.0, 1.0);
            MapItem {
                bar: i % 3,
                array: i % 2,
                drive: Drive::weighted(&elements, &delays, &weights).expect("a drive"),
                centre: Point::new(between(&mut r, -1e-3, 1e-3), between(&mut r, -1e-3, 1e-3)),
            }
        })
        .collect();
    let angles = [240, 360, 512, 1024, 1500][(seed % 5) as usize];
    let times = frequencies_hz.len() * 3 / 2 + 1;
    Case {
        frequencies_hz,
        spectrum,
        mode,
        bars,
        arrays,
        items,
        rings: RingShares { shares: vec![0.0, 0.13, 0.5, 0.81, 0.96], angles },
        sector: (angles - 50, angles / 2),
        times,
    }
}

/// The echo batch of a drawn case: places, weights and what borrows from the case.
pub struct Echoes {
    pub case: Case,
    pub weights: Vec<EchoWeights>,
    pub items: Vec<EchoItem>,
}

impl Echoes {
    pub fn drawn(seed: u64) -> Self {
        let case = drawn(seed);
        let mut r = random(seed + 1000);
        let rows: Vec<Vec<Complex64>> = (0..4)
            .map(|row| {
                let turn = |k: usize| Complex64::from_polar(1.0, 1e-3 * (row * k) as f64);
                case.spectrum.iter().enumerate().map(|(k, s)| s * turn(k) * 1e-7).collect()
            })
            .collect();
        let weights = vec![EchoWeights::new(&rows).expect("weights")];
        let record_s = (case.frequencies_hz.len() - 1) as f64
            / (case.frequencies_hz[case.frequencies_hz.len() - 1] - case.frequencies_hz[0]);
        let angles = case.rings.angles;
        let items = case
            .items
            .iter()
            .enumerate()
            .map(|(i, item)| EchoItem {
                bar: item.bar,
                array: item.array,
                transmit: item.drive.clone(),
                receive: (i % 3 == 0).then(|| case.items[(i + 2) % 8].drive.clone()),
                centre: item.centre,
                weights: 0,
                places: ItemPlaces {
                    rings: (0..case.rings.shares.len())
                        .map(|ring| {
                            let count = if ring == 1 { 0 } else { 40 };
                            (0..count)
                                .map(|_| EchoPlace {
                                    angle: r.random::<u32>() as usize % angles,
                                    row: between(&mut r, -0.5, 4.0) as f32,
                                    earliest_s: between(&mut r, -1.0, 4.0) * record_s,
                                })
                                .collect()
                        })
                        .collect(),
                },
            })
            .collect();
        Self { case, weights, items }
    }

    pub fn batch(&self) -> EchoBatch<'_> {
        let f = &self.case.frequencies_hz;
        let step_hz = (f[f.len() - 1] - f[0]) / (f.len() - 1) as f64;
        EchoBatch {
            frequencies_hz: f,
            mode: self.case.mode,
            bars: &self.case.bars,
            arrays: &self.case.arrays,
            weights: &self.weights,
            items: &self.items,
            rings: &self.case.rings,
            times: (f.len() * 3).next_power_of_two(),
            search_s: 1.0 / step_hz,
            headings: true,
        }
    }
}

/// Largest difference in dB over places where the truth lies within 40 dB of its largest.
#[cfg_attr(not(feature = "cuda"), allow(dead_code, reason = "for what a device said"))]
pub fn worst_db(got: &[f64], want: &[f64]) -> f64 {
    assert_eq!(got.len(), want.len());
    let largest = want.iter().copied().fold(0.0, f64::max);
    let mut worst = 0.0_f64;
    let mut compared = 0;
    for (g, w) in got.iter().zip(want).filter(|x| *x.1 > 0.01 * largest) {
        worst = worst.max((20.0 * (g / w).log10()).abs());
        compared += 1;
    }
    assert!(compared > 0 || largest == 0.0, "nothing compared");
    worst
}
