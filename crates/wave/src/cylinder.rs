//! Exact field of a round bar in water: the series over angular orders, broadband.
//!
//! It contains everything two-dimensional linear acoustics has: both wave modes and their
//! conversion, diffraction, surface waves and, for [`Passage::Full`], all reflections.
//!
//! How the parts follow from each other:
//! 1. [`ModalSolution`] solves the boundary conditions of one frequency, order by order;
//! 2. [`CylinderBand`] keeps the solutions of all frequencies of a pulse. It depends on bar and
//!    water only, so it is computed once;
//! 3. [`LineArray`] holds the elements as line sources, [`Drive`] which of them act with which
//!    delays;
//! 4. [`Illumination`] joins band and array and answers: spectra at points inside the bar
//!    ([`Illumination::fields_at`], [`Illumination::fields_around`]), spectra received by the array ([`Illumination::received`]),
//!    maps of the peak envelope ([`Illumination::map`]);
//! 5. [`Synthesis`] turns spectra into time signals.
//!
//! A proof of coverage takes its frequencies from [`ProofBand`]. Thousands of fields go through a
//! [`batch::FieldEngine`], which may compute them elsewhere than on the processors.
//!
//! All positions are relative to the axis of the bar: a bar off centre is an array shifted the
//! other way. Two-dimensional: amplitudes are those of line sources of unit strength
//! `(i/4) H_0(k|x - x0|)`.

mod aperture;
mod around;
mod array;
mod band;
pub mod batch;
mod echo_peaks;
mod envelopes;
mod illumination;
mod incident;
mod limits;
mod linear;
mod map;
mod map_plain;
mod map_task;
mod modal;
mod orders;
mod peaks;
mod point;
mod proof_band;
mod radial;
mod receive;
mod series;
mod slab;
mod spectra;
mod synthesis;
mod wide;

pub use array::{Drive, LineArray, LineSource};
pub use band::CylinderBand;
pub use echo_peaks::{EchoPeak, EchoPlace, EchoTask, EchoWeights, Rings};
pub use illumination::Illumination;
pub use incident::Incident;
pub use map::{FieldMap, MapGrid};
pub use modal::{Attenuation, ModalSolution, orders_for};
pub use peaks::{TAPS, between_samples};
pub use proof_band::{ProofBand, ProofScene};
pub use radial::{debye_exponent, miller_start};
pub use spectra::Spectra;
pub use synthesis::{Synthesis, peak_envelope};

/// How much of the sound's history inside the bar is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Passage {
    /// What first passes through the surface, before any reflection inside: the field that a
    /// proof of coverage asks for. (First term of the Debye series; surface waves included.)
    First,
    /// All reflections inside the bar: what an instrument records.
    Full,
}
