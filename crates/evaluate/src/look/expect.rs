//! What a point would look like at a place: how strongly it would be heard, how wide it would be drawn, and how far its place may
//! be off. By rays, with the directivity, transmission and spreading of each element, its length along the bar included.

use barwright_wave::{
    Element, Mode, Point, Surface,
    elevation::{Spread, Strip},
    pulse::Pulse,
    ray::{self, Aperture, RayMedium},
};
use nalgebra::{Matrix2, Vector2};
use num_complex::Complex64;

/// How sound reaches the steel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Way {
    /// The array stands on it.
    Contact,
    /// Through water and a surface.
    Water(Surface),
}

/// An array, what it sends and what it sends into.
#[derive(Debug, Clone, Copy)]
pub struct Expect<'a> {
    /// Its elements.
    pub elements: &'a [Element],
    /// Way in the water at which their faces focus along the bar, in m; none for straight ones.
    pub axial_focus_m: Option<f64>,
    /// Those that are used, by number.
    pub live: &'a [usize],
    /// Its pulse.
    pub pulse: Pulse,
    /// Water (not used in contact) and steel.
    pub medium: RayMedium,
    /// How sound reaches the steel.
    pub way: Way,
}

/// What each live element hears of a place: time in s and amplitude; none where no sound comes.
type Heard = Vec<Option<(f64, f64)>>;

/// A point as it would be drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointImage {
    /// Mean over all pairs of what they would hear of it; comparable between places of one pair of modes.
    pub height: f64,
    /// Its extents along x and y within 6 dB, in m.
    pub extent_m: [f64; 2],
}

/// Half the width in which the drawing of a point is looked at, in wavelengths.
const REACH: f64 = 24.0;
/// Places of a wavelength in that look.
const FINE: f64 = 12.0;

impl Expect<'_> {
    fn arrivals(&self, mode: Mode, place: Point) -> Heard {
        let live: Vec<Element> = self.live.iter().map(|e| self.elements[*e]).collect();
        let delays = vec![0.0; live.len()];
        let aperture = Aperture { elements: &live, delays_s: &delays, weights: None };
        let (medium, f) = (&self.medium, self.pulse.centre_hz);
        let field = match self.way {
            Way::Contact => {
                let loss = &medium.attenuation;
                ray::contact_field(&medium.solid, loss, &aperture, mode, f, place)
            }
            Way::Water(surface) => ray::field(&surface, medium, &aperture, mode, f, place),
        };
        let mut heard = vec![None; live.len()];
        let c_steel = medium.solid.velocity_m_s(mode);
        for a in field.map(|f| f.arrivals).unwrap_or_default() {
            let strip = Strip { length_m: live[a.element].length_m, focus_m: self.axial_focus_m };
            let spread = match self.way {
                Way::Contact => Spread::in_steel(a.steel_m, c_steel),
                Way::Water(_) => {
                    let c_water = medium.fluid.velocity_m_s;
                    Spread::through_water(a.water_m, a.steel_m, c_water, c_steel)
                }
            };
            let along = strip.factor(0.0, &spread, f).norm();
            let amplitude = a.amplitude.norm() * a.directivity * along;
            heard[a.element] = Some((a.time_s, amplitude));
        }
        heard
    }

    /// Mean over all pairs of what they would hear of a point, by a pair of modes.
    #[must_use]
    pub fn height(&self, [out, back]: [Mode; 2], place: Point) -> f64 {
        let sum = |heard: Heard| heard.iter().flatten().map(|a| a.1).sum::<f64>();
        let there = sum(self.arrivals(out, place));
        let home = if out == back { there } else { sum(self.arrivals(back, place)) };
        there * home / (self.live.len() * self.live.len()) as f64
    }

    /// A point as it would be drawn by a pair of modes; none where no sound comes.
    #[must_use]
    pub fn point(&self, modes: [Mode; 2], place: Point) -> Option<PointImage> {
        let [there, home] = modes.map(|mode| self.arrivals(mode, place));
        let height = self.drawn(modes, [&there, &home], place)?;
        let slowest = self.medium.solid.velocity_m_s(modes[0]);
        let slowest = slowest.min(self.medium.solid.velocity_m_s(modes[1]));
        let step = slowest / self.pulse.centre_hz / FINE;
        let reach = |x: f64, y: f64| {
            let mut before = height;
            for k in 1..(REACH * FINE) as usize {
                let far = k as f64;
                let at = Point::new(place.x + far * step * x, place.y + far * step * y);
                let here = self.drawn(modes, [&there, &home], at).unwrap_or(0.0);
                if here < 0.5 * height {
                    return (far - 1.0 + (before - 0.5 * height) / (before - here)) * step;
                }
                before = here;
            }
            REACH * FINE * step
        };
        let extent_m = [reach(1.0, 0.0) + reach(-1.0, 0.0), reach(0.0, 1.0) + reach(0.0, -1.0)];
        Some(PointImage { height, extent_m })
    }

    /// The height drawn at a place of a point that was heard elsewhere.
    fn drawn(&self, modes: [Mode; 2], heard: [&Heard; 2], at: Point) -> Option<f64> {
        let late = |mode, heard: &Heard| -> Vec<Option<(f64, f64)>> {
            let times = self.times(mode, at);
            let each = heard.iter().zip(times);
            each.map(|(h, t)| h.and_then(|(time, amplitude)| Some((t? - time, amplitude))))
                .collect()
        };
        let there = late(modes[0], heard[0]);
        let home = if modes[0] == modes[1] { there.clone() } else { late(modes[1], heard[1]) };
        let mut sum = Complex64::ZERO;
        for (t, a) in there.iter().flatten() {
            for (u, b) in home.iter().flatten() {
                sum += self.pulse.analytic(t + u) * (a * b);
            }
        }
        let count = (self.live.len() * self.live.len()) as f64;
        let height = sum.norm() / count;
        (height > 0.0).then_some(height)
    }

    /// Times in s from each live element to a place.
    fn times(&self, mode: Mode, place: Point) -> Vec<Option<f64>> {
        let steel = self.medium.solid.velocity_m_s(mode);
        let time = |e: &usize| {
            let from = self.elements[*e].centre;
            match self.way {
                Way::Contact => Some(from.distance(place) / steel),
                Way::Water(surface) => {
                    let water = self.medium.fluid.velocity_m_s;
                    let path =
                        barwright_wave::path::least_time(&surface, from, place, water, steel);
                    path.ok().map(|p| p.time_s)
                }
            }
        };
        self.live.iter().map(time).collect()
    }

    /// How far a place moves along x and y when times are turned into places with other numbers: the place at which this array
    /// would draw what `other` hears at `place`. None where too few elements hear it.
    #[must_use]
    pub fn moved(&self, other: &Self, modes: [Mode; 2], place: Point) -> Option<[f64; 2]> {
        let step = 1e-6;
        let (mut normal, mut right) = (Matrix2::zeros(), Vector2::zeros());
        let mut used = 0;
        for mode in modes {
            let weights = self.arrivals(mode, place);
            let here = self.times(mode, place);
            let by_x = self.times(mode, Point::new(place.x + step, place.y));
            let by_y = self.times(mode, Point::new(place.x, place.y + step));
            let theirs = other.times(mode, place);
            for k in 0..weights.len() {
                let (Some((_, w)), Some(t), Some(x), Some(y), Some(o)) =
                    (weights[k], here[k], by_x[k], by_y[k], theirs[k])
                else {
                    continue;
                };
                let slope = Vector2::new((x - t) / step, (y - t) / step);
                normal += slope * slope.transpose() * w;
                right += slope * (o - t) * w;
                used += 1;
            }
        }
        // The sum of both ways counts; a common part of all times is the place's own depth.
        let move_by = normal.lu().solve(&right)?;
        (used > 4).then_some([move_by.x, move_by.y])
    }
}
