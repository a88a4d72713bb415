//! The coverage proof of a technique.

use serde::{Deserialize, Serialize};

use crate::{finding::Finding, seal::Document};

/// A coverage proof. Its sources are `order`, `station` and `technique`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Proof {
    /// Engine that computed the fields.
    pub engine: Engine,
    /// One entry for each flaw class of the order.
    pub classes: Vec<ClassProof>,
    /// The deviations that the worst case is over, in words.
    pub tolerances: Vec<String>,
    /// Whether every class meets its ordered coverage, worst case.
    pub met: bool,
    /// What the proof noticed.
    pub findings: Vec<Finding>,
}

impl Document for Proof {
    const KIND: &'static str = "coverage proof";
    const FORMAT: u32 = 1;
}

/// Engine of a proof.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Engine {
    /// Rays.
    Ray,
    /// The exact field of a round bar, first passage.
    Exact,
}

/// Flaw classes a proof speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FlawClass {
    /// A disc in the volume that faces the beam.
    Disc,
    /// A radial crack at the surface.
    Crack,
}

/// Proof of one flaw class.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClassProof {
    /// The class.
    pub class: FlawClass,
    /// The ordered flaw in words.
    pub flaw: String,
    /// Ordered coverage as a fraction.
    pub ordered: f64,
    /// Covered fraction, everything nominal.
    pub nominal: f64,
    /// Covered fraction, worst case over the tolerances (a place counts when it is covered in
    /// every case).
    pub worst: f64,
    /// Margins.
    pub map: MarginMap,
    /// The weakest place that the order asks for, worst case.
    pub weakest: Weakest,
}

/// Margin in dB of the best beam's echo over the alarm height, at places of the section.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MarginMap {
    /// On a square grid over the section; index `iy * nx + ix`, at `(x0 + ix·step, y0 + iy·step)`.
    Grid {
        /// x of the first column in metres.
        x0_m: f64,
        /// y of the first row in metres.
        y0_m: f64,
        /// Step in metres.
        step_m: f64,
        /// Columns.
        nx: usize,
        /// Rows.
        ny: usize,
        /// Nominal margin in dB re alarm height; absent outside the section and where nothing was
        /// computed.
        nominal_db: Vec<Option<f32>>,
        /// Worst margin over the tolerances.
        worst_db: Vec<Option<f32>>,
        /// Whether the order asks for the class at this place.
        asked: Vec<bool>,
    },
    /// Around the circumference; index `i` at angle `2π i / n`.
    Rim {
        /// Nominal margin in dB re alarm height; absent where nothing was computed.
        nominal_db: Vec<Option<f32>>,
        /// Worst margin over the tolerances.
        worst_db: Vec<Option<f32>>,
    },
}

/// The weakest place of a class.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Weakest {
    /// x in metres.
    pub x_m: f64,
    /// y in metres.
    pub y_m: f64,
    /// Worst margin there in dB re alarm height; absent if no beam's gate reaches the place.
    pub margin_db: Option<f64>,
    /// Why, in words.
    pub cause: String,
}
