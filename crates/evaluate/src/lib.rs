//! From shots to echoes, indications and verdicts; levelling and checks.
//!
//! Every judge streams: made from the documents it rests on, fed with runs of shots, finished into
//! a document. None reads a file or a clock, and none knows how a capture was made.
//!
//! | judge | from | makes |
//! | --- | --- | --- |
//! | [`level`] | the reference bar turned under the ring | the gain of every beam |
//! | [`changeover`] | a turn or two of the reference bar | whether the station was changed over rightly |
//! | [`check`] | the reference bar at line speed | whether the station finds what it must |
//! | [`screen`] | a bar of the order | echoes, and what was not inspected |
//! | [`sentence`](mod@sentence) | a screened bar with its echoes | indications, verdict and cut plan |
//! | [`trends`] | the measures of many checks and levels | what drifts, and how long it may |
//!
//! Where to start: [`kernel`] (peak and arrival of one echo), then [`screen`]. The others share the
//! kernel and the surface following of `follow`. What explains the readings of a levelling is in
//! `explain`, one model a file.
#![deny(missing_docs)]

mod accounting;
mod back_wall;
pub mod changeover;
pub mod check;
mod coupling;
pub mod cut;
pub mod decision;
pub mod difference;
pub mod error;
mod explain;
mod fit;
mod follow;
mod ghosts;
mod heights;
pub mod indications;
pub mod kernel;
mod kind;
pub mod level;
pub mod look;
mod measure;
mod observations;
pub mod place;
pub mod pod;
mod profiles;
mod reading;
mod repeat;
mod ruling;
mod scan;
pub mod screen;
pub mod sentence;
pub mod size;
mod sizing;
mod stretch;
pub mod trends;
mod verdict;

pub use error::{EvaluateError, Result};
pub use sentence::{sentence, sentence_by};
