//! The ring: a bar's section to scale, the probes where they stand, and what belongs to beams drawn
//! around it: rays inside, heights as spokes, places of indications.

mod spokes;

pub(crate) use spokes::{cross, diamond};

use barwright_job::technique::{Beam, Section, Technique};
use barwright_phrase::say;
use barwright_wave::{Mode, Point};

use crate::{
    frame::{self, Frame},
    palette::Palette,
    svg::{Anchor, Svg, Type, line_to, move_to},
    text,
};

/// Which rays are drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Rays {
    /// None.
    #[default]
    None,
    /// Those of every beam.
    All,
    /// Those of one probe, by its number.
    Probe(u32),
}

/// The height of one beam.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spoke {
    /// Beam by number.
    pub beam: u32,
    /// Height as a fraction of full screen height; absent where no echo was found.
    pub height_fsh: Option<f64>,
    /// The height is a lower bound.
    pub clipped: bool,
}

/// Heights of beams against the accepted band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spokes<'a> {
    /// The heights.
    pub heights: &'a [Spoke],
    /// Lower and upper edge of the accepted band, as fractions of full screen height.
    pub band_fsh: [f64; 2],
}

/// A place to be marked in the section.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place<'a> {
    /// Letter beside the mark.
    pub letter: &'a str,
    /// Where, in section coordinates.
    pub at: Point,
    /// Standard uncertainty of the place, in metres; drawn as a circle to scale.
    pub uncertainty_m: f64,
}

/// What the picture shows.
#[derive(Debug, Clone, Copy)]
pub struct Ring<'a> {
    /// The technique: section, probes and beams.
    pub technique: &'a Technique,
    /// Rays inside the section.
    pub rays: Rays,
    /// Heights in the water between section and probes.
    pub spokes: Option<Spokes<'a>>,
    /// Marked places.
    pub places: &'a [Place<'a>],
}

const SIDE: f64 = 440.0;

/// The ring as SVG text, 440 pixels wide.
#[must_use]
pub fn ring(picture: &Ring<'_>, look: &Palette) -> String {
    let t = picture.technique;
    let title = say!("Ring {} around a bar: {}", t.ring, text::section(&t.section));
    let mut svg = Svg::new(SIDE, SIDE + 58.0, title, look);
    let room = Room::of(t);
    room.ground(&mut svg, t, look);
    if let Some(spokes) = &picture.spokes {
        room.band(&mut svg, spokes, look);
    }
    let outline = frame::outline(&room.frame, &t.section, room.flat_half_width_m);
    svg.path(&outline, &look.steel, &look.ink, 1.4);
    rays(&mut svg, &room, t, picture.rays, look);
    probes(&mut svg, &room, t, look);
    if let Some(spokes) = &picture.spokes {
        for spoke in spokes.heights {
            let beam = usize::try_from(spoke.beam).ok().and_then(|i| t.beams.get(i));
            if let Some(beam) = beam {
                room.spoke(&mut svg, t, beam, spoke, spokes.band_fsh, look);
            }
        }
    }
    places(&mut svg, &room, picture.places, look);
    legend(&mut svg, &room, picture, look);
    svg.finish()
}

/// How the picture is laid out.
struct Room {
    frame: Frame,
    flat_half_width_m: f64,
    /// Radius (round) or height over the face (flat) where heights start and end, in metres.
    heights_m: (f64, f64),
    flat: bool,
    /// Pixels from the origin to the clock face.
    face: f64,
}

impl Room {
    fn of(t: &Technique) -> Self {
        let elements = || t.probes.iter().flat_map(|p| &p.elements);
        match t.section {
            Section::Flat { thickness_m } => {
                let half = frame::flat_half_width_m(thickness_m, &t.probes);
                let heights = half * 0.8;
                let scale = (SIDE - 60.0) / (2.0 * half).max(thickness_m + heights * 1.3).max(1e-6);
                Self {
                    frame: Frame { origin: (SIDE / 2.0, 40.0 + heights * 1.3 * scale), scale },
                    flat_half_width_m: half,
                    heights_m: (heights * 0.25, heights * 1.2),
                    flat: true,
                    face: 0.0,
                }
            }
            Section::Round { .. } | Section::Square { .. } => {
                let half = t.section.half_extent_m();
                let corner = match t.section {
                    Section::Square { side_m, corner_radius_m } => {
                        (side_m / 2.0 - corner_radius_m) * std::f64::consts::SQRT_2
                            + corner_radius_m
                    }
                    _ => half,
                };
                let face = elements().map(|e| e.centre.radius()).fold(f64::INFINITY, f64::min);
                let face = if face.is_finite() { face } else { half * 2.0 };
                let far = elements().map(|e| e.centre.radius()).fold(corner, f64::max);
                let scale = (SIDE / 2.0 - 62.0) / far.max(1e-6);
                let gap = (face - corner).max(0.0);
                Self {
                    frame: Frame { origin: (SIDE / 2.0, SIDE / 2.0), scale },
                    flat_half_width_m: 0.0,
                    heights_m: (corner + gap * 0.1, corner + gap * 0.94),
                    flat: false,
                    face: far * scale + 36.0,
                }
            }
        }
    }

    fn ground(&self, svg: &mut Svg, t: &Technique, look: &Palette) {
        if !self.flat {
            let far = self.face - 36.0;
            if t.media.water.is_some() {
                svg.circle(self.frame.origin, far, &look.water, "none", 0.0);
            }
            frame::clock_face(svg, &self.frame, self.face, 13.0, look);
        }
    }
}

fn probes(svg: &mut Svg, room: &Room, t: &Technique, look: &Palette) {
    svg.open("probes");
    for (i, probe) in t.probes.iter().enumerate() {
        let back_px = 20.0 / room.frame.scale;
        let mut d = String::new();
        let mut face = String::new();
        // One more half pitch at either end, so that the face is as long as the probe.
        let half = |k: usize| probe.elements.get(k).map_or(0.0, |e| e.width_m / 2.0);
        let last = probe.elements.len().saturating_sub(1);
        let edge = |k: usize| {
            let e = probe.elements.get(k)?;
            let along = Point::polar(1.0, e.facing_rad + std::f64::consts::FRAC_PI_2);
            let sign = if k == 0 { -1.0 } else { 1.0 };
            let neighbour = probe.elements.get(if k == 0 { 1 } else { k - 1 })?;
            let out = e.centre - neighbour.centre;
            let sign = if (out.x * along.x + out.y * along.y) * sign < 0.0 { -sign } else { sign };
            Some((e.centre + along * (sign * half(k)), e.facing_rad))
        };
        let mut points: Vec<(Point, f64)> = Vec::with_capacity(probe.elements.len() + 2);
        points.extend(edge(0));
        points.extend(probe.elements.iter().map(|e| (e.centre, e.facing_rad)));
        points.extend(edge(last));
        for (k, (p, _)) in points.iter().enumerate() {
            let q = room.frame.at(*p);
            if k == 0 {
                move_to(&mut d, q);
                move_to(&mut face, q);
            } else {
                line_to(&mut d, q);
                line_to(&mut face, q);
            }
        }
        for (p, facing) in points.iter().rev() {
            line_to(&mut d, room.frame.at(*p - Point::polar(back_px, *facing)));
        }
        d.push('Z');
        svg.open_titled("probe", &say!("probe {}, {} elements", i + 1, probe.elements.len()));
        svg.path(&d, &look.card, &look.soft, 0.9).path(&face, "none", &look.ink, 2.4);
        if let Some((p, facing)) = points.get(points.len() / 2) {
            let (x, y) = room.frame.at(*p - Point::polar(back_px * 0.5, *facing));
            svg.text(
                (x, y + 3.6),
                &format!("P{}", i + 1),
                Type::new(10.5, &look.ink, Anchor::Middle).bold(),
            );
        }
        svg.close();
    }
    svg.close();
}

fn rays(svg: &mut Svg, room: &Room, t: &Technique, which: Rays, look: &Palette) {
    let chosen = |b: &&Beam| match which {
        Rays::None => false,
        Rays::All => true,
        Rays::Probe(p) => b.probe == p,
    };
    // Shear waves under longitudinal ones.
    for (mode, paint, width, dashes) in
        [(Mode::S, &look.alert, 0.8, "4 2.5"), (Mode::L, &look.accent, 0.9, "none")]
    {
        svg.open(match mode {
            Mode::L => "rays-l",
            Mode::S => "rays-s",
        });
        for beam in t.beams.iter().filter(|b| b.mode == mode).filter(chosen) {
            let start = usize::try_from(beam.probe)
                .ok()
                .and_then(|i| t.probes.get(i))
                .and_then(|p| frame::aperture(p, beam.first_element, beam.elements()))
                .map_or(beam.axis.entry, |(middle, _, _)| middle);
            let end = beam.axis.entry + Point::polar(beam.axis.reach_m, beam.axis.direction_rad);
            let mut d = String::new();
            move_to(&mut d, room.frame.at(start));
            line_to(&mut d, room.frame.at(beam.axis.entry));
            line_to(&mut d, room.frame.at(end));
            svg.element(
                "path",
                &[
                    ("d", d),
                    ("fill", "none".to_owned()),
                    ("stroke", paint.clone()),
                    ("stroke-width", width.to_string()),
                    ("stroke-dasharray", dashes.to_owned()),
                    ("stroke-opacity", if which == Rays::All { "0.4" } else { "0.85" }.to_owned()),
                ],
            );
        }
        svg.close();
    }
}

fn places(svg: &mut Svg, room: &Room, places: &[Place<'_>], look: &Palette) {
    svg.open("places");
    for place in places {
        let (x, y) = room.frame.at(place.at);
        let r = (place.uncertainty_m * room.frame.scale).clamp(3.0, 40.0);
        svg.circle((x, y), r, "none", &look.alert, 1.6)
            .circle((x, y), 1.2, &look.alert, "none", 0.0)
            .text(
                (x + r + 3.0, y - r * 0.6),
                place.letter,
                Type::new(13.0, &look.ink, Anchor::Start).bold(),
            );
    }
    svg.close();
}

fn legend(svg: &mut Svg, room: &Room, picture: &Ring<'_>, look: &Palette) {
    let y = SIDE + 22.0;
    frame::scale_bar(svg, (24.0, y), &room.frame, 110.0, look);
    let words = Type::new(11.0, &look.soft, Anchor::Start);
    if picture.rays != Rays::None {
        svg.line((190.0, y), (216.0, y), &look.accent, 1.2)
            .text((222.0, y + 4.0), say!("longitudinal"), words)
            .dashed(&format!("M302 {y}L328 {y}"), &look.alert, 1.2, "4 2.5")
            .text((334.0, y + 4.0), say!("shear"), words);
    }
    if let Some(spokes) = &picture.spokes {
        let y = y + 20.0;
        let [low, high] = spokes.band_fsh.map(|h| text::number(h * 100.0, 0));
        let band = say!("band {low}–{high} % of full screen height");
        svg.rect((24.0, y - 5.0, 26.0, 10.0), &look.tint, &look.accent, 0.5).text(
            (56.0, y + 4.0),
            &band,
            words,
        );
        spokes::diamond(svg, (250.0, y), 4.2, &look.card, &look.alert);
        svg.text((260.0, y + 4.0), say!("outside"), words);
        spokes::cross(svg, (320.0, y), look);
        svg.text((330.0, y + 4.0), say!("no echo"), words);
    }
    if !room.flat {
        svg.text(
            (SIDE - 6.0, 12.0),
            say!("seen against travel"),
            Type::new(11.0, &look.soft, Anchor::End),
        );
    }
}
