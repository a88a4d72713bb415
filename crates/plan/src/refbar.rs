//! The reference bar: reflectors, motion and what every beam should read.

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

/// Distance of reflectors along the bar, and of the first from the head, in m: several times the
/// widest beam along the bar.
const APART_M: f64 = 0.1;
/// Turn of the bar between two cycles of all beams: a degree.
const TURN_STEP: f64 = PI / 180.0;
/// The bar turns a little more than once, so that no beam's peak falls on the seam.
const TURN: f64 = TAU + 20.0 * PI / 180.0;
/// Turn and time either side of the expected echo within which it is looked for.
const TURN_WINDOW: f64 = 8.0 * PI / 180.0;
/// Length of the notch in m; ISO 10893-10 allows 25 mm at most on machined bars.
const NOTCH_M: f64 = 0.025;

/// The reference bar of a technique: every beam meets a reflector of the ordered size as the bar
/// turns under the ring.
///
/// A flat-bottomed hole at half the radius from the middle, a second one deeper that proves the gain
/// curve, and a notch of the ordered crack depth. Holes are drilled along the radius; their bottoms
/// face outwards. A block is its own reference: its back wall, without motion. The document's source
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
    let facing = nearest_degree(t, Mode::L, |b| b.axis.entry.angle());
    let hole = |name: &str, n: usize, depth_m: f64| Reflector {
        name: name.into(),
        shape: Shape::FlatBottomedHole { diameter_m: t.sensitivity.disc_diameter_m },
        z_m: n as f64 * APART_M + t.unguided_end_m,
        angle_rad: facing,
        radius_m: radius_m - depth_m,
    };
    // Bottoms at a half and at three quarters of the radius, below any skin.
    let shallow = (radius_m * 0.5).max(t.sensitivity.skin_m + 1e-3);
    let deep = (radius_m * 0.75).max(t.sensitivity.skin_m + 2e-3);
    let mut reflectors = vec![hole("H1", 1, shallow), hole("H2", 2, deep)];
    if let Some(depth_m) = t.sensitivity.crack_depth_m
        && t.beams.iter().any(|b| b.mode == Mode::S)
    {
        reflectors.push(Reflector {
            name: "N1".into(),
            shape: Shape::Notch { depth_m, length_m: NOTCH_M },
            z_m: 3.0 * APART_M + t.unguided_end_m,
            angle_rad: nearest_degree(t, Mode::S, |b| beams::end(b).angle()),
            radius_m,
        });
    }
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
    let length_m = reflectors.last().map_or(0.0, |r| r.z_m) + APART_M + t.unguided_end_m;
    let findings = unseen(t, &expected);
    ReferenceBar {
        name: format!("reference bar for {}", t.name),
        length_m,
        requirements: round_requirements(t, radius_m),
        reflectors,
        motion,
        expected,
        findings,
    }
}

/// Angle around the bar, to the degree that a workshop marks, of the beam of a mode that looks nearest
/// to 0: a bar that passes without turning shows its reflectors squarely to one beam at least.
fn nearest_degree(t: &Technique, mode: Mode, angle_rad: impl Fn(&Beam) -> f64) -> f64 {
    t.beams
        .iter()
        .filter(|b| b.mode == mode)
        .map(|b| echo::turn(angle_rad(b)))
        .min_by(|a, b| a.abs().total_cmp(&b.abs()))
        .map_or(0.0, |angle| angle.to_degrees().round().to_radians())
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

fn round_requirements(t: &Technique, radius_m: f64) -> Vec<String> {
    let steel = &t.media.steel;
    let mut lines = vec![
        format!(
            "steel of the order: longitudinal velocity {} m/s and shear velocity {} m/s within 1 %",
            steel.longitudinal_m_s, steel.shear_m_s
        ),
        format!("diameter {} mm within 0.05 mm, straight within 0.2 mm/m", radius_m * 2e3),
        format!(
            "flat-bottomed holes: diameter {} mm within 0.05 mm, bottom flat and square to the \
             radius within 1°, filled and sealed",
            t.sensitivity.disc_diameter_m * 1e3
        ),
        "no other echo above a quarter of the target between the reflectors".into(),
    ];
    if let Some(depth) = t.sensitivity.crack_depth_m {
        // ISO 10893-10: 15 % or 0.05 mm, the greater; 0.03 mm below 0.3 mm of depth.
        let depth = depth * 1e3;
        let tolerance = if depth < 0.3 { 0.03 } else { (0.15 * depth).max(0.05) };
        lines.push(format!(
            "notch: {depth} mm deep within {tolerance:.2} mm, {} mm long, at most 0.5 mm wide, \
             radial, by spark erosion; depth verified by replica (tolerance after ISO 10893-10)",
            NOTCH_M * 1e3
        ));
    }
    lines
}
