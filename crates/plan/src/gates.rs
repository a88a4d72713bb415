//! Gates of a beam, relative to its surface echo, and the record that holds them all.

use barwright_job::{
    order::SectionSpec,
    station::Coupling,
    technique::{Beam, Gate, GateKind, Record, Section},
};
use barwright_wave::Mode;

use crate::bench::Bench;
use crate::echo;
use crate::error::{PlanError, Result};
use crate::laws::Sketch;
use crate::response::{self, Aperture};
use crate::square;

/// Drop in dB of the pulse's envelope at which a strong echo has rung down: the surface echo stands
/// some 60 dB above the ordered disc (common practice, no source).
const RING_DOWN_DB: f64 = 80.0;

/// Drop in dB at which the foot of the back-wall echo lies well below the alarm.
const FOOT_DB: f64 = 60.0;

/// Half the time in s between the points where the pulse stands `drop_db` below its peak.
fn foot_s(bench: &Bench<'_>, drop_db: f64) -> f64 {
    bench.nominal.pulse.duration_s(drop_db) / 2.0
}

/// Depth in m under the surface that the surface echo hides: its ring-down and what the aperture's
/// outer elements add to it. In contact: the station's dead zone.
#[must_use]
pub fn dead_depth_m(bench: &Bench<'_>, sketch: &Sketch) -> f64 {
    let c = bench.nominal.media.steel.longitudinal_m_s;
    match bench.station.coupling {
        Coupling::Contact(contact) => contact.dead_zone_mm * 1e-3,
        Coupling::Water(_) => {
            let late = bench.nominal.media.water.map_or(0.0, |w| {
                let elements = bench.probes[sketch.probe].elements.iter();
                let own = elements.skip(sketch.first).take(sketch.count);
                let times: Vec<f64> = own
                    .zip(&sketch.transmit_s)
                    .map(|(e, d)| e.centre.distance(sketch.axis.entry) / w.velocity_m_s + d)
                    .collect();
                let low = times.iter().copied().fold(f64::INFINITY, f64::min);
                let high = times.iter().copied().fold(0.0, f64::max);
                2.0 * (high - low).max(0.0)
            });
            (foot_s(bench, RING_DOWN_DB) + late) * c / 2.0
        }
    }
}

/// Deviation of the section in m of path, from the order's tolerance.
pub(crate) fn tolerance_m(bench: &Bench<'_>) -> f64 {
    1e-3 * match bench.order.section {
        SectionSpec::Round(r) => r.tolerance_mm,
        SectionSpec::Square(s) => s.tolerance_mm,
        SectionSpec::Flat(f) => f.tolerance_mm,
    }
}

/// Time in s between firing and the surface and back: arrival on the axis less 2 s/c, by the ray
/// engine, at the middle of the axis (longitudinal) or at its end (shear).
///
/// # Errors
/// [`PlanError::NoTechnique`] when no ray of the aperture reaches its own axis.
pub fn surface_time_s(bench: &Bench<'_>, sketch: &Sketch, aperture: &Aperture<'_>) -> Result<f64> {
    if bench.nominal.media.water.is_none() {
        return Ok(0.0);
    }
    let share = match sketch.mode {
        Mode::L => 0.5,
        Mode::S => 1.0,
    };
    let s = sketch.axis.reach_m * share;
    let place = sketch.axis.entry + (sketch.end - sketch.axis.entry) * share;
    let field = response::two_way(&bench.nominal, aperture, place).ok_or_else(|| {
        PlanError::rule(
            "reach",
            format!("no ray of probe {} reaches its beam's axis", sketch.probe + 1),
            "place the probes where they look at the bar, or use another ring",
        )
    })?;
    Ok(field.peak().1 - 2.0 * s / sketch.axis.velocity_m_s)
}

/// Gates of a beam, the flaw gate first, with the time of its surface.
///
/// # Errors
/// [`PlanError::NoTechnique`] when the surface echo hides more than the order's skin.
pub fn of_beam(bench: &Bench<'_>, sketch: &Sketch, surface_s: f64) -> Result<Vec<Gate>> {
    match sketch.mode {
        Mode::L => volume(bench, sketch, surface_s),
        Mode::S if matches!(bench.nominal.section, Section::Square { .. }) => {
            Ok(vec![square::gates::crack(bench, sketch, surface_s)?])
        }
        Mode::S => Ok(vec![crack(bench, sketch)]),
    }
}

fn volume(bench: &Bench<'_>, sketch: &Sketch, surface_s: f64) -> Result<Vec<Gate>> {
    let c = sketch.axis.velocity_m_s;
    let skin = bench.sensitivity.skin_m;
    let dead = dead_depth_m(bench, sketch);
    if dead > skin {
        return Err(PlanError::rule(
            "near-surface zone",
            format!(
                "the surface echo hides {:.1} mm, the order asks for discs from {:.1} mm",
                dead * 1e3,
                skin * 1e3
            ),
            format!(
                "order a skin of at least {:.1} mm, or use a probe of more bandwidth or frequency",
                dead * 1e3
            ),
        ));
    }
    let wall = 2.0 * sketch.axis.reach_m / c;
    let play = 2.0 * tolerance_m(bench) / c + square::gates::wall_play_s(bench, sketch);
    let end = wall - foot_s(bench, FOOT_DB) - play;
    // Nearer than seven tenths of the skin nothing is asked and surface clutter is likely.
    let start = 2.0 * dead.max(0.7 * skin) / c;
    if end <= start {
        return Err(PlanError::rule(
            "near-surface zone",
            format!(
                "surface echo and back wall leave no time between them in {:.1} mm",
                sketch.axis.reach_m * 1e3
            ),
            "use a probe of more bandwidth or frequency",
        ));
    }
    let mut gates = vec![
        Gate {
            kind: GateKind::Volume,
            start_s: start,
            end_s: end,
            threshold_fsh: bench.sensitivity.alarm_fsh,
        },
        Gate {
            kind: GateKind::BackWall,
            start_s: end,
            end_s: wall + foot_s(bench, FOOT_DB) + play,
            // A quarter (-12 dB) of the target to which the gain curve brings the wall.
            threshold_fsh: bench.sensitivity.target_fsh / 4.0,
        },
    ];
    if let (Some(water), Coupling::Water(w)) = (bench.nominal.media.water, bench.station.coupling) {
        // Off centre, over or under size, warm or cold, each at its end.
        let off = bench.station.line.centring_mm * 1e-3
            + tolerance_m(bench) / 2.0
            + square::gates::surface_play_m(bench, sketch);
        // Velocity of water changes by less than 0.35 % in a kelvin between 0 and 95 °C.
        let warm = surface_s * 0.0035 * w.tolerance_k;
        let play = 2.0 * off / water.velocity_m_s + warm + foot_s(bench, FOOT_DB);
        gates.push(Gate {
            kind: GateKind::Surface,
            start_s: surface_s - play,
            end_s: surface_s + play,
            threshold_fsh: 1.0,
        });
    }
    Ok(gates)
}

/// The crack gate: around the half skip, wide enough for the neighbours' share of the rim, for a
/// bar off centre and for the size's tolerance.
fn crack(bench: &Bench<'_>, sketch: &Sketch) -> Gate {
    let c = sketch.axis.velocity_m_s;
    let middle = 2.0 * sketch.axis.reach_m / c;
    let radius = bench.nominal.section.half_extent_m();
    let beta = sketch.refraction_rad.abs();
    let steel_over_water = bench.nominal.media.water.map_or(1.0, |w| c / w.velocity_m_s);
    // A bar off centre by e turns the incidence by e/R/cos(α); Snell and the chord 2 R cos β give
    // the change of the way.
    let off = bench.station.line.centring_mm * 1e-3 / radius;
    let turned = steel_over_water * off / beta.cos();
    let wander = 2.0 * radius * beta.sin() * turned;
    // Neighbouring beams lie an aperture apart at most: half of it either side of the hit, and two degrees.
    let own = bench.probes[sketch.probe].elements.iter().skip(sketch.first).take(sketch.count);
    let angles: Vec<f64> = own.map(|e| e.centre.angle()).collect();
    let span = match (angles.first(), angles.last()) {
        (Some(a), Some(b)) => crate::echo::turn(b - a).abs(),
        _ => 0.0,
    };
    let half = (span / 2.0 + 2f64.to_radians()).max(6f64.to_radians());
    let rim = radius * beta.sin() * half;
    let play = 2.0 * (wander + rim + tolerance_m(bench)) / c + foot_s(bench, 20.0);
    Gate {
        kind: GateKind::Crack,
        start_s: middle - play,
        end_s: middle + play,
        threshold_fsh: bench.sensitivity.alarm_fsh,
    }
}

/// The record that holds surface echo and gates of all beams.
#[must_use]
pub fn record(bench: &Bench<'_>, beams: &[Beam]) -> Record {
    let rate = bench.station.electronics.sample_rate_mhz * 1e6;
    let margin = foot_s(bench, RING_DOWN_DB);
    let mut first = f64::INFINITY;
    let mut last: f64 = 0.0;
    for beam in beams {
        for g in &beam.gates {
            let from = if g.kind == GateKind::Surface { 0.0 } else { beam.surface_time_s };
            first = first.min(from + g.start_s);
            last = last.max(from + g.end_s);
        }
    }
    let first_sample = if bench.nominal.media.water.is_none() {
        0.0
    } else {
        ((first - margin).max(0.0) * rate).floor()
    };
    let samples = ((last + margin) * rate).ceil() - first_sample + 1.0;
    Record {
        first_sample_s: first_sample / rate,
        sample_rate_hz: rate,
        samples: samples.max(1.0) as u32,
        full_scale_fsh: bench.station.electronics.headroom_fsh_percent / 100.0,
    }
}

/// Whether the section is a flat block.
#[must_use]
pub fn is_block(bench: &Bench<'_>) -> bool {
    matches!(bench.nominal.section, Section::Flat { .. })
}

/// Time in s after which a surface or wall echo has rung down.
#[must_use]
pub fn ring_down_s(bench: &Bench<'_>) -> f64 {
    foot_s(bench, RING_DOWN_DB)
}

/// Smallest -6 dB width along the bar over a beam's flaw gate, and that at its middle, in m.
#[must_use]
pub fn axial_widths_m(
    bench: &Bench<'_>,
    sketch: &Sketch,
    aperture: &Aperture<'_>,
    gate: &Gate,
) -> Option<(f64, f64)> {
    let at = |t: f64| {
        let place = sketch.axis.at(t);
        echo::axial_width_m(&bench.nominal, aperture, place)
    };
    // The middle of a crack gate is the rim itself; a point past it has no ray.
    let middle = match sketch.mode {
        Mode::L => at((gate.start_s + gate.end_s) / 2.0)?,
        Mode::S => echo::axial_width_m(&bench.nominal, aperture, sketch.end)?,
    };
    let ends = match sketch.mode {
        Mode::L => at(gate.start_s)?.min(at(gate.end_s)?),
        Mode::S => middle,
    };
    Some((ends.min(middle), middle))
}
