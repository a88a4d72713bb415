//! The reference bar and how it is moved.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{finding::Finding, seal::Document};

/// A reference bar with its motion list. Its source is `technique`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReferenceBar {
    /// Name of the bar.
    pub name: String,
    /// Length in metres.
    pub length_m: f64,
    /// Its artificial reflectors, in the bar's own frame (angle 0 at the mark on its head end).
    pub reflectors: Vec<Reflector>,
    /// How it is moved for levelling.
    pub motion: Vec<Motion>,
    /// What every beam should read, and where.
    pub expected: Vec<Expected>,
    /// Tolerances and material of the bar, one requirement a line.
    pub requirements: Vec<String>,
    /// What was noticed: beams that see no reflector, for instance.
    pub findings: Vec<Finding>,
}

impl Document for ReferenceBar {
    const KIND: &'static str = "reference bar";
    const FORMAT: u32 = 1;
}

impl ReferenceBar {
    /// The same bar with few motions: for longitudinal and for shear beams the one in which most of them
    /// meet a reflector, for a short look. `is_shear` says a beam's kind.
    #[must_use]
    pub fn short(&self, is_shear: impl Fn(u32) -> bool) -> Self {
        let count = |motion: u32, shear: bool| {
            let own = |e: &&Expected| e.motion == motion && is_shear(e.beam) == shear;
            self.expected.iter().filter(own).count()
        };
        let mut keep: Vec<u32> = [false, true]
            .into_iter()
            .filter_map(|shear| {
                let all = 0..self.motion.len() as u32;
                // Of equals the first.
                all.rev().max_by_key(|m| count(*m, shear)).filter(|m| count(*m, shear) > 0)
            })
            .collect();
        keep.sort_unstable();
        keep.dedup();
        let place = |motion: u32| keep.iter().position(|m| *m == motion);
        let expected = self
            .expected
            .iter()
            .filter_map(|e| Some(Expected { motion: place(e.motion)? as u32, ..*e }))
            .collect();
        let motion = keep.iter().filter_map(|m| self.motion.get(*m as usize).cloned()).collect();
        Self { motion, expected, ..self.clone() }
    }
}

/// An artificial reflector.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reflector {
    /// Mark on the drawing.
    pub name: String,
    /// What it is.
    pub shape: Shape,
    /// Middle along the bar, metres from the head end.
    pub z_m: f64,
    /// Angle around the bar, from the bar's mark, counter-clockwise, in rad.
    pub angle_rad: f64,
    /// Distance of the reflecting place from the bar's axis (round) or depth under the face
    /// (flat), in metres.
    pub radius_m: f64,
}

/// Shape of a reflector.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Shape {
    /// A flat-bottomed hole drilled along the radius; its bottom faces outwards at `angle_rad`.
    FlatBottomedHole {
        /// Diameter in metres.
        diameter_m: f64,
    },
    /// A hole along the bar's axis direction.
    SideDrilledHole {
        /// Diameter in metres.
        diameter_m: f64,
        /// Length along the bar in metres.
        length_m: f64,
    },
    /// A radial notch at the surface.
    Notch {
        /// Depth in metres.
        depth_m: f64,
        /// Length along the bar in metres.
        length_m: f64,
    },
    /// The back wall of a flat block.
    BackWall,
}

/// One motion of the reference bar: a turn at a fixed place, or no motion for a block.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Motion {
    /// What it is for.
    pub purpose: String,
    /// Place along the bar under the ring, metres from the head end.
    pub z_m: f64,
    /// Angle through which the bar turns, in rad; 0 for none.
    pub turn_rad: f64,
    /// Turn between two cycles of all beams, in rad.
    pub turn_step_rad: f64,
    /// Duration in seconds.
    pub duration_s: f64,
}

/// What one beam should read of one reflector.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Expected {
    /// Beam by number.
    pub beam: u32,
    /// Reflector, its place in the list.
    pub reflector: u32,
    /// Motion, its place in the list.
    pub motion: u32,
    /// Height as a fraction of full screen height when the beam is level.
    pub height_fsh: f64,
    /// Turn of the bar at which the echo peaks, in rad, in [0, 2π).
    pub turn_rad: f64,
    /// Turn either side of it within which the echo is looked for, in rad.
    pub turn_window_rad: f64,
    /// Time after the surface in seconds.
    pub after_surface_s: f64,
    /// Time either side of it within which the echo is looked for, in seconds.
    pub time_window_s: f64,
}
