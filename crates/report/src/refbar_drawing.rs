//! The drawing of a reference bar: side view to scale with every reflector measured from the head
//! end, and a section through each reflector.

use barwright_job::{
    reference::{ReferenceBar, Reflector, Shape},
    technique::Section,
};
use barwright_phrase::say;
use barwright_wave::Point;

use crate::{
    figures::sized,
    frame::{self, Frame},
    palette::Palette,
    svg::{Anchor, Svg, Type, line_to, move_to, n},
    text,
};

const WIDTH: f64 = 760.0;
const LEFT: f64 = 40.0;
/// Sections in one row.
const IN_A_ROW: usize = 4;
const CELL: f64 = 180.0;
/// Thinnest side view in pixels; a thinner one is drawn this thick and says so.
const THINNEST: f64 = 16.0;

/// The drawing as SVG text, 760 pixels wide. Dimensions in mm.
#[must_use]
pub fn reference_bar_drawing(bar: &ReferenceBar, section: &Section, look: &Palette) -> String {
    let side_room = 110.0 + 26.0 * bar.reflectors.len() as f64;
    let rows = bar.reflectors.len().div_ceil(IN_A_ROW);
    let height = side_room + rows as f64 * (CELL + 62.0) + 8.0;
    let title = say!("Reference bar {}", bar.name);
    let mut svg = Svg::new(WIDTH, height, title, look);
    side_view(&mut svg, bar, section, look);
    for (i, reflector) in bar.reflectors.iter().enumerate() {
        let x = 6.0 + (i % IN_A_ROW) as f64 * (CELL + 6.0);
        let y = side_room + (i / IN_A_ROW) as f64 * (CELL + 62.0);
        section_view(&mut svg, (x, y), reflector, section, look);
    }
    svg.finish()
}

/// A reflector in words, sizes in mm.
#[must_use]
pub fn shape_words(shape: &Shape) -> String {
    match *shape {
        Shape::FlatBottomedHole { diameter_m } => {
            say!("flat-bottomed hole, diameter {}", sized(diameter_m, 2))
        }
        Shape::SideDrilledHole { diameter_m, length_m } => say!(
            "side-drilled hole, diameter {}, length {}",
            sized(diameter_m, 2),
            sized(length_m, 1)
        ),
        Shape::Notch { depth_m, length_m } => {
            say!("notch, depth {}, length {}", sized(depth_m, 2), sized(length_m, 1))
        }
        Shape::BackWall => say!("back wall").to_owned(),
    }
}

fn size_m(section: &Section) -> f64 {
    2.0 * section.half_extent_m()
}

fn side_view(svg: &mut Svg, bar: &ReferenceBar, section: &Section, look: &Palette) {
    let length = bar.length_m.max(1e-6);
    let scale = (WIDTH - 2.0 * LEFT) / length;
    let true_px = size_m(section) * scale;
    let thick = true_px.clamp(THINNEST, 60.0);
    let (x0, w) = (LEFT, WIDTH - 2.0 * LEFT);
    let mid = 50.0;
    let (top, bottom) = (mid - thick / 2.0, mid + thick / 2.0);
    svg.open("side-view");
    svg.rect((x0, top, w, thick), &look.steel, &look.ink, 1.3);
    svg.element(
        "path",
        &[
            ("d", format!("M{} {mid}H{}", n(x0 - 14.0), n(x0 + w + 14.0))),
            ("stroke", look.soft.clone()),
            ("stroke-width", "0.7".to_owned()),
            ("stroke-dasharray", "14 3 3 3".to_owned()),
        ],
    );
    svg.text(
        (x0, 14.0),
        say!("head end, with the angle mark"),
        Type::new(11.0, &look.soft, Anchor::Start),
    )
    .line((x0, top), (x0 + 8.0, top), &look.alert, 3.0);
    let exaggerated = (thick - true_px).abs() > 0.5;
    svg.text(
        (WIDTH - LEFT, 14.0),
        &if exaggerated {
            say!(
                "along to scale; across drawn {} times as large as to scale",
                text::number(thick / true_px.max(1e-9), 1)
            )
        } else {
            say!("to scale; dimensions in mm").to_owned()
        },
        Type::new(11.0, &look.soft, Anchor::End),
    );
    for r in &bar.reflectors {
        let x = x0 + r.z_m.clamp(0.0, length) * scale;
        let half = match r.shape {
            Shape::Notch { length_m, .. } | Shape::SideDrilledHole { length_m, .. } => {
                (length_m * scale / 2.0).max(2.0)
            }
            Shape::FlatBottomedHole { diameter_m } => (diameter_m * scale / 2.0).max(1.5),
            Shape::BackWall => w * 0.02,
        };
        match r.shape {
            Shape::Notch { .. } => {
                svg.rect((x - half, top, 2.0 * half, 3.0), &look.ink, "none", 0.0)
            }
            Shape::FlatBottomedHole { .. } => svg.rect(
                (x - half, mid - thick * 0.2, 2.0 * half, thick * 0.7),
                &look.card,
                &look.ink,
                0.9,
            ),
            Shape::SideDrilledHole { .. } => {
                svg.rect((x - half, mid - 1.5, 2.0 * half, 3.0), &look.card, &look.ink, 0.9)
            }
            Shape::BackWall => svg.line((x - half, bottom), (x + half, bottom), &look.alert, 3.0),
        };
        svg.text((x, top - 6.0), &r.name, Type::new(12.5, &look.ink, Anchor::Middle).bold());
    }
    dimensions(svg, bar, scale, bottom, look);
    svg.close();
}

/// Every reflector from the head end, then the length; one line each, so that none overlap.
fn dimensions(svg: &mut Svg, bar: &ReferenceBar, scale: f64, bottom: f64, look: &Palette) {
    let mut stops: Vec<(&str, f64)> =
        bar.reflectors.iter().map(|r| (r.name.as_str(), r.z_m)).collect();
    stops.sort_by(|a, b| a.1.total_cmp(&b.1));
    stops.push(("length", bar.length_m));
    svg.line(
        (LEFT, bottom + 2.0),
        (LEFT, bottom + 14.0 + 26.0 * stops.len() as f64 - 10.0),
        &look.rule,
        0.8,
    );
    for (k, (name, z)) in stops.iter().enumerate() {
        let y = bottom + 18.0 + 26.0 * k as f64;
        let x = LEFT + z * scale;
        svg.line((x, bottom + 2.0), (x, y + 5.0), &look.rule, 0.8).line(
            (LEFT, y),
            (x, y),
            &look.soft,
            0.8,
        );
        for (tip, d) in [(LEFT, 1.0), (x, -1.0)] {
            svg.path(
                &format!(
                    "M{} {}L{} {}L{} {}Z",
                    n(tip),
                    n(y),
                    n(tip + 8.0 * d),
                    n(y - 2.6),
                    n(tip + 8.0 * d),
                    n(y + 2.6)
                ),
                &look.soft,
                "none",
                0.0,
            );
        }
        let words = format!("{} {}", name, text::mm(*z, 1));
        let room = x - LEFT > 120.0;
        svg.text(
            if room { ((LEFT + x) / 2.0, y - 4.0) } else { (x + 6.0, y + 4.0) },
            &words,
            Type::new(11.5, &look.ink, if room { Anchor::Middle } else { Anchor::Start }),
        );
    }
}

fn section_view(
    svg: &mut Svg,
    (x, y): (f64, f64),
    r: &Reflector,
    section: &Section,
    look: &Palette,
) {
    let half = section.half_extent_m();
    let flat = matches!(section, Section::Flat { .. });
    let scale = (CELL / 2.0 - 30.0) / half.max(1e-6);
    let frame = Frame {
        origin: (x + CELL / 2.0, if flat { y + 46.0 } else { y + CELL / 2.0 + 12.0 }),
        scale,
    };
    svg.open("section-view");
    svg.text(
        (x + CELL / 2.0, y + 12.0),
        &say!("Section at {}", r.name),
        Type::new(12.5, &look.ink, Anchor::Middle).bold(),
    );
    svg.path(&frame::outline(&frame, section, half * 1.15), &look.steel, &look.ink, 1.3);
    if flat {
        flat_reflector(svg, &frame, r, look);
    } else {
        round_reflector(svg, &frame, r, half, look);
    }
    let base = y + CELL + 14.0;
    let place = if flat {
        say!("depth {}", text::mm(r.radius_m, 2))
    } else {
        let angle = text::number(r.angle_rad.to_degrees().rem_euclid(360.0), 1);
        match r.shape {
            // A notch is at the surface; its depth stands above.
            Shape::Notch { .. } => say!("{angle}° from the mark"),
            _ => say!(
                "at depth {}, {angle}° from the mark",
                text::mm((half - r.radius_m).max(0.0), 2)
            ),
        }
    };
    for (k, line) in [size_words(&r.shape), place].iter().enumerate() {
        svg.text(
            (x + CELL / 2.0, base + 15.0 * k as f64),
            line,
            Type::new(10.5, &look.soft, Anchor::Middle),
        );
    }
    svg.close();
}

fn size_words(shape: &Shape) -> String {
    match *shape {
        Shape::FlatBottomedHole { diameter_m } => {
            say!("flat-bottomed hole ⌀ {}", text::mm(diameter_m, 2))
        }
        Shape::SideDrilledHole { diameter_m, length_m } => {
            say!("side-drilled hole ⌀ {} × {}", text::mm(diameter_m, 2), text::mm(length_m, 1))
        }
        Shape::Notch { depth_m, length_m } => {
            say!("notch {} deep × {} long", text::mm(depth_m, 2), text::mm(length_m, 1))
        }
        Shape::BackWall => say!("back wall").to_owned(),
    }
}

fn flat_reflector(svg: &mut Svg, frame: &Frame, r: &Reflector, look: &Palette) {
    let at = frame.at(Point::new(0.0, -r.radius_m));
    match r.shape {
        Shape::BackWall => svg.line((at.0 - 40.0, at.1), (at.0 + 40.0, at.1), &look.alert, 3.0),
        _ => svg.circle(at, 4.0, &look.card, &look.ink, 1.2),
    };
}

fn round_reflector(svg: &mut Svg, frame: &Frame, r: &Reflector, half: f64, look: &Palette) {
    // The bar's own mark is at angle 0.
    let mark = frame.at(Point::new(half, 0.0));
    svg.line((mark.0 - 2.0, mark.1), (mark.0 + 8.0, mark.1), &look.alert, 3.0);
    for (a, b) in [
        (Point::new(-half * 1.12, 0.0), Point::new(half * 1.12, 0.0)),
        (Point::new(0.0, -half * 1.12), Point::new(0.0, half * 1.12)),
    ] {
        let mut d = String::new();
        move_to(&mut d, frame.at(a));
        line_to(&mut d, frame.at(b));
        svg.dashed(&d, &look.soft, 0.6, "10 2.5 2.5 2.5");
    }
    let turned = |radius: f64, aside: f64| frame.at(Point::new(radius, aside).rotated(r.angle_rad));
    match r.shape {
        Shape::FlatBottomedHole { diameter_m } => {
            // Drilled from the far side along the radius; the bottom faces outwards.
            let w = (diameter_m / 2.0).max(1.4 / frame.scale);
            let mut d = String::new();
            move_to(&mut d, turned(r.radius_m, -w));
            line_to(&mut d, turned(r.radius_m, w));
            line_to(&mut d, turned(-(half * half - w * w).max(0.0).sqrt(), w));
            line_to(&mut d, turned(-(half * half - w * w).max(0.0).sqrt(), -w));
            d.push('Z');
            svg.path(&d, &look.card, &look.ink, 0.9);
            let mut bottom = String::new();
            move_to(&mut bottom, turned(r.radius_m, -w * 2.0));
            line_to(&mut bottom, turned(r.radius_m, w * 2.0));
            svg.path(&bottom, "none", &look.alert, 2.4);
            depth_line(svg, turned(r.radius_m, 0.0), turned(half, 0.0), look);
        }
        Shape::SideDrilledHole { diameter_m, .. } => {
            svg.circle(
                turned(r.radius_m, 0.0),
                (diameter_m / 2.0 * frame.scale).max(2.0),
                &look.card,
                &look.ink,
                1.0,
            );
            depth_line(svg, turned(r.radius_m, 0.0), turned(half, 0.0), look);
        }
        Shape::Notch { depth_m, .. } => {
            let deep = depth_m.max(2.0 / frame.scale);
            let mut d = String::new();
            move_to(&mut d, turned(half + 2.0 / frame.scale, 0.0));
            line_to(&mut d, turned(half - deep, 0.0));
            svg.path(&d, "none", &look.alert, 2.4);
        }
        Shape::BackWall => {}
    }
}

fn depth_line(svg: &mut Svg, from: (f64, f64), to: (f64, f64), look: &Palette) {
    let mut d = String::new();
    move_to(&mut d, from);
    line_to(&mut d, to);
    svg.dashed(&d, &look.accent, 1.2, "2 2");
    svg.circle(to, 1.8, &look.accent, "none", 0.0);
}
