//! Least-time (Fermat) paths from the water through the surface into the steel.
//!
//! Source: Schmerr, *Fundamentals of Ultrasonic Phased Arrays* (2015), ch. 5. The travel time is
//! stationary at exactly one entry point of the visible face as long as the steel is the faster
//! medium, so a bracketed Newton iteration finds it without a search over branches.

use crate::error::{Result, WaveError, positive};
use crate::geometry::{Point, Surface};

/// A ray from the water into the steel.
///
/// Angles are measured from the inward normal at the entry. They are positive where the ray
/// advances counter-clockwise along a round surface, and towards `a` (from `b`) along a flat face:
/// on the upper face of a square section that is towards +x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Path {
    /// Travel time in s.
    pub time_s: f64,
    /// Where it enters the steel.
    pub entry: Point,
    /// Incidence angle in the water, in rad, signed.
    pub angle_in_rad: f64,
    /// Refraction angle in the steel, in rad, signed.
    pub angle_out_rad: f64,
    /// Way in the water, in m.
    pub water_m: f64,
    /// Way in the steel, in m.
    pub steel_m: f64,
}

impl Path {
    /// How many times wider the tube of a line source's ray is at its end than where it enters the
    /// steel: 1 + R₂/ρ₂, for media of these velocities and a surface of this curvature (1/m; 0 for a flat
    /// face). Positive for steel faster than water on a convex or flat face: no caustic.
    pub(crate) fn widening(&self, c_water_m_s: f64, c_steel_m_s: f64, curvature_1_m: f64) -> f64 {
        let (cos1, cos2) = (self.angle_in_rad.cos(), self.angle_out_rad.cos());
        let bent = (c_steel_m_s * cos1) / (c_water_m_s * cos2)
            * (cos1 / self.water_m + curvature_1_m)
            - curvature_1_m;
        1.0 + self.steel_m * bent / cos2
    }
}

/// Points this close to the surface, relative to its size, count as lying on it.
const ON_SURFACE: f64 = 1e-9;

/// The least-time path from a point in the water to a point in the steel, for a wave of velocity
/// `c_steel_m_s` there.
///
/// Targets on the surface are answered (straight water path, refraction by Snell's law).
///
/// # Errors
/// [`WaveError::OutOfRange`] for a source inside the steel, a target outside it or a velocity that
/// is none; [`WaveError::NoPath`] when the stationary point lies off the face or does not exist.
pub fn least_time(
    surface: &Surface,
    from: Point,
    to: Point,
    c_water_m_s: f64,
    c_steel_m_s: f64,
) -> Result<Path> {
    check(surface, from, c_water_m_s, c_steel_m_s)?;
    match *surface {
        Surface::Round { centre, radius_m } => {
            round(centre, radius_m, from, to, c_water_m_s, c_steel_m_s)
        }
        Surface::Flat { a, b } => flat(a, b, from, to, c_water_m_s, c_steel_m_s),
    }
}

/// What a path needs apart from its target: velocities, a surface and a source in the water.
///
/// # Errors
/// [`WaveError::OutOfRange`].
pub(crate) fn check(
    surface: &Surface,
    from: Point,
    c_water_m_s: f64,
    c_steel_m_s: f64,
) -> Result<()> {
    positive("the sound velocity of the water", c_water_m_s, "m/s")?;
    positive("the sound velocity of the steel", c_steel_m_s, "m/s")?;
    match *surface {
        Surface::Round { radius_m, .. } => positive("the bar radius", radius_m, "m")?,
        Surface::Flat { a, b } => positive("the length of the face", a.distance(b), "m")?,
    };
    in_water(-depth_m(surface, from))?;
    Ok(())
}

/// Depth of a point below the surface in m; negative in the water.
#[must_use]
pub fn depth_m(surface: &Surface, point: Point) -> f64 {
    match *surface {
        Surface::Round { centre, radius_m } => radius_m - point.distance(centre),
        Surface::Flat { a, b } => {
            let along = b - a;
            let from_a = point - a;
            (along.x * from_a.y - along.y * from_a.x) / along.radius()
        }
    }
}

fn no_path(from: Point, to: Point) -> WaveError {
    WaveError::NoPath { from_x_m: from.x, from_y_m: from.y, to_x_m: to.x, to_y_m: to.y }
}

pub(crate) fn in_water(clearance_m: f64) -> Result<f64> {
    if clearance_m.is_finite() && clearance_m > 0.0 {
        return Ok(clearance_m);
    }
    Err(WaveError::OutOfRange {
        what: "the distance of the source from the surface",
        value: clearance_m,
        unit: "m",
        expected: "above zero: the source stands in the water",
    })
}

/// Depth with the rounding of points on the surface removed.
pub(crate) fn in_steel(depth_m: f64, scale_m: f64) -> Result<f64> {
    if depth_m.is_finite() && depth_m >= -ON_SURFACE * scale_m {
        return Ok(depth_m.max(0.0));
    }
    Err(WaveError::OutOfRange {
        what: "the depth of the target below the surface",
        value: depth_m,
        unit: "m",
        expected: "zero or more: the target lies in the steel",
    })
}

fn round(centre: Point, a: f64, from: Point, to: Point, cf: f64, c2: f64) -> Result<Path> {
    let (e, f) = (from - centre, to - centre);
    let (re, rf) = (e.radius(), f.radius());
    let clearance = in_water(re - a)?;
    let depth = in_steel(a - rf, a)?;
    let rf = a - depth;
    // Polar angle from source to target, then mirrored so that the ray advances to positive s.
    let turn = (e.x * f.y - e.y * f.x).atan2(e.x * f.x + e.y * f.y);
    let side = if turn < 0.0 { -1.0 } else { 1.0 };
    let turn = turn.abs();
    let visible = (a / re).acos();

    // Written with half angles: no cancellation for points close to the surface.
    let water = |s: f64| clearance.hypot(2.0 * (a * re).sqrt() * (s / 2.0).sin());
    let steel = |s: f64| depth.hypot(2.0 * (a * rf).sqrt() * ((turn - s) / 2.0).sin());
    let slope = |s: f64| {
        let (d1, d2) = (water(s), steel(s));
        let (sin1, cos1) = s.sin_cos();
        let (sin2, cos2) = (turn - s).sin_cos();
        let first = a * re * sin1 / (cf * d1);
        let mut value = first;
        let mut curvature = (a * re * cos1 - cf * cf * first * first) / (cf * d1);
        if d2 > 0.0 {
            let second = a * rf * sin2 / (c2 * d2);
            value -= second;
            curvature += (a * rf * cos2 - c2 * c2 * second * second) / (c2 * d2);
        }
        (value, curvature)
    };
    // Chords straightened about the foot of the source; good to a few percent for deep targets.
    let (near, far) = (re / (cf * clearance), rf / (c2 * steel(0.0)));
    let guess = far * turn.sin() / (near + far * turn.cos());
    let s = stationary(slope, turn.min(visible), guess).ok_or_else(|| no_path(from, to))?;

    let (water_m, steel_m) = (water(s), steel(s));
    let half = (s / 2.0).sin();
    let angle_in = (re * s.sin()).atan2(clearance - 2.0 * re * half * half);
    let half_out = ((turn - s) / 2.0).sin();
    let angle_out = (rf * (turn - s).sin()).atan2(depth + 2.0 * rf * half_out * half_out);
    let path = Path {
        time_s: water_m / cf + steel_m / c2,
        entry: centre + (e * (a / re)).rotated(side * s),
        angle_in_rad: side * angle_in,
        angle_out_rad: side * angle_out,
        water_m,
        steel_m,
    };
    Ok(with_snell_at_surface(path, a, cf, c2))
}

fn flat(a: Point, b: Point, from: Point, to: Point, cf: f64, c2: f64) -> Result<Path> {
    let length = positive("the length of the face", a.distance(b), "m")?;
    let along = (b - a) * (1.0 / length);
    let inward = Point::new(-along.y, along.x);
    let local = |p: Point| {
        let d = p - a;
        (d.x * along.x + d.y * along.y, d.x * inward.x + d.y * inward.y)
    };
    let ((ue, ve), (uf, vf)) = (local(from), local(to));
    let height = in_water(-ve)?;
    let depth = in_steel(vf, length)?;
    // Mirrored so that the ray advances to positive s, counted from the source's foot.
    let side = if uf < ue { -1.0 } else { 1.0 };
    let reach = (uf - ue).abs();
    let slope = |s: f64| {
        let (d1, d2) = (height.hypot(s), depth.hypot(reach - s));
        let mut value = s / (cf * d1);
        let mut curvature = height * height / (cf * d1.powi(3));
        if d2 > 0.0 {
            value -= (reach - s) / (c2 * d2);
            curvature += depth * depth / (c2 * d2.powi(3));
        }
        (value, curvature)
    };
    let guess = reach * cf * height / (cf * height + c2 * depth);
    let s = stationary(slope, reach, guess).ok_or_else(|| no_path(from, to))?;
    let u = ue + side * s;
    if !(-ON_SURFACE * length..=length * (1.0 + ON_SURFACE)).contains(&u) {
        return Err(no_path(from, to));
    }
    let (water_m, steel_m) = (height.hypot(s), depth.hypot(reach - s));
    let path = Path {
        time_s: water_m / cf + steel_m / c2,
        entry: a + along * u,
        angle_in_rad: -side * s.atan2(height),
        angle_out_rad: -side * (reach - s).atan2(depth),
        water_m,
        steel_m,
    };
    Ok(with_snell_at_surface(path, length, cf, c2))
}

/// A way in the steel too short to have a direction takes it from Snell's law; where the target
/// was met before the least-time condition (it lies on the surface) that is the true refraction.
fn with_snell_at_surface(mut path: Path, scale_m: f64, cf: f64, c2: f64) -> Path {
    if path.steel_m <= ON_SURFACE * scale_m {
        let sine = (c2 / cf * path.angle_in_rad.sin()).clamp(-1.0, 1.0);
        path.angle_out_rad = sine.asin();
    }
    path
}

/// Root of a function in `0..=high` that is negative below and positive above it, given with its
/// derivative: Newton steps from `guess`, halving where a step would leave the bracket or grow.
/// `None` without a change of sign.
fn stationary(slope: impl Fn(f64) -> (f64, f64), high: f64, guess: f64) -> Option<f64> {
    if slope(0.0).0 >= 0.0 {
        return Some(0.0);
    }
    if slope(high).0 < 0.0 {
        return None;
    }
    let (mut low, span, mut high) = (0.0, high, high);
    let mut s = if guess > 0.0 && guess < high { guess } else { 0.5 * high };
    let mut last = span;
    // 200 halvings exhaust any bracket of f64; Newton needs four or so.
    for _ in 0..200 {
        let (value, derivative) = slope(s);
        if value < 0.0 {
            low = s;
        } else {
            high = s;
        }
        let step = value / derivative;
        let newton = s - step;
        let next = if derivative > 0.0 && newton > low && newton < high && step.abs() < last {
            last = step.abs();
            // The error left is of the order of the step squared: below rounding.
            if last <= 1e-11 * span {
                return Some(newton);
            }
            newton
        } else {
            last = 0.5 * (high - low);
            low + last
        };
        if (next - s).abs() <= 4.0 * f64::EPSILON * s || next == low || next == high {
            return Some(next);
        }
        s = next;
    }
    Some(s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const C: (f64, f64) = (1480.0, 5900.0);

    fn bar(radius_m: f64) -> Surface {
        Surface::Round { centre: Point::default(), radius_m }
    }

    // Truth: closed form. Along the axis of symmetry times are plain sums.
    #[test]
    fn straight_through_the_middle() {
        for y in [0.03, 0.015, 0.0, -0.012, -0.03] {
            let path = least_time(&bar(0.03), Point::new(0.0, 0.055), Point::new(0.0, y), C.0, C.1)
                .expect("a path");
            let exact = 0.025 / C.0 + (0.03 - y) / C.1;
            assert!((path.time_s - exact).abs() < 1e-18, "{y}: {}", path.time_s - exact);
            assert!(path.angle_in_rad.abs() < 1e-12);
        }
    }

    // Truth: published values of an open test suite (two media, flat; probe 10 mm above, point
    // 50 mm aside and 20 mm below). 1e-14 s: the values are given to ten digits.
    #[test]
    fn flat_times_meet_published_ones() {
        let face = Surface::Flat { a: Point::new(0.1, 0.0), b: Point::new(-0.1, 0.0) };
        for (x, c2, time) in [(0.05, 6320.0, 15.116_979_16e-6), (0.05, 3130.0, 23.286_235_16e-6)] {
            let path = least_time(&face, Point::new(0.0, 0.01), Point::new(x, -0.02), 1480.0, c2)
                .expect("a path");
            assert!((path.time_s - time).abs() < 1e-14, "{}", path.time_s);
            assert!(path.angle_in_rad >= 0.0, "towards +x is positive on an upper face");
        }
    }

    #[test]
    fn rays_that_miss_the_face_are_refused() {
        let face = Surface::Flat { a: Point::new(0.01, 0.0), b: Point::new(-0.01, 0.0) };
        let miss = least_time(&face, Point::new(0.03, 0.01), Point::new(0.03, -0.01), C.0, C.1);
        assert!(matches!(miss, Err(WaveError::NoPath { .. })));
        let inside = least_time(&bar(0.03), Point::new(0.0, 0.02), Point::default(), C.0, C.1);
        assert!(matches!(inside, Err(WaveError::OutOfRange { .. })));
        let outside =
            least_time(&bar(0.03), Point::new(0.0, 0.05), Point::new(0.0, 0.04), C.0, C.1);
        assert!(matches!(outside, Err(WaveError::OutOfRange { .. })));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(400))]

        // Truth: properties. Snell at the entry, no faster neighbour, rotation and mirror, for
        // targets anywhere in the bar, down to 0.1 µm below the surface.
        #[test]
        fn round_paths_are_least_times(
            radius in 0.005..0.13f64,
            gap in 0.3..3.0f64,
            depth in -7.0..0.0f64,
            at in -3.1..3.1f64,
            turn in -3.1..3.1f64,
            shear in any::<bool>(),
        ) {
            let (cf, c2) = (1480.0, if shear { 3230.0 } else { 5900.0 });
            let from = Point::new(0.0, radius * (1.0 + gap));
            let to = Point::polar(radius * (1.0 - 10f64.powf(depth)), at);
            let surface = bar(radius);
            let path = least_time(&surface, from, to, cf, c2)?;
            // Snell; 1e-9: the angles are ratios of lengths good to 1e-15 over ways of 1e-7.
            let snell = path.angle_in_rad.sin() / cf - path.angle_out_rad.sin() / c2;
            prop_assert!(snell.abs() * cf < 1e-7, "{snell}");
            // Least: every neighbour takes as long or longer (1e-18 s is rounding).
            for d in [-1e-3, 1e-3] {
                let x = path.entry.rotated(d);
                let time = from.distance(x) / cf + x.distance(to) / c2;
                prop_assert!(time > path.time_s - 1e-18);
            }
            // Rotation and mirror leave time alone; mirror turns the sign of the angles.
            let turned = least_time(&surface, from.rotated(turn), to.rotated(turn), cf, c2)?;
            prop_assert!((turned.time_s - path.time_s).abs() < 1e-16);
            prop_assert!(turned.entry.distance(path.entry.rotated(turn)) < 1e-9);
            let mirror = |p: Point| Point::new(-p.x, p.y);
            let mirrored = least_time(&surface, mirror(from), mirror(to), cf, c2)?;
            prop_assert!((mirrored.time_s - path.time_s).abs() < 1e-16);
            prop_assert!((mirrored.angle_in_rad + path.angle_in_rad).abs() < 1e-9);
        }

        #[test]
        fn flat_paths_obey_snell(
            x in -0.05..0.05f64,
            height in 0.001..0.1f64,
            target in -0.05..0.05f64,
            depth in 1e-6..0.1f64,
        ) {
            let face = Surface::Flat { a: Point::new(0.06, 0.0), b: Point::new(-0.06, 0.0) };
            let path = least_time(&face, Point::new(x, height), Point::new(target, -depth), C.0, C.1)?;
            let snell = path.angle_in_rad.sin() / C.0 - path.angle_out_rad.sin() / C.1;
            // Rounding of the entry (1e-17 m) over the shortest way in the steel (1e-6 m).
            prop_assert!(snell.abs() * C.0 < 1e-9, "{snell}");
            prop_assert!((path.time_s - path.water_m / C.0 - path.steel_m / C.1).abs() < 1e-18);
        }
    }
}
