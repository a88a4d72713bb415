//! Delay laws and axes of the two kinds of beams, rounded to the electronics' step.

use barwright_job::technique::{Axis, Section};
use barwright_wave::{Element, Mode, Point, WaveError, delay, echo};

use crate::bench::Bench;
use crate::error::{PlanError, Result};
use crate::ring::middle;

/// An aperture with its law and axis, before gates and gains.
#[derive(Debug, Clone)]
pub struct Sketch {
    /// Probe, its place in the ring.
    pub probe: usize,
    /// First element of the aperture.
    pub first: usize,
    /// Elements of the aperture.
    pub count: usize,
    /// Kind of wave in the steel.
    pub mode: Mode,
    /// Refraction angle of the axis from the inward normal, counter-clockwise, in rad.
    pub refraction_rad: f64,
    /// Delays in s, transmission, rounded.
    pub transmit_s: Vec<f64>,
    /// Delays in s, reception, rounded.
    pub receive_s: Vec<f64>,
    /// Largest rounding of a delay in s.
    pub rounding_s: f64,
    /// The axis in the steel.
    pub axis: Axis,
    /// Where the axis meets the far wall.
    pub end: Point,
}

/// Where a longitudinal beam of a round bar is focused: on its axis, as a share of the radius from the
/// centre; positive beyond it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Focus {
    /// Of the transmit law.
    pub transmit: f64,
    /// Of the receive law.
    pub receive: f64,
}

/// A longitudinal beam: focused on its axis through a round surface; without delays in contact, so that
/// the aperture's natural focus and the time 2 s/c hold.
///
/// # Errors
/// Those of the delay law.
pub fn longitudinal(
    bench: &Bench<'_>,
    probe: usize,
    first: usize,
    count: usize,
    focus: Focus,
) -> Result<Sketch> {
    let elements = pick(bench, probe, first, count)?;
    let steel = bench.nominal.media.steel.longitudinal_m_s;
    let centre = middle(elements);
    let (transmit_s, receive_s, rounding_s, entry, end) =
        match (bench.nominal.section, bench.nominal.media.water) {
            (Section::Round { radius_m }, Some(water)) => {
                let entry = Point::polar(radius_m, centre.angle());
                let law = |share: f64| {
                    delay::focus(
                        &bench.nominal.surface,
                        elements,
                        entry * -share,
                        water.velocity_m_s,
                        steel,
                        Some(bench.delay_step_s()),
                    )
                };
                let (sent, heard) = (law(focus.transmit)?, law(focus.receive)?);
                let rounding_s = largest(&sent.rounding_s).max(largest(&heard.rounding_s));
                (sent.delays_s, heard.delays_s, rounding_s, entry, entry * -1.0)
            }
            (section, _) => {
                let thickness = 2.0 * section.half_extent_m();
                let end = Point::new(centre.x, centre.y - thickness);
                (vec![0.0; count], vec![0.0; count], 0.0, centre, end)
            }
        };
    Ok(Sketch {
        probe,
        first,
        count,
        mode: Mode::L,
        refraction_rad: 0.0,
        rounding_s,
        transmit_s,
        receive_s,
        axis: Axis {
            entry,
            direction_rad: (end - entry).angle(),
            velocity_m_s: steel,
            reach_m: entry.distance(end),
        },
        end,
    })
}

/// A shear beam whose rays all refract at `refraction_rad` (signed, counter-clockwise) in a round
/// bar.
///
/// # Errors
/// Those of the delay law; angles that the probe cannot reach.
pub fn shear(
    bench: &Bench<'_>,
    probe: usize,
    first: usize,
    count: usize,
    refraction_rad: f64,
) -> Result<Sketch> {
    let elements = pick(bench, probe, first, count)?;
    let steel = bench.nominal.media.steel.shear_m_s;
    let water = bench.nominal.media.water.ok_or_else(|| {
        PlanError::rule(
            "shear beams",
            "shear beams need water between probe and bar",
            "leave the crack class out of an order for an array in contact",
        )
    })?;
    let skip = echo::shear_skip(
        &bench.nominal.surface,
        0.0,
        middle(elements),
        refraction_rad,
        water.velocity_m_s,
        steel,
        1,
    )?;
    let law = delay::equal_incidence(
        &bench.nominal.surface,
        elements,
        skip.incidence_rad,
        water.velocity_m_s,
        Some(bench.delay_step_s()),
    )?;
    let end = skip.hits.first().copied().unwrap_or(skip.entry);
    Ok(Sketch {
        probe,
        first,
        count,
        mode: Mode::S,
        refraction_rad,
        rounding_s: largest(&law.rounding_s),
        transmit_s: law.delays_s.clone(),
        receive_s: law.delays_s,
        axis: Axis {
            entry: skip.entry,
            direction_rad: (end - skip.entry).angle(),
            velocity_m_s: steel,
            reach_m: skip.leg_m,
        },
        end,
    })
}

/// Lateral offset in m of the shear axis in the water from the bar's centre: R sin(incidence),
/// 0.322 R for 45 degrees of shear refraction (water 1482 m/s, steel 3255 m/s).
#[must_use]
pub fn shear_offset_m(radius_m: f64, refraction_rad: f64, c_water: f64, c_shear: f64) -> f64 {
    radius_m * c_water / c_shear * refraction_rad.sin()
}

pub(crate) fn pick<'a>(
    bench: &'a Bench<'_>,
    probe: usize,
    first: usize,
    count: usize,
) -> Result<&'a [Element]> {
    let all = bench.probes.get(probe).map_or(&[][..], |p| &p.elements);
    all.get(first..first + count).filter(|e| !e.is_empty()).ok_or_else(|| {
        WaveError::Count {
            what: "elements of the aperture",
            got: all.len().saturating_sub(first),
            need: count.max(1),
        }
        .into()
    })
}

fn largest(values: &[f64]) -> f64 {
    values.iter().fold(0.0, |m, v| m.max(v.abs()))
}
