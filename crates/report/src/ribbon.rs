//! The ribbon: a bar unrolled, metres along and clock position up, with the inspected share above
//! and the cut plan below on the same axis. Not inspected is hatched and never looks clean.

mod cut;

pub(crate) use cut::saw_cut;

use barwright_phrase::say;
use std::f64::consts::{PI, TAU};

use barwright_job::{
    judgement::{CutPlan, Indication},
    proof::FlawClass,
    screened::{InspectedShare, Lost},
    technique::Section,
};
use base64::Engine as _;

use crate::{
    figures::{sized, way, way_m, way_unit},
    palette::Palette,
    shade::Scale,
    svg::{Anchor, Hatch, Svg, Type, hatch, line_to, move_to, n},
    text,
};

/// Heights over the unrolled bar; index `ia * nz + iz`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heights<'a> {
    /// Cells along the bar, over its whole length.
    pub nz: usize,
    /// Cells across: clock positions from 6 o'clock over 9, 12 and 3 back to 6 (round and square),
    /// or depths from the face to the far wall (flat).
    pub na: usize,
    /// Largest height in each cell, as a fraction of full screen height; absent where no echo was
    /// read.
    pub fsh: &'a [Option<f32>],
}

/// What the ribbon shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ribbon<'a> {
    /// Length of the bar in metres.
    pub length_m: f64,
    /// Its section.
    pub section: Section,
    /// Stretches that were not inspected.
    pub lost: &'a [Lost],
    /// Inspected share by flaw class.
    pub inspected: &'a [InspectedShare],
    /// Indications.
    pub indications: &'a [Indication],
    /// How the bar is cut; absent before it is judged.
    pub cut: Option<&'a CutPlan>,
    /// Heights, where they are at hand.
    pub heights: Option<Heights<'a>>,
    /// The stretch that is drawn, in metres from the head end; absent: the whole bar.
    pub window_m: Option<[f64; 2]>,
}

/// Shortest stretch that is drawn, in metres: a few pulses.
pub const SHORTEST_WINDOW_M: f64 = 0.02;

const WIDTH: f64 = 760.0;
const LEFT: f64 = 84.0;
const RIGHT: f64 = 16.0;
const ACROSS: f64 = 150.0;

/// Where head end and tail end of the bar stand across the picture, in its pixels, so that pages
/// can say which place lies under the pointer.
pub const ALONG_PX: [f64; 2] = [LEFT, WIDTH - RIGHT];

/// Where the bar stands up and down the picture, in its pixels: top and height, for as many inspected
/// shares as stand above it.
#[must_use]
pub fn across_px(shares: usize) -> [f64; 2] {
    [26.0 + shares as f64 * 20.0, ACROSS]
}

/// The ribbon as SVG text, 760 pixels wide.
#[must_use]
pub fn ribbon(bar: &Ribbon<'_>, look: &Palette) -> String {
    let [top, _] = across_px(bar.inspected.len());
    let cut_room = if bar.cut.is_some() { 78.0 } else { 6.0 };
    let height = top + ACROSS + 34.0 + cut_room;
    let title = say!("Bar unrolled, {} {} long", way(bar.length_m, 3), way_unit());
    let mut svg = Svg::new(WIDTH, height, title, look);
    let axis = Axis::of(bar, top);
    shares_above(&mut svg, bar, &axis, look);
    body(&mut svg, bar, &axis, look);
    indications(&mut svg, bar, &axis, look);
    metres(&mut svg, &axis, look);
    if let Some(cut) = bar.cut {
        cut::cut_plan(&mut svg, cut, &axis, look);
    }
    svg.finish()
}

struct Axis {
    length_m: f64,
    /// The stretch that is drawn.
    from_m: f64,
    to_m: f64,
    section: Section,
    top: f64,
}

impl Axis {
    fn of(bar: &Ribbon<'_>, top: f64) -> Self {
        let length_m = bar.length_m.max(1e-6);
        let [from_m, to_m] = window_within(bar.window_m.unwrap_or([0.0, length_m]), length_m);
        Self { length_m, from_m, to_m, section: bar.section, top }
    }

    fn x(&self, z_m: f64) -> f64 {
        let share = (z_m - self.from_m) / (self.to_m - self.from_m);
        LEFT + (WIDTH - LEFT - RIGHT) * share.clamp(0.0, 1.0)
    }

    /// Whether anything of a stretch is drawn. Of a whole bar everything is, also what has broken
    /// numbers: not inspected never looks clean.
    fn meets(&self, from_m: f64, to_m: f64) -> bool {
        let whole = self.from_m <= 0.0 && self.to_m >= self.length_m;
        whole || !(from_m > self.to_m || to_m < self.from_m)
    }

    fn stretch(&self, from_m: f64, to_m: f64) -> (f64, f64) {
        let (a, b) = (self.x(from_m), self.x(to_m));
        (a, (b - a).max(0.8))
    }

    fn flat_m(&self) -> Option<f64> {
        match self.section {
            Section::Flat { thickness_m } => Some(thickness_m.max(1e-6)),
            _ => None,
        }
    }

    /// Height in the picture of an indication: its clock position, or its depth.
    fn y(&self, i: &Indication) -> f64 {
        match self.flat_m() {
            Some(thickness) => self.top + ACROSS * (i.depth_m / thickness).clamp(0.0, 1.0),
            None => self.y_of_angle(i.place.angle()),
        }
    }

    /// 6 o'clock at the bottom, then 9, 12, 3, and 6 again at the top.
    fn y_of_angle(&self, angle_rad: f64) -> f64 {
        let turn = (-PI / 2.0 - angle_rad).rem_euclid(TAU) / TAU;
        self.top + ACROSS * (1.0 - turn)
    }
}

/// The part of a wanted stretch that can be drawn of a bar: within it, and not too short.
fn window_within([from_m, to_m]: [f64; 2], length_m: f64) -> [f64; 2] {
    let finite = from_m.is_finite() && to_m.is_finite() && from_m < to_m;
    if !finite {
        return [0.0, length_m];
    }
    let span_m = (to_m - from_m).clamp(SHORTEST_WINDOW_M.min(length_m), length_m);
    let from_m = from_m.clamp(0.0, length_m - span_m);
    [from_m, from_m + span_m]
}

fn shares_above(svg: &mut Svg, bar: &Ribbon<'_>, axis: &Axis, look: &Palette) {
    if !bar.inspected.is_empty() {
        svg.text((LEFT - 8.0, 11.0), say!("inspected"), Type::new(10.5, &look.soft, Anchor::End));
    }
    for (k, share) in bar.inspected.iter().enumerate() {
        let y = 24.0 + 20.0 * k as f64;
        svg.open("inspected");
        svg.text(
            (LEFT - 8.0, y + 4.0),
            &format!("{} {} %", short(share.class), text::percent(share.share, 1)),
            Type::new(11.0, &look.ink, Anchor::End),
        );
        let (x0, w) = axis.stretch(0.0, axis.length_m);
        svg.rect((x0, y - 4.0, w, 8.0), &look.accent, "none", 0.0);
        let mut lines = String::new();
        let drawn = |l: &&Lost| l.class == share.class && axis.meets(l.from_m, l.to_m);
        for lost in bar.lost.iter().filter(drawn) {
            let (x, w) = axis.stretch(lost.from_m, lost.to_m);
            svg.rect((x, y - 4.5, w, 9.0), &look.card, "none", 0.0);
            hatch((x, y - 4.0, w, 8.0), 5.0, direction(share.class), &mut lines);
        }
        svg.path(&lines, "none", &look.ink, 0.8);
        svg.close();
    }
}

fn short(class: FlawClass) -> &'static str {
    match class {
        FlawClass::Disc => say!("volume"),
        FlawClass::Crack => say!("surface"),
    }
}

fn direction(class: FlawClass) -> Hatch {
    match class {
        FlawClass::Disc => Hatch::Rising,
        FlawClass::Crack => Hatch::Falling,
    }
}

fn body(svg: &mut Svg, bar: &Ribbon<'_>, axis: &Axis, look: &Palette) {
    let (x0, w) = axis.stretch(0.0, axis.length_m);
    svg.open("bar");
    svg.rect((x0, axis.top, w, ACROSS), &look.steel, "none", 0.0);
    if let Some(h) = &bar.heights {
        shade(svg, h, axis);
    }
    match axis.flat_m() {
        Some(thickness) => {
            for k in 0..=2u8 {
                let part = f64::from(k) / 2.0;
                side_label(svg, axis, axis.top + ACROSS * part, &sized(thickness * part, 0), look);
            }
        }
        None => {
            for (part, words) in
                [(0.0, say!("6 o'clock")), (0.25, "3"), (0.5, "12"), (0.75, "9"), (1.0, "6")]
            {
                side_label(svg, axis, axis.top + ACROSS * part, words, look);
            }
        }
    }
    for lost in bar.lost.iter().filter(|l| axis.meets(l.from_m, l.to_m)) {
        let (x, w) = axis.stretch(lost.from_m, lost.to_m);
        let mut lines = String::new();
        hatch((x, axis.top, w, ACROSS), 7.0, direction(lost.class), &mut lines);
        svg.open_titled(
            "not-inspected",
            &say!(
                "not inspected, {}: {} to {} {}, {}",
                text::class(lost.class),
                way(lost.from_m, 3),
                way(lost.to_m, 3),
                way_unit(),
                lost.cause.words()
            ),
        );
        svg.element(
            "rect",
            &[
                ("x", n(x)),
                ("y", n(axis.top)),
                ("width", n(w)),
                ("height", n(ACROSS)),
                ("fill", look.card.clone()),
                ("fill-opacity", "0.75".to_owned()),
            ],
        );
        svg.path(&lines, "none", &look.ink, 0.7).close();
    }
    svg.rect((x0, axis.top, w, ACROSS), "none", &look.ink, 1.2);
    svg.close();
}

fn side_label(svg: &mut Svg, axis: &Axis, y: f64, words: &str, look: &Palette) {
    let x = LEFT - 8.0;
    svg.line((LEFT - 5.0, y), (LEFT, y), &look.soft, 0.8);
    if y > axis.top + 1.0 && y < axis.top + ACROSS - 1.0 {
        svg.element(
            "path",
            &[
                ("d", format!("M{LEFT} {}H{}", n(y), WIDTH - RIGHT)),
                ("stroke", look.rule.clone()),
                ("stroke-width", "0.7".to_owned()),
            ],
        );
    }
    svg.text((x, y + 4.0), words, Type::new(11.0, &look.soft, Anchor::End));
}

/// One column of the image a pixel of the picture: the largest height of the cells it covers.
fn shade(svg: &mut Svg, heights: &Heights<'_>, axis: &Axis) {
    let columns = (WIDTH - LEFT - RIGHT) as usize;
    let cell = |z_m: f64| z_m / axis.length_m * heights.nz as f64;
    let edge = |column: usize| {
        cell(axis.from_m + (axis.to_m - axis.from_m) * column as f64 / columns as f64)
    };
    let covered = |column: usize| {
        let from = (edge(column).floor() as usize).min(heights.nz.saturating_sub(1));
        from..(edge(column + 1).ceil() as usize).clamp(from + 1, heights.nz.max(from + 1))
    };
    let scale = Scale { low: 0.0, high: 1.0 };
    let mut pixels = Vec::with_capacity(columns * heights.na * 4);
    for row in 0..heights.na {
        // Clock positions count upwards from the bottom; depths downwards from the face.
        let ia = heights.na - 1 - row;
        for column in 0..columns {
            let cells = covered(column);
            let row = heights.fsh.get(ia * heights.nz + cells.start..ia * heights.nz + cells.end);
            match row.into_iter().flatten().copied().flatten().reduce(f32::max) {
                Some(h) => {
                    let [r, g, b] = scale.shade(f64::from(h));
                    pixels.extend([r, g, b, 255]);
                }
                None => pixels.extend([0, 0, 0, 0]),
            }
        }
    }
    if let Some(png) = crate::shade::png(columns, heights.na, &pixels) {
        let uri = base64::engine::general_purpose::STANDARD.encode(png);
        let (x, y, w, h) = (LEFT, axis.top, WIDTH - LEFT - RIGHT, ACROSS);
        svg.element(
            "image",
            &[
                ("class", "heights".to_owned()),
                ("x", n(x)),
                ("y", n(y)),
                ("width", n(w)),
                ("height", n(h)),
                ("preserveAspectRatio", "none".to_owned()),
                ("image-rendering", "pixelated".to_owned()),
                ("href", format!("data:image/png;base64,{uri}")),
            ],
        );
    }
}

/// Outlined shapes: a lens for the volume, a bar with ticks for a crack at the surface.
fn indications(svg: &mut Svg, bar: &Ribbon<'_>, axis: &Axis, look: &Palette) {
    svg.open("indications");
    let mut lettered: Vec<(f64, f64)> = Vec::new();
    for i in bar.indications.iter().filter(|i| axis.meets(i.from_m, i.to_m)) {
        let (x, w) = axis.stretch(i.from_m, i.to_m);
        let (cx, y) = (x + w / 2.0, axis.y(i));
        let half = (w / 2.0).max(4.0);
        svg.open_titled(
            "indication",
            &say!(
                "{}: {}, {} to {} {}, size {}",
                i.letter,
                text::class(i.class),
                way(i.from_m, 3),
                way(i.to_m, 3),
                way_unit(),
                sized(i.size_m, 2)
            ),
        );
        let mut d = String::new();
        match i.class {
            FlawClass::Disc => {
                move_to(&mut d, (cx - half, y));
                line_to(&mut d, (cx, y - 5.0));
                line_to(&mut d, (cx + half, y));
                line_to(&mut d, (cx, y + 5.0));
            }
            FlawClass::Crack => {
                move_to(&mut d, (cx - half, y - 3.0));
                line_to(&mut d, (cx + half, y - 3.0));
                line_to(&mut d, (cx + half, y + 3.0));
                line_to(&mut d, (cx - half, y + 3.0));
            }
        }
        d.push('Z');
        svg.path(&d, &look.card, &look.alert, 1.6);
        // A letter only where it can be read; the table has them all.
        let at = (cx, if y < axis.top + 20.0 { y + 18.0 } else { y - 8.0 });
        let clear = lettered
            .iter()
            .rev()
            .take(200)
            .all(|p| (p.0 - at.0).abs() > 14.0 || (p.1 - at.1).abs() > 11.0);
        if clear {
            // A plate, so that the letter can be read on any shade of the map.
            let wide = 4.5 * i.letter.len() as f64 + 3.0;
            let mut plate = String::new();
            move_to(&mut plate, (at.0 - wide, at.1 - 11.5));
            line_to(&mut plate, (at.0 + wide, at.1 - 11.5));
            line_to(&mut plate, (at.0 + wide, at.1 + 2.5));
            line_to(&mut plate, (at.0 - wide, at.1 + 2.5));
            plate.push('Z');
            svg.path(&plate, &look.card, &look.ink, 0.6);
            svg.text(at, &i.letter, Type::new(13.0, &look.ink, Anchor::Middle).bold());
            lettered.push(at);
        }
        svg.close();
    }
    svg.close();
}

/// Steps of an axis: one, two or five times a power of ten, at most `most` of them.
pub(crate) fn step_of(length: f64, most: f64) -> f64 {
    let raw = (length / most).max(1e-12);
    let power = 10f64.powf(raw.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|k| k * power)
        .find(|s| *s >= raw * (1.0 - 1e-9))
        .unwrap_or(10.0 * power)
}

fn metres(svg: &mut Svg, axis: &Axis, look: &Palette) {
    let y = axis.top + ACROSS;
    // In the reader's unit along a bar.
    let unit_m = way_m();
    let (from, to) = (axis.from_m / unit_m, axis.to_m / unit_m);
    let step = step_of(to - from, 12.0);
    let decimals = if step >= 1.0 {
        0
    } else if step >= 0.1 {
        1
    } else {
        2 + usize::from(step < 0.01)
    };
    svg.open("metres");
    let mut k = (from / step - 1e-9).ceil();
    while k * step <= to + 1e-9 {
        let x = axis.x(k * step * unit_m);
        svg.line((x, y), (x, y + 5.0), &look.soft, 0.8).text(
            (x, y + 17.0),
            &text::number(k * step, decimals),
            Type::new(11.0, &look.ink, Anchor::Middle),
        );
        k += 1.0;
    }
    let words = say!("{} from head", way_unit());
    svg.text((LEFT - 16.0, y + 17.0), &words, Type::new(10.5, &look.soft, Anchor::End)).close();
}

#[cfg(test)]
mod tests {
    use super::*;

    // Closed form: steps are one, two or five times a power of ten and few enough.
    #[test]
    fn axis_steps_are_round_and_few() {
        for length in [0.015, 0.7, 3.0, 11.8, 250.0] {
            let step = step_of(length, 12.0);
            assert!(length / step <= 12.0 + 1e-6, "{length}: {step}");
            let lead = step / 10f64.powf(step.log10().floor());
            assert!(
                [1.0, 2.0, 5.0, 10.0].iter().any(|k| (lead - k).abs() < 1e-6),
                "{length}: {step}"
            );
        }
    }

    // Own rule: whatever stretch is asked for, one within the bar is drawn.
    #[test]
    fn a_window_lies_within_the_bar() {
        let whole = [0.0, 6.0];
        assert_eq!(window_within([1.0, 2.0], 6.0), [1.0, 2.0]);
        assert_eq!(window_within([-1.0, 1.0], 6.0), [0.0, 2.0]);
        assert_eq!(window_within([5.5, 6.5], 6.0), [5.0, 6.0]);
        assert_eq!(window_within([-9.0, 99.0], 6.0), whole);
        for wrong in [[f64::NAN, 1.0], [0.0, f64::INFINITY], [2.0, 1.0], [1.0, 1.0]] {
            assert_eq!(window_within(wrong, 6.0), whole);
        }
        let [from, to] = window_within([3.0, 3.0 + 1e-9], 6.0);
        // Tolerance: rounding of a sum.
        assert!(from == 3.0 && (to - from - SHORTEST_WINDOW_M).abs() < 1e-12);
        assert_eq!(window_within([0.0, 1.0], 0.01), [0.0, 0.01]);
    }

    // Closed form: the clock from the bottom up is 6, 9, 12, 3.
    #[test]
    fn the_clock_runs_up_from_six() {
        let section = Section::Round { radius_m: 0.02 };
        let axis = Axis { length_m: 1.0, from_m: 0.0, to_m: 1.0, section, top: 0.0 };
        let part = |deg: f64| 1.0 - axis.y_of_angle(deg.to_radians()) / ACROSS;
        // Tolerance: rounding of degrees to rad.
        assert!((part(180.0) - 0.25).abs() < 1e-9);
        assert!((part(90.0) - 0.5).abs() < 1e-9);
        assert!((part(0.0) - 0.75).abs() < 1e-9);
    }
}
