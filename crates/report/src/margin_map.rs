//! The map of a proof: margin in dB over the alarm height, at places of the section or around it.
//! What is not seen is hatched, in whatever colour; what was not computed is left bare and said.

mod raster;
mod rim;

use barwright_job::{
    proof::{MarginMap, ProvedClass, Weakest},
    technique::{Probe, Section},
};
use barwright_phrase::say;
use barwright_wave::Point;

use crate::{
    frame::{self, Frame},
    palette::Palette,
    places::ring_edges,
    shade::Scale,
    svg::{Anchor, Hatch, Svg, Type, hatch},
    text,
};
use raster::{Raster, Rings};

/// Which margin is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Case {
    /// Everything nominal.
    Nominal,
    /// Worst over the tolerances.
    Worst,
    /// Worst over the tolerances one by one, of a dense proof: what its map has for nominal.
    OneByOne,
    /// Worst over combinations of all tolerances, of a dense proof: what its map has for the worst.
    Combined,
}

/// What the map shows.
#[derive(Debug, Clone, Copy)]
pub struct Map<'a> {
    /// The flaw class.
    pub class: ProvedClass,
    /// Its margins.
    pub map: &'a MarginMap,
    /// Its weakest place; marked in the worst case.
    pub weakest: Option<&'a Weakest>,
    /// Section of the bar.
    pub section: Section,
    /// Probes, for the width of a flat block; may be empty.
    pub probes: &'a [Probe],
    /// Margin drawn.
    pub case: Case,
}

const SIDE: f64 = 330.0;
/// Shallow faces of a margin: full shade is reached this far above the alarm height at least.
const LEAST_TOP_DB: f64 = 12.0;

/// The map as SVG text, 410 pixels wide.
#[must_use]
pub fn margin_map(map: &Map<'_>, look: &Palette) -> String {
    let case = match map.case {
        Case::Nominal => say!("nominal"),
        Case::Worst => say!("worst case"),
        Case::OneByOne => say!("tolerances one by one"),
        Case::Combined => say!("all tolerances together"),
    };
    let title = say!("Margin, {}, {case}", text::proved(map.class));
    let mut svg = Svg::new(SIDE + 80.0, SIDE + 26.0, title, look);
    let scale = scale_of(map.map);
    let flat_half = match map.section {
        Section::Flat { thickness_m } => frame::flat_half_width_m(thickness_m, map.probes),
        _ => 0.0,
    };
    let enlarged = enlarged_reach_m(map);
    let frame = frame_of(map, flat_half, enlarged);
    let outline = frame::outline(&frame, &map.section, flat_half);
    if enlarged.is_none() {
        svg.path(&outline, &look.card, "none", 0.0);
    }
    let pick = |nominal, worst| match map.case {
        Case::Nominal | Case::OneByOne => nominal,
        Case::Worst | Case::Combined => worst,
    };
    match map.map {
        MarginMap::Grid { x0_m, y0_m, step_m, nx, ny, nominal_db, worst_db, asked } => {
            let raster = Raster {
                origin: Point::new(*x0_m, *y0_m),
                step_m: *step_m,
                nx: *nx,
                ny: *ny,
                margin: pick(nominal_db, worst_db).into(),
                asked: asked.into(),
            };
            raster.draw(&mut svg, &frame, &scale, look);
        }
        MarginMap::Polar { radii_m, angles, nominal_db, worst_db, asked } => {
            let rings = Rings {
                radii_m,
                angles: *angles,
                margin: pick(nominal_db, worst_db),
                asked,
                bar_radius_m: map.section.half_extent_m(),
            };
            if let Some(raster) = rings.raster() {
                raster.draw(&mut svg, &frame, &scale, look);
            }
        }
        MarginMap::Rim { nominal_db, worst_db } => {
            let margin = pick(nominal_db, worst_db);
            rim::draw(&mut svg, &frame, map.section.half_extent_m(), margin, &scale, look);
        }
    }
    if let Some(reach_m) = enlarged {
        enlargement(&mut svg, &frame, reach_m, map.section.half_extent_m(), look);
    } else {
        svg.path(&outline, "none", &look.ink, 1.4);
    }
    if !matches!(map.section, Section::Flat { .. }) && enlarged.is_none() {
        let r = map.section.half_extent_m() * frame.scale;
        frame::clock_face(&mut svg, &frame, r * face_ratio(&map.section), 12.0, look);
    }
    if let (Case::Worst, Some(place)) = (map.case, map.weakest) {
        weakest(&mut svg, &frame, place, look);
    }
    legend(&mut svg, &scale, &frame, look);
    svg.finish()
}

fn face_ratio(section: &Section) -> f64 {
    match section {
        Section::Square { .. } => 1.45,
        _ => 1.03,
    }
}

/// Radius in metres of the part of a round section that fills the picture, where rings lie so near
/// the centre that the whole section would not show them; the weakest place lies inside.
fn enlarged_reach_m(map: &Map<'_>) -> Option<f64> {
    let (MarginMap::Polar { radii_m, .. }, Section::Round { radius_m }) = (map.map, map.section)
    else {
        return None;
    };
    let edge = ring_edges(radii_m, radius_m).last()?[1];
    let weakest_m = map.weakest.map_or(0.0, |w| Point::new(w.x_m, w.y_m).radius());
    let reach = edge.max(weakest_m) * 1.25;
    (reach.is_finite() && reach > 0.0 && reach < radius_m * 0.4).then_some(reach)
}

/// Says that only the middle of the bar is drawn: words, and the whole section small.
fn enlargement(svg: &mut Svg, frame: &Frame, reach_m: f64, radius_m: f64, look: &Palette) {
    let small = 20.0;
    let at = (small + 8.0, small + 8.0);
    svg.open("enlarged")
        .circle(frame.origin, reach_m * frame.scale, "none", &look.rule, 0.8)
        .circle(at, small, &look.card, &look.ink, 1.2)
        .circle(at, (small * reach_m / radius_m).max(1.0), &look.accent, "none", 0.0)
        .text(
            (130.0, SIDE + 16.0),
            &say!("the middle of the bar, {} times larger", text::number(radius_m / reach_m, 0)),
            Type::new(11.0, &look.soft, Anchor::Start),
        );
    // The clock, so that the picture keeps its turn.
    frame::clock_face(svg, frame, reach_m * frame.scale + 2.0, 12.0, look);
    svg.close();
}

fn frame_of(map: &Map<'_>, flat_half: f64, enlarged: Option<f64>) -> Frame {
    let middle = (SIDE / 2.0, SIDE / 2.0);
    if let Some(reach_m) = enlarged {
        return Frame { origin: middle, scale: (SIDE / 2.0 - 26.0) / (reach_m * 1.03) };
    }
    match map.section {
        Section::Flat { thickness_m } => {
            let scale = (SIDE - 40.0) / (2.0 * flat_half).max(thickness_m).max(1e-6);
            Frame { origin: (SIDE / 2.0, (SIDE - thickness_m * scale) / 2.0), scale }
        }
        _ => Frame {
            origin: middle,
            scale: (SIDE / 2.0 - 26.0)
                / (map.section.half_extent_m() * face_ratio(&map.section)).max(1e-6),
        },
    }
}

/// One scale for the nominal and the worst map of a class, so that the two can be compared.
fn scale_of(map: &MarginMap) -> Scale {
    let (a, b) = match map {
        MarginMap::Grid { nominal_db, worst_db, .. }
        | MarginMap::Polar { nominal_db, worst_db, .. }
        | MarginMap::Rim { nominal_db, worst_db } => (nominal_db, worst_db),
    };
    let top = a
        .iter()
        .chain(b)
        .flatten()
        .map(|v| f64::from(*v))
        .filter(|v| v.is_finite())
        .fold(LEAST_TOP_DB, f64::max);
    Scale { low: -6.0, high: (top / 6.0).ceil() * 6.0 }
}

fn weakest(svg: &mut Svg, frame: &Frame, w: &Weakest, look: &Palette) {
    let (x, y) = frame.at(Point::new(w.x_m, w.y_m));
    let words = match w.margin_db {
        Some(db) => say!("weakest {} dB", text::signed(db, 1)),
        None => say!("weakest: not reached").to_owned(),
    };
    let right = x < frame.origin.0;
    // White under ink, so that the mark stands on any shade.
    svg.open("weakest");
    for (paint, width) in [(&look.card, 4.0), (&look.ink, 1.5)] {
        svg.circle((x, y), 8.0, "none", paint, width)
            .line((x - 13.0, y), (x - 4.0, y), paint, width)
            .line((x + 4.0, y), (x + 13.0, y), paint, width)
            .line((x, y - 13.0), (x, y - 4.0), paint, width)
            .line((x, y + 4.0), (x, y + 13.0), paint, width);
    }
    let plate = 7.0 + 5.6 * words.chars().count() as f64;
    let px = if right { x + 17.0 } else { x - 17.0 - plate };
    svg.rect((px, y - 9.0, plate, 18.0), &look.card, &look.ink, 0.6)
        .text((px + plate / 2.0, y + 4.0), &words, Type::new(11.5, &look.ink, Anchor::Middle))
        .close();
}

fn legend(svg: &mut Svg, scale: &Scale, frame: &Frame, look: &Palette) {
    let (x, top, h) = (SIDE + 14.0, 60.0, SIDE - 130.0);
    svg.open("scale");
    let steps = 60u16;
    for k in 0..steps {
        let part = f64::from(k) / f64::from(steps);
        let value = scale.low + (scale.high - scale.low) * (part + 0.5 / f64::from(steps));
        let paint = scale.hex(value);
        let y = top + h * (1.0 - part - 1.0 / f64::from(steps));
        svg.rect((x, y, 16.0, h / f64::from(steps) + 0.4), &paint, "none", 0.0);
    }
    svg.rect((x, top, 16.0, h), "none", &look.soft, 0.6);
    let place = |db: f64| top + h * (1.0 - (db - scale.low) / (scale.high - scale.low));
    // What lies under the alarm height is hatched in the map, so it is in the scale.
    let mut lines = String::new();
    let zero = place(0.0);
    hatch((x, zero, 16.0, top + h - zero), 6.0, Hatch::Rising, &mut lines);
    svg.path(&lines, "none", &look.card, 2.2).path(&lines, "none", &look.ink, 0.9);
    let step = if scale.high - scale.low > 48.0 { 12.0 } else { 6.0 };
    let mut db = scale.low;
    while db <= scale.high + 1e-9 {
        let y = place(db);
        svg.line((x + 16.0, y), (x + 20.0, y), &look.soft, 0.8).text(
            (x + 24.0, y + 4.0),
            &text::signed(db, 0),
            Type::new(11.0, &look.ink, Anchor::Start),
        );
        db += step;
    }
    svg.line((x - 3.0, zero), (x + 20.0, zero), &look.ink, 1.6)
        .text((x - 2.0, top - 28.0), say!("margin, dB"), Type::new(11.0, &look.ink, Anchor::Start))
        .text((x - 2.0, top - 14.0), say!("re alarm"), Type::new(11.0, &look.soft, Anchor::Start))
        .text((x - 2.0, top + h + 18.0), "hatched:", Type::new(11.0, &look.ink, Anchor::Start))
        .text(
            (x - 2.0, top + h + 32.0),
            say!("not seen"),
            Type::new(11.0, &look.soft, Anchor::Start),
        )
        .close();
    frame::scale_bar(svg, (14.0, SIDE + 12.0), frame, 90.0, look);
}
