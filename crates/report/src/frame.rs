//! From section coordinates (metres, y up) to a picture (pixels, y down), and the outline of a
//! section with the clock around it.

use std::f64::consts::{FRAC_PI_2, PI, TAU};

use barwright_job::technique::{Probe, Section};
use barwright_wave::Point;

use crate::{
    palette::Palette,
    svg::{Anchor, Svg, Type, line_to, move_to},
};

/// A scaled place for a section in a picture.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Frame {
    /// Pixels of the section's origin.
    pub origin: (f64, f64),
    /// Pixels per metre.
    pub scale: f64,
}

impl Frame {
    pub(crate) fn at(&self, p: Point) -> (f64, f64) {
        (self.origin.0 + p.x * self.scale, self.origin.1 - p.y * self.scale)
    }
}

/// Half of the width that a flat block is drawn with, in metres: the probes and a quarter more, or
/// the thickness where there are no probes.
pub(crate) fn flat_half_width_m(thickness_m: f64, probes: &[Probe]) -> f64 {
    let reach = probes
        .iter()
        .flat_map(|p| &p.elements)
        .map(|e| e.centre.x.abs() + e.width_m / 2.0)
        .fold(0.0, f64::max);
    if reach > 0.0 { reach * 1.25 } else { thickness_m * 0.6 }
}

/// Closed path of a section's outline.
pub(crate) fn outline(frame: &Frame, section: &Section, flat_half_width_m: f64) -> String {
    let mut d = String::new();
    match *section {
        Section::Round { radius_m } => {
            let r = radius_m * frame.scale;
            let (x, y) = frame.origin;
            d = circle_path((x, y), r);
        }
        Section::Square { side_m, corner_radius_m } => {
            let h = side_m / 2.0;
            let c = corner_radius_m.clamp(0.0, h);
            let mut first = true;
            for k in 0..4u8 {
                let turn = f64::from(k) * FRAC_PI_2;
                for i in 0..=8u8 {
                    let a = f64::from(i) / 8.0 * FRAC_PI_2;
                    let p = (Point::new(h - c, h - c) + Point::polar(c, a)).rotated(turn);
                    let p = frame.at(p);
                    if first {
                        move_to(&mut d, p);
                        first = false;
                    } else {
                        line_to(&mut d, p);
                    }
                }
            }
            d.push('Z');
        }
        Section::Flat { thickness_m } => {
            let w = flat_half_width_m;
            for (i, p) in [
                Point::new(-w, 0.0),
                Point::new(w, 0.0),
                Point::new(w, -thickness_m),
                Point::new(-w, -thickness_m),
            ]
            .into_iter()
            .enumerate()
            {
                let p = frame.at(p);
                if i == 0 {
                    move_to(&mut d, p);
                } else {
                    line_to(&mut d, p);
                }
            }
            d.push('Z');
        }
    }
    d
}

/// Closed path of a circle.
pub(crate) fn circle_path((x, y): (f64, f64), r: f64) -> String {
    use crate::svg::n;
    format!(
        "M{} {}A{r} {r} 0 1 0 {} {}A{r} {r} 0 1 0 {} {}Z",
        n(x + r),
        n(y),
        n(x - r),
        n(y),
        n(x + r),
        n(y),
        r = n(r)
    )
}

/// Clock positions on a circle of the given pixel radius about the frame's origin.
pub(crate) fn clock_face(svg: &mut Svg, frame: &Frame, r: f64, size: f64, look: &Palette) {
    svg.open("clock");
    for hour in 1..=12u8 {
        let a = FRAC_PI_2 - f64::from(hour) / 12.0 * TAU;
        let (x, y) = frame.origin;
        let main = hour % 3 == 0;
        let tick = if main { 7.0 } else { 4.0 };
        let p = |rr: f64| (x + rr * a.cos(), y - rr * a.sin());
        svg.line(p(r), p(r + tick), &look.soft, if main { 1.2 } else { 0.7 });
        let t = p(r + tick + size * 0.75);
        let style = Type::new(size, if main { &look.ink } else { &look.soft }, Anchor::Middle);
        svg.text(
            (t.0, t.1 + size * 0.34),
            &hour.to_string(),
            if main { style.bold() } else { style },
        );
    }
    svg.close();
}

/// A scale bar of a round length that fits into the given pixels.
pub(crate) fn scale_bar(svg: &mut Svg, at: (f64, f64), frame: &Frame, room: f64, look: &Palette) {
    let length_mm = [100.0, 50.0, 20.0, 10.0, 5.0, 2.0, 1.0]
        .into_iter()
        .find(|mm| mm * 1e-3 * frame.scale <= room)
        .unwrap_or(1.0);
    let w = length_mm * 1e-3 * frame.scale;
    let (x, y) = at;
    svg.line((x, y), (x + w, y), &look.ink, 1.4)
        .line((x, y - 4.0), (x, y + 4.0), &look.ink, 1.0)
        .line((x + w, y - 4.0), (x + w, y + 4.0), &look.ink, 1.0)
        .text(
            (x + w + 6.0, y + 4.0),
            &format!("{length_mm:.0} mm"),
            Type::new(11.0, &look.soft, Anchor::Start),
        );
}

/// Middle of an aperture, the unit vector along its elements, and the pitch in metres.
pub(crate) fn aperture(probe: &Probe, first: u32, count: u32) -> Option<(Point, Point, f64)> {
    let first = usize::try_from(first).ok()?;
    let count = usize::try_from(count).ok()?.max(1);
    let last = first.checked_add(count)?;
    let elements = probe.elements.get(first..last)?;
    let sum = elements.iter().fold(Point::default(), |s, e| s + e.centre);
    let middle = sum * (1.0 / elements.len() as f64);
    let facing = elements.get(elements.len() / 2).map_or(-FRAC_PI_2, |e| e.facing_rad);
    let along = Point::polar(1.0, facing - FRAC_PI_2 + PI);
    let pitch = match probe.elements.as_slice() {
        [a, b, ..] => a.centre.distance(b.centre),
        _ => elements.first().map_or(0.0, |e| e.width_m),
    };
    Some((middle, along, pitch))
}
