//! The exact field of a round bar on a graphics processor, with the processors behind it.
//!
//! [`Engine`] serves [`barwright_wave::cylinder::batch::FieldEngine`] and chooses what computes: a device
//! where there is one, else all processors; it says which, and why ([`Engine::sentences`]). With the Cargo
//! feature `cuda` devices of NVIDIA are known. The build needs nothing of theirs: the driver and the compiler
//! of kernels (NVRTC) are looked for when a device is opened.
//!
//! What runs where, and how exactly: the modal solution, the aperture sums and the radial functions in
//! double precision; products, rings, times and the search for peaks in single precision, as
//! `Illumination::map` does on the processors. Only what was asked for comes back.
#![deny(missing_docs)]

#[cfg(all(test, feature = "cuda"))]
mod checks;
mod choice;
#[cfg(feature = "cuda")]
mod device;
#[cfg(feature = "cuda")]
mod echoes;
mod engine;
mod error;
#[cfg(feature = "cuda")]
mod groups;
#[cfg(feature = "cuda")]
mod launch;
#[cfg(feature = "cuda")]
mod maps;
#[cfg(feature = "cuda")]
mod senders;
pub mod shape;
#[cfg(feature = "cuda")]
mod tables;

pub use choice::Choice;
#[cfg(feature = "cuda")]
pub use device::{Device, DeviceInfo};
pub use engine::Engine;
pub use error::DeviceError;
