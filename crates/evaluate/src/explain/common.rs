//! All surfaces early or late alike: warmer or colder water, or another water path.
//!
//! Water of another temperature shifts every beam by the same share of its way. Probes that stand
//! farther out as a whole do it too, but a probe moves along its own middle: beams at its ends gain
//! less than those in its middle. Where the data are fine enough, that tells the two apart.

use barwright_job::level::Cause;
use barwright_wave::water;

use super::{
    Rank, Weighed,
    place::{Fitted, Way, confidence},
    seen::Seen,
};
use crate::reading::median;

/// Detection limit in metres of water path, one way: what half a kelvin does at 40 mm.
const LEAST_M: f64 = 4e-5;

/// The same where clipped surface echoes alone tell it: their middle lies up to three quarters of a
/// cycle behind the true one.
const LEAST_CLIPPED_M: f64 = 1.2e-4;

/// Detection limit for what was seen.
pub(super) fn least_m(seen: &Seen<'_>) -> f64 {
    if seen.common.doubtful { LEAST_CLIPPED_M } else { LEAST_M }
}

/// How a common shift is spread over the beams.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// By the way in the water: temperature, or a ring whose every element stands farther out.
    Even,
    /// By the cosine from the probe's middle: rigid probes that stand farther out.
    Probes,
}

impl Kind {
    /// Metres nearer of a beam for one metre nearer in the middle of a probe.
    pub fn column(self, way: &Way) -> f64 {
        match self {
            Self::Even => 1.0,
            Self::Probes => way.aside_rad.cos(),
        }
    }
}

/// The explanation, if the model taken holds a common shift over the limit.
pub(super) fn explain(
    told: &Fitted,
    all: &[Fitted],
    ways: &[Way],
    seen: &Seen<'_>,
) -> Option<Weighed> {
    let (kind, nearer_m, sigma_m) = told.common()?;
    if nearer_m.abs() < least_m(seen) || !told.stands(nearer_m, sigma_m, told.probes()) {
        return None;
    }
    let water_m = median(&mut ways.iter().map(|w| w.water_m).collect::<Vec<_>>());
    let path = Cause::WaterPath { change_m: -nearer_m };
    let warmer = warmer_k(seen, nearer_m, water_m);
    let other = |k: Kind| {
        all.iter()
            .filter(|f| f.common().is_some_and(|c| c.0 == k))
            .map(|f| f.bic)
            .fold(f64::INFINITY, f64::min)
    };
    let apart = other(Kind::Even) - other(Kind::Probes);
    let words = |what: &str| {
        format!(
            "the surface echoes of all {} beams come {} alike, by {:.0} ns (±{:.0} ns): {what}",
            ways.len(),
            if nearer_m > 0.0 { "early" } else { "late" },
            2e9 * nearer_m.abs() / velocity(seen),
            2e9 * sigma_m / velocity(seen)
        )
    };
    let mut evidence = vec![words(&match warmer {
        Some(k) => format!("{:+.3} mm of water path or {k:+.1} K", -nearer_m * 1e3),
        None => format!("{:+.3} mm of water path", -nearer_m * 1e3),
    })];
    let temperature = warmer.map(|change_k| Cause::WaterTemperature { change_k });
    // Both are named unless the spread over a probe tells them apart: then one alone.
    let (cause, alternatives, cure) = match (kind, temperature) {
        (Kind::Probes, temperature) => {
            evidence.push("beams at the ends of a probe shift less than those in its middle, as when probes stand farther out or in".into());
            let alternatives =
                temperature.into_iter().filter(|_| apart < super::CLOSE_BIC).collect();
            (path, alternatives, move_probes(nearer_m))
        }
        (Kind::Even, Some(temperature)) => {
            let alternatives = vec![path];
            (temperature, alternatives, format!("measure the water: {}", warm_words(warmer)))
        }
        (Kind::Even, None) => (path, Vec::new(), move_probes(nearer_m)),
    };
    Some(Weighed {
        rank: Rank::Place,
        weight: nearer_m.abs() / LEAST_M,
        explanation: super::explanation(
            cause,
            confidence(all, |f| f.model.common.is_some()),
            evidence,
            cure,
            alternatives,
        ),
    })
}

fn move_probes(nearer_m: f64) -> String {
    format!(
        "set all probes {:.2} mm farther {}, or plan again with this water path",
        nearer_m.abs() * 1e3,
        if nearer_m > 0.0 { "out" } else { "in" }
    )
}

fn warm_words(warmer: Option<f64>) -> String {
    let change = warmer.unwrap_or(0.0);
    format!(
        "if it is {:.1} K {} than the technique says, bring it back or plan again with it; if it is not, the water path is off",
        change.abs(),
        if change > 0.0 { "warmer" } else { "colder" }
    )
}

fn velocity(seen: &Seen<'_>) -> f64 {
    seen.technique.media.water.map_or(1.0, |w| w.velocity_m_s)
}

/// How much warmer the water would have to be; absent where no temperature gives the velocity.
fn warmer_k(seen: &Seen<'_>, nearer_m: f64, water_m: f64) -> Option<f64> {
    let c = velocity(seen);
    let found = c * water_m / (water_m - nearer_m);
    Some(temperature_c(found)? - temperature_c(c)?)
}

/// The temperature between 0 and 70 °C at which water has a velocity; it rises up to 74 °C.
fn temperature_c(velocity_m_s: f64) -> Option<f64> {
    let at = |t: f64| water::sound_velocity_m_s(t).ok();
    let (mut low, mut high) = (0.0, 70.0);
    if !(at(low)? <= velocity_m_s && velocity_m_s <= at(high)?) {
        return None;
    }
    // 50 halvings: far below a microkelvin.
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if at(middle)? < velocity_m_s { low = middle } else { high = middle }
    }
    Some(0.5 * (low + high))
}
