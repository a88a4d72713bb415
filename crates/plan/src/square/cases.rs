//! The deviations that a square bar's worst case is over.

use barwright_job::{Order, Station, order::SectionSpec, technique::Section};
use barwright_wave::Point;

use crate::conditions::{Conditions, cases_of_any_section, off_centre_m};
use crate::error::Result;
use crate::square::face;

/// The deviations, one at a time at both ends: centring along the sides and the diagonals, side, turn
/// about the axis, water, velocity of the steel, tilt of the disc, one lost element.
///
/// # Errors
/// The wave crate's reason for a state that cannot be.
pub fn all(order: &Order, station: &Station, nominal: &Conditions) -> Result<Vec<Conditions>> {
    let mut cases = Vec::new();
    let SectionSpec::Square(square) = order.section else { return Ok(cases) };
    let still = Point::default();
    let off_m = off_centre_m(order, station);
    if off_m > 0.0 {
        let sides = [
            "to the right",
            "up and to the right",
            "up",
            "up and to the left",
            "to the left",
            "down and to the left",
            "down",
            "down and to the right",
        ];
        for (i, side) in sides.into_iter().enumerate() {
            let centre = Point::polar(off_m, i as f64 * std::f64::consts::FRAC_PI_4);
            let words = format!("bar {:.2} mm {side}", off_m * 1e3);
            cases.push(moved(nominal, words, centre, 1.0, 0.0)?);
        }
    }
    for (sign, word) in [(1.0, "over"), (-1.0, "under")] {
        if square.tolerance_mm > 0.0 {
            let scale = 1.0 + sign * square.tolerance_mm / square.side_mm;
            let words = format!("side {} mm {word}", square.tolerance_mm);
            cases.push(moved(nominal, words, still, scale, 0.0)?);
        }
    }
    let turn = station.line.turn_deg;
    for (sign, word) in [(1.0, "counter-clockwise"), (-1.0, "clockwise")] {
        if turn > 0.0 {
            let words = format!("bar turned {turn}° {word}");
            let turn_rad = (sign * turn).to_radians();
            cases.push(moved(nominal, words, still, 1.0, turn_rad)?);
        }
    }
    cases.extend(cases_of_any_section(order, station, nominal, "steel")?);
    Ok(cases)
}

/// The bar elsewhere, of another size and turned.
pub(super) fn moved(
    nominal: &Conditions,
    words: String,
    centre: Point,
    scale: f64,
    turn_rad: f64,
) -> Result<Conditions> {
    let mut c = nominal.clone();
    if let Section::Square { side_m, corner_radius_m } = nominal.section {
        c.section =
            Section::Square { side_m: side_m * scale, corner_radius_m: corner_radius_m * scale };
    }
    c.faces = face::faces(&c.section, centre, turn_rad)?;
    if let Some(first) = c.faces.first() {
        c.surface = *first;
    }
    c.words = words;
    c.centre = centre;
    c.scale = scale;
    c.turn_rad = turn_rad;
    Ok(c)
}
