//! Physics of ultrasound in water and steel bars: media, ray paths, delay laws, the exact field of
//! a round bar, reflectors and pulses.
//!
//! Everything here is a pure function of its arguments: no files, no clocks, no printing. Units
//! are SI throughout (m, s, Hz, rad); the time factor is exp(-iωt). Amplitudes in the bar are
//! pressure-like: `P_L = -(λ+2μ) div u` and `P_S = μ (curl u)_z`; in the water the pressure `p`.
//!
//! Where to start: [`path`] (least-time paths; [`fermat`] for many at once), [`interface`] (plane-wave
//! coefficients), then the two field engines [`ray`] and [`cylinder`], with [`elevation`] for the third
//! dimension. [`scatter`] says what reflectors do, [`reflect`] what a beam receives of them, [`dgs`] how
//! large they are; [`estimate`] holds the pocket calculations.
#![deny(missing_docs)]

pub mod array;
pub mod cylinder;
pub mod delay;
pub mod dgs;
pub mod echo;
pub mod elevation;
pub mod error;
pub mod estimate;
pub mod fermat;
pub mod fresnel;
pub mod geometry;
pub mod harmonics;
pub mod interface;
mod lanes;
pub mod media;
pub mod path;
pub mod pulse;
pub mod ray;
pub mod reflect;
pub mod scatter;
pub mod section;
pub mod water;

pub use array::Element;
pub use error::{Result, WaveError};
pub use geometry::{Point, Surface};
pub use media::{Fluid, Mode, Solid};
pub use section::{Faces, Section};
