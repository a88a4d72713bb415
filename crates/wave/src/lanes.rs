//! Plain loops in the widest vector instructions of the machine, chosen at run time.
//!
//! A kernel is written as loops over arrays of fixed length whose bodies have no branches; compiled
//! once for every level of instructions, such loops become vector code.

/// Lanes that a kernel treats together: long enough to hide latencies, short enough for the first
/// cache.
pub(crate) const LANES: usize = 64;

/// A value for every lane.
pub(crate) type Lane = [f64; LANES];

/// Something to run at the best level the machine has.
pub(crate) trait Kernel {
    /// The work; `FMA` tells whether a fused multiply-add is one instruction at this level. Must be
    /// `#[inline(always)]`, like all it calls, to be compiled for the level.
    fn run<const FMA: bool>(self);
}

/// Runs a kernel.
pub(crate) fn widest(kernel: impl Kernel) {
    struct Level<K>(K);
    impl<K: Kernel> pulp::WithSimd for Level<K> {
        type Output = ();
        #[inline(always)]
        fn with_simd<S: pulp::Simd>(self, _: S) {
            if S::IS_SCALAR { self.0.run::<false>() } else { self.0.run::<true>() }
        }
    }
    pulp::Arch::new().dispatch(Level(kernel));
}

/// a·b + c; fused where that is one instruction, since it is a slow library call elsewhere.
#[inline(always)]
pub(crate) fn fma<const FMA: bool>(a: f64, b: f64, c: f64) -> f64 {
    if FMA { a.mul_add(b, c) } else { a * b + c }
}
