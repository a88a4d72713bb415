//! The bar off centre: a first harmonic of surface times around the ring that stays in space while
//! the bar turns.

use barwright_job::level::Cause;

use super::{
    Rank, Weighed,
    place::{Fitted, Way, confidence},
    words,
};

/// Detection limit in metres. The ways themselves tell some microns; below a tenth of a millimetre
/// the guides, not the setting, decide where the bar stands.
pub(super) const LEAST_M: f64 = 1e-4;

/// How much nearer a bar moved by one metre to the right, and upwards, comes to a beam.
pub(super) fn columns(way: &Way) -> [f64; 2] {
    [way.angle_rad.cos(), way.angle_rad.sin()]
}

/// The explanation, if the model taken holds an offset over the limit.
pub(super) fn explain(told: &Fitted, all: &[Fitted], ways: &[Way]) -> Option<Weighed> {
    let ([x, y], sigma) = told.centre()?;
    let distance = x.hypot(y);
    // Half of the probes tell each of its two parts.
    if distance < LEAST_M || !told.stands(distance, sigma, told.probes() / 2.0) {
        return None;
    }
    let towards = y.atan2(x);
    let back = words::clock(towards + std::f64::consts::PI);
    // Models without an offset that nearly do as well put it down to probes.
    let alternatives = all
        .iter()
        .filter(|f| !f.model.centre && f.bic - told.bic < super::CLOSE_BIC)
        .flat_map(|f| f.moved())
        .filter(|m| m.1.abs() >= super::moved::LEAST_M)
        .map(|(probe, change_m, _)| Cause::ProbeMoved { probe, change_m })
        .collect();
    Some(Weighed {
        rank: Rank::Place,
        weight: distance / LEAST_M,
        explanation: super::explanation(
            Cause::OffCentre { x_m: x, y_m: y, uncertainty_m: sigma },
            confidence(all, |f| f.model.centre),
            vec![
                format!(
                    "the surface echoes of {} beams come earlier on one side of the ring and later on the other, once around: {:.2} mm towards {} o'clock (x {:+.2} mm, y {:+.2} mm, each ±{:.3} mm)",
                    ways.len(),
                    distance * 1e3,
                    words::clock(towards),
                    x * 1e3,
                    y * 1e3,
                    sigma * 1e3
                ),
                "the wave stays in space while the bar turns".into(),
            ],
            format!(
                "move the bar {:.2} mm towards {back} o'clock, or the ring as far the other way; then level again",
                distance * 1e3
            ),
            alternatives,
        ),
    })
}
