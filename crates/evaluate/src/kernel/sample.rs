//! Sample types the kernel reads: their counts, full scale and magnitudes.

/// A sample as the electronics give it.
///
/// Magnitudes are chosen so that the largest of many is found by vector instructions and never
/// depends on the order in which samples are looked at.
pub trait Sample: Copy + Send + Sync + 'static {
    /// The magnitude of a sample.
    type Magnitude: Copy + PartialOrd + Send + std::fmt::Debug;
    /// The value that stands for the record's `full_scale_fsh`.
    const FULL_SCALE: f64;
    /// Below every magnitude.
    const NOTHING: Self::Magnitude;

    /// The sample's magnitude.
    fn magnitude(self) -> Self::Magnitude;

    /// Whether a magnitude stands at full scale.
    fn at_full_scale(magnitude: Self::Magnitude) -> bool;

    /// The sample in its own counts.
    fn value(self) -> f32;

    /// The larger of two magnitudes.
    fn larger(a: Self::Magnitude, b: Self::Magnitude) -> Self::Magnitude {
        if b > a { b } else { a }
    }
}

/// |x| but for one count on the negative side, so that it fits and costs two vector instructions.
/// From two counts below the largest on a sample counts as full scale.
impl Sample for i16 {
    type Magnitude = Self;
    const FULL_SCALE: f64 = Self::MAX as f64;
    const NOTHING: Self = -1;

    fn magnitude(self) -> Self {
        self ^ (self >> 15)
    }

    fn at_full_scale(magnitude: Self) -> bool {
        magnitude > Self::MAX - 2
    }

    fn value(self) -> f32 {
        f32::from(self)
    }
}

/// As for 16 bit.
impl Sample for i8 {
    type Magnitude = Self;
    const FULL_SCALE: f64 = Self::MAX as f64;
    const NOTHING: Self = -1;

    fn magnitude(self) -> Self {
        self ^ (self >> 7)
    }

    fn at_full_scale(magnitude: Self) -> bool {
        magnitude > Self::MAX - 2
    }

    fn value(self) -> f32 {
        f32::from(self)
    }
}

/// 1 stands for full scale. What is not a number stands there too: it hides what it should tell.
impl Sample for f32 {
    type Magnitude = Self;
    const FULL_SCALE: f64 = 1.0;
    const NOTHING: Self = -1.0;

    fn magnitude(self) -> Self {
        let m = self.abs();
        // False for what is not a number.
        if m < 1.0 { m } else { 1.0 }
    }

    fn at_full_scale(magnitude: Self) -> bool {
        magnitude >= 1.0
    }

    fn value(self) -> f32 {
        self
    }
}
