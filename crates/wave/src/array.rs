//! Elements of probes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::geometry::Point;

/// One transducer element in the section plane.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Element {
    /// Middle of its face, in metres.
    pub centre: Point,
    /// Direction in which it radiates: angle from +x, counter-clockwise, in rad.
    pub facing_rad: f64,
    /// Width in the section plane, in metres.
    pub width_m: f64,
    /// Length along the bar, in metres.
    pub length_m: f64,
}

/// Elements of a concave arc about the origin, facing it.
///
/// Element `i` sits at polar angle `middle_rad + (i - (n-1)/2)·pitch/radius`, so numbers rise
/// counter-clockwise.
#[must_use]
pub fn arc(
    radius_m: f64,
    middle_rad: f64,
    count: usize,
    pitch_m: f64,
    width_m: f64,
    length_m: f64,
) -> Vec<Element> {
    let middle = (count as f64 - 1.0) / 2.0;
    (0..count)
        .map(|i| {
            let angle = middle_rad + (i as f64 - middle) * pitch_m / radius_m;
            Element {
                centre: Point::polar(radius_m, angle),
                facing_rad: angle + std::f64::consts::PI,
                width_m,
                length_m,
            }
        })
        .collect()
}

/// Elements of a flat array about `middle`, facing `facing_rad`.
///
/// Numbers rise to the right-hand side of somebody who looks where the array faces away from, so
/// that an array above the bar (facing -y) counts along +x.
#[must_use]
pub fn flat(
    middle: Point,
    facing_rad: f64,
    count: usize,
    pitch_m: f64,
    width_m: f64,
    length_m: f64,
) -> Vec<Element> {
    let along = Point::polar(1.0, facing_rad + std::f64::consts::FRAC_PI_2);
    let half = (count as f64 - 1.0) / 2.0;
    (0..count)
        .map(|i| Element {
            centre: middle + along * ((i as f64 - half) * pitch_m),
            facing_rad,
            width_m,
            length_m,
        })
        .collect()
}
