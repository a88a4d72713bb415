//! Tests of techniques and their proofs.
//!
//! One program for all files: one for each would link the same libraries as often.

mod block;
mod common;
mod dense;
mod exact;
mod late_echoes;
mod round;
mod schedule;
mod setups;
mod square;
