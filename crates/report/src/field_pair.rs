//! Two computed fields of one round bar side by side, and where they differ: levels in dB under one
//! scale, the difference under another, places of no trust hatched.

use barwright_phrase::say;
use std::f64::consts::TAU;

use barwright_wave::Point;
use base64::Engine as _;

use crate::{
    colour_bar::colour_bar,
    frame::{self, Frame},
    palette::Palette,
    shade::{self, Scale},
    svg::{Anchor, Hatch, Svg, Type, hatch, line_to, move_to, n},
};

/// What is drawn: two fields on one polar grid about the bar's axis.
///
/// Values stand ring by ring; ring `i` of `rings` lies at `radius · (i + 0.5) / rings`, angle `m` at
/// `2π m / angles` from +x.
#[derive(Debug, Clone, Copy)]
pub struct FieldPair<'a> {
    /// Words above the picture.
    pub title: &'a str,
    /// Names of the two fields.
    pub names: [&'a str; 2],
    /// Radius of the bar in metres.
    pub radius_m: f64,
    /// Number of angles of a ring.
    pub angles: usize,
    /// Levels of both fields in dB; none where there is nothing to show.
    pub levels_db: [&'a [Option<f64>]; 2],
    /// The lowest level shown, in dB.
    pub floor_db: f64,
    /// Places whose difference is shown.
    pub compared: &'a [bool],
    /// Places that are hatched in the difference.
    pub flagged: &'a [bool],
}

/// Side of a panel, and of the cells of its raster, in pixels.
const SIDE: f64 = 270.0;
const CELLS: usize = 180;
const TOP: f64 = 58.0;
const GAP: f64 = 16.0;
/// Room around what is compared, over the bar's radius.
const ROOM: f64 = 0.16;
/// Difference that takes the lightest shade, in dB.
const TOP_DIFFERENCE_DB: f64 = 3.0;
/// Levels and differences are drawn in steps: bands that the eye can count.
const STEP_DB: f64 = 1.0;
const STEP_DIFFERENCE_DB: f64 = 0.25;

/// The picture as SVG text, 890 pixels wide.
#[must_use]
pub fn field_pair(pair: &FieldPair<'_>, look: &Palette) -> String {
    let width = 3.0 * SIDE + 5.0 * GAP;
    let mut svg = Svg::new(width, TOP + SIDE + 74.0, pair.title, look);
    svg.rect((0.0, 0.0, width, TOP + SIDE + 74.0), &look.paper, "none", 0.0);
    svg.text((GAP, 26.0), pair.title, Type::new(17.0, &look.ink, Anchor::Start).bold());
    let window = Window::of(pair);
    let level = Scale { low: pair.floor_db, high: 0.0 };
    let apart = Scale { low: 0.0, high: TOP_DIFFERENCE_DB };
    let difference = format!("|{} − {}|", pair.names[1], pair.names[0]);
    let names = [pair.names[0], pair.names[1], &difference];
    for (k, name) in names.into_iter().enumerate() {
        let left = GAP + k as f64 * (SIDE + GAP) + if k == 2 { GAP } else { 0.0 };
        let panel = Panel { pair, window: &window, left };
        svg.text((left, TOP - 9.0), name, Type::new(14.0, &look.ink, Anchor::Start));
        svg.rect((left, TOP, SIDE, SIDE), &look.card, "none", 0.0);
        match k {
            2 => {
                panel.raster(&mut svg, |i| {
                    let (a, b) = (pair.levels_db[0][i]?, pair.levels_db[1][i]?);
                    pair.compared[i].then(|| apart.shade(banded((b - a).abs(), STEP_DIFFERENCE_DB)))
                });
                panel.hatching(&mut svg, look);
            }
            _ => panel.raster(&mut svg, |i| {
                let db = pair.levels_db[k][i].filter(|db| *db >= pair.floor_db)?;
                Some(level.shade(banded(db, STEP_DB)))
            }),
        }
        panel.outline(&mut svg, look);
        svg.rect((left, TOP, SIDE, SIDE), "none", &look.rule, 0.8);
    }
    let foot = TOP + SIDE + 16.0;
    colour_bar(&mut svg, (GAP, foot, 2.0 * SIDE + GAP), &level, 5.0, say!("dB re peak"), look);
    let third = 2.0 * (SIDE + GAP) + 2.0 * GAP;
    colour_bar(
        &mut svg,
        (third, foot, SIDE),
        &apart,
        0.5,
        say!("dB apart; hatched: flagged"),
        look,
    );
    let frame = window.frame(third);
    frame::scale_bar(&mut svg, (GAP + 2.0 * SIDE + GAP - 100.0, foot + 42.0), &frame, 56.0, look);
    svg.finish()
}

/// The lower edge of the band in which a value lies, moved to its middle.
fn banded(value: f64, step: f64) -> f64 {
    ((value / step).floor() + 0.5) * step
}

/// The square of the section that is shown: all that is compared, and some room.
struct Window {
    centre: Point,
    half_m: f64,
}

impl Window {
    fn of(pair: &FieldPair<'_>) -> Self {
        let (mut low, mut high) =
            (Point::new(f64::INFINITY, f64::INFINITY), Point::new(-f64::INFINITY, -f64::INFINITY));
        for (i, _) in pair.compared.iter().enumerate().filter(|(_, shown)| **shown) {
            let p = place(pair, i);
            low = Point::new(low.x.min(p.x), low.y.min(p.y));
            high = Point::new(high.x.max(p.x), high.y.max(p.y));
        }
        let whole = 1.04 * pair.radius_m;
        let half = 0.54 * (high.x - low.x).max(high.y - low.y);
        if !half.is_finite() || half + ROOM * pair.radius_m > whole {
            return Self { centre: Point::default(), half_m: whole };
        }
        let half_m = half + ROOM * pair.radius_m;
        // Not farther out than the bar.
        let inside = |v: f64| v.clamp(half_m - whole, whole - half_m);
        let middle = (low + high) * 0.5;
        Self { centre: Point::new(inside(middle.x), inside(middle.y)), half_m }
    }

    /// Where the section's axis lies in the panel that starts at `left`.
    fn frame(&self, left: f64) -> Frame {
        let scale = SIDE / (2.0 * self.half_m);
        let origin =
            (left + SIDE / 2.0 - self.centre.x * scale, TOP + SIDE / 2.0 + self.centre.y * scale);
        Frame { origin, scale }
    }

    /// Middle of a cell; rows run downwards.
    fn cell(&self, column: usize, row: usize) -> Point {
        let at = |k: usize| (2.0 * (k as f64 + 0.5) / CELLS as f64 - 1.0) * self.half_m;
        Point::new(self.centre.x + at(column), self.centre.y - at(row))
    }
}

fn rings(pair: &FieldPair<'_>) -> usize {
    pair.compared.len() / pair.angles.max(1)
}

fn place(pair: &FieldPair<'_>, index: usize) -> Point {
    let ring = (index / pair.angles) as f64 + 0.5;
    let radius = pair.radius_m * ring / rings(pair).max(1) as f64;
    Point::polar(radius, TAU * (index % pair.angles) as f64 / pair.angles as f64)
}

/// The nearest place of the grid; none outside the bar.
fn nearest(pair: &FieldPair<'_>, p: Point) -> Option<usize> {
    let rings = rings(pair);
    let ring = (p.radius() / pair.radius_m * rings as f64).floor() as usize;
    let turn = p.angle().rem_euclid(TAU) / TAU * pair.angles as f64;
    (ring < rings).then(|| ring * pair.angles + turn.round() as usize % pair.angles)
}

struct Panel<'a> {
    pair: &'a FieldPair<'a>,
    window: &'a Window,
    left: f64,
}

impl Panel<'_> {
    fn raster(&self, svg: &mut Svg, shade: impl Fn(usize) -> Option<[u8; 3]>) {
        let mut pixels = Vec::with_capacity(CELLS * CELLS * 4);
        for row in 0..CELLS {
            for column in 0..CELLS {
                let index = nearest(self.pair, self.window.cell(column, row));
                match index.and_then(&shade) {
                    Some([r, g, b]) => pixels.extend([r, g, b, 255]),
                    None => pixels.extend([0, 0, 0, 0]),
                }
            }
        }
        let Some(png) = shade::png(CELLS, CELLS, &pixels) else { return };
        let uri = base64::engine::general_purpose::STANDARD.encode(png);
        svg.element(
            "image",
            &[
                ("class", "field".to_owned()),
                ("x", n(self.left)),
                ("y", n(TOP)),
                ("width", n(SIDE)),
                ("height", n(SIDE)),
                ("image-rendering", "pixelated".to_owned()),
                ("href", format!("data:image/png;base64,{uri}")),
            ],
        );
    }

    /// Slanted lines over the flagged places that are compared.
    fn hatching(&self, svg: &mut Svg, look: &Palette) {
        let cell = SIDE / CELLS as f64;
        let up = |column: usize, row: usize| {
            nearest(self.pair, self.window.cell(column, row))
                .is_some_and(|i| self.pair.compared[i] && self.pair.flagged[i])
        };
        // Two rows at a time: the lines join, and the text stays short.
        let mut lines = String::new();
        for row in (0..CELLS).step_by(2) {
            let mut column = 0;
            while column < CELLS {
                let from = column;
                while column < CELLS && up(column, row) {
                    column += 1;
                }
                if column > from {
                    let x = self.left + from as f64 * cell;
                    let run =
                        (x, TOP + row as f64 * cell, (column - from) as f64 * cell, 2.0 * cell);
                    hatch(run, 9.0, Hatch::Rising, &mut lines);
                }
                column += 1;
            }
        }
        // White under ink, so that the lines stand on any shade.
        svg.open("flagged")
            .path(&lines, "none", &look.card, 2.0)
            .path(&lines, "none", &look.ink, 0.8)
            .close();
    }

    /// The bar's surface where it crosses the window.
    fn outline(&self, svg: &mut Svg, look: &Palette) {
        let frame = self.window.frame(self.left);
        let (mut d, mut drawing) = (String::new(), false);
        for k in 0..=720u16 {
            let p = Point::polar(self.pair.radius_m, f64::from(k) / 720.0 * TAU);
            let off = p - self.window.centre;
            if off.x.abs().max(off.y.abs()) > self.window.half_m {
                drawing = false;
                continue;
            }
            if drawing {
                line_to(&mut d, frame.at(p));
            } else {
                move_to(&mut d, frame.at(p));
            }
            drawing = true;
        }
        svg.path(&d, "none", &look.ink, 1.2);
    }
}
