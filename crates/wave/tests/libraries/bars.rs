//! The exact field of round bars: coefficients, fields at points, pulses.

use barwright_wave::array;
use barwright_wave::cylinder::{
    Attenuation, CylinderBand, Drive, LineArray, ModalSolution, Passage, Synthesis, peak_envelope,
};
use barwright_wave::pulse::Pulse;
use barwright_wave::{Fluid, Mode, Point, Solid};
use num_complex::Complex64;
use serde_json::{Value, json};
use std::f64::consts::{FRAC_PI_2, TAU};

use super::pair;

const FLUID: [f64; 2] = [1482.38, 998.204];
const SOLID: [f64; 3] = [5920.0, 3255.0, 7850.0];

fn media() -> (Fluid, Solid) {
    let fluid = Fluid::new(FLUID[0], FLUID[1]).expect("water");
    (fluid, Solid::new(SOLID[0], SOLID[1], SOLID[2]).expect("steel"))
}

fn word(passage: Passage) -> &'static str {
    match passage {
        Passage::First => "first",
        Passage::Full => "full",
    }
}

pub fn cases() -> Vec<Value> {
    [coefficients(), points(), pulses()].concat()
}

/// Scattering coefficients, lossless, attenuating and damped in time.
fn coefficients() -> Vec<Value> {
    let (fluid, solid) = media();
    let mut cases = Vec::new();
    for passage in [Passage::First, Passage::Full] {
        for (radius_m, frequency, damping, l, s) in
            [(0.010, 1e6, 0.0, 0.0, 0.0), (0.010, 5e6, 0.0, 4.0, 9.0), (0.030, 5e6, 6e4, 0.0, 0.0)]
        {
            let angular = Complex64::new(TAU * frequency, damping);
            let loss = Attenuation { longitudinal_np_m: l, shear_np_m: s };
            let modes = ModalSolution::new(radius_m, &solid, &fluid, angular, loss, passage)
                .expect("valid");
            // As far as ordinary numbers carry the Hankel functions of the comparison.
            let count = (angular.re / FLUID[0] * radius_m) as usize + 20;
            let ours: Vec<Value> = modes.scattered()[..count].iter().map(|b| pair(*b)).collect();
            cases.push(json!({ "kind": "modal", "passage": word(passage), "radius": radius_m,
                "fluid": FLUID, "solid": SOLID, "omega": pair(angular), "loss": [l, s],
                "ours": ours }));
        }
    }
    cases
}

/// Four elements of three line sources above the bar, flat and off centre.
fn probe(radius_m: f64) -> (LineArray, Drive, Vec<f64>) {
    let elements = array::flat(Point::new(0.001, radius_m * 1.6), -FRAC_PI_2, 4, 6e-4, 5e-4, 0.01);
    let lines = LineArray::new(&elements, 3, Point::default(), None).expect("an array");
    let delays = vec![0.0, 3e-8, 7e-8, 1.3e-7];
    (lines, Drive::new(&[0, 1, 2, 3], &delays).expect("a drive"), delays)
}

fn sources(lines: &LineArray) -> Vec<Vec<[f64; 3]>> {
    lines
        .elements()
        .iter()
        .map(|e| e.iter().map(|s| [s.at.x, s.at.y, s.weight]).collect())
        .collect()
}

const PLACES: [(f64, f64); 6] =
    [(0.0, 0.0), (0.002, 0.7), (0.4, 1.2), (0.7, 1.9), (0.9, 1.5), (0.6, -1.2)];

fn places(radius_m: f64) -> Vec<Point> {
    PLACES.iter().map(|(r, angle)| Point::polar(r * radius_m, *angle)).collect()
}

/// Both kinds of wave at points, one frequency at a time.
fn points() -> Vec<Value> {
    let (fluid, solid) = media();
    let mut cases = Vec::new();
    for passage in [Passage::First, Passage::Full] {
        for (radius_m, frequency, damping) in
            [(0.010, 1e6, 0.0), (0.010, 5e6, 4e4), (0.030, 4e6, 4e4)]
        {
            let band = CylinderBand::new(radius_m, &solid, &fluid, &[frequency], damping, passage)
                .expect("a band");
            let (lines, drive, delays) = probe(radius_m);
            let lit = band.illuminate(&lines).expect("outside");
            let at = places(radius_m);
            for mode in [Mode::L, Mode::S] {
                let fields =
                    lit.fields_at(std::slice::from_ref(&drive), &at, mode).expect("inside");
                let ours: Vec<Value> = fields.iter().map(|f| pair(f.row(0)[0])).collect();
                cases.push(json!({ "kind": "field", "passage": word(passage), "mode": mode,
                    "radius": radius_m, "fluid": FLUID, "solid": SOLID,
                    "omega": pair(Complex64::new(TAU * frequency, damping)),
                    "elements": sources(&lines), "delays": delays,
                    "points": at.iter().map(|p| [p.x, p.y]).collect::<Vec<_>>(), "ours": ours }));
            }
        }
    }
    cases
}

/// Peaks of the envelope of a pulse, first passage.
fn pulses() -> Vec<Value> {
    let (fluid, solid) = media();
    let (radius_m, pulse) = (0.010, Pulse::new(5e6, 0.6).expect("a pulse"));
    let step = 1.0 / 20.48e-6;
    let reach = 3.6 * pulse.sigma_hz();
    let first = ((pulse.centre_hz - reach) / step).ceil();
    let last = ((pulse.centre_hz + reach) / step).floor();
    let frequencies: Vec<f64> = (first as usize..=last as usize).map(|k| k as f64 * step).collect();
    let band = CylinderBand::new(radius_m, &solid, &fluid, &frequencies, 0.0, Passage::First)
        .expect("a band");
    let (lines, drive, delays) = probe(radius_m);
    let lit = band.illuminate(&lines).expect("outside");
    let synthesis = Synthesis::new(&band, 0.0, 512.0 * step, 512).expect("a grid");
    // Without the axis, where shear has none.
    let at = places(radius_m).split_off(1);
    [Mode::L, Mode::S]
        .into_iter()
        .map(|mode| {
            let fields = lit.fields_at(std::slice::from_ref(&drive), &at, mode).expect("inside");
            let ours: Vec<f64> = fields
                .iter()
                .map(|field| {
                    let pulsed: Vec<Complex64> = field
                        .row(0)
                        .iter()
                        .zip(&frequencies)
                        .map(|(p, &f)| p * pulse.spectrum(f))
                        .collect();
                    peak_envelope(&synthesis.analytic(&pulsed).expect("fits")).0
                })
                .collect();
            json!({ "kind": "pulse", "passage": "first", "mode": mode, "radius": radius_m,
                "fluid": FLUID, "solid": SOLID, "frequencies": frequencies,
                "centre": 5e6, "bandwidth": 0.6, "elements": sources(&lines), "delays": delays,
                "points": at.iter().map(|p| [p.x, p.y]).collect::<Vec<_>>(), "ours": ours })
        })
        .collect()
}
