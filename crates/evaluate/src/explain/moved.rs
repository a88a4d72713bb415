//! One probe nearer or farther than it should be: its beams alone are early or late.

use barwright_job::level::Cause;

use super::{
    Rank, Weighed,
    place::{Fitted, Way, confidence},
    words,
};

/// Detection limit in metres.
pub(super) const LEAST_M: f64 = 5e-5;

/// The model of one moved probe.
pub(super) struct Moved;

impl Moved {
    /// Metres nearer of a beam when a probe moves one metre outwards along its middle.
    pub fn column(way: &Way, probe: u32) -> f64 {
        if way.probe == probe { -way.aside_rad.cos() } else { 0.0 }
    }
}

/// One explanation for each probe of the model taken that moved by more than the limit.
pub(super) fn explain(told: &Fitted, all: &[Fitted], ways: &[Way]) -> Vec<Weighed> {
    told.moved()
        .into_iter()
        .filter(|m| m.1.abs() >= LEAST_M && told.stands(m.1, m.2, 1.0))
        .map(|(probe, change_m, sigma)| {
            let own = ways.iter().filter(|w| w.probe == probe).count();
            let alternatives = all
                .iter()
                .filter(|f| !f.model.moved.contains(&probe) && f.bic - told.bic < super::CLOSE_BIC)
                .filter_map(|f| {
                    let ([x_m, y_m], uncertainty_m) = f.centre()?;
                    Some(Cause::OffCentre { x_m, y_m, uncertainty_m })
                })
                .take(1)
                .collect();
            let way = if change_m > 0.0 { "farther out" } else { "nearer" };
            let back = if change_m > 0.0 { "in" } else { "out" };
            Weighed {
                rank: Rank::Place,
                weight: change_m.abs() / LEAST_M,
                explanation: super::explanation(
                    Cause::ProbeMoved { probe, change_m },
                    confidence(all, |f| f.model.moved.contains(&probe)),
                    vec![format!(
                        "the surface echoes of the {own} beams of {} alone say that it stands {:.2} mm {way} (±{:.3} mm)",
                        words::probe(probe),
                        change_m.abs() * 1e3,
                        sigma * 1e3
                    )],
                    format!(
                        "set {} {:.2} mm farther {back} and fasten it; then level again",
                        words::probe(probe),
                        change_m.abs() * 1e3
                    ),
                    alternatives,
                ),
            }
        })
        .collect()
}
