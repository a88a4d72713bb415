//! Lanes of the exact engine.

pub(super) use crate::lanes::wide;

/// Numbers handled together: four vectors of four doubles, enough to hide the latency of a
/// recurrence.
pub(super) const LANES: usize = 16;

/// One number for each lane.
pub(super) type Lanes = [f64; LANES];
