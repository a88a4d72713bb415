//! The virtual station: scene and technique to a capture with known truth.
//!
//! A [`scene`] says what is wrong with the bars and with the station; [`truth`] says the same in
//! SI, sealed, for whoever compares a judgement with it. A [`VirtualStation`] takes a technique
//! and answers with captures: the sound comes from the exact field of a round bar in water (all
//! reflections), flaws from their scattering by reciprocity, gains and noise from the scene.
//!
//! Where to start: [`station`], then [`capture`] (what a shot is put together from) and
//! [`reflector`] (what a flaw sends back). Nothing here knows how captures are judged.
//!
//! Left out on purpose: mode conversion at flaws, the shadow of a flaw behind it other than its
//! own forward scattering, echoes between flaws, wear of the gain curve when the bar wobbles, and
//! sections that are not round.
#![deny(missing_docs)]

mod along;
mod beam;
mod bend;
pub mod capture;
pub mod demo;
mod disturb;
mod echo;
pub mod error;
pub mod faults;
mod field;
mod fitted;
mod motion;
mod noise;
pub mod reflector;
mod ring;
pub mod scene;
pub mod station;
pub mod truth;

pub use capture::Capture;
pub use demo::demo_scene;
pub use error::{Result, TwinError};
pub use scene::{Scene, SceneBar, StationFaults};
pub use station::VirtualStation;
pub use truth::Truth;
