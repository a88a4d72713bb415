//! The map of a proof: margin in dB over the alarm height, at places of the section or around it.
//! What is not seen is hatched, in whatever colour; what was not computed is left bare and said.

use std::f64::consts::TAU;

use barwright_job::{
    proof::{ClassProof, MarginMap},
    technique::{Probe, Section},
};
use barwright_wave::Point;
use base64::Engine as _;

use crate::{
    frame::{self, Frame},
    palette::Palette,
    shade::Scale,
    svg::{Anchor, Hatch, Svg, Type, hatch, line_to, move_to, n},
    text,
};

/// Which margin is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Case {
    /// Everything nominal.
    Nominal,
    /// Worst over the tolerances.
    Worst,
}

/// What the map shows.
#[derive(Debug, Clone, Copy)]
pub struct Map<'a> {
    /// Proof of one flaw class.
    pub class: &'a ClassProof,
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
        Case::Nominal => "nominal",
        Case::Worst => "worst case",
    };
    let title = format!("Margin, {}, {case}", text::class(map.class.class));
    let mut svg = Svg::new(SIDE + 80.0, SIDE + 26.0, title, look);
    let scale = scale_of(&map.class.map);
    let flat_half = match map.section {
        Section::Flat { thickness_m } => frame::flat_half_width_m(thickness_m, map.probes),
        _ => 0.0,
    };
    let frame = frame_of(map, flat_half);
    let outline = frame::outline(&frame, &map.section, flat_half);
    svg.path(&outline, &look.card, "none", 0.0);
    match &map.class.map {
        MarginMap::Grid { x0_m, y0_m, step_m, nx, ny, nominal_db, worst_db, asked } => {
            let grid = Grid {
                origin: Point::new(*x0_m, *y0_m),
                step_m: *step_m,
                nx: *nx,
                ny: *ny,
                margin: match map.case {
                    Case::Nominal => nominal_db,
                    Case::Worst => worst_db,
                },
                asked,
            };
            grid.draw(&mut svg, &frame, &scale, look);
        }
        MarginMap::Rim { nominal_db, worst_db } => {
            let margin = match map.case {
                Case::Nominal => nominal_db,
                Case::Worst => worst_db,
            };
            rim(&mut svg, &frame, map.section.half_extent_m(), margin, &scale, look);
        }
    }
    svg.path(&outline, "none", &look.ink, 1.4);
    if !matches!(map.section, Section::Flat { .. }) {
        let r = map.section.half_extent_m() * frame.scale;
        frame::clock_face(&mut svg, &frame, r * face_ratio(&map.section), 12.0, look);
    }
    if map.case == Case::Worst {
        weakest(&mut svg, &frame, map, look);
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

fn frame_of(map: &Map<'_>, flat_half: f64) -> Frame {
    match map.section {
        Section::Flat { thickness_m } => {
            let scale = (SIDE - 40.0) / (2.0 * flat_half).max(thickness_m).max(1e-6);
            Frame { origin: (SIDE / 2.0, (SIDE - thickness_m * scale) / 2.0), scale }
        }
        _ => Frame {
            origin: (SIDE / 2.0, SIDE / 2.0),
            scale: (SIDE / 2.0 - 26.0)
                / (map.section.half_extent_m() * face_ratio(&map.section)).max(1e-6),
        },
    }
}

/// One scale for the nominal and the worst map of a class, so that the two can be compared.
fn scale_of(map: &MarginMap) -> Scale {
    let (a, b) = match map {
        MarginMap::Grid { nominal_db, worst_db, .. } | MarginMap::Rim { nominal_db, worst_db } => {
            (nominal_db, worst_db)
        }
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

struct Grid<'a> {
    origin: Point,
    step_m: f64,
    nx: usize,
    ny: usize,
    margin: &'a [Option<f32>],
    asked: &'a [bool],
}

impl Grid<'_> {
    fn draw(&self, svg: &mut Svg, frame: &Frame, scale: &Scale, look: &Palette) {
        if self.nx == 0 || self.ny == 0 {
            return;
        }
        let cell = self.step_m * frame.scale;
        let (x0, y1) = frame
            .at(Point::new(self.origin.x - self.step_m / 2.0, self.origin.y - self.step_m / 2.0));
        let (w, h) = (cell * self.nx as f64, cell * self.ny as f64);
        // The picture's rows run downwards, the grid's upwards.
        let mut pixels = Vec::with_capacity(self.nx * self.ny * 4);
        for iy in (0..self.ny).rev() {
            for ix in 0..self.nx {
                let i = iy * self.nx + ix;
                let asked = self.asked.get(i).copied().unwrap_or(false);
                match self.margin.get(i).copied().flatten() {
                    Some(db) => {
                        let [r, g, b] = scale.shade(f64::from(db));
                        pixels.extend([r, g, b, if asked { 255 } else { 70 }]);
                    }
                    None => pixels.extend([0, 0, 0, 0]),
                }
            }
        }
        if let Some(png) = crate::shade::png(self.nx, self.ny, &pixels) {
            let uri = base64::engine::general_purpose::STANDARD.encode(png);
            svg.element(
                "image",
                &[
                    ("class", "margin".to_owned()),
                    ("x", n(x0)),
                    ("y", n(y1 - h)),
                    ("width", n(w)),
                    ("height", n(h)),
                    ("preserveAspectRatio", "none".to_owned()),
                    ("image-rendering", "pixelated".to_owned()),
                    ("href", format!("data:image/png;base64,{uri}")),
                ],
            );
        }
        let unseen = |ix: usize, iy: usize| {
            let i = iy * self.nx + ix;
            self.asked.get(i).copied().unwrap_or(false)
                && self.margin.get(i).copied().flatten().is_none_or(|db| db < 0.0)
        };
        let mut lines = String::new();
        for iy in 0..self.ny {
            let mut ix = 0;
            while ix < self.nx {
                if !unseen(ix, iy) {
                    ix += 1;
                    continue;
                }
                let from = ix;
                while ix < self.nx && unseen(ix, iy) {
                    ix += 1;
                }
                let top = y1 - cell * (iy + 1) as f64;
                let run = (x0 + cell * from as f64, top, cell * (ix - from) as f64, cell);
                hatch(run, 6.0, Hatch::Rising, &mut lines);
            }
        }
        svg.open("unseen")
            .path(&lines, "none", &look.card, 2.2)
            .path(&lines, "none", &look.ink, 0.9)
            .close();
    }
}

fn rim(
    svg: &mut Svg,
    frame: &Frame,
    radius_m: f64,
    margin: &[Option<f32>],
    scale: &Scale,
    look: &Palette,
) {
    let outer = radius_m * frame.scale;
    let inner = outer * 0.84;
    let (x, y) = frame.origin;
    let p = |r: f64, a: f64| (x + r * a.cos(), y - r * a.sin());
    let step = TAU / margin.len().max(1) as f64;
    svg.open("margin");
    for (i, value) in margin.iter().enumerate() {
        let (a, b) = ((i as f64 - 0.5) * step, (i as f64 + 0.5) * step);
        let mut d = String::new();
        move_to(&mut d, p(inner, a));
        line_to(&mut d, p(outer, a));
        line_to(&mut d, p(outer, b));
        line_to(&mut d, p(inner, b));
        d.push('Z');
        if let Some(db) = value {
            let paint = scale.hex(f64::from(*db));
            svg.path(&d, &paint, &paint, 0.4);
        }
    }
    svg.close();
    // Slanted lines at fixed angles, wherever the nearest value is not seen.
    let mut lines = String::new();
    for k in 0..180u16 {
        let a = f64::from(k) / 180.0 * TAU;
        let i = (a / step).round() as usize % margin.len().max(1);
        if margin.get(i).copied().flatten().is_none_or(|db| db < 0.0) {
            move_to(&mut lines, p(inner, a));
            line_to(&mut lines, p(outer, a + TAU / 90.0));
        }
    }
    svg.open("unseen")
        .path(&lines, "none", &look.card, 2.2)
        .path(&lines, "none", &look.ink, 0.9)
        .close()
        .circle(frame.origin, inner, "none", &look.rule, 0.8);
}

fn weakest(svg: &mut Svg, frame: &Frame, map: &Map<'_>, look: &Palette) {
    let w = &map.class.weakest;
    let (x, y) = frame.at(Point::new(w.x_m, w.y_m));
    let words = match w.margin_db {
        Some(db) => format!("weakest {} dB", text::signed(db, 1)),
        None => "weakest: not reached".to_owned(),
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
        .text((x - 2.0, top - 28.0), "margin, dB", Type::new(11.0, &look.ink, Anchor::Start))
        .text((x - 2.0, top - 14.0), "re alarm", Type::new(11.0, &look.soft, Anchor::Start))
        .text((x - 2.0, top + h + 18.0), "hatched:", Type::new(11.0, &look.ink, Anchor::Start))
        .text((x - 2.0, top + h + 32.0), "not seen", Type::new(11.0, &look.soft, Anchor::Start))
        .close();
    frame::scale_bar(svg, (14.0, SIDE + 12.0), frame, 90.0, look);
}
