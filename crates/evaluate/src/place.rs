//! Where in the section an echo comes from, and how near two echoes of one reflector lie.

use barwright_job::{
    Technique,
    technique::{Beam, GateKind, Section},
};
use barwright_wave::Point;

/// Place of an echo in the bar's own frame (turn taken out), in metres.
///
/// Flaws of the volume lie on the beam's axis at the time's way; flaws of the surface where the
/// axis meets the surface from inside, half a skip on. The true place differs by up to half the
/// beam's width across, which combining beams reduces.
#[must_use]
pub fn place(beam: &Beam, kind: GateKind, after_surface_s: f64, turn_rad: f64) -> Point {
    let there = match kind {
        GateKind::Crack => landing(beam),
        _ => beam.axis.at(after_surface_s),
    };
    there.rotated(-turn_rad)
}

/// Where a beam's axis meets the surface from inside.
fn landing(beam: &Beam) -> Point {
    beam.axis.entry + Point::polar(beam.axis.reach_m, beam.axis.direction_rad)
}

/// Wavelength of a beam in the steel, in metres.
#[must_use]
pub fn wavelength_m(technique: &Technique, beam: &Beam) -> f64 {
    beam.axis.velocity_m_s / technique.pulse.centre_hz
}

/// Distance in the section up to which two echoes may come from one reflector, in metres: one and
/// a half steps between neighbouring beams that look the same way, and at least two wavelengths.
#[must_use]
pub fn link_m(technique: &Technique, kind: GateKind) -> f64 {
    let beams: Vec<&Beam> = technique.beams.iter().filter(|b| b.gate(kind).is_some()).collect();
    let spot = |b: &Beam| match kind {
        GateKind::Crack => landing(b),
        _ => b.axis.entry,
    };
    let mut steps: Vec<f64> = beams
        .iter()
        .filter_map(|b| {
            beams
                .iter()
                .filter(|o| {
                    o.id != b.id
                        && o.probe == b.probe
                        && looks(&technique.section, o) == looks(&technique.section, b)
                })
                .map(|o| spot(o).distance(spot(b)))
                .filter(|d| *d > 0.0)
                .min_by(f64::total_cmp)
        })
        .collect();
    let waves = beams.iter().map(|b| 2.0 * wavelength_m(technique, b)).fold(0.0, f64::max);
    waves.max(1.5 * crate::reading::median(&mut steps))
}

/// To which side of the inward normal a beam looks: -1, 0 (within 10 degrees of it) or 1.
#[must_use]
pub fn looks(section: &Section, beam: &Beam) -> i8 {
    let inward = match section {
        Section::Round { .. } => beam.axis.entry.angle() + std::f64::consts::PI,
        Section::Flat { .. } => -std::f64::consts::FRAC_PI_2,
        Section::Square { .. } => {
            let e = beam.axis.entry;
            if e.x.abs() > e.y.abs() {
                Point::new(-e.x, 0.0).angle()
            } else {
                Point::new(0.0, -e.y).angle()
            }
        }
    };
    let tilt = (beam.axis.direction_rad - inward).sin();
    if tilt.abs() < 10f64.to_radians().sin() {
        0
    } else if tilt > 0.0 {
        1
    } else {
        -1
    }
}
