//! Trends over checks and levels: what drifts, since when, and how many checks are left.
//!
//! A station dies slowly. A check says whether a limit is met today; a trend says that it will not be in
//! three weeks. Pure: from the measures that the ledger keeps to charts, causes and figures.
//!
//! # Algorithm
//! 1. [`history`] splits what the beams read into the station's, the probes' and the beams' own parts, so
//!    that a probe that drifts is one series and not thirty.
//! 2. [`standard`]: the first checks of the series ([`Settings::reference`]) say what is usual.
//! 3. [`chart`]: an exponentially weighted average calls, with limits chosen so that all series together
//!    call falsely at fewer checks than [`Settings::false_per_check`]; a cumulative sum says since when.
//! 4. [`forecast()`]: step or slope, and the checks left until the check would fail.
//! 5. [`cause`]: what moves together is told once.
//!
//! [`run_length`] says how long charts run; it is tested against the published tables.

pub mod cause;
pub mod chart;
pub mod forecast;
pub mod history;
pub(crate) mod measures;
pub mod run_length;
pub mod standard;
mod watch;
mod words;

pub use cause::{Drift, Origin};
pub use chart::{Chart, Charted};
pub use forecast::{Bound, Course, Left, Slope, forecast};
pub use history::{Series, Subject, Taken};
pub use standard::Standard;
pub use watch::{Limits, Settings, Trends, Watched, watch};
