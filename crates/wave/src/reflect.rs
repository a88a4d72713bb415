//! Echoes: amplitude and waveform of any beam on any reflector.
//!
//! How the parts follow from each other:
//! 1. [`OneWay`] is one side of a beam, transmit or receive: its spectra at places in the steel.
//!    [`ExactBeam`] takes them from the exact field of a round bar, [`RayBeam`] and [`ContactBeam`]
//!    from rays; anything else that knows a field may implement it;
//! 2. [`Sight`] joins two sides with the kinds of wave that are sent and received;
//! 3. [`echo`] puts a [`Reflector`] into the sight and gives an [`EchoSpectrum`];
//! 4. [`EchoSpectrum`] with a pulse gives the time signal, the peak of the envelope and its time.
//!
//! **Unit transfer.** Every element counts as a line source of unit strength, (i/4) H₀(kr), and
//! reception sums the pressures over the elements. Then, per unit of the pulse's spectrum,
//! - a compact reflector of amplitude A (m) gives T = (ρ_f/ρ_s) 4πA P_tx P_rx E, E the product of both
//!   fields along the bar relative to two dimensions (one for endless elements);
//! - a line-like one of strength q per length gives T = (ρ_f/ρ_s) q P_tx P_rx E, E the integral of
//!   that product along the reflector, in m.
//!
//! T is in m either way; its dB refer to 1 m. The factor E is the caller's, as a function of frequency
//! ([`crate::elevation`] has a paraxial one). In contact the ratio of densities is one.
//!
//! One scattering only: what goes back and forth between reflector and surface is not contained, nor
//! is the shadow that one reflector throws on another.

mod crack;
mod disc_face;
mod echo;
mod exact;
mod finding;
mod hole_field;
mod one_way;
mod rays;
mod signal;

pub use disc_face::disc_over_its_face;
pub use echo::{Reflector, echo};
pub use exact::ExactBeam;
pub use finding::EchoFinding;
pub use hole_field::hole_in_its_field;
pub use one_way::{OneWay, Sight};
pub use rays::{ContactBeam, RayBeam};
pub use signal::{EchoSpectrum, Peak, pulse_frequencies_hz};
