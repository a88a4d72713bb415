//! Tests of the acoustics.
//!
//! One program for all files: one for each would link the same libraries as often.

mod batches;
mod check_values_rays;
mod cylinder_physics;
mod dgs_bar;
mod dgs_piston;
mod echo_peaks;
mod exact_around;
mod exact_broadband;
mod exact_map;
mod exact_point;
mod exact_proof_band;
mod libraries;
mod modal;
mod reflect_engines;
mod reflect_exact;
mod support;
mod third_dimension;
