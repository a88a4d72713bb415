//! A section alone, large, with marked places: where an indication lies in the bar.

use barwright_job::technique::{Section, Technique};
use barwright_phrase::say;

use crate::{
    frame::{self, Frame},
    palette::Palette,
    ring::Place,
    svg::{Anchor, Svg, Type},
    text,
};

const SIDE: f64 = 300.0;
const ROOM: f64 = 226.0;

/// The section of a technique's bar with places marked in it, as SVG text, 300 pixels wide. The
/// dashed line is the depth from which the volume class is asked for; circles are standard
/// uncertainties, to scale.
#[must_use]
pub fn section_view(technique: &Technique, places: &[Place<'_>], look: &Palette) -> String {
    let section = &technique.section;
    let title = say!("Section of the bar, {}", text::section(section));
    let mut svg = Svg::new(SIDE, SIDE + 22.0, title, look);
    let flat_half = match *section {
        Section::Flat { thickness_m } => frame::flat_half_width_m(thickness_m, &technique.probes),
        _ => 0.0,
    };
    let frame = fitted(section, flat_half);
    let outline = frame::outline(&frame, section, flat_half);
    svg.path(&outline, &look.steel, &look.ink, 1.6);
    if let Some(inner) = below_skin(section, technique.sensitivity.skin_m) {
        svg.dashed(&frame::outline(&frame, &inner, flat_half), &look.soft, 0.8, "4 3");
    }
    if !matches!(section, Section::Flat { .. }) {
        let reach = farthest_m(section) * frame.scale;
        frame::clock_face(&mut svg, &frame, reach + 4.0, 12.0, look);
    }
    svg.open("places");
    for place in places {
        let (x, y) = frame.at(place.at);
        let r = (place.uncertainty_m * frame.scale).clamp(4.0, 60.0);
        svg.circle((x, y), r, "none", &look.alert, 1.8)
            .circle((x, y), 1.8, &look.alert, "none", 0.0)
            .text(
                (x + r + 4.0, y - r * 0.5),
                place.letter,
                Type::new(17.0, &look.ink, Anchor::Start).bold(),
            );
    }
    svg.close();
    frame::scale_bar(&mut svg, (14.0, SIDE + 8.0), &frame, 80.0, look);
    svg.finish()
}

/// The scale at which the section fills its place.
fn fitted(section: &Section, flat_half_m: f64) -> Frame {
    let middle = SIDE / 2.0;
    match *section {
        Section::Flat { thickness_m } => {
            let scale = ROOM / thickness_m.max(2.0 * flat_half_m).max(1e-6);
            Frame { origin: (middle, middle - thickness_m / 2.0 * scale), scale }
        }
        _ => {
            let scale = ROOM / (2.0 * farthest_m(section)).max(1e-6);
            Frame { origin: (middle, middle), scale }
        }
    }
}

/// Distance of the farthest point from the middle, in metres.
fn farthest_m(section: &Section) -> f64 {
    match *section {
        Section::Square { side_m, corner_radius_m } => {
            let c = corner_radius_m.clamp(0.0, side_m / 2.0);
            (side_m / 2.0 - c) * std::f64::consts::SQRT_2 + c
        }
        _ => section.half_extent_m(),
    }
}

/// The part of a round or square section below its skin.
fn below_skin(section: &Section, skin_m: f64) -> Option<Section> {
    match *section {
        _ if skin_m <= 0.0 => None,
        Section::Round { radius_m } if radius_m > skin_m => {
            Some(Section::Round { radius_m: radius_m - skin_m })
        }
        Section::Square { side_m, corner_radius_m } if side_m > 2.0 * skin_m => {
            Some(Section::Square {
                side_m: side_m - 2.0 * skin_m,
                corner_radius_m: (corner_radius_m - skin_m).max(0.0),
            })
        }
        _ => None,
    }
}
