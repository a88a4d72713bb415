//! From order and station to a technique, its coverage proof and its reference bar.
//!
//! Three entry points: [`technique()`], [`prove`] and [`reference_bar`]. All are pure; the same
//! input gives the same document, whatever the number of threads.
//!
//! Where to start: [`technique`](mod@technique) (the order of the steps), [`setups`]
//! (which ring and water path), [`search`] (which layout),
//! [`laws`], [`gates`], [`gains`], [`schedule`] (one rule each), [`limits`] (the rules in words).
//! Square bars have their own steps in [`square`].
//! Echoes come from [`echo`] over [`response`], by rays; [`coverage`] puts them on places.
#![deny(missing_docs)]

pub mod beams;
pub mod bench;
pub mod conditions;
pub mod coverage;
pub mod dense;
pub mod echo;
pub mod error;
pub mod exact;
pub mod explain;
pub mod gains;
pub mod gates;
pub mod laws;
pub mod layout;
pub mod limits;
pub mod proof;
pub mod refbar;
pub mod response;
pub mod ring;
pub mod schedule;
pub mod search;
pub mod setups;
pub mod square;
pub mod stand;
pub mod technique;
pub mod watch;

pub use dense::{DenseOptions, dense};
pub use echo::{Echo, echo_of_crack, echo_of_disc, technique_elements};
pub use error::{PlanError, Result};
pub use exact::{Flaw, exact_echoes};
pub use proof::{ProveOptions, WhatIf, prove, what_if};
pub use refbar::reference_bar;
pub use technique::{explained, technique, watched};
pub use watch::PlanWatch;
