//! Elements as line sources, and the delays that drive them.

use num_complex::Complex64;

use crate::array::Element;
use crate::error::{Result, WaveError};
use crate::geometry::Point;

use super::limits::{check_size, check_time};

/// Part of an element's face: a line source parallel to the bar.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineSource {
    /// Where it lies, relative to the bar's axis.
    pub at: Point,
    /// Its share of the element's strength.
    pub weight: f64,
}

/// The elements of one array, each a few line sources, relative to the bar's axis.
#[derive(Debug, Clone, PartialEq)]
pub struct LineArray {
    elements: Vec<Vec<LineSource>>,
    turned: Option<Turned>,
}

/// An array all of whose elements are one symmetric element turned about the bar's axis: then the
/// angular orders of one element serve for all.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Turned {
    /// Angle of each element.
    pub angles: Vec<f64>,
    /// Radius, angle to the middle and weight of the sources of one element.
    pub pattern: Vec<(f64, f64, f64)>,
}

impl LineArray {
    /// Splits elements into `sources` line sources each (3 to 5 suffice for a width of a
    /// wavelength), at the middles of equal strips across their width.
    ///
    /// `bar_centre` is where the bar's axis stands in the coordinates of the elements;
    /// `face_radius_m` is the radius of the concave face the elements form, `None` for flat ones.
    ///
    /// # Errors
    /// [`WaveError::Count`] for no element or no source; [`WaveError::OutOfRange`] for numbers
    /// that are not finite or beyond 1e100.
    pub fn new(
        elements: &[Element],
        sources: usize,
        bar_centre: Point,
        face_radius_m: Option<f64>,
    ) -> Result<Self> {
        if sources == 0 {
            return Err(WaveError::Count { what: "line sources per element", got: 0, need: 1 });
        }
        let strips = |element: &Element| -> Vec<LineSource> {
            let middle = element.centre - bar_centre;
            (0..sources)
                .map(|s| {
                    let share = (s as f64 + 0.5) / sources as f64 - 0.5;
                    let along = share * element.width_m;
                    let at = match face_radius_m {
                        Some(radius) => {
                            let focus = middle + Point::polar(radius, element.facing_rad);
                            focus + (middle - focus).rotated(along / radius)
                        }
                        None => {
                            let side = element.facing_rad + std::f64::consts::FRAC_PI_2;
                            middle + Point::polar(along, side)
                        }
                    };
                    LineSource { at, weight: 1.0 / sources as f64 }
                })
                .collect()
        };
        Self::from_sources(elements.iter().map(strips).collect())
    }

    /// An array given source by source: one list per element, positions relative to the axis.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn from_sources(elements: Vec<Vec<LineSource>>) -> Result<Self> {
        if elements.is_empty() || elements.iter().any(Vec::is_empty) {
            return Err(WaveError::Count { what: "line sources of an element", got: 0, need: 1 });
        }
        for source in elements.iter().flatten() {
            check_size("a line source's weight", source.weight, "")?;
            for value in [source.at.x, source.at.y] {
                check_size("a line source's place", value, "m")?;
            }
        }
        let turned = Turned::of(&elements);
        Ok(Self { elements, turned })
    }

    /// The same array without the shortcut for equal elements: the plain way, for comparison.
    #[must_use]
    pub fn without_shortcut(mut self) -> Self {
        self.turned = None;
        self
    }

    /// True if all elements are one element turned about the axis (an arc concentric with the
    /// bar), which makes everything much faster.
    #[must_use]
    pub fn is_concentric(&self) -> bool {
        self.turned.is_some()
    }

    /// Line sources of each element.
    #[must_use]
    pub fn elements(&self) -> &[Vec<LineSource>] {
        &self.elements
    }

    /// The same array in coordinates whose origin stands at `origin` (m) of its own.
    #[must_use]
    pub fn seen_from(&self, origin: Point) -> Self {
        let moved = |s: &LineSource| LineSource { at: s.at - origin, weight: s.weight };
        let elements: Vec<Vec<LineSource>> =
            self.elements.iter().map(|e| e.iter().map(moved).collect()).collect();
        let turned = Turned::of(&elements);
        Self { elements, turned }
    }

    pub(super) fn turned(&self) -> Option<&Turned> {
        self.turned.as_ref()
    }

    pub(super) fn nearest_m(&self) -> f64 {
        self.elements.iter().flatten().map(|s| s.at.radius()).fold(f64::INFINITY, f64::min)
    }
}

impl Turned {
    fn of(elements: &[Vec<LineSource>]) -> Option<Self> {
        let pattern_of = |sources: &[LineSource]| -> (f64, Vec<(f64, f64, f64)>) {
            let sum = sources.iter().fold(Point::default(), |sum, s| sum + s.at);
            let angle = sum.angle();
            let place = |s: &LineSource| {
                let turned = s.at.rotated(-angle);
                (turned.radius(), turned.angle(), s.weight)
            };
            (angle, sources.iter().map(place).collect())
        };
        let (_, pattern) = pattern_of(&elements[0]);
        // Positions that agree to 1e-12 of the radius give phases equal to 1e-8 at the most; in
        // practice they differ by rounding alone.
        let same = |a: &(f64, f64, f64), b: &(f64, f64, f64)| {
            (a.0 - b.0).abs() <= 1e-12 * a.0
                && (a.1 - b.1).abs() <= 1e-12
                && (a.2 - b.2).abs() <= 1e-12 * a.2.abs()
        };
        let symmetric =
            pattern.iter().zip(pattern.iter().rev()).all(|(a, b)| same(a, &(b.0, -b.1, b.2)));
        if !symmetric {
            return None;
        }
        let mut angles = Vec::with_capacity(elements.len());
        for sources in elements {
            let (angle, other) = pattern_of(sources);
            if other.len() != pattern.len() || !pattern.iter().zip(&other).all(|(a, b)| same(a, b))
            {
                return None;
            }
            angles.push(angle);
        }
        Some(Self { angles, pattern })
    }
}

/// Elements that act together, when and how strongly: one beam's transmit or receive side.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Drive {
    elements: Vec<usize>,
    delays_s: Vec<f64>,
    weights: Vec<f64>,
}

impl Drive {
    /// Elements (numbers in the array) with their delays in seconds and strength 1. An element
    /// with delay T fires at the time T, and its received signal is moved later by T.
    ///
    /// # Errors
    /// As [`Self::weighted`].
    pub fn new(elements: &[usize], delays_s: &[f64]) -> Result<Self> {
        Self::weighted(elements, delays_s, &vec![1.0; elements.len()])
    }

    /// The same with a strength for every element (apodisation, weak or dead elements).
    ///
    /// # Errors
    /// [`WaveError::Count`] if the lists differ in length; [`WaveError::OutOfRange`] for a delay
    /// beyond a second either way, a weight beyond 1e100, or values that are not finite.
    pub fn weighted(elements: &[usize], delays_s: &[f64], weights: &[f64]) -> Result<Self> {
        let need = elements.len();
        for (what, got) in [
            ("delays of the driven elements", delays_s.len()),
            ("weights of the driven elements", weights.len()),
        ] {
            if got != need {
                return Err(WaveError::Count { what, got, need });
            }
        }
        for &delay in delays_s {
            check_time("a delay", delay)?;
        }
        for &weight in weights {
            check_size("an element's weight", weight, "")?;
        }
        Ok(Self {
            elements: elements.to_vec(),
            delays_s: delays_s.to_vec(),
            weights: weights.to_vec(),
        })
    }

    /// Numbers of the elements in the array.
    #[must_use]
    pub fn elements(&self) -> &[usize] {
        &self.elements
    }

    /// Delay of each element in seconds.
    #[must_use]
    pub fn delays_s(&self) -> &[f64] {
        &self.delays_s
    }

    /// Strength of each element.
    #[must_use]
    pub fn weights(&self) -> &[f64] {
        &self.weights
    }

    /// Complex strength of each element at an angular frequency.
    pub(super) fn factors(&self, angular: Complex64) -> impl Iterator<Item = Complex64> + '_ {
        let i_omega = Complex64::i() * angular;
        self.delays_s.iter().zip(&self.weights).map(move |(&t, &w)| (i_omega * t).exp() * w)
    }
}
