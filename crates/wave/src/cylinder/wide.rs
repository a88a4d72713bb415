//! Arithmetic side by side: lanes, and the widest vector instructions this machine has.

/// Numbers handled together: four vectors of four doubles, enough to hide the latency of a
/// recurrence.
pub(super) const LANES: usize = 16;

/// One number for each lane.
pub(super) type Lanes = [f64; LANES];

/// Runs `work` compiled for the vector instructions found at run time.
///
/// Only what is inlined profits: give the closure and what it calls `#[inline(always)]`. Plain products and sums only:
/// where no fused instruction exists, `mul_add` would be a call.
#[inline(always)]
pub(super) fn wide<T>(work: impl FnOnce() -> T) -> T {
    pulp::Arch::new().dispatch(work)
}
