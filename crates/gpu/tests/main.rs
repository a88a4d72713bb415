//! Tests of the device beside the processors.
//!
//! One program for all files: one for each would link the same libraries as often.

mod agreement;
mod choice;
mod support;
