//! Images from full-matrix captures: every pair of elements focused at every place (total focusing method; ISO 23865 names
//! the practice).
//!
//! [`Records`] are the traces made fit for it: half matrices completed by reciprocity, dead elements and clipping
//! noticed, analytic. [`find_surface`] finds where the steel begins from the records themselves. [`image`]
//! sums them along least-time paths of a pair of wave modes. [`study`] does all of it and says what stands out, with its
//! uncertainty, beside what a point would look like there ([`Expect`]), and whether the order of channels and the origin of
//! time can be what they are said to be ([`origin_by_surface`]).

mod doubts;
mod expect;
mod heard;
mod image;
mod origin;
mod records;
mod size;
mod spot;
mod study;
mod surface;

pub use expect::{Expect, PointImage, Way};
pub use heard::heard_pulse;
pub use image::{Grid, Image, Leg, Spot, image};
pub use origin::{Origin, origin_by_surface, reversed_reciprocity};
pub use records::{Noticed, Records, Traces};
pub use study::{Setup, study};
pub use surface::{Found, Shape, find_surface};

use barwright_wave::WaveError;

/// Why there is no image.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum LookError {
    /// Numbers of traces, samples and elements that do not fit.
    #[error("{what}: {found}, not {wanted}")]
    Shape {
        /// What was counted.
        what: &'static str,
        /// As found.
        found: usize,
        /// As it must be.
        wanted: usize,
    },
    /// Too few elements are alive.
    #[error("{alive} of {elements} elements are alive; an image needs at least {wanted}")]
    Dead {
        /// Elements with a signal.
        alive: usize,
        /// Elements.
        elements: usize,
        /// Needed.
        wanted: usize,
    },
    /// A pair was recorded in neither direction.
    #[error("{missing} of {pairs} pairs were recorded in neither direction, first elements {} and {}", first[0] + 1, first[1] + 1)]
    Missing {
        /// How many.
        missing: usize,
        /// Pairs.
        pairs: usize,
        /// The first of them.
        first: [usize; 2],
    },
    /// No surface echo where one must be.
    #[error(
        "a surface echo was read by {found} of {elements} elements between {from_us:.2} and {to_us:.2} µs; {wanted} are needed"
    )]
    NoSurface {
        /// Elements that read one.
        found: usize,
        /// Elements that are alive.
        elements: usize,
        /// Start of the search, µs.
        from_us: f64,
        /// Its end, µs.
        to_us: f64,
        /// Needed.
        wanted: usize,
    },
    /// The echoes do not lie on one surface.
    #[error(
        "the surface echoes scatter by {scatter_mm:.2} mm about the best surface; more than {most_mm:.2} mm is no surface"
    )]
    NoFit {
        /// Root mean square of what is left, mm.
        scatter_mm: f64,
        /// Allowed, mm.
        most_mm: f64,
    },
    /// A grid without places, or with too many.
    #[error("the grid has {places} places; 1 to {most} can be imaged")]
    Grid {
        /// Places asked for.
        places: usize,
        /// The most.
        most: usize,
    },
    /// The paths do not exist.
    #[error(transparent)]
    Wave(#[from] WaveError),
}
