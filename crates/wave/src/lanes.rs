//! Plain loops in the widest vector instructions of the machine, chosen at run time.
//!
//! A kernel is written as loops over arrays of fixed length whose bodies have no branches; compiled
//! once for every level of instructions, such loops become vector code.

/// Lanes that a kernel treats together: long enough to hide latencies, short enough for the first
/// cache.
pub(crate) const LANES: usize = 64;

/// A value for every lane.
pub(crate) type Lane<R = f64> = [R; LANES];

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

/// Numbers of either precision: twice as many single ones fit a vector.
pub(crate) trait Real:
    Copy
    + PartialOrd
    + std::ops::Add<Output = Self>
    + std::ops::Sub<Output = Self>
    + std::ops::Mul<Output = Self>
    + std::ops::Div<Output = Self>
    + std::ops::Neg<Output = Self>
{
    /// The nearest number.
    fn of(value: f64) -> Self;
    /// self·b + c in one rounding.
    fn fused(self, b: Self, c: Self) -> Self;
}

macro_rules! real {
    ($kind:ty) => {
        impl Real for $kind {
            #[inline(always)]
            fn of(value: f64) -> Self {
                value as $kind
            }
            #[inline(always)]
            fn fused(self, b: Self, c: Self) -> Self {
                self.mul_add(b, c)
            }
        }
    };
}
real!(f32);
real!(f64);

/// a·b + c; fused where that is one instruction, since it is a slow library call elsewhere.
#[inline(always)]
pub(crate) fn fma<R: Real, const FMA: bool>(a: R, b: R, c: R) -> R {
    if FMA { a.fused(b, c) } else { a * b + c }
}
