//! The documents of a job and their meaning.
//!
//! People write three documents, in TOML: the [`order`], the [`station`] and the acceptance
//! [`rules`]. Everything else is derived and sealed as JSON ([`seal`]): [`technique`],
//! [`proof`], [`mod@reference`] bar, [`level`], [`check`], [`screened`] bar, [`judgement`] and the
//! cut plan of a lot ([`lot_cut`]).
//!
//! Written documents carry the unit in each key (`diameter_mm`); derived documents are SI with
//! the unit as a suffix (`radius_m`). This crate parses, validates and hashes; it reads no files,
//! so callers pass the text and a name for it.
#![deny(missing_docs)]

pub mod changeover;
pub mod check;
pub mod dense;
pub mod error;
pub mod finding;
pub mod judgement;
pub mod lengths;
pub mod level;
pub mod limits;
pub mod lot_cut;
pub mod measures;
pub mod order;
pub mod pod;
pub mod proof;
pub mod read;
pub mod reference;
pub mod rules;
pub mod screened;
pub mod seal;
pub mod second_look;
pub mod station;
pub mod technique;

pub use error::{DocumentError, Result};
pub use finding::{Finding, Topic};
pub use measures::Measures;
pub use order::Order;
pub use rules::Rules;
pub use seal::{Hash, Sealed};
pub use station::Station;
pub use technique::Technique;
