//! Beams from sketches: gates, gains and numbers.

use barwright_job::technique::{Beam, GateKind, Probe, Section};
use barwright_wave::Mode;
use rayon::prelude::*;

use crate::bench::Bench;
use crate::echo;
use crate::error::{PlanError, Result};
use crate::laws::Sketch;
use crate::response::Aperture;
use crate::{gains, gates, square};

/// Aperture of a sketch.
#[must_use]
pub fn aperture<'a>(probes: &'a [Probe], sketch: &'a Sketch) -> Aperture<'a> {
    let probe = probes.get(sketch.probe);
    Aperture {
        elements: probe
            .and_then(|p| p.elements.get(sketch.first..sketch.first + sketch.count))
            .unwrap_or(&[]),
        transmit_s: &sketch.delays_s,
        receive_s: &sketch.delays_s,
        mode: sketch.mode,
        axial_focus_m: probe.and_then(|p| p.axial_focus_m),
    }
}

/// Beams of the sketches, numbered from `first_id`, in their order; not yet told whose surface echo
/// they follow.
///
/// # Errors
/// The first refusal of gates or gains.
pub fn build(bench: &Bench<'_>, sketches: &[Sketch], first_id: usize) -> Result<Vec<Beam>> {
    if matches!(bench.nominal.section, Section::Square { .. }) {
        return square::layout::build(bench, sketches, first_id);
    }
    sketches
        .par_iter()
        .enumerate()
        .map(|(i, sketch)| one(bench, sketch, (first_id + i) as u32))
        .collect()
}

/// One beam with its gates and gains.
pub(crate) fn one(bench: &Bench<'_>, sketch: &Sketch, id: u32) -> Result<Beam> {
    let aperture = aperture(&bench.probes, sketch);
    let surface_time_s = gates::surface_time_s(bench, sketch, &aperture)?;
    let gates = gates::of_beam(bench, sketch, surface_time_s)?;
    let gains = gains::of_beam(bench, sketch, &aperture, &gates)?;
    let widths = gates.first().and_then(|g| gates::axial_widths_m(bench, sketch, &aperture, g));
    let (_, axial_width_m) = widths.ok_or_else(|| {
        PlanError::rule(
            "reach",
            format!("no ray of beam {id} reaches its gate"),
            "place the probes where they look at the bar, or use another ring",
        )
    })?;
    Ok(Beam {
        id,
        probe: sketch.probe as u32,
        first_element: sketch.first as u32,
        mode: sketch.mode,
        transmit_delays_s: sketch.delays_s.clone(),
        receive_delays_s: sketch.delays_s.clone(),
        gain_db: gains.gain_db,
        gain_curve: gains.curve,
        surface_beam: None,
        surface_time_s,
        gates,
        axis: sketch.axis,
        axial_width_m,
        response: gains.response,
    })
}

/// Tells every beam whose surface echo it follows: a longitudinal one its own, a shear one that of
/// the longitudinal beam of its probe whose aperture is nearest.
pub fn follow(beams: &mut [Beam]) {
    let middles: Vec<(u32, u32, u32)> = beams
        .iter()
        .filter(|b| b.gate(GateKind::Surface).is_some())
        .map(|b| (b.id, b.probe, 2 * b.first_element + b.elements()))
        .collect();
    for beam in beams {
        beam.surface_beam = if beam.gate(GateKind::Surface).is_some() {
            Some(beam.id)
        } else {
            let own = 2 * beam.first_element + beam.elements();
            middles
                .iter()
                .filter(|m| m.1 == beam.probe)
                .min_by_key(|m| m.2.abs_diff(own))
                .map(|m| m.0)
        };
    }
}

/// Where the axis of a beam ends, in m.
#[must_use]
pub fn end(beam: &Beam) -> barwright_wave::Point {
    beam.axis.at(2.0 * beam.axis.reach_m / beam.axis.velocity_m_s)
}

/// Distance between the axes of two neighbouring sketches where they are asked, against the -6 dB
/// width there, both in m: below the skin (longitudinal) or at the rim (shear). `None` where there
/// are no neighbours or no echo.
#[must_use]
pub fn overlap_m(bench: &Bench<'_>, sketches: &[Sketch]) -> Option<(f64, f64)> {
    let (a, b) = match sketches {
        [a, b, ..] if a.probe == b.probe => (a, b),
        _ => return None,
    };
    let ap = aperture(&bench.probes, a);
    let depth = bench.sensitivity.skin_m;
    let t = 2.0 * depth / a.axis.velocity_m_s;
    let (spacing, level): (f64, Box<dyn Fn(f64) -> Option<f64> + '_>) = match a.mode {
        Mode::L => {
            let (start, across) = (a.axis.at(t), a.axis.direction_rad + 0.5 * std::f64::consts::PI);
            let spacing = start.distance(b.axis.at(t));
            let across = barwright_wave::Point::polar(1.0, across);
            (
                spacing,
                Box::new(move |x| {
                    let place = start + across * x;
                    let echo =
                        echo::disc(&bench.nominal, &ap, place, bench.sensitivity.disc_diameter_m);
                    echo.map(|e| e.transfer_db)
                }),
            )
        }
        Mode::S if matches!(bench.nominal.section, Section::Square { .. }) => {
            return square::gates::shear_overlap_m(bench, a, b);
        }
        Mode::S => {
            let radius = bench.nominal.section.half_extent_m();
            let crack = bench.sensitivity.crack_depth_m?;
            let length = bench.crack_length_m();
            let angle = a.end.angle();
            (
                a.end.distance(b.end),
                Box::new(move |x| {
                    let at = angle + x / radius;
                    let echo = echo::crack(&bench.nominal, &ap, at, crack, length);
                    echo.map(|e| e.transfer_db)
                }),
            )
        }
    };
    let on_axis = level(0.0)?;
    let step = spacing / 10.0;
    let reach = |side: f64| {
        let mut x = 0.0;
        while x < 20.0 * spacing && level(side * x).is_some_and(|l| l >= on_axis - 6.0) {
            x += step;
        }
        x
    };
    Some((spacing, reach(1.0) + reach(-1.0)))
}
