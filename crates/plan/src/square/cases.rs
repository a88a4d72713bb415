//! The deviations that a square bar's worst case is over.

use barwright_job::{Order, Station, order::SectionSpec, station::Coupling, technique::Section};
use barwright_wave::{Point, Solid, water};

use crate::conditions::Conditions;
use crate::error::Result;
use crate::square::face;

/// One state of bar, water and flaw.
#[derive(Debug, Clone)]
pub struct Case {
    /// State of bar and water.
    pub conditions: Conditions,
    /// Turn of a disc out of facing the beam, in rad.
    pub tilt_rad: f64,
}

impl Case {
    /// Bar and water in a state, discs facing.
    #[must_use]
    pub fn facing(conditions: Conditions) -> Self {
        Self { conditions, tilt_rad: 0.0 }
    }
}

/// Largest distance in mm of the bar's centre from the ring's: the station's centring, and the bow of a
/// bar between the guides, which grows with the square of the length.
#[must_use]
pub fn off_centre_mm(order: &Order, station: &Station) -> f64 {
    let guides = station.line.guide_distance_mm * 1e-3;
    station.line.centring_mm + order.bars.straightness_mm_per_m * guides * guides
}

/// The deviations, one at a time at both ends: centring along the sides and the diagonals, side, turn
/// about the axis, water, velocity of the steel, tilt of the disc, one lost element.
///
/// # Errors
/// The wave crate's reason for a state that cannot be.
pub fn all(order: &Order, station: &Station, nominal: &Conditions) -> Result<Vec<Case>> {
    let mut cases = Vec::new();
    let SectionSpec::Square(square) = order.section else { return Ok(cases) };
    let still = Point::default();
    let off = off_centre_mm(order, station);
    if off > 0.0 {
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
            let centre = Point::polar(off * 1e-3, i as f64 * std::f64::consts::FRAC_PI_4);
            let words = format!("bar {off:.2} mm {side}");
            cases.push(Case::facing(moved(nominal, words, centre, 1.0, 0.0)?));
        }
    }
    for (sign, word) in [(1.0, "over"), (-1.0, "under")] {
        if square.tolerance_mm > 0.0 {
            let scale = 1.0 + sign * square.tolerance_mm / square.side_mm;
            let words = format!("side {} mm {word}", square.tolerance_mm);
            cases.push(Case::facing(moved(nominal, words, still, scale, 0.0)?));
        }
    }
    let turn = station.line.turn_deg;
    for (sign, word) in [(1.0, "counter-clockwise"), (-1.0, "clockwise")] {
        if turn > 0.0 {
            let words = format!("bar turned {turn}° {word}");
            let turn_rad = (sign * turn).to_radians();
            cases.push(Case::facing(moved(nominal, words, still, 1.0, turn_rad)?));
        }
    }
    if let Coupling::Water(w) = station.coupling
        && w.tolerance_k > 0.0
    {
        for (sign, word) in [(1.0, "warmer"), (-1.0, "colder")] {
            let mut c = nominal.clone();
            let t = (w.temperature_c + sign * w.tolerance_k).clamp(0.0, 95.0);
            c.media.water = Some(water::water(t)?);
            c.words = format!("water {} K {word}", w.tolerance_k);
            cases.push(Case::facing(c));
        }
    }
    let percent = order.steel.velocity_tolerance_percent;
    for (sign, word) in [(1.0, "faster"), (-1.0, "slower")] {
        if percent > 0.0 {
            let mut c = nominal.clone();
            let (steel, scale) = (c.media.steel, 1.0 + sign * percent / 100.0);
            c.media.steel = Solid::new(
                steel.longitudinal_m_s * scale,
                steel.shear_m_s * scale,
                steel.density_kg_m3,
            )?;
            c.words = format!("steel {percent} % {word}");
            cases.push(Case::facing(c));
        }
    }
    let tilt = order.flaws.disc.tilt_deg;
    if tilt > 0.0 {
        let mut c = nominal.clone();
        c.words = format!("disc turned {tilt}° out of facing the beam");
        cases.push(Case { conditions: c, tilt_rad: tilt.to_radians() });
    }
    let mut lost = nominal.clone();
    lost.words = "middle element of the aperture lost".into();
    lost.lost_middle = true;
    cases.push(Case::facing(lost));
    Ok(cases)
}

/// The bar elsewhere, of another size and turned.
fn moved(
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
