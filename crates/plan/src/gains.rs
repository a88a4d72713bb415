//! Gain and gain curve that make the ordered flaw read the target anywhere on the axis.

use barwright_job::technique::{GainPoint, Gate, GateKind, Response, Section};
use barwright_wave::Mode;

use crate::bench::Bench;
use crate::echo::{self, db};
use crate::error::{PlanError, Result};
use crate::laws::Sketch;
use crate::response::Aperture;

/// Places along the axis at which the response is computed.
const PLACES: usize = 16;

/// Gain in dB re unit transfer, curve and predicted responses of a beam.
#[derive(Debug, Clone)]
pub struct Gains {
    /// Gain in dB.
    pub gain_db: f64,
    /// Gain against time after the surface, added to it.
    pub curve: Vec<GainPoint>,
    /// Response of the ordered flaw along the axis.
    pub response: Vec<Response>,
}

/// Gains of a beam.
///
/// The gain itself is that of the middle of the flaw gate, rounded to the electronics' step; the
/// curve carries the rest. After the flaw gate the curve falls so that the back wall reads the
/// target too and shows loss of coupling instead of full scale.
///
/// # Errors
/// [`PlanError::NoTechnique`] when a gain lies outside what the electronics can set.
pub fn of_beam(
    bench: &Bench<'_>,
    sketch: &Sketch,
    aperture: &Aperture<'_>,
    gates: &[Gate],
    response: Vec<Response>,
) -> Result<Gains> {
    let target_db = db(bench.sensitivity.target_fsh);
    let wanted: Vec<GainPoint> = response
        .iter()
        .map(|r| GainPoint {
            after_surface_s: r.after_surface_s,
            gain_db: target_db - r.transfer_db,
        })
        .collect();
    let middle = wanted.get(wanted.len() / 2).ok_or_else(|| no_response(sketch))?;
    let electronics = &bench.station.electronics;
    let step = electronics.gain_step_db;
    let gain_db = (middle.gain_db / step).round() * step;
    let mut curve: Vec<GainPoint> = wanted
        .iter()
        .map(|p| GainPoint { after_surface_s: p.after_surface_s, gain_db: p.gain_db - gain_db })
        .collect();
    let (low, high) = wanted
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| (l.min(p.gain_db), h.max(p.gain_db)));
    if low < electronics.gain_min_db || high > electronics.gain_max_db {
        return Err(PlanError::rule(
            "gain of the electronics",
            format!(
                "the ordered flaw needs {low:.1} to {high:.1} dB, the electronics set {} to {} dB",
                electronics.gain_min_db, electronics.gain_max_db
            ),
            "order a larger flaw, or use a larger aperture or electronics of more gain",
        ));
    }
    if let Some(wall) = gates.iter().find(|g| g.kind == GateKind::BackWall)
        && let Some(echo) = echo::back_wall(&bench.nominal, aperture, sketch.end)
    {
        let floor = electronics.gain_min_db - gain_db;
        curve.push(GainPoint {
            after_surface_s: wall.start_s + 0.2 * (wall.end_s - wall.start_s),
            gain_db: (target_db - echo.transfer_db - gain_db).max(floor),
        });
    }
    Ok(Gains { gain_db, curve, response })
}

/// Times after the surface at which a beam's response is taken, over its flaw gate.
#[must_use]
pub fn times_s(sketch: &Sketch, gates: &[Gate]) -> Vec<f64> {
    let flaw = gates.iter().find(|g| matches!(g.kind, GateKind::Volume | GateKind::Crack));
    match (sketch.mode, flaw) {
        (Mode::S, _) => vec![2.0 * sketch.axis.reach_m / sketch.axis.velocity_m_s],
        (Mode::L, Some(gate)) => (0..PLACES)
            .map(|i| gate.start_s + (gate.end_s - gate.start_s) * i as f64 / (PLACES - 1) as f64)
            .collect(),
        (Mode::L, None) => Vec::new(),
    }
}

/// Response of a beam along its axis by rays.
#[must_use]
pub fn by_rays(
    bench: &Bench<'_>,
    sketch: &Sketch,
    aperture: &Aperture<'_>,
    gates: &[Gate],
) -> Vec<Response> {
    match sketch.mode {
        Mode::L => along_axis(bench, sketch, aperture, &times_s(sketch, gates)),
        Mode::S => at_the_rim(bench, sketch, aperture),
    }
}

fn along_axis(
    bench: &Bench<'_>,
    sketch: &Sketch,
    aperture: &Aperture<'_>,
    times_s: &[f64],
) -> Vec<Response> {
    times_s
        .iter()
        .filter_map(|&t| {
            let place = sketch.axis.at(t);
            let echo =
                echo::disc(&bench.nominal, aperture, place, bench.sensitivity.disc_diameter_m)?;
            Some(Response { after_surface_s: t, transfer_db: echo.transfer_db })
        })
        .collect()
}

fn at_the_rim(bench: &Bench<'_>, sketch: &Sketch, aperture: &Aperture<'_>) -> Vec<Response> {
    let (Section::Round { .. } | Section::Square { .. }, Some(depth)) =
        (bench.nominal.section, bench.sensitivity.crack_depth_m)
    else {
        return Vec::new();
    };
    echo::crack(&bench.nominal, aperture, sketch.end.angle(), depth, bench.crack_length_m())
        .map(|echo| Response {
            after_surface_s: 2.0 * sketch.axis.reach_m / sketch.axis.velocity_m_s,
            transfer_db: echo.transfer_db,
        })
        .into_iter()
        .collect()
}

fn no_response(sketch: &Sketch) -> PlanError {
    PlanError::rule(
        "reach",
        format!(
            "no ray of probe {}, elements {} to {}, reaches its beam's axis",
            sketch.probe + 1,
            sketch.first + 1,
            sketch.first + sketch.count
        ),
        "place the probes where they look at the bar, or use another ring",
    )
}
