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

/// Runs `work` at that level: for loops of plain products and sums, where a whole [`Kernel`] would say no
/// more. Only what is inlined profits: give the closure and what it calls `#[inline(always)]`; without a
/// level to ask for, `mul_add` could be a library call.
#[inline(always)]
pub(crate) fn wide<T>(work: impl FnOnce() -> T) -> T {
    pulp::Arch::new().dispatch(work)
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

/// Sine and cosine of a number of turns (2π x); 1e-15, for |x| below 1e9.
#[inline(always)]
pub(crate) fn turn<const FMA: bool>(x: f64) -> (f64, f64) {
    let x = x - x.round_ties_even();
    let quarter = (4.0 * x).round_ties_even();
    // Within an eighth of a turn Taylor's series are good to 1e-17.
    let a = (x - 0.25 * quarter) * std::f64::consts::TAU;
    let b = a * a;
    let mut sine = -1.0 / 1_307_674_368_000.0;
    for c in [
        1.0 / 6_227_020_800.0,
        -1.0 / 39_916_800.0,
        1.0 / 362_880.0,
        -1.0 / 5040.0,
        1.0 / 120.0,
        -1.0 / 6.0,
        1.0,
    ] {
        sine = fma::<_, FMA>(sine, b, c);
    }
    let sine = sine * a;
    let mut cosine = 1.0 / 20_922_789_888_000.0;
    for c in [
        -1.0 / 87_178_291_200.0,
        1.0 / 479_001_600.0,
        -1.0 / 3_628_800.0,
        1.0 / 40_320.0,
        -1.0 / 720.0,
        1.0 / 24.0,
        -0.5,
        1.0,
    ] {
        cosine = fma::<_, FMA>(cosine, b, c);
    }
    // Quarters run from -2 to 2.
    let swapped = quarter.abs() == 1.0;
    let (s, c) = if swapped { (cosine, sine) } else { (sine, cosine) };
    let backward = quarter.abs() == 2.0 || quarter == -1.0;
    let s = if backward { -s } else { s };
    let c = if quarter.abs() == 2.0 || quarter == 1.0 { -c } else { c };
    (s, c)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: the standard library. 1e-15, and rounding of 2π x itself.
    #[test]
    fn turns_meet_sine_and_cosine() {
        for i in -4000..4000 {
            let x = f64::from(i) * 0.001_234_5;
            let exact = (std::f64::consts::TAU * (x - x.round())).sin_cos();
            for (s, c) in [turn::<true>(x), turn::<false>(x)] {
                assert!((s - exact.0).abs() < 2e-15 && (c - exact.1).abs() < 2e-15, "{x}");
            }
        }
        for (x, s, c) in [(0.25, 1.0, 0.0), (0.5, 0.0, -1.0), (-0.25, -1.0, 0.0), (2.0, 0.0, 1.0)] {
            let got = turn::<false>(x);
            assert!((got.0 - s).abs() < 1e-15 && (got.1 - c).abs() < 1e-15);
        }
    }
}
