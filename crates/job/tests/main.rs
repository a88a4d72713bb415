//! Tests of the documents of a job.
//!
//! One program for all files: one for each would link the same libraries as often.

mod examples;
mod rules;
