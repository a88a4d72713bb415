//! The faces of a square, and where the arrays before them stand.

use std::f64::consts::FRAC_PI_2;

use barwright_job::{
    Order,
    order::SquareSpec,
    station::{Array, Ring, Shape, Station},
    technique::{Media, Section},
};
use barwright_wave::{Element, Point, Surface, section::Faces};

use crate::conditions::Conditions;
use crate::conditions::off_centre_m;
use crate::error::{PlanError, Result};

/// Faces of a square section about `centre`, turned counter-clockwise by `turn_rad`, from the one that
/// looks up at turn 0, counter-clockwise; empty for other sections.
///
/// # Errors
/// The wave crate's reason for a side or corner that cannot be.
pub fn faces(section: &Section, centre: Point, turn_rad: f64) -> Result<Vec<Surface>> {
    let Section::Square { side_m, corner_radius_m } = *section else {
        return Ok(Vec::new());
    };
    let square =
        barwright_wave::section::Section::square(centre, side_m, corner_radius_m, turn_rad)?;
    Ok(square.faces().to_vec())
}

/// The face of a square that elements look at; `None` for other sections or without elements.
#[must_use]
pub fn before(conditions: &Conditions, elements: &[Element]) -> Option<Surface> {
    let facing = elements.first()?.facing_rad;
    // The first face looks up: elements before it look down.
    let quarters = ((facing + FRAC_PI_2 - conditions.turn_rad) / FRAC_PI_2).round() as i64;
    conditions.faces.get(quarters.rem_euclid(4) as usize).copied()
}

/// Least distance in m of the arrays' faces from the ring's centre: far enough that the second surface
/// echo comes after the far wall and, where cracks are ordered, after the half skip at mid-side; the rest in
/// hand is the bar's own play and 2 mm.
///
/// # Errors
/// [`PlanError::NoTechnique`] for a ring that does not face the four sides, is narrower than a face, or
/// cannot be drawn back far enough.
pub fn least_distance_m(
    order: &Order,
    station: &Station,
    ring: &Ring,
    square: &SquareSpec,
    media: &Media,
) -> Result<f64> {
    let (true, Array::Flat(array)) = (ring.serves(Shape::Square), ring.array) else {
        return Err(PlanError::rule(
            "section",
            format!("ring {} does not serve square bars", ring.name),
            "use a station with flat arrays before the faces, or add square to the ring's sections",
        ));
    };
    if ring.probes != 4 || (ring.first_probe_deg / 90.0).fract() != 0.0 {
        return Err(PlanError::rule(
            "section",
            format!(
                "ring {} has {} probes from {}°; square bars need one before each of four faces",
                ring.name, ring.probes, ring.first_probe_deg
            ),
            "use a ring of 4 probes whose first stands at a multiple of 90°",
        ));
    }
    let width = f64::from(array.elements) * array.pitch_mm;
    if width < square.side_mm {
        return Err(PlanError::rule(
            "width of the array",
            format!(
                "{} elements of {} mm are {width:.1} mm wide, the face is {} mm",
                array.elements, array.pitch_mm, square.side_mm
            ),
            "use a ring whose arrays are as wide as the face",
        ));
    }
    let Some(water) = media.water else {
        return Err(PlanError::rule(
            "section and coupling",
            "square bars are looked at through water",
            "use a station with a ring in water",
        ));
    };
    let side = square.side_mm * 1e-3;
    let least = least_water_path_m(side, water.velocity_m_s, media, order.flaws.crack.is_some());
    let play = (off_centre_m(order, station) * 1e3 + square.tolerance_mm + 2.0) * 1e-3;
    let wanted = side / 2.0 + least + play;
    let most = (array.distance_mm + array.travel_mm) * 1e-3;
    if wanted > most {
        return Err(PlanError::rule(
            "second surface echo behind the far wall",
            format!(
                "the arrays would have to stand {:.1} mm from the centre, they reach {:.1} mm",
                wanted * 1e3,
                most * 1e3
            ),
            "use a ring that can be drawn back further, or order a smaller side",
        ));
    }
    Ok(wanted)
}

/// Longest half skip at 45 degrees that is looked at, over the side: the middle of the face beside and
/// a tenth more.
const LONGEST_SKIP: f64 = 0.6 * std::f64::consts::SQRT_2;

/// Shortest water path in m that keeps the second surface echo behind the far wall of a side in m and,
/// with cracks, behind the longest half skip.
#[must_use]
pub fn least_water_path_m(side_m: f64, c_water_m_s: f64, media: &Media, cracks: bool) -> f64 {
    let wall = side_m / media.steel.longitudinal_m_s;
    let skip = if cracks { side_m * LONGEST_SKIP / media.steel.shear_m_s } else { 0.0 };
    c_water_m_s * wall.max(skip)
}

/// Half the width in m of a face that sound may enter in every case: without corners, the bar's play
/// and what the smallest side lacks.
#[must_use]
pub fn open_half_m(order: &Order, station: &Station, square: &SquareSpec) -> f64 {
    let off = off_centre_m(order, station) * 1e3 + square.tolerance_mm / 2.0;
    (square.side_mm / 2.0 - square.corner_radius_mm - off).max(0.0) * 1e-3
}
