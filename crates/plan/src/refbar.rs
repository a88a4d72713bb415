//! The reference bar: reflectors, motion and what every beam should read.

mod choice;
mod requirements;

use std::f64::consts::{PI, TAU};

use barwright_job::{
    Finding, Sealed, Technique,
    finding::Topic,
    reference::{Expected, Motion, ReferenceBar, Reflector, Shape},
    technique::{Beam, GateKind, Section},
};
use barwright_wave::{Mode, Point};

use crate::beams;
use crate::conditions::Conditions;
use crate::coverage::height_in_gate_db;
use crate::echo::{self, Echo, db};
use crate::error::{PlanError, Result};
use crate::response::Aperture;

/// Turn of the bar between two cycles of all beams: a degree.
const TURN_STEP: f64 = PI / 180.0;
/// The bar turns a little more than once, so that no beam's peak falls on the seam.
const TURN: f64 = TAU + 20.0 * PI / 180.0;
/// Turn and time either side of the expected echo within which it is looked for.
const TURN_WINDOW: f64 = 8.0 * PI / 180.0;

/// The reference bar of a technique: every beam meets a reflector of the ordered size as the bar
/// turns under the ring.
///
/// Flat-bottomed holes at several depths, which prove the gain curve, and a notch of the ordered crack
/// depth, so far apart that no beam hears two of them. Holes are drilled along the radius; their
/// bottoms face outwards. A block is its own reference: its back wall, without motion. The document's source
/// is the technique.
///
/// # Errors
/// Those of [`Conditions::nominal`]; [`PlanError::NoTechnique`] for a square section.
pub fn reference_bar(technique: &Sealed<Technique>) -> Result<Sealed<ReferenceBar>> {
    let t = &technique.body;
    let conditions = Conditions::nominal(t)?;
    let bar = match t.section {
        Section::Round { radius_m } => round(t, &conditions, radius_m),
        Section::Square { .. } => {
            return Err(PlanError::rule(
                "reference bar",
                "reference bars of square sections are not drawn yet",
                "level on a reference bar made by a written procedure of your own",
            ));
        }
        Section::Flat { .. } => block(t, &conditions),
    };
    Ok(Sealed::seal(bar, [("technique", technique.hash.clone())]))
}

fn round(t: &Technique, conditions: &Conditions, radius_m: f64) -> ReferenceBar {
    let reflectors = choice::reflectors(t, radius_m);
    let steps = (TURN / TURN_STEP).ceil();
    let motion: Vec<Motion> = reflectors
        .iter()
        .map(|r| Motion {
            purpose: format!("level on {} and see it by every beam made for it", r.name),
            z_m: r.z_m,
            turn_rad: steps * TURN_STEP,
            turn_step_rad: TURN_STEP,
            duration_s: (steps + 1.0) * t.schedule.period_s,
        })
        .collect();
    let mut expected = Vec::new();
    for beam in &t.beams {
        for (i, reflector) in reflectors.iter().enumerate() {
            expected.extend(round_expected(t, conditions, beam, i as u32, reflector));
        }
    }
    let length_m = reflectors.last().map_or(0.0, |r| r.z_m) + choice::apart_m(t) + t.unguided_end_m;
    let findings = unseen(t, &expected);
    ReferenceBar {
        name: format!("reference bar for {}", t.name),
        length_m,
        requirements: requirements::round(t, radius_m, &reflectors),
        reflectors,
        motion,
        expected,
        findings,
    }
}

/// The turn at which a beam reads a reflector highest, and what it then reads.
fn round_expected(
    t: &Technique,
    conditions: &Conditions,
    beam: &Beam,
    index: u32,
    reflector: &Reflector,
) -> Option<Expected> {
    let (kind, aim) = match (reflector.shape, beam.mode) {
        (Shape::FlatBottomedHole { .. }, Mode::L) => (GateKind::Volume, beam.axis.entry.angle()),
        (Shape::Notch { .. }, Mode::S) => (GateKind::Crack, beams::end(beam).angle()),
        _ => return None,
    };
    let read = |angle: f64| -> Option<(f64, Echo)> {
        let aperture = Aperture::of_beam(&t.probes, beam);
        let echo = match reflector.shape {
            Shape::FlatBottomedHole { diameter_m } => echo::disc(
                conditions,
                &aperture,
                Point::polar(reflector.radius_m, angle),
                diameter_m,
            )?,
            Shape::Notch { depth_m, length_m } => {
                echo::crack(conditions, &aperture, angle, depth_m, length_m)?
            }
            _ => return None,
        };
        Some((height_in_gate_db(beam, kind, &echo, 0.0)?, echo))
    };
    // Half-degree steps around the axis, then a parabola through the highest three.
    let step = TURN_STEP / 2.0;
    let reads: Vec<Option<(f64, Echo)>> =
        (-12..=12).map(|i| read(aim + f64::from(i) * step)).collect();
    let (best, (mut height, echo)) = reads
        .iter()
        .enumerate()
        .filter_map(|(i, r)| r.map(|r| (i, r)))
        .max_by(|a, b| a.1.0.total_cmp(&b.1.0))?;
    let mut shift = 0.0;
    if best > 0
        && let (Some((l, _)), Some(Some((r, _)))) = (reads[best - 1], reads.get(best + 1))
    {
        let curvature = l - 2.0 * height + r;
        if curvature < 0.0 {
            shift = 0.5 * (l - r) / curvature;
            height -= 0.25 * (l - r) * shift;
        }
    }
    let angle = aim + (best as f64 - 12.0 + shift) * step;
    Some(Expected {
        beam: beam.id,
        reflector: index,
        motion: index,
        height_fsh: 10f64.powf(height / 20.0),
        turn_rad: (angle - reflector.angle_rad).rem_euclid(TAU),
        turn_window_rad: TURN_WINDOW,
        after_surface_s: echo.arrival_s - beam.surface_time_s,
        time_window_s: time_window_s(conditions),
    })
}

fn block(t: &Technique, conditions: &Conditions) -> ReferenceBar {
    let thickness = 2.0 * t.section.half_extent_m();
    let expected: Vec<Expected> = t
        .beams
        .iter()
        .filter_map(|beam| {
            let echo =
                echo::back_wall(conditions, &Aperture::of_beam(&t.probes, beam), beams::end(beam))?;
            let height = height_in_gate_db(beam, GateKind::BackWall, &echo, 0.0)?;
            Some(Expected {
                beam: beam.id,
                reflector: 0,
                motion: 0,
                height_fsh: 10f64.powf(height / 20.0),
                turn_rad: 0.0,
                turn_window_rad: PI,
                after_surface_s: echo.arrival_s - beam.surface_time_s,
                time_window_s: 2.0 * time_window_s(conditions),
            })
        })
        .collect();
    ReferenceBar {
        name: format!("reference block for {}", t.name),
        length_m: t.pulse_spacing_m,
        reflectors: vec![Reflector {
            name: "B1".into(),
            shape: Shape::BackWall,
            z_m: t.pulse_spacing_m / 2.0,
            angle_rad: 0.0,
            radius_m: thickness,
        }],
        motion: vec![Motion {
            purpose: "level on the back wall, array and block at rest".into(),
            z_m: t.pulse_spacing_m / 2.0,
            turn_rad: 0.0,
            turn_step_rad: 0.0,
            duration_s: t.schedule.period_s,
        }],
        requirements: vec![
            format!("thickness {} mm, faces parallel within 0.05 mm", thickness * 1e3),
            "back wall free and dry under the whole array".into(),
        ],
        findings: unseen(t, &expected),
        expected,
    }
}

/// Pulse and a bar that stands a little off: twice the pulse's -40 dB foot.
fn time_window_s(conditions: &Conditions) -> f64 {
    conditions.pulse.duration_s(40.0)
}

fn unseen(t: &Technique, expected: &[Expected]) -> Vec<Finding> {
    let alarm = t.sensitivity.alarm_fsh;
    let blind: Vec<u32> = t
        .beams
        .iter()
        .filter(|b| !expected.iter().any(|e| e.beam == b.id && e.height_fsh >= alarm))
        .map(|b| b.id)
        .collect();
    if blind.is_empty() {
        return Vec::new();
    }
    vec![
        Finding::new(
            Topic::Missing,
            format!(
                "{} beams read no reflector above the alarm of {:.0} dB re full screen and cannot \
                 be levelled on this bar",
                blind.len(),
                db(alarm)
            ),
        )
        .beams(blind),
    ]
}
