//! Points of the section and the surface through which sound enters it.
//!
//! Axes: x to the right, y up, seen against the bar's travel; angles from +x, counter-clockwise.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A point of the section plane, in metres.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Point {
    /// To the right.
    pub x: f64,
    /// Up.
    pub y: f64,
}

impl Point {
    /// The point (x, y), in metres.
    #[must_use]
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// The point at a distance from the origin and an angle from +x, counter-clockwise.
    #[must_use]
    pub fn polar(radius_m: f64, angle_rad: f64) -> Self {
        let (sin, cos) = angle_rad.sin_cos();
        Self { x: radius_m * cos, y: radius_m * sin }
    }

    /// Distance from the origin, in metres.
    #[must_use]
    pub fn radius(self) -> f64 {
        self.x.hypot(self.y)
    }

    /// Angle from +x, counter-clockwise, in (-π, π].
    #[must_use]
    pub fn angle(self) -> f64 {
        self.y.atan2(self.x)
    }

    /// Distance to another point, in metres.
    #[must_use]
    pub fn distance(self, other: Self) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }

    /// The point turned about the origin.
    #[must_use]
    pub fn rotated(self, angle_rad: f64) -> Self {
        let (sin, cos) = angle_rad.sin_cos();
        Self { x: self.x * cos - self.y * sin, y: self.x * sin + self.y * cos }
    }
}

impl std::ops::Add for Point {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self { x: self.x + other.x, y: self.y + other.y }
    }
}

impl std::ops::Sub for Point {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self { x: self.x - other.x, y: self.y - other.y }
    }
}

impl std::ops::Mul<f64> for Point {
    type Output = Self;
    fn mul(self, factor: f64) -> Self {
        Self { x: self.x * factor, y: self.y * factor }
    }
}

/// The surface through which sound enters the steel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub enum Surface {
    /// A round bar seen from outside.
    Round {
        /// Centre of the section.
        centre: Point,
        /// Radius in metres.
        radius_m: f64,
    },
    /// A flat face: a segment from `a` to `b`, steel on its left-hand side going from `a` to `b`.
    Flat {
        /// First end of the face.
        a: Point,
        /// Second end of the face.
        b: Point,
    },
}
