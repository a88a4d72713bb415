//! Beams from sketches: gates, gains and numbers.

use barwright_job::technique::{Beam, Gate, GateKind, Probe, Response, Section};
use barwright_wave::Mode;
use rayon::prelude::*;

use crate::bench::Bench;
use crate::echo;
use crate::error::{PlanError, Result};
use crate::exact::class::Like;
use crate::exact::fields::Prepared;
use crate::exact::{Fields, Fineness};
use crate::gains::Gains;
use crate::laws::Sketch;
use crate::response::Aperture;
use crate::{gains, gates, square};

/// Share of the -6 dB width by which neighbouring beams overlap at least (EN 10308).
pub const OVERLAP: f64 = 0.1;

/// Aperture of a sketch.
#[must_use]
pub fn aperture<'a>(probes: &'a [Probe], sketch: &'a Sketch) -> Aperture<'a> {
    let probe = probes.get(sketch.probe);
    Aperture {
        elements: probe
            .and_then(|p| p.elements.get(sketch.first..sketch.first + sketch.count))
            .unwrap_or(&[]),
        transmit_s: &sketch.transmit_s,
        receive_s: &sketch.receive_s,
        mode: sketch.mode,
        axial_focus_m: probe.and_then(|p| p.axial_focus_m),
    }
}

/// Beams of one layout with the fields they were made from.
#[derive(Debug)]
pub struct Built<'a> {
    /// The beams, in the order of the sketches.
    pub beams: Vec<Beam>,
    /// Exact fields of a round bar in water; absent for other sections.
    pub fields: Option<Fields<'a>>,
}

/// Beams of the sketches, numbered from `first_id`, in their order; not yet told whose surface echo
/// they follow. Gains of a round bar in water come from the exact field, others from rays.
///
/// # Errors
/// The first refusal of gates or gains.
pub fn build<'a>(
    bench: &'a Bench<'_>,
    sketches: &[Sketch],
    first_id: usize,
    fineness: Fineness,
) -> Result<Built<'a>> {
    if matches!(bench.nominal.section, Section::Square { .. }) {
        let beams = square::layout::build(bench, sketches, first_id)?;
        return Ok(Built { beams, fields: None });
    }
    let surfaces: Vec<f64> = sketches
        .par_iter()
        .map(|s| gates::surface_time_s(bench, s, &aperture(&bench.probes, s)))
        .collect::<Result<_>>()?;
    let round = matches!(bench.nominal.section, Section::Round { .. });
    if !round || bench.nominal.media.water.is_none() {
        let beams = sketches
            .par_iter()
            .zip(&surfaces)
            .enumerate()
            .map(|(i, (sketch, &surface_s))| {
                one_by_rays(bench, sketch, (first_id + i) as u32, surface_s)
            })
            .collect::<Result<_>>()?;
        return Ok(Built { beams, fields: None });
    }
    let likes: Vec<Like<'_>> = sketches
        .iter()
        .zip(&surfaces)
        .map(|(s, surface_s)| Like::sketch(&bench.probes, s, *surface_s))
        .collect();
    let mut fields = Fields::new(
        &bench.bars,
        &bench.nominal,
        &likes,
        Some(bench.disc()),
        bench.crack(),
        fineness,
    );
    let nominal = fields.prepare(&bench.nominal)?;
    // Gains of one beam of each class serve all of it.
    let firsts: Vec<usize> = (0..fields.classes().len())
        .filter_map(|c| {
            (0..sketches.len()).find(|i| fields.member(*i).is_some_and(|m| m.class == c))
        })
        .collect();
    let by_class: Vec<(Gains, f64)> = firsts
        .par_iter()
        .map(|&i| {
            let sketch = &sketches[i];
            let gates = gates::of_beam(bench, sketch, surfaces[i])?;
            let response = exact_response(bench, &fields, nominal, i, sketch, &gates);
            let aperture = aperture(&bench.probes, sketch);
            let gains = gains::of_beam(bench, sketch, &aperture, &gates, response)?;
            Ok((gains, axial_width_m(bench, sketch, &gates)?))
        })
        .collect::<Result<_>>()?;
    let beams = sketches
        .iter()
        .zip(&surfaces)
        .enumerate()
        .map(|(i, (sketch, &surface_s))| {
            let class = fields.member(i).map_or(0, |m| m.class);
            let (gains, width_m) = by_class[class].clone();
            let gates = gates::of_beam(bench, sketch, surface_s)?;
            Ok(beam(sketch, (first_id + i) as u32, surface_s, gates, gains, width_m))
        })
        .collect::<Result<_>>()?;
    Ok(Built { beams, fields: Some(fields) })
}

/// One beam with its gates and its gains by rays.
pub(crate) fn one_by_rays(
    bench: &Bench<'_>,
    sketch: &Sketch,
    id: u32,
    surface_s: f64,
) -> Result<Beam> {
    let aperture = aperture(&bench.probes, sketch);
    let gates = gates::of_beam(bench, sketch, surface_s)?;
    let response = gains::by_rays(bench, sketch, &aperture, &gates);
    let gains = gains::of_beam(bench, sketch, &aperture, &gates, response)?;
    let width_m = axial_width_m(bench, sketch, &gates)?;
    Ok(beam(sketch, id, surface_s, gates, gains, width_m))
}

/// Echoes of the ordered flaw along a beam's axis by the exact field.
fn exact_response(
    bench: &Bench<'_>,
    fields: &Fields<'_>,
    nominal: Prepared,
    index: usize,
    sketch: &Sketch,
    gates: &[Gate],
) -> Vec<Response> {
    let radius = bench.nominal.section.half_extent_m();
    gains::times_s(sketch, gates)
        .into_iter()
        .filter_map(|t| {
            let place = sketch.axis.at(t);
            let seen = fields.seen(nominal, index, place.radius() / radius, place.angle())?;
            Some(Response { after_surface_s: t, transfer_db: seen.level_db })
        })
        .collect()
}

fn axial_width_m(bench: &Bench<'_>, sketch: &Sketch, gates: &[Gate]) -> Result<f64> {
    let aperture = aperture(&bench.probes, sketch);
    let widths = gates.first().and_then(|g| gates::axial_widths_m(bench, sketch, &aperture, g));
    widths.map(|w| w.1).ok_or_else(|| {
        PlanError::rule(
            "reach",
            format!("no ray of probe {} reaches the gate of its beam", sketch.probe + 1),
            "place the probes where they look at the bar, or use another ring",
        )
    })
}

fn beam(
    sketch: &Sketch,
    id: u32,
    surface_time_s: f64,
    gates: Vec<Gate>,
    gains: Gains,
    axial_width_m: f64,
) -> Beam {
    Beam {
        id,
        probe: sketch.probe as u32,
        first_element: sketch.first as u32,
        mode: sketch.mode,
        transmit_delays_s: sketch.transmit_s.clone(),
        receive_delays_s: sketch.receive_s.clone(),
        gain_db: gains.gain_db,
        gain_curve: gains.curve,
        surface_beam: None,
        surface_time_s,
        gates,
        axis: sketch.axis,
        axial_width_m,
        response: gains.response,
    }
}

/// Lets every beam follow its own surface, as a search does; the final technique says whom it follows.
pub(crate) fn follow_own(beams: &mut [Beam]) {
    for beam in beams {
        beam.surface_beam = Some(beam.id);
    }
}

/// [`overlap_m`] where neighbouring beams overlap as they must.
///
/// # Errors
/// [`PlanError::NoTechnique`] where they do not.
pub(crate) fn kept_overlap_m(bench: &Bench<'_>, sketches: &[Sketch]) -> Result<Option<(f64, f64)>> {
    let overlap_m = overlap_m(bench, sketches);
    if let Some((spacing, width)) = overlap_m
        && spacing > (1.0 - OVERLAP) * width
    {
        return Err(PlanError::rule(
            "overlap of neighbouring beams",
            format!(
                "axes {:.2} mm apart, -6 dB width {:.2} mm, {:.0} % must overlap",
                spacing * 1e3,
                width * 1e3,
                OVERLAP * 100.0
            ),
            "use probes of finer pitch or electronics of more elements in an aperture",
        ));
    }
    Ok(overlap_m)
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
