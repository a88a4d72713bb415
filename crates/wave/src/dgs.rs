//! Distance, gain, size for any beam: echo heights of discs and of the back wall from the beam's own
//! field, and the equivalent disc of an echo.
//!
//! How the parts follow from each other:
//! 1. [`DgsBeam`] gives the echo of a disc that faces the beam, and of a wall, at a distance;
//!    [`SectionBeam`] does so for any aperture and law by [`crate::reflect`];
//! 2. [`Curves::compute`] tabulates heights against distance, relative to a [`Reference`];
//! 3. [`Curves::equivalent_diameter`] reads a diameter back from an echo.
//!
//! The published method (Krautkraemer, 4th ed. 1990, ch. 5; ISO 16811) is for single unfocused discs in
//! contact and excludes immersion and arrays. Here the diagram is that of the beam at hand, so that
//! focusing, curvature and water are in it; it needs its own validation all the same. Closed forms of
//! the far field are in [`crate::estimate`].

mod curves;
mod field;
mod monotone;
mod read;

pub use curves::{Curves, Reference};
pub use field::{Axial, DgsBeam, SectionBeam};
pub use read::{DgsError, DgsFinding, Equivalent};
