//! Pocket calculations: closed forms of the trade for a first idea of a technique.
//!
//! They answer within seconds and with known limits; proofs use the field engines instead. Snell's
//! law and critical angles are in [`crate::interface`], the axial beam width in
//! [`crate::elevation`].

mod beam;
mod dgs;
mod grid;
mod setup;

pub use beam::{
    Aperture, Way, axis_pressure, beam_constant, beam_half_angle_rad, focal_spot_m, focal_zone_m,
    near_field_m, near_field_through_water_m, wavelength_m,
};
pub use dgs::{
    backwall_dgs_db, disc_dgs_db, disc_equal_to_hole_m, disc_over_backwall_db, disc_step_db,
    height_after_percent, hole_equal_to_disc_m,
};
pub use grid::{
    GratingLobe, RoundingLoss, delay_rounding, grating_lobes, largest_lobe_free_pitch_m,
};
pub use setup::{
    ShearOffsets, incidence_for_refraction_rad, lens_focus_m, line_speed_m_s, minimum_water_path_m,
    probe_offset_m, pulse_spacing_m, rayleigh_velocity_m_s, round_trip_s, shear_only_offsets,
    water_absorption_np_m,
};
