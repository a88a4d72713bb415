//! Margins over the section as a raster of square places, with what is not seen hatched; rings about
//! the centre are resampled to one.

use std::{borrow::Cow, f64::consts::TAU};

use barwright_wave::Point;
use base64::Engine as _;

use crate::{
    frame::Frame,
    palette::Palette,
    places::ring_edges,
    shade::{self, Scale},
    svg::{Svg, line_to, move_to, n},
};

/// Square places; index `iy * nx + ix` at `origin + (ix, iy)·step_m`.
pub(super) struct Raster<'a> {
    pub origin: Point,
    pub step_m: f64,
    pub nx: usize,
    pub ny: usize,
    pub margin: Cow<'a, [Option<f32>]>,
    pub asked: Cow<'a, [bool]>,
}

/// Spacing of the hatching, and the steps in which its lines are followed, in pixels.
const HATCH: f64 = 6.0;
const FOLLOW: f64 = 0.5;

impl Raster<'_> {
    pub(super) fn draw(&self, svg: &mut Svg, frame: &Frame, scale: &Scale, look: &Palette) {
        let cell = self.step_m * frame.scale;
        if self.nx == 0 || self.ny == 0 || !(cell.is_finite() && cell > 0.0) {
            return;
        }
        let half = self.step_m / 2.0;
        let (x0, y1) = frame.at(Point::new(self.origin.x - half, self.origin.y - half));
        let (w, h) = (cell * self.nx as f64, cell * self.ny as f64);
        if let Some(png) = self.png(scale) {
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
        let lines = self.hatching((x0, y1 - h, w, h), cell);
        svg.open("unseen")
            .path(&lines, "none", &look.card, 2.2)
            .path(&lines, "none", &look.ink, 0.9)
            .close();
    }

    /// The picture's rows run downwards, the raster's upwards.
    fn png(&self, scale: &Scale) -> Option<Vec<u8>> {
        let mut pixels = Vec::new();
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
        shade::png(self.nx, self.ny, &pixels)
    }

    fn unseen(&self, i: usize) -> bool {
        self.asked.get(i).copied().unwrap_or(false)
            && self.margin.get(i).copied().flatten().is_none_or(|db| db < 0.0)
    }

    /// Rising lines through the picture, drawn where they pass over what is not seen.
    fn hatching(&self, (x0, y0, w, h): (f64, f64, f64, f64), cell: f64) -> String {
        let mut d = String::new();
        // Where the raster is larger than any picture there is nothing to follow.
        if !(w < 4000.0 && h < 4000.0) {
            return d;
        }
        let over = |x: f64, y: f64| {
            let (ix, iy) = (((x - x0) / cell).floor(), ((y0 + h - y) / cell).floor());
            let inside = ix >= 0.0 && iy >= 0.0 && ix < self.nx as f64 && iy < self.ny as f64;
            inside && self.unseen(iy as usize * self.nx + ix as usize)
        };
        let mut k = ((x0 + y0) / HATCH).ceil();
        while k * HATCH < x0 + y0 + w + h {
            let c = k * HATCH;
            let (from, to) = (x0.max(c - y0 - h), (x0 + w).min(c - y0));
            let steps = ((to - from) / FOLLOW).ceil().max(0.0) as usize;
            let at = |s: usize| (from + FOLLOW * s as f64).min(to);
            let mut start = None;
            for s in 0..=steps {
                let x = at(s) + FOLLOW / 2.0;
                let dark = s < steps && over(x, c - x);
                match (start, dark) {
                    (None, true) => start = Some(at(s)),
                    (Some(a), false) => {
                        move_to(&mut d, (a, c - a));
                        line_to(&mut d, (at(s), c - at(s)));
                        start = None;
                    }
                    _ => {}
                }
            }
            k += 1.0;
        }
        d
    }
}

/// Margins on rings about the centre; index `i * angles + j` at `radii_m[i]` and `2π j / angles`.
pub(super) struct Rings<'a> {
    pub radii_m: &'a [f64],
    pub angles: usize,
    pub margin: &'a [Option<f32>],
    pub asked: &'a [bool],
    pub bar_radius_m: f64,
}

/// Places across the raster that rings are resampled to: about one for each pixel on a page.
const ACROSS: usize = 281;

impl Rings<'_> {
    /// The value of the nearest place of the rings at every place of a raster; bare where no ring
    /// is near.
    pub(super) fn raster(&self) -> Option<Raster<'static>> {
        let edges = ring_edges(self.radii_m, self.bar_radius_m);
        let reach = edges.last()?[1];
        if !(reach.is_finite() && reach > 0.0) || self.angles == 0 {
            return None;
        }
        let step_m = 2.0 * reach / ACROSS as f64;
        let first = -reach + step_m / 2.0;
        let mut margin = Vec::with_capacity(ACROSS * ACROSS);
        let mut asked = Vec::with_capacity(ACROSS * ACROSS);
        for iy in 0..ACROSS {
            for ix in 0..ACROSS {
                let p = Point::new(first + ix as f64 * step_m, first + iy as f64 * step_m);
                let r = p.radius();
                // Rings rise: the first whose outer edge is not passed.
                let ring = edges.partition_point(|e| e[1] < r);
                let near = edges.get(ring).is_some_and(|e| e[0] <= r);
                let turn = p.angle().rem_euclid(TAU) / TAU * self.angles as f64;
                let i = ring * self.angles + turn.round() as usize % self.angles;
                margin.push(self.margin.get(i).copied().flatten().filter(|_| near));
                asked.push(near && self.asked.get(i).copied().unwrap_or(false));
            }
        }
        Some(Raster {
            origin: Point::new(first, first),
            step_m,
            nx: ACROSS,
            ny: ACROSS,
            margin: margin.into(),
            asked: asked.into(),
        })
    }
}
