//! The pictures of a second look: one panel for each pair of modes, levels in dB below the highest, what stands out numbered.

use barwright_job::second_look::{Entry, SecondLook, View};
use barwright_phrase::say;
use barwright_wave::{Mode, Surface};
use base64::Engine as _;

use crate::{
    colour_bar::colour_bar,
    palette::Palette,
    shade::{self, Scale},
    svg::{Anchor, Svg, Type, line_to, move_to, n},
    text,
};

const WIDTH: f64 = 960.0;
const NARROWEST: f64 = 520.0;
const TOP: f64 = 58.0;
const SIDE: f64 = 46.0;
const GAP: f64 = 18.0;
/// Highest panel in pixels.
const TALLEST: f64 = 620.0;
/// The lowest level shown, in dB below the highest of each picture, and its steps.
const FLOOR_DB: f64 = -30.0;
const STEP_DB: f64 = 1.0;
/// Cells of a raster along its longer side at most; finer pictures are drawn by their highest.
const CELLS: usize = 600;

/// The mode's letter, as it is written for ways there and back.
fn letter(mode: Mode) -> &'static str {
    match mode {
        Mode::L => "L",
        Mode::S => "S",
    }
}

/// A pair of modes as it is written: L-L, S-S, L-S.
#[must_use]
pub fn way(modes: [Mode; 2]) -> String {
    format!("{}-{}", letter(modes[0]), letter(modes[1]))
}

/// The picture as SVG text, 960 pixels wide at most. Depth runs downwards.
#[must_use]
pub fn second_look(seen: &SecondLook, look: &Palette) -> String {
    let count = seen.views.len().max(1) as f64;
    let room = (WIDTH - GAP - count * (SIDE + GAP)) / count;
    let ratio = seen
        .views
        .iter()
        .map(|v| f64::from(v.grid.rows) / f64::from(v.grid.columns))
        .fold(0.1, f64::max);
    let wide = room.min(TALLEST / ratio);
    let high = wide * ratio;
    let title = say!("Second look: {matrix}", matrix = &seen.matrix);
    // No wider than what is drawn and its colour bar.
    let whole = (GAP + count * (SIDE + wide + GAP)).clamp(NARROWEST, WIDTH);
    let mut svg = Svg::new(whole, TOP + high + 108.0, title.clone(), look);
    svg.rect((0.0, 0.0, whole, TOP + high + 108.0), &look.paper, "none", 0.0);
    svg.text((GAP, 26.0), &title, Type::new(17.0, &look.ink, Anchor::Start).bold());
    let scale = Scale { low: FLOOR_DB, high: 0.0 };
    for (k, view) in seen.views.iter().enumerate() {
        let left = GAP + SIDE + k as f64 * (wide + SIDE + GAP);
        let panel = Panel { seen, view, left, wide };
        panel.raster(&mut svg, &scale);
        panel.surface(&mut svg, look);
        panel.axes(&mut svg, look);
        panel.spots(&mut svg, look);
    }
    let foot = TOP + high + 50.0;
    let words = say!("dB re the highest place of each picture");
    colour_bar(&mut svg, (GAP + SIDE, foot, 420.0), &scale, 5.0, words, look);
    svg.finish()
}

struct Panel<'a> {
    seen: &'a SecondLook,
    view: &'a View,
    left: f64,
    wide: f64,
}

impl Panel<'_> {
    fn per_m(&self) -> f64 {
        self.wide / (f64::from(self.view.grid.columns) * self.view.grid.step_m)
    }

    /// Pixels of a place.
    fn at(&self, x_m: f64, y_m: f64) -> (f64, f64) {
        let grid = &self.view.grid;
        let off = |p: f64, corner: f64| (p - corner + grid.step_m / 2.0) * self.per_m();
        (self.left + off(x_m, grid.corner.x), TOP + off(y_m, grid.corner.y))
    }

    fn high(&self) -> f64 {
        f64::from(self.view.grid.rows) * self.view.grid.step_m * self.per_m()
    }

    /// Where depth counts from, in m of the frame's y: the skin opposite the array.
    fn skin_m(&self) -> f64 {
        match self.seen.entry {
            Entry::Contact => 0.0,
            Entry::Found { surface: Surface::Round { centre, radius_m }, .. } => {
                centre.y - radius_m
            }
            Entry::Found { surface: Surface::Flat { a, b }, .. } => (a.y + b.y) / 2.0,
        }
    }

    fn raster(&self, svg: &mut Svg, scale: &Scale) {
        let (columns, rows) = (self.view.grid.columns as usize, self.view.grid.rows as usize);
        let fold = columns.max(rows).div_ceil(CELLS).max(1);
        let (across, down) = (columns.div_ceil(fold), rows.div_ceil(fold));
        let mut pixels = Vec::with_capacity(across * down * 4);
        for row in 0..down {
            for column in 0..across {
                let cells = (row * fold..((row + 1) * fold).min(rows)).flat_map(|r| {
                    (column * fold..((column + 1) * fold).min(columns)).map(move |c| (c, r))
                });
                let level = cells
                    .filter_map(|(c, r)| self.view.levels.db(r * columns + c))
                    .reduce(f64::max);
                match level {
                    Some(db) => {
                        let banded = ((db.max(FLOOR_DB) / STEP_DB).floor() + 0.5) * STEP_DB;
                        let [r, g, b] = scale.shade(banded);
                        pixels.extend([r, g, b, 255]);
                    }
                    None => pixels.extend([0, 0, 0, 0]),
                }
            }
        }
        let Some(png) = shade::png(across, down, &pixels) else { return };
        let uri = base64::engine::general_purpose::STANDARD.encode(png);
        svg.element(
            "image",
            &[
                ("class", "field".to_owned()),
                ("x", n(self.left)),
                ("y", n(TOP)),
                ("width", n(self.wide)),
                ("height", n(self.high())),
                ("preserveAspectRatio", "none".to_owned()),
                ("image-rendering", "pixelated".to_owned()),
                ("href", format!("data:image/png;base64,{uri}")),
            ],
        );
    }

    /// The surface where it crosses the picture.
    fn surface(&self, svg: &mut Svg, look: &Palette) {
        let Entry::Found { surface, .. } = self.seen.entry else { return };
        let (mut d, mut drawing) = (String::new(), false);
        let points: Vec<(f64, f64)> = match surface {
            Surface::Flat { a, b } => {
                let along = |k: u16| f64::from(k) / 800.0;
                (0..=800)
                    .map(|k| (a.x + (b.x - a.x) * along(k), a.y + (b.y - a.y) * along(k)))
                    .collect()
            }
            Surface::Round { centre, radius_m } => (0..=720u16)
                .map(|k| {
                    let turn = f64::from(k) / 720.0 * std::f64::consts::TAU;
                    (centre.x + radius_m * turn.cos(), centre.y + radius_m * turn.sin())
                })
                .collect(),
        };
        for (x, y) in points {
            let p = self.at(x, y);
            let inside = (self.left..=self.left + self.wide).contains(&p.0)
                && (TOP..=TOP + self.high()).contains(&p.1);
            if inside && drawing {
                line_to(&mut d, p);
            } else if inside {
                move_to(&mut d, p);
            }
            drawing = inside;
        }
        svg.path(&d, "none", &look.ink, 1.4);
    }

    fn axes(&self, svg: &mut Svg, look: &Palette) {
        let grid = &self.view.grid;
        svg.rect((self.left, TOP, self.wide, self.high()), "none", &look.rule, 0.8);
        let way = way(self.view.modes);
        svg.text((self.left, TOP - 9.0), &way, Type::new(14.0, &look.ink, Anchor::Start).bold());
        let (wide_mm, high_mm) =
            (f64::from(grid.columns) * grid.step_m * 1e3, f64::from(grid.rows) * grid.step_m * 1e3);
        let tick = |length_mm: f64| {
            let fitting = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0];
            fitting.into_iter().find(|t| length_mm / t <= 8.0).unwrap_or(100.0)
        };
        let style = Type::new(11.5, &look.ink, Anchor::Middle);
        let bottom = TOP + self.high();
        let step = tick(wide_mm);
        let mut x = (grid.corner.x * 1e3 / step).ceil() * step;
        while x <= grid.corner.x * 1e3 + wide_mm {
            let (at, _) = self.at(x / 1e3, grid.corner.y);
            svg.line((at, bottom), (at, bottom + 5.0), &look.soft, 0.8);
            svg.text((at, bottom + 17.0), &text::number(x, 0), style);
            x += step;
        }
        let step = tick(high_mm);
        let from = (grid.corner.y - self.skin_m()) * 1e3;
        let mut y = (from / step).ceil() * step;
        while y <= from + high_mm {
            let (_, at) = self.at(grid.corner.x, self.skin_m() + y / 1e3);
            svg.line((self.left - 5.0, at), (self.left, at), &look.soft, 0.8);
            let style = Type::new(11.5, &look.ink, Anchor::End);
            svg.text((self.left - 8.0, at + 4.0), &text::number(y, 0), style);
            y += step;
        }
        let soft = Type::new(11.5, &look.soft, Anchor::Middle);
        let middle = self.left + self.wide / 2.0;
        svg.text((middle, bottom + 33.0), say!("mm from the array's middle"), soft);
        let at = (self.left - SIDE + 8.0, TOP + self.high() / 2.0);
        svg.text_turned(at, -90.0, say!("mm under the surface"), soft);
    }

    fn spots(&self, svg: &mut Svg, look: &Palette) {
        for (k, spot) in self.view.spots.iter().enumerate() {
            let (x, y) = self.at(spot.place.x, spot.place.y);
            // Ink under white, so that a ring stands on any shade.
            svg.circle((x, y), 9.0, "none", &look.ink, 3.2);
            svg.circle((x, y), 9.0, "none", &look.card, 1.4);
            let words = (k + 1).to_string();
            let right = x + 22.0 < self.left + self.wide;
            let (from, anchor) =
                if right { (x + 13.0, Anchor::Start) } else { (x - 13.0, Anchor::End) };
            let box_x = if right { from - 2.0 } else { from - 10.0 };
            svg.rect(
                (box_x, y - 8.0, 6.0 + 7.0 * words.len() as f64, 16.0),
                &look.card,
                "none",
                0.0,
            );
            svg.text((from, y + 4.5), &words, Type::new(12.5, &look.ink, anchor).bold());
        }
    }
}
