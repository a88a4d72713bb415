//! Heights of beams as spokes against the accepted band.

use barwright_job::technique::{Beam, Technique};
use barwright_phrase::say;
use barwright_wave::{Mode, Point};

use super::{Room, Spoke, Spokes};
use crate::{
    frame,
    palette::Palette,
    svg::{Svg, line_to, move_to},
    text,
};

/// Highest height drawn, as a fraction of full screen height; more ends in an arrow.
const TOP_FSH: f64 = 1.2;

impl Room {
    fn level_m(&self, height_fsh: f64) -> f64 {
        let (a, b) = self.heights_m;
        a + (b - a) * height_fsh.clamp(0.0, TOP_FSH) / TOP_FSH
    }

    pub(super) fn band(&self, svg: &mut Svg, spokes: &Spokes<'_>, look: &Palette) {
        let [low, high] = spokes.band_fsh.map(|h| self.level_m(h));
        let (base, top) = (self.level_m(0.0), self.level_m(1.0));
        svg.open("band");
        if self.flat {
            let w = self.flat_half_width_m;
            let (x0, y0) = self.frame.at(Point::new(-w, high));
            let (x1, y1) = self.frame.at(Point::new(w, low));
            svg.rect((x0, y0, x1 - x0, y1 - y0), &look.tint, "none", 0.0);
            for y in [base, top] {
                let (a, b) = (self.frame.at(Point::new(-w, y)), self.frame.at(Point::new(w, y)));
                svg.line(a, b, &look.rule, 0.8);
            }
        } else {
            let (o, s) = (self.frame.origin, self.frame.scale);
            let both = frame::circle_path(o, high * s) + &frame::circle_path(o, low * s);
            svg.element(
                "path",
                &[
                    ("d", both),
                    ("fill", look.tint.clone()),
                    ("fill-rule", "evenodd".to_owned()),
                    ("stroke", look.accent.clone()),
                    ("stroke-width", "0.5".to_owned()),
                ],
            );
            svg.circle(o, base * s, "none", &look.rule, 0.8).circle(
                o,
                top * s,
                "none",
                &look.rule,
                0.8,
            );
        }
        svg.close();
    }

    pub(super) fn spoke(
        &self,
        svg: &mut Svg,
        t: &Technique,
        beam: &Beam,
        spoke: &Spoke,
        band: [f64; 2],
        look: &Palette,
    ) {
        let Some(probe) = usize::try_from(beam.probe).ok().and_then(|i| t.probes.get(i)) else {
            return;
        };
        let Some((middle, along, pitch)) =
            frame::aperture(probe, beam.first_element, beam.elements())
        else {
            return;
        };
        // Beams of one aperture stand side by side: shear waves a little to the side they go to.
        let aside = match beam.mode {
            Mode::L => 0.0,
            Mode::S => 2.6 * pitch * side(beam, along),
        };
        let foot = middle + along * aside;
        let place = |level: f64| {
            if self.flat {
                self.frame.at(Point::new(foot.x, level))
            } else {
                self.frame.at(Point::polar(level, foot.angle()))
            }
        };
        let base = place(self.level_m(0.0));
        svg.open_titled("spoke", &spoke_words(beam, spoke));
        match spoke.height_fsh {
            None => {
                cross(svg, base, look);
            }
            Some(h) => {
                let tip = place(self.level_m(h));
                let inside = (band[0]..=band[1]).contains(&h) && !spoke.clipped;
                let paint = if inside { &look.accent } else { &look.alert };
                svg.line(base, tip, paint, if inside { 1.0 } else { 1.6 });
                if spoke.clipped || h > TOP_FSH {
                    arrow(svg, base, tip, paint);
                } else if inside {
                    svg.circle(tip, 1.7, paint, "none", 0.0);
                } else {
                    diamond(svg, tip, 4.2, &look.card, paint);
                }
            }
        }
        svg.close();
    }
}

/// +1 where a beam's axis leans along the direction of rising element numbers, -1 where against.
fn side(beam: &Beam, along: Point) -> f64 {
    let d = Point::polar(1.0, beam.axis.direction_rad);
    if d.x * along.x + d.y * along.y >= 0.0 { 1.0 } else { -1.0 }
}

fn spoke_words(beam: &Beam, spoke: &Spoke) -> String {
    let height = match spoke.height_fsh {
        None => say!("no echo").to_owned(),
        Some(h) if spoke.clipped => {
            say!("at least {} % of full screen", text::number(h * 100.0, 0))
        }
        Some(h) => say!("{} % of full screen", text::number(h * 100.0, 1)),
    };
    say!("beam {} {}, probe {}: {height}", beam.id, mode(beam.mode), beam.probe + 1)
}

fn mode(mode: Mode) -> &'static str {
    match mode {
        Mode::L => "L",
        Mode::S => "S",
    }
}

/// A beam without an echo.
pub(crate) fn cross(svg: &mut Svg, (x, y): (f64, f64), look: &Palette) {
    svg.line((x - 3.5, y - 3.5), (x + 3.5, y + 3.5), &look.alert, 1.6).line(
        (x - 3.5, y + 3.5),
        (x + 3.5, y - 3.5),
        &look.alert,
        1.6,
    );
}

/// A height outside the band.
pub(crate) fn diamond(svg: &mut Svg, (x, y): (f64, f64), r: f64, fill: &str, stroke: &str) {
    let mut d = String::new();
    move_to(&mut d, (x, y - r));
    line_to(&mut d, (x + r, y));
    line_to(&mut d, (x, y + r));
    line_to(&mut d, (x - r, y));
    d.push('Z');
    svg.path(&d, fill, stroke, 1.4);
}

fn arrow(svg: &mut Svg, from: (f64, f64), tip: (f64, f64), paint: &str) {
    let (dx, dy) = (tip.0 - from.0, tip.1 - from.1);
    let length = dx.hypot(dy).max(1e-9);
    let (ux, uy) = (dx / length, dy / length);
    let mut d = String::new();
    move_to(&mut d, (tip.0 + 4.0 * ux, tip.1 + 4.0 * uy));
    line_to(&mut d, (tip.0 - 4.0 * uy - 3.0 * ux, tip.1 + 4.0 * ux - 3.0 * uy));
    line_to(&mut d, (tip.0 + 4.0 * uy - 3.0 * ux, tip.1 - 4.0 * ux - 3.0 * uy));
    d.push('Z');
    svg.path(&d, paint, "none", 0.0);
}
