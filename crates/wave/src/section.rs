//! Sections with several faces, and what all faces of a section answer together.

use crate::error::{Result, WaveError, positive};
use crate::geometry::{Point, Surface};
use crate::path::{depth_m, in_steel};

/// Surfaces through which sound enters one convex section.
pub trait Faces {
    /// The faces; at least one.
    fn faces(&self) -> &[Surface];

    /// Depth of a point below the nearest face in m; negative outside the section.
    fn depth_m(&self, point: Point) -> f64 {
        self.faces().iter().map(|f| depth_m(f, point)).fold(f64::INFINITY, f64::min)
    }

    /// `Ok` for a point of the steel.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] with the depth below the face outside which it lies.
    fn holds(&self, point: Point) -> Result<()> {
        for face in self.faces() {
            let scale_m = match *face {
                Surface::Round { radius_m, .. } => radius_m,
                Surface::Flat { a, b } => a.distance(b),
            };
            in_steel(depth_m(face, point), scale_m)?;
        }
        Ok(())
    }
}

impl Faces for Surface {
    fn faces(&self) -> &[Surface] {
        std::slice::from_ref(self)
    }
}

/// A whole section: one round surface, or the flat faces of a convex bar.
///
/// Sound enters through every face that an element stands in front of. Rounded corners between flat
/// faces let no ray in here: their rays spread too fast to count.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    faces: Vec<Surface>,
}

impl Faces for Section {
    fn faces(&self) -> &[Surface] {
        &self.faces
    }
}

impl Section {
    /// A round bar.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a centre that is not finite or a radius that is not positive.
    pub fn round(centre: Point, radius_m: f64) -> Result<Self> {
        finite(centre)?;
        positive("the bar radius", radius_m, "m")?;
        Ok(Self { faces: vec![Surface::Round { centre, radius_m }] })
    }

    /// A square bar of side `side_m` whose faces end `corner_m` before the edges (radius of the
    /// corners, 0 for sharp ones), turned counter-clockwise by `turn_rad`. Faces from the one that
    /// looks up at turn 0, counter-clockwise.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for numbers that are not finite, a side that is not positive or
    /// corners outside 0 to half a side.
    pub fn square(centre: Point, side_m: f64, corner_m: f64, turn_rad: f64) -> Result<Self> {
        finite(centre)?;
        let half = positive("the side of the bar", side_m, "m")? / 2.0;
        if !(corner_m >= 0.0 && corner_m < half) {
            return Err(WaveError::OutOfRange {
                what: "the corner radius",
                value: corner_m,
                unit: "m",
                expected: "at least 0 and less than half the side",
            });
        }
        if !turn_rad.is_finite() {
            return Err(WaveError::OutOfRange {
                what: "the turn of the bar",
                value: turn_rad,
                unit: "rad",
                expected: "finite",
            });
        }
        let ends = [Point::new(half - corner_m, half), Point::new(corner_m - half, half)];
        let faces = (0..4)
            .map(|k| {
                let turn = turn_rad + f64::from(k) * std::f64::consts::FRAC_PI_2;
                let [a, b] = ends.map(|p| centre + p.rotated(turn));
                Surface::Flat { a, b }
            })
            .collect();
        Ok(Self { faces })
    }
}

fn finite(centre: Point) -> Result<()> {
    let value = centre.radius();
    if value.is_finite() {
        return Ok(());
    }
    Err(WaveError::OutOfRange {
        what: "the distance of the bar's centre from the origin",
        value,
        unit: "m",
        expected: "finite",
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed form (distances in a square, turned and moved).
    #[test]
    fn depths_of_a_square() {
        let centre = Point::new(0.1, -0.05);
        for turn in [0.0, 0.3, 2.0] {
            let bar = Section::square(centre, 0.06, 0.006, turn).expect("a square");
            let at = |x: f64, y: f64| centre + Point::new(x, y).rotated(turn);
            assert!((bar.depth_m(at(0.0, 0.0)) - 0.03).abs() < 1e-15);
            assert!((bar.depth_m(at(0.02, -0.028)) - 0.002).abs() < 1e-15);
            assert!((bar.depth_m(at(0.032, 0.0)) + 0.002).abs() < 1e-15);
            assert!(bar.holds(at(0.03, 0.01)).is_ok() && bar.holds(at(0.0301, 0.01)).is_err());
            let Surface::Flat { a, b } = bar.faces()[0] else { panic!("flat") };
            assert!((a.distance(b) - 0.048).abs() < 1e-15);
        }
    }

    #[test]
    fn sections_that_are_none_are_refused() {
        let zero = Point::default();
        assert!(Section::round(zero, 0.0).is_err() && Section::round(zero, f64::NAN).is_err());
        assert!(Section::round(Point::new(f64::NAN, 0.0), 0.03).is_err());
        for (side, corner, turn) in
            [(0.0, 0.0, 0.0), (-1.0, 0.0, 0.0), (0.06, 0.03, 0.0), (0.06, -1e-3, 0.0)]
        {
            assert!(Section::square(zero, side, corner, turn).is_err());
        }
        assert!(Section::square(zero, 0.06, f64::NAN, 0.0).is_err());
        assert!(Section::square(zero, 0.06, 0.0, f64::NAN).is_err());
    }
}
