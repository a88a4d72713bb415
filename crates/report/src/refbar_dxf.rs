//! The drawing of a reference bar for a workshop's machines: DXF, release 12, in mm, at full size.
//!
//! A side view with the head end at x = 0 and the bar's axis at y = 0, seen along -x of the section, and
//! below it the section at each reflector, seen against travel. Reflectors lie on a layer of their own.

use barwright_job::{
    reference::{ReferenceBar, Reflector, Shape},
    technique::Section,
};
use barwright_wave::Point as Place;
use dxf::{
    Color, Drawing, Point,
    entities::{Circle, Entity, EntityType, Line, Text},
    enums::{AcadVersion, Units},
    tables::Layer,
};

use crate::{refbar_drawing::shape_words, text};

/// Layers: name and colour index of the format.
const OUTLINE: (&str, u8) = ("OUTLINE", 7);
const CENTRE: (&str, u8) = ("CENTRE", 8);
const REFLECTORS: (&str, u8) = ("REFLECTORS", 1);
const DIMENSIONS: (&str, u8) = ("DIMENSIONS", 5);
const NOTES: (&str, u8) = ("NOTES", 7);
/// Height of lettering in mm.
const LETTERS_MM: f64 = 3.5;
/// Distance of dimension lines and of lines of notes in mm.
const LINE_MM: f64 = 7.0;

/// The drawing as the text of a DXF file; equal input gives equal bytes.
///
/// # Errors
/// In words, when the format cannot hold the drawing.
pub fn reference_bar_dxf(bar: &ReferenceBar, section: &Section) -> Result<Vec<u8>, String> {
    let mut sheet = Sheet::new();
    let half_mm = section.half_extent_m() * 1e3;
    let length_mm = bar.length_m * 1e3;
    sheet.rectangle(OUTLINE, (0.0, -half_mm), (length_mm, half_mm));
    sheet.line(CENTRE, (-10.0, 0.0), (length_mm + 10.0, 0.0));
    sheet.note((0.0, half_mm + 2.0 * LINE_MM), &format!("{}, all lengths in mm", bar.name));
    sheet.note((0.0, half_mm + LINE_MM), "head end, with the angle mark");
    for reflector in &bar.reflectors {
        side(&mut sheet, reflector, half_mm);
    }
    dimensions(&mut sheet, bar, half_mm);
    let below_mm = half_mm + LINE_MM * (bar.reflectors.len() as f64 + 4.0);
    let apart_mm = (2.0 * half_mm + 20.0).max(90.0);
    for (i, reflector) in bar.reflectors.iter().enumerate() {
        let middle = (half_mm + i as f64 * apart_mm, -below_mm - half_mm);
        cut(&mut sheet, reflector, section, middle);
    }
    let notes_mm = -below_mm - 2.0 * half_mm - 4.0 * LINE_MM;
    for (k, line) in bar.requirements.iter().enumerate() {
        let numbered = format!("{}. {line}", k + 1);
        sheet.note((0.0, notes_mm - LINE_MM * k as f64), &numbered);
    }
    sheet.finish()
}

/// A reflector as the side view shows it: y up, the section's x towards the reader.
fn side(sheet: &mut Sheet, r: &Reflector, half_mm: f64) {
    let z_mm = r.z_m * 1e3;
    let up = r.angle_rad.sin();
    match r.shape {
        Shape::FlatBottomedHole { diameter_m } => {
            let radius_mm = diameter_m * 1e3 / 2.0;
            let (bottom, mouth) = (r.radius_m * 1e3 * up, -half_mm * up);
            if (bottom - mouth).abs() <= 2.0 * radius_mm {
                sheet.circle(REFLECTORS, (z_mm, (bottom + mouth) / 2.0), radius_mm);
            } else {
                let corner = (z_mm - radius_mm, bottom.min(mouth));
                sheet.rectangle(REFLECTORS, corner, (z_mm + radius_mm, bottom.max(mouth)));
            }
        }
        Shape::SideDrilledHole { diameter_m, length_m } => {
            let (radius_mm, along_mm) = (diameter_m * 5e2, length_m * 5e2);
            let y = r.radius_m * 1e3 * up;
            let corner = (z_mm - along_mm, y - radius_mm);
            sheet.rectangle(REFLECTORS, corner, (z_mm + along_mm, y + radius_mm));
        }
        Shape::Notch { length_m, .. } => {
            let along_mm = length_m * 5e2;
            let y = half_mm * up;
            sheet.line(REFLECTORS, (z_mm - along_mm, y), (z_mm + along_mm, y));
        }
        Shape::BackWall => {
            sheet.line(REFLECTORS, (z_mm - 5.0, -half_mm), (z_mm + 5.0, -half_mm));
        }
    }
    sheet.letters(NOTES, (z_mm - LETTERS_MM, half_mm + 2.0), &r.name);
}

/// Every reflector from the head end, then the length, each on a line of its own.
fn dimensions(sheet: &mut Sheet, bar: &ReferenceBar, half_mm: f64) {
    let mut stops: Vec<(&str, f64)> =
        bar.reflectors.iter().map(|r| (r.name.as_str(), r.z_m)).collect();
    stops.sort_by(|a, b| a.1.total_cmp(&b.1));
    stops.push(("length", bar.length_m));
    for (k, (name, z_m)) in stops.iter().enumerate() {
        let (x, y) = (z_m * 1e3, -half_mm - LINE_MM * (k as f64 + 1.0));
        sheet.line(DIMENSIONS, (x, -half_mm - 1.0), (x, y - 1.5));
        sheet.line(DIMENSIONS, (0.0, y), (x, y));
        for (tip, inward) in [(0.0, 2.5), (x, -2.5)] {
            sheet.line(DIMENSIONS, (tip, y), (tip + inward, y + 0.8));
            sheet.line(DIMENSIONS, (tip, y), (tip + inward, y - 0.8));
        }
        sheet.letters(DIMENSIONS, (4.0, y + 1.0), &format!("{name} {}", text::mm(*z_m, 1)));
    }
    let deepest = -half_mm - LINE_MM * (stops.len() as f64) - 1.5;
    sheet.line(DIMENSIONS, (0.0, -half_mm - 1.0), (0.0, deepest));
}

/// The section at a reflector: its place in full size.
fn cut(sheet: &mut Sheet, r: &Reflector, section: &Section, (x, y): (f64, f64)) {
    let half_mm = section.half_extent_m() * 1e3;
    match section {
        Section::Round { .. } => sheet.circle(OUTLINE, (x, y), half_mm),
        Section::Square { .. } | Section::Flat { .. } => {
            sheet.rectangle(OUTLINE, (x - half_mm, y - half_mm), (x + half_mm, y + half_mm));
        }
    }
    sheet.line(CENTRE, (x - half_mm - 4.0, y), (x + half_mm + 4.0, y));
    sheet.line(CENTRE, (x, y - half_mm - 4.0), (x, y + half_mm + 4.0));
    let out = Place::polar(1.0, r.angle_rad);
    let aside = Place::new(-out.y, out.x);
    let at = |along_mm: f64, across_mm: f64| {
        let p = out * along_mm + aside * across_mm;
        (x + p.x, y + p.y)
    };
    match r.shape {
        Shape::FlatBottomedHole { diameter_m } => {
            let (own, bottom) = (diameter_m * 5e2, r.radius_m * 1e3);
            let mouth = -(half_mm * half_mm - own * own).max(0.0).sqrt();
            sheet.line(REFLECTORS, at(bottom, -own), at(bottom, own));
            sheet.line(REFLECTORS, at(bottom, -own), at(mouth, -own));
            sheet.line(REFLECTORS, at(bottom, own), at(mouth, own));
        }
        Shape::SideDrilledHole { diameter_m, .. } => {
            sheet.circle(REFLECTORS, at(r.radius_m * 1e3, 0.0), diameter_m * 5e2);
        }
        Shape::Notch { depth_m, .. } => {
            sheet.line(REFLECTORS, at(half_mm, 0.0), at(half_mm - depth_m * 1e3, 0.0));
        }
        Shape::BackWall => {
            sheet.line(REFLECTORS, (x - half_mm, y - half_mm), (x + half_mm, y - half_mm));
        }
    }
    let angle = text::number(r.angle_rad.to_degrees().rem_euclid(360.0), 1);
    let depth = text::mm((section.half_extent_m() - r.radius_m).max(0.0), 2);
    let base = y - half_mm - LINE_MM;
    sheet.letters(NOTES, (x - half_mm, base), &format!("{}: {}", r.name, shape_words(&r.shape)));
    let place = match r.shape {
        Shape::Notch { .. } => format!("{angle} degrees from the mark"),
        Shape::BackWall => format!("depth {}", text::mm(r.radius_m, 2)),
        _ => format!("bottom {depth} below the surface at {angle} degrees from the mark"),
    };
    sheet.letters(NOTES, (x - half_mm, base - LINE_MM), &place);
}

/// A drawing with its layers.
struct Sheet {
    drawing: Drawing,
}

impl Sheet {
    fn new() -> Self {
        let mut drawing = Drawing::new();
        drawing.header.version = AcadVersion::R12;
        drawing.header.default_drawing_units = Units::Millimeters;
        for (name, colour) in [OUTLINE, CENTRE, REFLECTORS, DIMENSIONS, NOTES] {
            drawing.add_layer(Layer {
                name: name.to_owned(),
                color: Color::from_index(colour),
                ..Layer::default()
            });
        }
        Self { drawing }
    }

    fn add(&mut self, layer: (&str, u8), what: EntityType) {
        let mut entity = Entity::new(what);
        layer.0.clone_into(&mut entity.common.layer);
        self.drawing.add_entity(entity);
    }

    fn line(&mut self, layer: (&str, u8), from: (f64, f64), to: (f64, f64)) {
        self.add(layer, EntityType::Line(Line::new(point(from), point(to))));
    }

    fn circle(&mut self, layer: (&str, u8), middle: (f64, f64), radius_mm: f64) {
        self.add(layer, EntityType::Circle(Circle::new(point(middle), radius_mm)));
    }

    fn rectangle(&mut self, layer: (&str, u8), (x0, y0): (f64, f64), (x1, y1): (f64, f64)) {
        let corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)];
        for i in 0..4 {
            self.line(layer, corners[i], corners[(i + 1) % 4]);
        }
    }

    fn letters(&mut self, layer: (&str, u8), at: (f64, f64), words: &str) {
        self.add(
            layer,
            EntityType::Text(Text {
                location: point(at),
                text_height: LETTERS_MM,
                value: plain(words),
                ..Text::default()
            }),
        );
    }

    fn note(&mut self, at: (f64, f64), words: &str) {
        self.letters(NOTES, at, words);
    }

    fn finish(self) -> Result<Vec<u8>, String> {
        let mut bytes = Vec::new();
        self.drawing.save(&mut bytes).map_err(|e| e.to_string())?;
        Ok(bytes)
    }
}

fn point((x, y): (f64, f64)) -> Point {
    Point::new(x, y, 0.0)
}

/// Release 12 knows its own signs for degree and diameter, and ASCII.
fn plain(words: &str) -> String {
    words
        .chars()
        .flat_map(|c| match c {
            '°' => "%%d".chars().collect::<Vec<_>>(),
            '⌀' => "%%c".chars().collect(),
            '×' => vec!['x'],
            '–' | '−' => vec!['-'],
            c if c.is_ascii() && !c.is_control() => vec![c],
            _ => vec!['?'],
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::FRAC_PI_2;

    fn bar() -> (ReferenceBar, Section) {
        let hole = Reflector {
            name: "H1".into(),
            shape: Shape::FlatBottomedHole { diameter_m: 1.2e-3 },
            z_m: 0.2,
            angle_rad: FRAC_PI_2,
            radius_m: 0.01,
        };
        let notch = Reflector {
            name: "N1".into(),
            shape: Shape::Notch { depth_m: 0.3e-3, length_m: 0.025 },
            z_m: 0.4,
            angle_rad: 0.0,
            radius_m: 0.021,
        };
        let bar = ReferenceBar {
            name: "reference bar".into(),
            length_m: 0.6,
            reflectors: vec![hole, notch],
            motion: Vec::new(),
            expected: Vec::new(),
            requirements: vec!["straight within 1°".into()],
            findings: Vec::new(),
        };
        (bar, Section::Round { radius_m: 0.021 })
    }

    // Truth: round trip through the library's own reader; sizes by hand.
    #[test]
    fn the_drawing_reads_back_at_full_size() {
        let (bar, section) = bar();
        let bytes = reference_bar_dxf(&bar, &section).expect("a drawing");
        assert_eq!(bytes, reference_bar_dxf(&bar, &section).expect("again"), "equal bytes");
        let back = Drawing::load(&mut bytes.as_slice()).expect("a reader");
        let mut circles = Vec::new();
        let (mut lines, mut words) = (Vec::new(), Vec::new());
        for e in back.entities() {
            match &e.specific {
                EntityType::Circle(c) => circles.push(c.radius),
                EntityType::Line(l) => lines.push((e.common.layer.clone(), l.clone())),
                EntityType::Text(t) => words.push(t.value.clone()),
                _ => {}
            }
        }
        assert_eq!(circles, vec![21.0, 21.0], "two sections");
        // The hole's bottom in the side view: 10 mm above the axis, as wide as the hole, at 200 mm.
        let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
        assert!(lines.iter().any(|(layer, l)| {
            layer == "REFLECTORS"
                && near(l.p1.y, 10.0)
                && near(l.p2.y, 10.0)
                && near((l.p1.x - l.p2.x).abs(), 1.2)
                && near((l.p1.x + l.p2.x) / 2.0, 200.0)
        }));
        assert!(words.iter().any(|w| w == "H1 200.0"), "{words:?}");
        assert!(words.iter().any(|w| w.contains("1. straight within 1%%d")), "{words:?}");
    }
}
