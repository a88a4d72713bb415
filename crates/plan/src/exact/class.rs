//! Beams that are one beam turned about the ring, or its mirror image: one field serves them all.

use std::f64::consts::FRAC_PI_2;

use barwright_job::technique::{Axis, Beam, Probe};
use barwright_wave::{Element, Mode, Point, elevation::Strip};

use crate::beams;
use crate::echo::turn;
use crate::laws::Sketch;
use crate::response::Aperture;
use crate::ring;

/// Positions and directions that agree to this (m, rad) and delays to this share of a nanosecond are
/// the same beam.
pub(super) const SAME: f64 = 1e-9;
pub(super) const SAME_S: f64 = 1e-13;

/// A beam in its own frame: the middle of its aperture at the angle zero.
#[derive(Debug, Clone)]
pub struct Class {
    /// Kind of wave in the steel.
    pub mode: Mode,
    /// Elements of the aperture.
    pub elements: Vec<Element>,
    /// Delays of the elements in s, transmission.
    pub transmit_s: Vec<f64>,
    /// Delays of the elements in s, reception.
    pub receive_s: Vec<f64>,
    /// An element seen along the bar.
    pub strip: Strip,
    /// The axis in the steel.
    pub axis: Axis,
    /// Time of the surface along the axis in s from firing, laws included.
    pub surface_time_s: f64,
    /// Way of the axis in the water in m.
    pub water_m: f64,
}

/// How a beam stems from its class.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Member {
    /// The class, its place in the list.
    pub class: usize,
    /// Angle of the middle of the aperture in rad.
    pub angle_rad: f64,
    /// Whether the beam is the mirror image of its class about that angle.
    pub mirrored: bool,
}

impl Member {
    /// A point about the bar's centre as its class sees it.
    #[must_use]
    pub fn into_frame(&self, p: Point) -> Point {
        let q = p.rotated(-self.angle_rad);
        if self.mirrored { Point::new(q.x, -q.y) } else { q }
    }

    /// A direction as its class sees it.
    #[must_use]
    pub fn direction(&self, angle_rad: f64) -> f64 {
        let own = turn(angle_rad - self.angle_rad);
        if self.mirrored { -own } else { own }
    }
}

/// What beams and sketches of beams have in common.
pub(crate) struct Like<'a> {
    pub aperture: Aperture<'a>,
    pub axis: Axis,
    pub surface_time_s: f64,
}

impl<'a> Like<'a> {
    pub(crate) fn beam(probes: &'a [Probe], beam: &'a Beam) -> Self {
        Self {
            aperture: Aperture::of_beam(probes, beam),
            axis: beam.axis,
            surface_time_s: beam.surface_time_s,
        }
    }

    pub(crate) fn sketch(probes: &'a [Probe], sketch: &'a Sketch, surface_time_s: f64) -> Self {
        Self { aperture: beams::aperture(probes, sketch), axis: sketch.axis, surface_time_s }
    }
}

/// Classes of some beams, and how each beam stems from one; `None` for a beam without elements.
#[must_use]
pub(crate) fn classes(beams: &[Like<'_>]) -> (Vec<Class>, Vec<Option<Member>>) {
    let mut classes: Vec<Class> = Vec::new();
    let members = beams
        .iter()
        .map(|like| {
            let (own, angle_rad, mirrored) = canonical(like)?;
            let class = classes.iter().position(|c| same(c, &own)).unwrap_or_else(|| {
                classes.push(own);
                classes.len() - 1
            });
            Some(Member { class, angle_rad, mirrored })
        })
        .collect();
    (classes, members)
}

/// A beam in its own frame, mirrored if its axis turns clockwise.
fn canonical(like: &Like<'_>) -> Option<(Class, f64, bool)> {
    let aperture = &like.aperture;
    let strip = aperture.strip()?;
    let angle = ring::middle(aperture.elements).angle();
    let inward = Point::polar(-1.0, angle);
    let along = Point::polar(1.0, like.axis.direction_rad);
    let mirrored = inward.x * along.y - inward.y * along.x > SAME;
    let point = |p: Point| {
        let q = p.rotated(-angle);
        if mirrored { Point::new(q.x, -q.y) } else { q }
    };
    let direction = |a: f64| {
        let own = turn(a - angle);
        if mirrored { -own } else { own }
    };
    let mut elements: Vec<Element> = aperture
        .elements
        .iter()
        .map(|e| Element { centre: point(e.centre), facing_rad: direction(e.facing_rad), ..*e })
        .collect();
    let mut transmit_s = aperture.transmit_s.to_vec();
    let mut receive_s = aperture.receive_s.to_vec();
    if mirrored {
        elements.reverse();
        transmit_s.reverse();
        receive_s.reverse();
    }
    let entry = point(like.axis.entry);
    let own = Class {
        mode: aperture.mode,
        water_m: ring::middle(&elements).distance(entry),
        elements,
        transmit_s,
        receive_s,
        strip,
        axis: Axis { entry, direction_rad: direction(like.axis.direction_rad), ..like.axis },
        surface_time_s: like.surface_time_s,
    };
    Some((own, angle, mirrored))
}

fn same(a: &Class, b: &Class) -> bool {
    let near = |x: f64, y: f64| (x - y).abs() <= SAME;
    let delays = |x: &[f64], y: &[f64]| x.iter().zip(y).all(|(p, q)| (p - q).abs() <= SAME_S);
    a.mode == b.mode
        && a.elements.len() == b.elements.len()
        && a.strip == b.strip
        && near(a.axis.reach_m, b.axis.reach_m)
        && near(turn(a.axis.direction_rad - b.axis.direction_rad), 0.0)
        && a.axis.entry.distance(b.axis.entry) <= SAME
        && delays(&a.transmit_s, &b.transmit_s)
        && delays(&a.receive_s, &b.receive_s)
        && a.elements.iter().zip(&b.elements).all(|(p, q)| {
            p.centre.distance(q.centre) <= SAME
                && near(turn(p.facing_rad - q.facing_rad), 0.0)
                && near(p.width_m, q.width_m)
        })
}

impl Class {
    /// Whether the class is its own mirror image.
    #[must_use]
    pub(crate) fn is_symmetric(&self) -> bool {
        let flip = |p: Point| Point::new(p.x, -p.y);
        let even = |delays: &[f64]| {
            delays.iter().zip(delays.iter().rev()).all(|(a, b)| (a - b).abs() <= SAME_S)
        };
        self.end().y.abs() <= SAME
            && even(&self.transmit_s)
            && even(&self.receive_s)
            && self
                .elements
                .iter()
                .zip(self.elements.iter().rev())
                .all(|(a, b)| a.centre.distance(flip(b.centre)) <= SAME)
    }

    /// Radius of the concave face that the elements form, and where its centre stands from the ring's;
    /// `None` if they stand on a flat one.
    #[must_use]
    pub(crate) fn face(&self) -> Option<(f64, Point)> {
        let (first, last) = (self.elements.first()?, self.elements.last()?);
        // Two faces' normals meet at the centre.
        let (a, b) = (Point::polar(1.0, first.facing_rad), Point::polar(1.0, last.facing_rad));
        let between = a.x * b.y - a.y * b.x;
        let way = last.centre - first.centre;
        let (radius, centre) = if between.abs() > SAME {
            let radius = (way.x * b.y - way.y * b.x) / between;
            (radius, first.centre + a * radius)
        } else {
            (first.centre.radius(), Point::default())
        };
        // A centre that is the ring's but for rounding is the ring's.
        let centre = if centre.radius() <= SAME { Point::default() } else { centre };
        let on_it = |e: &Element| {
            let from = e.centre - centre;
            (from.radius() - radius).abs() <= SAME
                && turn(e.facing_rad - from.angle()).abs() > FRAC_PI_2 * 1.999_999
        };
        self.elements.iter().all(on_it).then_some((radius, centre))
    }

    /// Where the axis ends.
    #[must_use]
    pub(crate) fn end(&self) -> Point {
        self.axis.entry + Point::polar(self.axis.reach_m, self.axis.direction_rad)
    }

    /// Half the width in m of the aperture as it falls on a round surface.
    #[must_use]
    pub(crate) fn half_footprint_m(&self) -> f64 {
        let span = match (self.elements.first(), self.elements.last()) {
            (Some(a), Some(b)) => a.centre.distance(b.centre) + a.width_m,
            _ => 0.0,
        };
        let from = ring::middle(&self.elements).radius();
        let radius = self.axis.entry.radius();
        (if from > radius { span * radius / from } else { span } / 2.0).max(1e-6)
    }
}
