//! Delay laws: when each element of an aperture fires, and by how much its echo is shifted.
//!
//! A law serves transmission and reception alike. Source: Schmerr, *Fundamentals of Ultrasonic
//! Phased Arrays* (2015), ch. 5.

use crate::array::Element;
use crate::error::{Result, WaveError, positive};
use crate::geometry::{Point, Surface};
use crate::path::{depth_m, least_time};

/// Delays of the elements of an aperture, in their order.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DelayLaw {
    /// Delays in s; the smallest exact one is zero, none is negative.
    pub delays_s: Vec<f64>,
    /// Rounded minus exact delay in s; zeros when no step was asked for.
    pub rounding_s: Vec<f64>,
}

impl DelayLaw {
    /// The law under which emissions that need `times_s` to a common event coincide there.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a step that is not finite and positive or a time that is not
    /// finite.
    pub fn from_times(times_s: &[f64], step_s: Option<f64>) -> Result<Self> {
        if let Some(value) = times_s.iter().copied().find(|t| !t.is_finite()) {
            let (what, unit, expected) = ("the travel time of an element", "s", "finite");
            return Err(WaveError::OutOfRange { what, value, unit, expected });
        }
        let step = step_s.map(|s| positive("the delay step", s, "s")).transpose()?;
        let last = times_s.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let (delays_s, rounding_s) = times_s
            .iter()
            .map(|t| {
                let exact = last - t;
                let rounded = step.map_or(exact, |q| (exact / q).round() * q);
                (rounded, rounded - exact)
            })
            .unzip();
        Ok(Self { delays_s, rounding_s })
    }

    /// Largest delay in s; zero for an empty law.
    #[must_use]
    pub fn span_s(&self) -> f64 {
        self.delays_s.iter().copied().fold(0.0, f64::max)
    }
}

/// Focus in the steel, through the surface, for a wave of velocity `c_steel_m_s`; delays rounded to
/// `step_s` if given.
///
/// # Errors
/// [`WaveError::Count`] without elements; those of [`least_time`] for the first element without a
/// ray.
pub fn focus(
    surface: &Surface,
    elements: &[Element],
    target: Point,
    c_water_m_s: f64,
    c_steel_m_s: f64,
    step_s: Option<f64>,
) -> Result<DelayLaw> {
    some(elements)?;
    let times = elements
        .iter()
        .map(|e| Ok(least_time(surface, e.centre, target, c_water_m_s, c_steel_m_s)?.time_s))
        .collect::<Result<Vec<_>>>()?;
    DelayLaw::from_times(&times, step_s)
}

/// Focus of an array that touches the steel (no water between).
///
/// # Errors
/// [`WaveError::Count`] without elements, [`WaveError::OutOfRange`] for a velocity or step that is
/// none.
pub fn contact_focus(
    elements: &[Element],
    target: Point,
    c_steel_m_s: f64,
    step_s: Option<f64>,
) -> Result<DelayLaw> {
    some(elements)?;
    positive("the sound velocity of the steel", c_steel_m_s, "m/s")?;
    let times: Vec<f64> =
        elements.iter().map(|e| e.centre.distance(target) / c_steel_m_s).collect();
    DelayLaw::from_times(&times, step_s)
}

/// A plane wave that travels in the medium of the elements in direction `travel_rad` (from +x,
/// counter-clockwise): all rays of the aperture are parallel.
///
/// # Errors
/// [`WaveError::Count`] without elements, [`WaveError::OutOfRange`] for a velocity, angle or step
/// that is none.
pub fn plane(
    elements: &[Element],
    travel_rad: f64,
    c_m_s: f64,
    step_s: Option<f64>,
) -> Result<DelayLaw> {
    some(elements)?;
    positive("the sound velocity", c_m_s, "m/s")?;
    let heading = Point::polar(1.0, finite_angle("the direction of travel", travel_rad)?);
    // Elements further ahead reach the common wave front sooner and wait for the others.
    let times: Vec<f64> = elements
        .iter()
        .map(|e| -(e.centre.x * heading.x + e.centre.y * heading.y) / c_m_s)
        .collect();
    DelayLaw::from_times(&times, step_s)
}

/// An unfocused beam that meets the surface at a given incidence.
///
/// The ray of the aperture's middle meets the surface at `incidence_rad` (signed as in
/// [`crate::path::Path`]); all other rays of the aperture are parallel to it. On a round bar the
/// incidence therefore varies over the aperture's width by about width / bar radius; where all
/// elements shall meet it alike, use [`equal_incidence`].
///
/// # Errors
/// [`WaveError::Count`] without elements; [`WaveError::OutOfRange`] for an incidence outside ±π/2 or
/// an aperture that does not stand in the water.
pub fn steer_plane(
    surface: &Surface,
    elements: &[Element],
    incidence_rad: f64,
    c_water_m_s: f64,
    step_s: Option<f64>,
) -> Result<DelayLaw> {
    some(elements)?;
    let travel = travel_direction(surface, middle(elements), incidence_rad)?;
    plane(elements, travel, c_water_m_s, step_s)
}

/// A beam whose rays all meet a round bar at the same incidence: they touch a common circle of
/// radius `bar radius · sin(incidence)`, so the wave front is an involute of that circle. The
/// natural shear-wave law of an arc around the bar; unfocused in the sense that every ray turns by
/// the same refraction.
///
/// # Errors
/// As [`steer_plane`].
pub fn equal_incidence(
    surface: &Surface,
    elements: &[Element],
    incidence_rad: f64,
    c_water_m_s: f64,
    step_s: Option<f64>,
) -> Result<DelayLaw> {
    let Surface::Round { centre, radius_m } = *surface else {
        // On a flat face equal incidence is a plane wave.
        return steer_plane(surface, elements, incidence_rad, c_water_m_s, step_s);
    };
    some(elements)?;
    positive("the sound velocity of the water", c_water_m_s, "m/s")?;
    let touch = radius_m * within_right_angle(incidence_rad)?.sin();
    let zero = middle(elements) - centre;
    let times: Vec<f64> = elements
        .iter()
        .map(|e| {
            let from = e.centre - centre;
            positive("the water path", from.radius() - radius_m, "m")?;
            // Way along the tangent from the element to the circle it touches, then the arc that
            // brings its touching point to that of the aperture's middle.
            let tangent = (from.radius().powi(2) - touch * touch).sqrt();
            let polar =
                (zero.x * from.y - zero.y * from.x).atan2(zero.x * from.x + zero.y * from.y);
            let touching = polar + (touch / from.radius()).acos();
            Ok((tangent - touch * touching) / c_water_m_s)
        })
        .collect::<Result<_>>()?;
    DelayLaw::from_times(&times, step_s)
}

/// Direction in the water, from +x counter-clockwise in rad, in which a ray from `from` meets the
/// surface at a signed incidence angle.
///
/// # Errors
/// [`WaveError::OutOfRange`] for an incidence outside ±π/2 or a start inside the steel.
pub fn travel_direction(surface: &Surface, from: Point, incidence_rad: f64) -> Result<f64> {
    let incidence = within_right_angle(incidence_rad)?;
    positive("the water path", -depth_m(surface, from), "m")?;
    Ok(match *surface {
        Surface::Round { centre, radius_m } => {
            let inward = centre - from;
            // Seen from the element, counter-clockwise round the bar is to the clockwise side.
            inward.angle() - (radius_m * incidence.sin() / inward.radius()).asin()
        }
        Surface::Flat { a, b } => {
            let inward = (b - a).angle() + std::f64::consts::FRAC_PI_2;
            inward + incidence
        }
    })
}

fn middle(elements: &[Element]) -> Point {
    elements.iter().fold(Point::default(), |sum, e| sum + e.centre) * (1.0 / elements.len() as f64)
}

fn some(elements: &[Element]) -> Result<()> {
    if elements.is_empty() {
        return Err(WaveError::Count { what: "elements of the aperture", got: 0, need: 1 });
    }
    Ok(())
}

fn finite_angle(what: &'static str, angle_rad: f64) -> Result<f64> {
    if angle_rad.is_finite() {
        return Ok(angle_rad);
    }
    Err(WaveError::OutOfRange { what, value: angle_rad, unit: "rad", expected: "finite" })
}

fn within_right_angle(incidence_rad: f64) -> Result<f64> {
    if incidence_rad.abs() < std::f64::consts::FRAC_PI_2 {
        return Ok(incidence_rad);
    }
    Err(WaveError::OutOfRange {
        what: "the incidence angle",
        value: incidence_rad,
        unit: "rad",
        expected: "within ±π/2",
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::array::{arc, flat};
    use std::f64::consts::FRAC_PI_2;

    fn bar() -> Surface {
        Surface::Round { centre: Point::default(), radius_m: 0.03 }
    }

    /// Incidence of the ray that leaves `from` in a direction, by intersecting it with the bar.
    fn incidence(from: Point, travel: f64, radius: f64) -> f64 {
        let d = Point::polar(1.0, travel);
        let along = -(from.x * d.x + from.y * d.y);
        let miss = d.x * from.y - d.y * from.x;
        let entry = from + d * (along - (radius * radius - miss * miss).sqrt());
        let inward = entry * (-1.0 / radius);
        // Positive where the ray advances counter-clockwise: along (-y, x) of the entry.
        let ahead = (d.x * -entry.y + d.y * entry.x) / radius;
        ahead.atan2(d.x * inward.x + d.y * inward.y)
    }

    // Truth: property. Rounding stays within half a step and is what was added.
    #[test]
    fn rounding_is_kept_and_bounded() {
        let elements = arc(0.055, FRAC_PI_2, 32, 6e-4, 5e-4, 1e-2);
        let target = Point::new(-0.02, 0.003);
        let exact = focus(&bar(), &elements, target, 1480.0, 3230.0, None).expect("a law");
        let coarse = focus(&bar(), &elements, target, 1480.0, 3230.0, Some(5e-9)).expect("a law");
        for i in 0..32 {
            assert!(coarse.rounding_s[i].abs() <= 2.5e-9 * (1.0 + 1e-9));
            assert!((coarse.delays_s[i] - coarse.rounding_s[i] - exact.delays_s[i]).abs() < 1e-18);
            let steps = coarse.delays_s[i] / 5e-9;
            assert!((steps - steps.round()).abs() < 1e-9);
        }
        assert_eq!(exact.rounding_s, vec![0.0; 32]);
        assert!(exact.delays_s.iter().copied().fold(f64::INFINITY, f64::min) == 0.0);
    }

    // Truth: closed form. A contact law's delays and ways add up to one time.
    #[test]
    fn contact_law_brings_all_waves_together() {
        let elements = flat(Point::default(), FRAC_PI_2, 16, 6e-4, 5e-4, 1e-2);
        let target = Point::new(0.01, 0.03);
        let law = contact_focus(&elements, target, 5900.0, None).expect("a law");
        let sums: Vec<f64> = elements
            .iter()
            .zip(&law.delays_s)
            .map(|(e, d)| d + e.centre.distance(target) / 5900.0)
            .collect();
        assert!(sums.iter().all(|s| (s - sums[0]).abs() < 1e-19));
    }

    // Truth: property (ray geometry by a second way: intersection of line and circle).
    #[test]
    fn steered_rays_meet_the_bar_as_ordered() {
        for ordered in [-0.33, 0.0, 0.2, 0.33] {
            let from = Point::polar(0.055, 1.9);
            let travel = travel_direction(&bar(), from, ordered).expect("a direction");
            assert!((incidence(from, travel, 0.03) - ordered).abs() < 1e-12, "{ordered}");
            let entry_side = Surface::Flat { a: Point::new(1.0, 0.0), b: Point::new(-1.0, 0.0) };
            // Upper face: positive advances towards +x.
            let down =
                travel_direction(&entry_side, Point::new(0.0, 0.02), ordered).expect("a direction");
            assert!((down.cos() - ordered.sin()).abs() < 1e-12 && down.sin() < 0.0);
        }
    }

    // Truth: property. The gradient of an involute wave front: every element's neighbour pair
    // steers to the same incidence. 2e-4 rad: chord against arc over one pitch.
    #[test]
    fn equal_incidence_holds_over_the_aperture() {
        let elements = arc(0.055, FRAC_PI_2, 64, 6e-4, 5e-4, 1e-2);
        let law = equal_incidence(&bar(), &elements, 0.33, 1480.0, None).expect("a law");
        for i in 0..63 {
            let (p, q) = (elements[i].centre, elements[i + 1].centre);
            let sine = (law.delays_s[i + 1] - law.delays_s[i]) * 1480.0 / p.distance(q);
            // Positive along the element's own counter-clockwise side.
            let mid = (p + q) * 0.5;
            let travel = mid.angle() + std::f64::consts::PI - sine.asin();
            assert!((incidence(mid, travel, 0.03) - 0.33).abs() < 2e-4);
        }
        let flat_law = steer_plane(&bar(), &elements, 0.33, 1480.0, None).expect("a law");
        assert!(flat_law.delays_s != law.delays_s);
    }

    #[test]
    fn empty_apertures_and_bad_numbers_are_refused() {
        assert!(matches!(
            focus(&bar(), &[], Point::default(), 1480.0, 5900.0, None),
            Err(WaveError::Count { .. })
        ));
        let elements = arc(0.055, FRAC_PI_2, 4, 6e-4, 5e-4, 1e-2);
        for step in [0.0, -1e-9, f64::NAN] {
            let law = focus(&bar(), &elements, Point::default(), 1480.0, 5900.0, Some(step));
            assert!(matches!(law, Err(WaveError::OutOfRange { .. })));
        }
        assert!(steer_plane(&bar(), &elements, 1.6, 1480.0, None).is_err());
        let nowhere = Point::new(f64::NAN, 0.0);
        assert!(contact_focus(&elements, nowhere, 5900.0, None).is_err());
        assert!(focus(&bar(), &elements, nowhere, 1480.0, 5900.0, None).is_err());
        let mut lost = elements.clone();
        lost[2].centre = nowhere;
        assert!(plane(&lost, 1.0, 1480.0, None).is_err());
        assert!(equal_incidence(&bar(), &lost, 0.3, 1480.0, None).is_err());
    }
}
