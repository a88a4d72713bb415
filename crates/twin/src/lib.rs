//! The virtual station: scene and technique to a capture with known truth.
//!
//! A [`scene`] says what is wrong with the bars and with the station; [`truth`] says the same in
//! SI, sealed, for whoever compares a judgement with it. A [`VirtualStation`] takes a technique
//! and answers with captures: the sound comes from the exact field of a round bar in water (all
//! reflections), flaws from their scattering by reciprocity, gains and noise from the scene. What is
//! wrong with the station itself ([`faults`]) acts where it acts in the world: a bar off centre or a
//! probe out of place changes the field, exchanged plugs change which elements a law drives.
//! [`fault_scenes()`] makes lists of such stations with their truth, [`lot_scene`] lots of flawed and sound
//! bars.
//!
//! Where to start: [`station`], then [`capture`] (what a shot is put together from) and
//! [`reflector`] (what a flaw sends back). Nothing here knows how captures are judged.
//!
//! Left out on purpose: mode conversion at flaws, the shadow of a flaw behind it other than its
//! own forward scattering (once on each way: of a hole wider than half the beam it is too deep), echoes between flaws, wear of the gain curve when the bar wobbles, the
//! slope of a bent bar's axis, heights under the wander of a bar (only its times change: use an offset
//! or a bend for all of it), and sections that are not round. The gain curve follows the surface echo.
#![deny(missing_docs)]

mod along;
mod beam;
mod bend;
pub mod campaign;
pub mod capture;
pub mod demo;
mod disturb;
mod echo;
pub mod error;
pub mod fault_scenes;
pub mod faults;
mod field;
mod fitted;
pub mod heights;
pub mod lots;
pub mod matrix;
mod motion;
mod noise;
pub mod reflector;
mod ring;
pub mod scene;
pub mod station;
pub mod truth;

pub use campaign::Campaign;
pub use capture::Capture;
pub use demo::demo_scene;
pub use error::{Result, TwinError};
pub use fault_scenes::{FaultScene, MainCause, fault_scenes};
pub use faults::StationFaults;
pub use heights::{DiscAsk, disc_heights};
pub use lots::{LotKind, lot_scene};
pub use matrix::MatrixPlace;
pub use scene::{Scene, SceneBar};
pub use station::VirtualStation;
pub use truth::Truth;
