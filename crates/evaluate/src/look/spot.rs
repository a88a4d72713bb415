//! A place that stands out: how large it is, how strongly a point would show there, and how far all of that may be off.

use barwright_job::second_look::Spot as Told;
use barwright_wave::{Mode, Point, Surface, path::depth_m};

use super::{
    Spot,
    expect::{Expect, Way},
    size,
    study::{Bench, db},
};

impl Bench<'_> {
    /// What is told of a spot of a picture with a floor; `most`: what a point would show at the most favoured place.
    pub(super) fn told(
        &self,
        expect: &Expect<'_>,
        modes: [Mode; 2],
        spot: &Spot,
        floor: f64,
        most: f64,
    ) -> Told {
        let point = expect.point(modes, spot.place);
        let point_extent_m = point.map_or([f64::INFINITY; 2], |p| p.extent_m);
        let noise = floor / spot.height;
        // The width at half height moves with noise on its flanks; a step of the grid is read between places.
        let drawn_uncertainty_m: [f64; 2] = std::array::from_fn(|i| {
            let e = spot.extent_m[i];
            (e * noise).hypot(0.1 * point_extent_m[i]).hypot(0.3 * self.setup.step_m)
        });
        let sizes: [Option<(f64, f64)>; 2] = std::array::from_fn(|i| {
            let (e, p, give) = (spot.extent_m[i], point_extent_m[i], drawn_uncertainty_m[i]);
            let sure = e - p > 2.0 * give;
            sure.then(|| size::of(e, p)).flatten().map(|(middle, shape)| {
                // Little beyond a point's width stands for much size: read at both ends of what may have been drawn.
                let [less, more] =
                    [e - give, e + give].map(|e| size::of(e, p).map_or(0.0, |s| s.0));
                (middle, shape.hypot(0.5 * (more - less)))
            })
        });
        let size_m = sizes.map(|s| s.map(|(size, _)| size));
        let size_uncertainty_m: [f64; 2] =
            std::array::from_fn(|i| sizes[i].map_or(drawn_uncertainty_m[i], |(_, give)| give));
        let (depth, about_axis) = match self.found.map(|f| f.surface) {
            None => (spot.place.y, None),
            // Under the skin opposite the array, as its picture counts: beyond the axis too.
            Some(Surface::Round { centre, radius_m }) => {
                let arm = spot.place - centre;
                // Nought where the bar faces the array, counter-clockwise.
                let about = [arm.radius(), arm.x.atan2(-arm.y)];
                (spot.place.y - (centre.y - radius_m), Some(about))
            }
            Some(surface @ Surface::Flat { .. }) => (depth_m(&surface, spot.place), None),
        };
        Told {
            place: spot.place,
            place_uncertainty_m: self.place_uncertainty(expect, modes, spot, noise),
            depth_m: depth,
            about_axis,
            height: spot.height,
            over_floor_db: db(spot.height / floor),
            // The most favoured place was looked for on a net: it may lie between.
            sensitivity_db: point
                .map_or(f64::NEG_INFINITY, |p| db(p.height / most))
                .clamp(-200.0, 0.0),
            extent_m: spot.extent_m,
            point_extent_m: point_extent_m.map(|e| if e.is_finite() { e } else { 0.0 }),
            size_m,
            size_uncertainty_m: size_uncertainty_m
                .map(|u: f64| if u.is_finite() { u } else { 0.0 }),
            clipped_share: self.clipped_share(modes, spot.place),
        }
    }

    /// Velocities, the surface, noise and the grid.
    fn place_uncertainty(
        &self,
        expect: &Expect<'_>,
        modes: [Mode; 2],
        spot: &Spot,
        noise: f64,
    ) -> [f64; 2] {
        let mut square = [0.0; 2];
        let mut add = |parts: Option<[f64; 2]>| {
            for (sum, part) in square.iter_mut().zip(parts.unwrap_or_default()) {
                *sum += part * part;
            }
        };
        let [steel, water] = self.setup.uncertainty_rel;
        let mut other = *expect;
        other.medium.solid.longitudinal_m_s *= 1.0 + steel;
        other.medium.solid.shear_m_s *= 1.0 + steel;
        add(expect.moved(&other, modes, spot.place));
        if let Some(found) = self.found {
            // The surface was found with the same velocity: it moves along.
            let mut other = *expect;
            other.medium.fluid.velocity_m_s *= 1.0 + water;
            let reach = |p: Point| Point::new(p.x, p.y * (1.0 + water));
            other.way = Way::Water(match found.surface {
                Surface::Round { centre, radius_m } => {
                    let skin = (centre.y - radius_m) * (1.0 + water);
                    Surface::Round { centre: Point::new(centre.x, skin + radius_m), radius_m }
                }
                Surface::Flat { a, b } => Surface::Flat { a: reach(a), b: reach(b) },
            });
            let by = other.moved(expect, modes, spot.place);
            add(by);
            add(Some([0.0, found.uncertainty_m]));
        }
        // A maximum among noise: a quarter of its width over the ratio. The grid is read between places, the better the more of
        // them lie on its width.
        let step = self.setup.step_m;
        let chance = |e: f64| (0.25 * e * noise).hypot(0.1 * step * (step / e).min(3.0));
        add(Some([chance(spot.extent_m[0]), chance(spot.extent_m[1])]));
        square.map(f64::sqrt)
    }

    fn clipped_share(&self, modes: [Mode; 2], place: Point) -> f64 {
        let [out, back] = modes.map(|mode| self.times(mode, place));
        let mut full = 0;
        let mut pairs = 0;
        for (k, t) in out.iter().enumerate() {
            for (l, u) in back.iter().enumerate().skip(k) {
                let (Some(t), Some(u)) = (t, u) else { continue };
                pairs += 1;
                full += usize::from(self.records.was_full(k, l, t + u));
            }
        }
        full as f64 / f64::from(pairs.max(1))
    }
}
