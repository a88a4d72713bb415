//! Where in the section an echo comes from, and how near two echoes of one reflector lie.

use barwright_job::{
    Technique,
    screened::Echo,
    technique::{Beam, GateKind, Section},
};
use barwright_wave::Point;

/// Place of an echo in the bar's own frame (turn taken out), in metres.
///
/// Flaws of the volume lie on the beam's axis at the time's way. Flaws of the surface of a round bar lie
/// on the surface where a chord from the entry is as long as the time's way: to first order that holds
/// for flaws aside of the axis too, as the entry of a least-time path does not matter. On other
/// sections they lie where the axis meets the surface from inside. The true place of a flaw of the volume
/// differs by up to half the beam's width across, which combining beams reduces.
#[must_use]
pub fn place(
    section: &Section,
    beam: &Beam,
    kind: GateKind,
    after_surface_s: f64,
    turn_rad: f64,
) -> Point {
    let there = match (kind, section) {
        (GateKind::Crack, Section::Round { radius_m }) => {
            on_chord(section, beam, *radius_m, after_surface_s)
        }
        (GateKind::Crack, _) => landing(beam),
        _ => beam.axis.at(after_surface_s),
    };
    there.rotated(-turn_rad)
}

/// Where an echo comes from, in the bar's frame.
pub(crate) fn place_of(technique: &Technique, kind: GateKind, e: &Echo) -> Point {
    let (beam, turn_rad) = (&technique.beams[e.beam as usize], f64::from(e.turn_rad));
    place(&technique.section, beam, kind, e.after_surface_s, turn_rad)
}

/// Where a chord from the beam's entry, as long as the time's way, ends on the surface.
fn on_chord(section: &Section, beam: &Beam, radius_m: f64, after_surface_s: f64) -> Point {
    let way_m = beam.axis.velocity_m_s * after_surface_s / 2.0;
    let lead = 2.0 * (way_m / (2.0 * radius_m)).clamp(0.0, 1.0).asin();
    // Looking to the left of the inward normal, a beam lands clockwise of its entry.
    let side = f64::from(-looks(section, beam));
    if side == 0.0 {
        return landing(beam);
    }
    Point::polar(radius_m, beam.axis.entry.angle() + side * lead)
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
/// a half steps between neighbouring beams that look the same way, and at least two wavelengths. On the
/// surface of a round bar, where the time tells the place, two longitudinal wavelengths.
#[must_use]
pub fn link_m(technique: &Technique, kind: GateKind) -> f64 {
    if let (GateKind::Crack, Section::Round { .. }) = (kind, technique.section) {
        return 2.0 * technique.media.steel.longitudinal_m_s / technique.pulse.centre_hz;
    }
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

#[cfg(test)]
mod tests {
    use super::*;
    use barwright_job::technique::Axis;
    use barwright_wave::Mode;

    // Truth: closed form. The echo of the axis comes from where the axis lands, on either way round; a
    // flaw aside of it from the end of its own chord.
    #[test]
    fn chords_end_where_the_flaw_is() {
        let section = Section::Round { radius_m: 0.021 };
        for way in [1.0, -1.0] {
            let entry = Point::polar(0.021, 0.4);
            let direction_rad = 0.4 + std::f64::consts::PI + way * std::f64::consts::FRAC_PI_4;
            let reach_m = 2.0 * 0.021 * std::f64::consts::FRAC_PI_4.cos();
            let beam = Beam {
                id: 0,
                probe: 0,
                first_element: 0,
                mode: Mode::S,
                transmit_delays_s: vec![],
                receive_delays_s: vec![],
                gain_db: 0.0,
                gain_curve: vec![],
                surface_beam: None,
                surface_time_s: 0.0,
                gates: vec![],
                axis: Axis { entry, direction_rad, velocity_m_s: 3255.0, reach_m },
                axial_width_m: 0.007,
                response: vec![],
            };
            for aside_rad in [0.0, 0.15, -0.2] {
                let true_place = landing(&beam).rotated(aside_rad);
                let time = 2.0 * true_place.distance(entry) / 3255.0;
                let found = place(&section, &beam, GateKind::Crack, time, 0.3).rotated(0.3);
                assert!(found.distance(true_place) < 1e-9, "{way} {aside_rad}: {found:?}");
            }
        }
    }
}
