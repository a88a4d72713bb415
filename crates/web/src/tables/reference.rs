//! The reference bar: reflectors, motion, expected echoes.

use barwright_job::reference::{Expected, Motion, ReferenceBar, Reflector, Shape};
use barwright_phrase::say;

use super::{
    Cell, Listed, Made, Rows, Why,
    cell::{deg, mm, percent, us},
    made, need, number, text, whole,
};
use crate::lot::Lot;

pub(super) const ALL: [Listed; 3] = [
    Listed {
        name: "reflectors",
        row: "reflector of the reference bar",
        title: || say!("Reflectors"),
        make: reflectors,
    },
    Listed {
        name: "motion",
        row: "motion of the reference bar",
        title: || say!("Motion list"),
        make: motion,
    },
    Listed {
        name: "expected_echoes",
        row: "echo that a beam should read",
        title: || say!("Expected echoes"),
        make: expected,
    },
];

fn reference(lot: &Lot) -> Result<&ReferenceBar, Why> {
    need(&lot.reference, "reference bar").map(|sealed| &sealed.body)
}

/// Diameter, depth and length.
fn sizes(shape: &Shape) -> [Option<f64>; 3] {
    match *shape {
        Shape::FlatBottomedHole { diameter_m } => [Some(diameter_m), None, None],
        Shape::SideDrilledHole { diameter_m, length_m } => [Some(diameter_m), None, Some(length_m)],
        Shape::Notch { depth_m, length_m } => [None, Some(depth_m), Some(length_m)],
        Shape::BackWall => [None; 3],
    }
}

fn reflectors(lot: &Lot) -> Made {
    let rows: Rows<&Reflector> = reference(lot).map(|r| r.reflectors.iter().collect());
    made(
        rows,
        [
            text("reflector", "mark on the drawing", |r| (&r.name).into()),
            text("shape", "flat_bottomed_hole, side_drilled_hole, notch or back_wall", |r| match r
                .shape
            {
                Shape::FlatBottomedHole { .. } => "flat_bottomed_hole".into(),
                Shape::SideDrilledHole { .. } => "side_drilled_hole".into(),
                Shape::Notch { .. } => "notch".into(),
                Shape::BackWall => "back_wall".into(),
            }),
            number("diameter_mm", "mm", "diameter of a hole", |r| mm(sizes(&r.shape)[0])),
            number("depth_mm", "mm", "depth of a notch", |r| mm(sizes(&r.shape)[1])),
            number("length_mm", "mm", "length along the bar", |r| mm(sizes(&r.shape)[2])),
            number("z_mm", "mm", "middle along the bar, from the head end", |r| mm(r.z_m)),
            number("angle_deg", "°", "angle from the bar's mark, counter-clockwise", |r| {
                deg(r.angle_rad)
            }),
            number(
                "radius_mm",
                "mm",
                "reflecting place from the axis (round) or under the face (flat)",
                |r| mm(r.radius_m),
            ),
        ],
    )
}

fn motion(lot: &Lot) -> Made {
    let rows: Rows<(usize, &Motion)> =
        reference(lot).map(|r| r.motion.iter().enumerate().collect());
    made(
        rows,
        [
            whole("motion", "number of the motion, from 0", |(k, _)| (*k).into()),
            text("purpose", "what it is for", |(_, m)| (&m.purpose).into()),
            number("z_mm", "mm", "place of the bar under the ring, from its head end", |(_, m)| {
                mm(m.z_m)
            }),
            number("turn_deg", "°", "angle through which the bar turns; 0 for none", |(_, m)| {
                deg(m.turn_rad)
            }),
            number("turn_step_deg", "°", "turn between two cycles of all beams", |(_, m)| {
                deg(m.turn_step_rad)
            }),
            number("duration_s", "s", "duration", |(_, m)| m.duration_s.into()),
        ],
    )
}

fn expected(lot: &Lot) -> Made {
    let rows: Rows<(&Expected, Option<&Reflector>)> = reference(lot)
        .map(|r| r.expected.iter().map(|e| (e, r.reflectors.get(e.reflector as usize))).collect());
    made(
        rows,
        [
            whole("beam", "beam by number", |(e, _)| e.beam.into()),
            text("reflector", "mark of the reflector", |(_, r)| {
                Cell::from(r.map(|r| r.name.as_str()))
            }),
            whole("motion", "number of the motion, from 0", |(e, _)| e.motion.into()),
            number(
                "height_fsh_percent",
                "% of full screen height",
                "height when the beam is level",
                |(e, _)| percent(e.height_fsh),
            ),
            number("turn_deg", "°", "turn of the bar at which the echo peaks", |(e, _)| {
                deg(e.turn_rad)
            }),
            number(
                "turn_window_deg",
                "°",
                "turn either side within which it is looked for",
                |(e, _)| deg(e.turn_window_rad),
            ),
            number("after_surface_us", "µs", "time after the surface", |(e, _)| {
                us(e.after_surface_s)
            }),
            number(
                "time_window_us",
                "µs",
                "time either side within which it is looked for",
                |(e, _)| us(e.time_window_s),
            ),
        ],
    )
}
