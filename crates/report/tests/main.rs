//! Tests of papers and pictures.
//!
//! One program for all files: one for each would link the same libraries as often.

mod diconde;
mod house;
mod papers;
mod pictures;
mod pod;
mod section_view;
mod support;
