//! Tests of the virtual station.
//!
//! One program for all files: one for each would link the same libraries as often.

mod common;
mod demo;
mod echoes;
mod faults;
mod heights;
mod lots;
mod matrix;
mod properties;
