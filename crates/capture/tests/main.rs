//! Tests of captures written, read back and exchanged.
//!
//! One program for all files: one for each would link the same libraries as often.

mod common;
mod exchange;
mod files;
mod journal;
mod matrix;
mod measured;
mod outside;
mod wire;
