//! What a technique covers when one thing is otherwise than it was planned for.

use barwright_job::{Order, Technique, proof::ClassProof, technique::Section};
use barwright_wave::Point;

use super::round;
use crate::conditions::Conditions;
use crate::error::{PlanError, Result};
use crate::exact::{Bars, margins};

/// Angles around the ring at which a bar off centre is computed: a quick look.
const AROUND: usize = 8;

/// What is otherwise; the default changes nothing.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct WhatIf {
    /// By how much the probes stand further from the bar, in m; negative is nearer.
    pub water_path_m: f64,
    /// Temperature of the water in °C; absent: as planned.
    pub temperature_c: Option<f64>,
    /// Diameter of the bar in m; absent: as planned.
    pub diameter_m: Option<f64>,
    /// Where the bar's centre stands, in m.
    pub centre: Point,
}

/// Coverage of a round bar in water with laws, gates and gains as they are, when bar, water or probes are
/// otherwise; one state, no deviations beside it (nominal and worst margins are the same). Made for pages
/// that redraw while one watches.
///
/// # Errors
/// [`PlanError::NoTechnique`] for a section that is not round or without water, a bar that would touch a
/// probe, or a diameter that is not within a tenth of the planned one; [`PlanError::Wave`] where the
/// physics cannot answer.
pub fn what_if(order: &Order, technique: &Technique, what: &WhatIf) -> Result<Vec<ClassProof>> {
    let Section::Round { radius_m } = technique.section else {
        return Err(PlanError::rule(
            "section",
            "only round bars are looked at again quickly",
            "prove the technique",
        ));
    };
    let nominal = Conditions::nominal(technique)?;
    let water = technique.media.water.ok_or_else(crate::conditions::dry)?;
    let mut state = nominal.clone();
    if let Some(temperature) = what.temperature_c {
        state = state.at_temperature(temperature)?;
    }
    let scale = what.diameter_m.map_or(1.0, |d| d / (2.0 * radius_m));
    if !(0.9..=1.1).contains(&scale) {
        return Err(PlanError::rule(
            "diameter",
            format!(
                "{:.2} mm, the technique is for {:.2} mm",
                scale * radius_m * 2e3,
                radius_m * 2e3
            ),
            "plan a technique for that diameter",
        ));
    }
    let state = state.moved("as asked".into(), what.centre, scale);
    let moved = with_water_path(technique, what.water_path_m, water.velocity_m_s);
    let room_m = technique
        .probes
        .iter()
        .map(|p| crate::ring::middle(&p.elements).radius() + what.water_path_m)
        .fold(f64::INFINITY, f64::min)
        - what.centre.radius()
        - radius_m * scale;
    // Less than a millimetre of water is no station; what is no number is refused likewise.
    let numbers = what.water_path_m.is_finite() && what.centre.radius().is_finite();
    if !numbers || room_m < 1e-3 {
        return Err(PlanError::rule(
            "water path",
            format!("{:.2} mm between bar and probe", room_m * 1e3),
            "give the probes at least a millimetre of water",
        ));
    }
    let bars = Bars::default();
    let fineness = round::fineness(radius_m, &nominal, AROUND);
    let mut fields = round::fields(order, &moved, &nominal, &bars, fineness);
    let calm = || Ok(());
    let judged = round::judged(&moved);
    let states =
        margins::states(&mut fields, &judged, &nominal, std::slice::from_ref(&state), &calm)?;
    round::proofs(order, &moved, &fields, &states, &[], &|_| None, &calm)
}

/// The technique with its probes moved outward; the surface echo is followed.
fn with_water_path(technique: &Technique, outward_m: f64, water_m_s: f64) -> Technique {
    let mut moved = technique.clone();
    if outward_m == 0.0 {
        return moved;
    }
    for probe in &mut moved.probes {
        let out = Point::polar(outward_m, crate::ring::middle(&probe.elements).angle());
        for element in &mut probe.elements {
            element.centre = element.centre + out;
        }
    }
    for beam in &mut moved.beams {
        beam.surface_time_s += 2.0 * outward_m / water_m_s;
    }
    moved
}
