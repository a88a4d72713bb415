//! The coverage proof of a technique.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{finding::Finding, order::is_zero, seal::Document};

/// A coverage proof. Its sources are `order`, `station` and `technique`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
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
    /// The same classes by rays, beside those of the exact field, where they were asked for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub by_rays: Vec<ClassProof>,
}

impl Document for Proof {
    const KIND: &'static str = "coverage proof";
    const FORMAT: u32 = 1;
}

/// Engine of a proof.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Engine {
    /// Rays.
    Ray,
    /// The exact field of a round bar, first passage.
    Exact,
}

/// Kinds of flaw that are told apart in echoes: by where and with which wave they are met.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum FlawClass {
    /// A disc in the volume that faces the beam.
    Disc,
    /// A radial crack at the surface.
    Crack,
}

/// Flaw classes that an order may ask for and a proof speaks of.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum ProvedClass {
    /// A disc in the volume that faces the beam, but for its tilt.
    Disc,
    /// A radial crack at the surface.
    Crack,
    /// A round inclusion in the volume.
    Inclusion,
    /// A pipe along the bar near its centre.
    Pipe,
}

/// Proof of one flaw class.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClassProof {
    /// The class.
    pub class: ProvedClass,
    /// The ordered flaw in words.
    pub flaw: String,
    /// Ordered coverage as a fraction.
    pub ordered: f64,
    /// Covered fraction, everything nominal.
    pub nominal: f64,
    /// Covered fraction, worst case over the tolerances (a place counts when it is covered in
    /// every case).
    pub worst: f64,
    /// Share of the places asked where the engine itself doubts its answer; they count as unseen.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub doubted: f64,
    /// Coverage over drawn deviations, all tolerances at once.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub draws: Option<Draws>,
    /// Margins.
    pub map: MarginMap,
    /// The weakest place that the order asks for, worst case.
    pub weakest: Weakest,
}

/// Coverage over seeded random deviations within all tolerances at once.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Draws {
    /// Seed of the draws.
    pub seed: u64,
    /// How many states of bar and water were drawn.
    pub count: usize,
    /// Smallest covered fraction of one draw.
    pub lowest: f64,
    /// Covered fraction that nineteen draws in twenty exceed.
    pub low_5_percent: f64,
    /// Mean covered fraction.
    pub mean: f64,
    /// The draw that covers least, in words.
    pub lowest_words: String,
}

/// Margin in dB of the echo over the alarm height, at places of the section: of as many shots as must agree, at
/// the worst place along the bar between two pulses.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
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
    /// On rings about the centre of a round section; index `i * angles + j` at radius `radii_m[i]` and
    /// angle `2π j / angles`.
    Polar {
        /// Radii in metres, rising.
        radii_m: Vec<f64>,
        /// Places on each ring.
        angles: usize,
        /// Nominal margin in dB re alarm height; absent where nothing is seen or computed.
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
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
