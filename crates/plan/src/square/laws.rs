//! Delay laws and axes of beams through a flat face.

use std::f64::consts::FRAC_PI_2;

use barwright_job::technique::Axis;
use barwright_wave::{Element, Mode, Point, Surface, delay, path::depth_m};

use crate::bench::Bench;
use crate::error::{PlanError, Result};
use crate::laws::Sketch;
use crate::ring::middle;

/// A longitudinal beam straight through the face before a probe, focused on its axis at depths that are
/// shares of the side, transmission and reception; without delays where a depth is infinite or none is given.
///
/// # Errors
/// Those of the delay law; elements that the probe does not have.
pub fn longitudinal(
    bench: &Bench<'_>,
    probe: usize,
    first: usize,
    count: usize,
    depths: Option<(f64, f64)>,
) -> Result<Sketch> {
    let (elements, face) = pick(bench, probe, first, count)?;
    let (water, steel) = (water(bench)?, bench.nominal.media.steel.longitudinal_m_s);
    let inward_rad = elements.first().map_or(0.0, |e| e.facing_rad);
    let inward = Point::polar(1.0, inward_rad);
    let centre = middle(elements);
    let side = 2.0 * bench.nominal.section.half_extent_m();
    let entry = centre - inward * depth_m(&face, centre);
    let end = entry + inward * side;
    let law = |share: f64| -> Result<(Vec<f64>, f64)> {
        if !share.is_finite() {
            return Ok((vec![0.0; count], 0.0));
        }
        let (target, step) = (entry + inward * (share * side), Some(bench.delay_step_s()));
        let law = delay::focus(&face, elements, target, water, steel, step)?;
        Ok((law.delays_s, largest(&law.rounding_s)))
    };
    let (sent, heard) = depths.unwrap_or((f64::INFINITY, f64::INFINITY));
    let (transmit_s, sent_s) = law(sent)?;
    let (receive_s, heard_s) =
        if sent == heard { (transmit_s.clone(), sent_s) } else { law(heard)? };
    Ok(Sketch {
        probe,
        first,
        count,
        mode: Mode::L,
        refraction_rad: 0.0,
        rounding_s: sent_s.max(heard_s),
        transmit_s,
        receive_s,
        axis: Axis { entry, direction_rad: inward_rad, velocity_m_s: steel, reach_m: side },
        end,
    })
}

/// A shear beam whose rays all refract at `refraction_rad` (signed, counter-clockwise from the inward
/// normal) through the face before a probe; its axis ends where it meets the face beside or the far one.
///
/// # Errors
/// Those of the delay law; angles beyond Snell's law; elements that the probe does not have.
pub fn shear(
    bench: &Bench<'_>,
    probe: usize,
    first: usize,
    count: usize,
    refraction_rad: f64,
) -> Result<Sketch> {
    let (elements, face) = pick(bench, probe, first, count)?;
    let (water, steel) = (water(bench)?, bench.nominal.media.steel.shear_m_s);
    let incidence = incidence_rad(refraction_rad, water, steel)?;
    let step = Some(bench.delay_step_s());
    let law = delay::steer_plane(&face, elements, incidence, water, step)?;
    let inward_rad = elements.first().map_or(0.0, |e| e.facing_rad);
    let centre = middle(elements);
    let height = -depth_m(&face, centre);
    let entry = centre + Point::polar(height / incidence.cos(), inward_rad + incidence);
    let direction_rad = inward_rad + refraction_rad;
    let reach_m = to_the_outline_m(bench.nominal.section.half_extent_m(), entry, direction_rad);
    Ok(Sketch {
        probe,
        first,
        count,
        mode: Mode::S,
        refraction_rad,
        rounding_s: largest(&law.rounding_s),
        transmit_s: law.delays_s.clone(),
        receive_s: law.delays_s,
        axis: Axis { entry, direction_rad, velocity_m_s: steel, reach_m },
        end: entry + Point::polar(reach_m, direction_rad),
    })
}

/// Incidence in rad of a refraction in rad, signs alike, by Snell's law.
///
/// # Errors
/// [`PlanError::NoTechnique`] for angles at or beyond a right angle.
pub fn incidence_rad(refraction_rad: f64, c_water_m_s: f64, c_steel_m_s: f64) -> Result<f64> {
    if refraction_rad.abs() < FRAC_PI_2 {
        return Ok((refraction_rad.sin() * c_water_m_s / c_steel_m_s).asin());
    }
    Err(PlanError::rule(
        "shear beams",
        format!("no ray refracts at {:.1}°", refraction_rad.to_degrees()),
        "look at angles between 38 and 55 degrees",
    ))
}

/// Way in m from a place of the outline of a sharp square of half side `half_m` about the origin to
/// where a ray in a direction leaves it again.
fn to_the_outline_m(half_m: f64, entry: Point, direction_rad: f64) -> f64 {
    let heading = Point::polar(1.0, direction_rad);
    [(entry.x, heading.x), (entry.y, heading.y)]
        .into_iter()
        .filter(|(_, h)| h.abs() > 1e-12)
        .map(|(p, h)| (half_m.copysign(h) - p) / h)
        .fold(f64::INFINITY, f64::min)
}

fn water(bench: &Bench<'_>) -> Result<f64> {
    bench.nominal.media.water.map(|w| w.velocity_m_s).ok_or_else(|| {
        PlanError::rule(
            "section and coupling",
            "square bars are looked at through water",
            "use a station with a ring in water",
        )
    })
}

fn pick<'a>(
    bench: &'a Bench<'_>,
    probe: usize,
    first: usize,
    count: usize,
) -> Result<(&'a [Element], Surface)> {
    let elements = crate::laws::pick(bench, probe, first, count)?;
    Ok((elements, bench.nominal.surface_before(elements)))
}

fn largest(values: &[f64]) -> f64 {
    values.iter().fold(0.0, |m, v| m.max(v.abs()))
}
