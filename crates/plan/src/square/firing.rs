//! Which beams of a square may fire at the same moment, and what a firing hears of the ones before.

use barwright_job::technique::{Beam, Section};
use barwright_wave::Mode;

use crate::bench::Bench;
use crate::response::Aperture;

/// Whether two beams of different probes may fire at the same moment; always for other sections than
/// squares.
///
/// Facing probes never do: what one sends arrives in the other's gate straight through. Shear beams of
/// neighbouring probes do not either: both are on their way to the same corner of crack and face, and
/// the one's mirror image of a crack runs to the other. Longitudinal beams of neighbouring probes cross
/// at a right angle and may.
#[must_use]
pub fn may_fire_together(bench: &Bench<'_>, a: &Beam, b: &Beam) -> bool {
    if !matches!(bench.nominal.section, Section::Square { .. }) {
        return true;
    }
    let probes = bench.probes.len() as u32;
    let facing = a.probe != b.probe && (a.probe + probes / 2) % probes == b.probe;
    !facing && a.probe != b.probe && (a.mode, b.mode) == (Mode::L, Mode::L)
}

/// Inward normal, an angle in rad, of the face that a beam of a square enters; `None` for other
/// sections.
#[must_use]
pub fn inward_rad(bench: &Bench<'_>, beam: &Beam) -> Option<f64> {
    if !matches!(bench.nominal.section, Section::Square { .. }) {
        return None;
    }
    Some(Aperture::of_beam(&bench.probes, beam).elements.first()?.facing_rad)
}
