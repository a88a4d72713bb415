//! What is square about gates.

use barwright_job::{
    order::SectionSpec,
    technique::{Gate, GateKind},
};

use crate::beams;
use crate::bench::Bench;
use crate::conditions::off_centre_m;
use crate::error::{PlanError, Result};
use crate::laws::Sketch;
use crate::square::cases;
use crate::square::coverage::shift_s;
use crate::square::{echo, outline::Mouth};

/// More distance in m of the bar's face from a beam's aperture than centring and size give: the bow, and
/// a turn about the axis, which acts on the aperture's way from the middle of the face. Nought for other
/// sections.
#[must_use]
pub fn surface_play_m(bench: &Bench<'_>, sketch: &Sketch) -> f64 {
    if !matches!(bench.order.section, SectionSpec::Square(_)) {
        return 0.0;
    }
    let inward = sketch.axis.direction_rad;
    let aside = (sketch.axis.entry.y * inward.cos() - sketch.axis.entry.x * inward.sin()).abs();
    let line = &bench.station.line;
    let bow = off_centre_m(bench.order, bench.station) * 1e3 - line.centring_mm;
    bow * 1e-3 + aside * line.turn_deg.to_radians().sin()
}

/// Play in s of the back wall of a square from the steel's velocity tolerance; nought for other
/// sections.
#[must_use]
pub fn wall_play_s(bench: &Bench<'_>, sketch: &Sketch) -> f64 {
    if !matches!(bench.order.section, SectionSpec::Square(_)) {
        return 0.0;
    }
    let share = bench.order.steel.velocity_tolerance_percent / 100.0;
    2.0 * sketch.axis.reach_m / sketch.axis.velocity_m_s * share
}

/// The crack gate of a shear beam: what the beam's own footprint on the outline answers, nominal and in
/// every deviation, with the pulse's foot.
///
/// # Errors
/// [`PlanError::NoTechnique`] where the beam answers no crack on its axis; those of the deviations.
pub fn crack(bench: &Bench<'_>, sketch: &Sketch, surface_s: f64) -> Result<Gate> {
    let aperture = beams::aperture(&bench.probes, sketch);
    let depth = bench.sensitivity.crack_depth_m.unwrap_or(1e-3);
    let mut states = vec![bench.nominal.clone()];
    states.extend(cases::all(bench.order, bench.station, &bench.nominal)?);
    let middle = Mouth::at(&bench.nominal.section, sketch.end.angle());
    let width = match (aperture.elements.first(), aperture.elements.last()) {
        (Some(a), Some(b)) => a.centre.distance(b.centre) + a.width_m,
        _ => 0.0,
    };
    // On the face beside, a parallel beam is as wide as its footprint times the cotangent.
    let spread = width / sketch.refraction_rad.abs().tan() / 2.0;
    let (mut top, mut times) = (f64::NEG_INFINITY, Vec::new());
    for state in &states {
        let shift = shift_s(&bench.nominal, state, aperture.elements);
        for quarter in -4..=4 {
            let aside = spread * f64::from(quarter) / 4.0;
            let Some(mouth) = middle.and_then(|m| m.beside(&bench.nominal.section, aside)) else {
                continue;
            };
            let length = bench.crack_length_m();
            if let Some(e) = echo::crack(state, &aperture, &mouth, depth, length, 0.0) {
                top = top.max(e.transfer_db);
                times.push((e.transfer_db, e.arrival_s - surface_s - shift));
            }
        }
    }
    let (low, high) = times
        .iter()
        .filter(|(level, _)| *level >= top - 12.0)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), (_, t)| (l.min(*t), h.max(*t)));
    if low > high {
        return Err(PlanError::rule(
            "reach",
            format!(
                "no shear ray of probe {}, elements {} to {}, meets a crack on its axis",
                sketch.probe + 1,
                sketch.first + 1,
                sketch.first + sketch.count
            ),
            "leave the crack class out, or use arrays of finer pitch",
        ));
    }
    let foot = bench.nominal.pulse.duration_s(20.0) / 2.0;
    Ok(Gate {
        kind: GateKind::Crack,
        start_s: (low - foot).max(0.0),
        end_s: high + foot,
        threshold_fsh: bench.sensitivity.alarm_fsh,
    })
}

/// Distance in m of neighbouring shear axes where they land, against the -6 dB width of the first there;
/// `None` where they land on different faces or nothing answers.
#[must_use]
pub fn shear_overlap_m(bench: &Bench<'_>, a: &Sketch, b: &Sketch) -> Option<(f64, f64)> {
    let section = &bench.nominal.section;
    let (one, two) = (Mouth::at(section, a.end.angle())?, Mouth::at(section, b.end.angle())?);
    if one.face.is_none() || one.face != two.face {
        return None;
    }
    let aperture = beams::aperture(&bench.probes, a);
    let depth = bench.sensitivity.crack_depth_m?;
    let spacing = (one.along_m - two.along_m).abs();
    let level = |x: f64| {
        let mouth = one.beside(section, x)?;
        let length = bench.crack_length_m();
        let echo = echo::crack(&bench.nominal, &aperture, &mouth, depth, length, 0.0)?;
        Some(echo.transfer_db)
    };
    let step = (spacing / 10.0).max(1e-5);
    let on_axis = level(0.0)?;
    let reach = |side: f64| {
        let mut x = 0.0;
        while x < 20.0 * spacing && level(side * x).is_some_and(|l| l >= on_axis - 6.0) {
            x += step;
        }
        x
    };
    Some((spacing, reach(1.0) + reach(-1.0)))
}
