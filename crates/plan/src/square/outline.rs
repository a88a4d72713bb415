//! The outline of a square with rounded corners: mouths of cracks, and what lies inside.

use std::f64::consts::{FRAC_PI_2, PI};

use barwright_job::technique::Section;
use barwright_wave::Point;

/// A place of the outline of a nominal square about the origin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mouth {
    /// Where it is, in m.
    pub point: Point,
    /// Outward normal there: angle from +x in rad.
    pub normal_rad: f64,
    /// Face it lies on, from the one that looks up, counter-clockwise; absent on a rounded corner.
    pub face: Option<usize>,
    /// Way along the face from its middle, counter-clockwise round the bar, in m; nought on a corner.
    pub along_m: f64,
}

impl Mouth {
    /// The place of the outline that is seen from the centre at an angle from +x; `None` for a section
    /// that is no square.
    #[must_use]
    pub fn at(section: &Section, angle_rad: f64) -> Option<Self> {
        let (half, corner) = size(section)?;
        let quarters = ((angle_rad - FRAC_PI_2) / FRAC_PI_2).round();
        let turn = quarters * FRAC_PI_2;
        // In the frame in which the face looks up; counter-clockwise from +y is towards -x.
        let off = angle_rad - FRAC_PI_2 - turn;
        let along = half * off.tan();
        if along.abs() <= half - corner {
            return Some(Self {
                point: Point::new(-along, half).rotated(turn),
                normal_rad: FRAC_PI_2 + turn,
                face: Some((quarters as i64).rem_euclid(4) as usize),
                along_m: along,
            });
        }
        let middle = Point::new(-(half - corner).copysign(along), half - corner);
        let heading = Point::new(-off.sin(), off.cos());
        let ahead = heading.x * middle.x + heading.y * middle.y;
        let square = ahead * ahead - middle.radius().powi(2) + corner * corner;
        let point = heading * (ahead + square.max(0.0).sqrt());
        Some(Self {
            point: point.rotated(turn),
            normal_rad: (point - middle).angle() + turn,
            face: None,
            along_m: 0.0,
        })
    }

    /// The place `aside_m` further along the same face, counter-clockwise round the bar; `None` on and
    /// beyond its rounded corners.
    #[must_use]
    pub fn beside(&self, section: &Section, aside_m: f64) -> Option<Self> {
        let (half, corner) = size(section)?;
        let (face, along_m) = (self.face?, self.along_m + aside_m);
        let turn = face as f64 * FRAC_PI_2;
        (along_m.abs() <= half - corner).then(|| Self {
            point: Point::new(-along_m, half).rotated(turn),
            along_m,
            ..*self
        })
    }

    /// The mouths at `n` angles 2π i / n, each with its share of the outline's length.
    #[must_use]
    pub fn around(section: &Section, n: usize) -> Vec<(Self, f64)> {
        let step = 2.0 * PI / n as f64;
        let at = |i: f64| Self::at(section, i * step);
        let all: Vec<(Self, f64)> = (0..n)
            .filter_map(|i| {
                let i = i as f64;
                let (before, after) = (at(i - 0.5)?.point, at(i + 0.5)?.point);
                let here = at(i)?;
                Some((here, before.distance(here.point) + here.point.distance(after)))
            })
            .collect();
        let whole: f64 = all.iter().map(|m| m.1).sum();
        all.into_iter().map(|(m, length)| (m, length / whole)).collect()
    }
}

/// Whether a point of the nominal section about the origin lies in the steel, rounded corners heeded.
#[must_use]
pub fn inside(section: &Section, p: Point) -> bool {
    let Some((half, corner)) = size(section) else { return false };
    let (x, y) = (p.x.abs(), p.y.abs());
    let arc = half - corner;
    x <= half && y <= half && (x <= arc || y <= arc || (x - arc).hypot(y - arc) <= corner)
}

fn size(section: &Section) -> Option<(f64, f64)> {
    match *section {
        Section::Square { side_m, corner_radius_m } => Some((side_m / 2.0, corner_radius_m)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed form. Perimeter 8 (h - r) + 2 π r; points on the faces and arcs of a rounded square.
    #[test]
    fn the_outline_is_that_of_a_rounded_square() {
        let section = Section::Square { side_m: 0.06, corner_radius_m: 0.006 };
        let n = 1440;
        let around = Mouth::around(&section, n);
        assert_eq!(around.len(), n);
        let length: f64 =
            (0..n).map(|i| around[i].0.point.distance(around[(i + 1) % n].0.point)).sum();
        let exact = 8.0 * 0.024 + 2.0 * PI * 0.006;
        // Chords of 0.13 mm on arcs of 6 mm: (0.13/6)²/24 of the arcs' share.
        assert!((length / exact - 1.0).abs() < 1e-4, "{length} {exact}");
        assert!((around.iter().map(|m| m.1).sum::<f64>() - 1.0).abs() < 1e-12);
        for (i, (m, _)) in around.iter().enumerate() {
            let angle = 2.0 * PI * i as f64 / n as f64;
            let off = (m.point.angle() - angle).rem_euclid(2.0 * PI);
            assert!(off.min(2.0 * PI - off) < 1e-12, "{i}");
            let normal = Point::polar(1.0, m.normal_rad);
            assert!(inside(&section, m.point - normal * 1e-9));
            assert!(!inside(&section, m.point + normal * 1e-9));
            let (x, y) = (m.point.x.abs(), m.point.y.abs());
            if m.face.is_some() {
                assert!((x.max(y) - 0.03).abs() < 1e-15);
            } else {
                assert!(((x - 0.024).hypot(y - 0.024) - 0.006).abs() < 1e-12);
            }
        }
    }
}
