//! Reads the files of check values.
#![allow(dead_code, reason = "tests of another crate use a part of it")]

use barwright_wave::array::{Element, arc, flat};
use barwright_wave::cylinder::{Drive, LineArray, LineSource};
use barwright_wave::{Fluid, Point, Solid};
use num_complex::Complex64;
use serde_json::Value;
use std::f64::consts::{FRAC_PI_2, TAU};

/// The parsed file, or `None` with a loud word where it is absent.
pub fn read(name: &str) -> Option<Value> {
    let path = format!("{}/../../../shared/check-values/{name}", env!("CARGO_MANIFEST_DIR"));
    match std::fs::read_to_string(&path) {
        Ok(text) => Some(serde_json::from_str(&text).expect("check values are JSON")),
        Err(error) => {
            eprintln!("SKIPPED: {name} not compared ({error})");
            None
        }
    }
}

pub fn cases(file: &Value) -> &Vec<Value> {
    file["cases"].as_array().expect("a list of cases")
}

pub fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

pub fn complex(value: &Value) -> Complex64 {
    Complex64::new(number(&value[0]), number(&value[1]))
}

pub fn point(value: &Value) -> Point {
    Point::new(number(&value[0]), number(&value[1]))
}

pub fn points(value: &Value) -> Vec<Point> {
    value.as_array().expect("a list").iter().map(point).collect()
}

/// What the cases of a round bar have in common.
pub struct Case<'a> {
    pub id: &'a str,
    pub radius_m: f64,
    pub solid: Solid,
    pub fluid: Fluid,
    json: &'a Value,
}

impl<'a> Case<'a> {
    pub fn new(json: &'a Value) -> Self {
        let (bar, water) = (&json["bar"], &json["water"]);
        Self {
            id: json["id"].as_str().expect("an id"),
            radius_m: number(&bar["radius"]),
            solid: Solid::new(number(&bar["cL"]), number(&bar["cS"]), number(&bar["rho"]))
                .expect("steel"),
            fluid: Fluid::new(number(&water["cf"]), number(&water["rhof"])).expect("water"),
            json,
        }
    }

    /// Single sources, or the array's elements with strips as the files define them.
    pub fn array(&self) -> LineArray {
        let array = &self.json["array"];
        if array.is_null() {
            let sources = points(&self.json["sources"]);
            let lists = sources.into_iter().map(|at| vec![LineSource { at, weight: 1.0 }]);
            return LineArray::from_sources(lists.collect()).expect("sources");
        }
        let count = array["n"].as_u64().expect("a count") as usize;
        let sources = array["nsub"].as_u64().expect("a count") as usize;
        let pitch = number(&array["pitch"]);
        let distance = self.radius_m + number(&array["water_path"]);
        let round = array["type"] == "arc";
        // The files fill the whole pitch with strips.
        let elements: Vec<Element> = if round {
            arc(distance, FRAC_PI_2, count, pitch, pitch, 0.01)
        } else {
            flat(Point::new(0.0, distance), -FRAC_PI_2, count, pitch, pitch, 0.01)
        };
        LineArray::new(&elements, sources, Point::default(), round.then_some(distance))
            .expect("array")
    }

    /// Elements fire at minus their least time to the focus.
    pub fn drive(&self) -> Drive {
        let Some(times) = self.json["fermat_time_s"].as_array() else {
            let weights = self.json["weights"].as_array().expect("weights");
            assert!(weights.iter().all(|w| complex(w) == Complex64::ONE), "only unit weights");
            let all: Vec<usize> = (0..weights.len()).collect();
            return Drive::new(&all, &vec![0.0; all.len()]).expect("drive");
        };
        let centres = points(&self.json["element_centres"]);
        let round = self.json["array"]["type"] == "arc";
        // `flat` may count the other way; the files say where each element is.
        let delays: Vec<f64> = times.iter().map(|t| -number(t)).collect();
        let array = self.array();
        let mut elements = Vec::new();
        for centre in &centres {
            let nearest = (0..array.elements().len())
                .min_by(|&a, &b| {
                    let far = |e: usize| {
                        let sources = &array.elements()[e];
                        sources.iter().map(|s| s.at.distance(*centre)).sum::<f64>()
                    };
                    far(a).total_cmp(&far(b))
                })
                .expect("an element");
            elements.push(nearest);
        }
        assert!(round == array.is_concentric(), "an arc takes the short way, a flat array cannot");
        Drive::new(&elements, &delays).expect("drive")
    }
}

/// Spectrum of a Gaussian pulse, -6 dB bandwidth relative to its centre.
pub fn gaussian(f: f64, centre_hz: f64, bandwidth: f64) -> f64 {
    let sigma = 0.5 * bandwidth * centre_hz / (2.0 * std::f64::consts::LN_2).sqrt();
    (-0.5 * ((f - centre_hz) / sigma).powi(2)).exp()
}

/// The whole multiples of `step_hz` at which that spectrum is above `exp(-widths²/2)`.
pub fn band_hz(centre_hz: f64, bandwidth: f64, widths: f64, step_hz: f64) -> Vec<f64> {
    let sigma = 0.5 * bandwidth * centre_hz / (2.0 * std::f64::consts::LN_2).sqrt();
    let low = ((centre_hz - widths * sigma) / step_hz).ceil().max(1.0) as usize;
    let high = ((centre_hz + widths * sigma) / step_hz).floor() as usize;
    (low..=high).map(|k| k as f64 * step_hz).collect()
}

/// A full turn, for angles of test cases.
pub const TURN: f64 = TAU;
