//! Why a wave computation could not answer.

/// Shorthand for results of this crate.
pub type Result<T> = std::result::Result<T, WaveError>;

/// A computation that cannot answer, with the numbers that made it impossible.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum WaveError {
    /// A quantity lies outside the range in which it means anything.
    #[error("{what} is {value} {unit}; it must be {expected}")]
    OutOfRange {
        /// The quantity, in words.
        what: &'static str,
        /// The value that was given.
        value: f64,
        /// Its unit; empty for a pure number.
        unit: &'static str,
        /// The range that is accepted, in words.
        expected: &'static str,
    },
    /// No ray joins the two points through the surface.
    #[error(
        "no ray from ({from_x_m}, {from_y_m}) m to ({to_x_m}, {to_y_m}) m enters through this surface"
    )]
    NoPath {
        /// Source, x.
        from_x_m: f64,
        /// Source, y.
        from_y_m: f64,
        /// Target, x.
        to_x_m: f64,
        /// Target, y.
        to_y_m: f64,
    },
    /// Two lists that belong together differ in length.
    #[error("{what}: {got} given, {need} needed")]
    Count {
        /// What was counted.
        what: &'static str,
        /// How many were given.
        got: usize,
        /// How many are needed.
        need: usize,
    },
    /// A combination that this crate has no model of.
    #[error("{what} is not modelled for {missing}; {hint}")]
    NotModelled {
        /// What was asked for.
        what: &'static str,
        /// What the model lacks.
        missing: &'static str,
        /// What to do instead.
        hint: &'static str,
    },
}

/// `Ok(value)` if it is finite and above zero.
///
/// # Errors
/// [`WaveError::OutOfRange`] otherwise, with the value.
pub fn positive(what: &'static str, value: f64, unit: &'static str) -> Result<f64> {
    if value.is_finite() && value > 0.0 {
        Ok(value)
    } else {
        Err(WaveError::OutOfRange { what, value, unit, expected: "finite and above zero" })
    }
}
