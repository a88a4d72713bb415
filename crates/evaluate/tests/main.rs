//! Tests of judges of steel: levelling, screening, cuts, trends, looks, detection.
//!
//! One program for all files: one for each would link the same libraries as often.

mod cuts;
mod judges;
mod look;
mod look_exact;
mod look_study;
mod look_support;
mod pod;
mod pod_tables;
mod trends;
