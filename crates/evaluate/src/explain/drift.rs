//! Heights that change steadily while a capture is taken: probes or electronics that drift.
//!
//! # Algorithm
//! 1. An echo is shown more than once, by another pass or by the turn beyond the full one. Readings at
//!    the same turn are compared in decibels against their times: that gives one rate for each echo.
//! 2. The rates of a probe's echoes are averaged robustly. What they differ by among themselves is the
//!    scatter that a probe's rate must stand against.

use std::collections::BTreeMap;

use barwright_job::level::{Cause, ProbeDrift};

use super::{Rank, Weighed, fit, seen::Seen, words};
use crate::reading::{db, median};

/// Detection limit in dB of echo height per minute: in three minutes it uses up the inner half of the
/// accepted band of 70 to 90 %.
const LEAST_DB_MIN: f64 = 0.4;
/// A probe's rate over its standard uncertainty from which it is told.
const LEAST_SIGMAS: f64 = 6.0;
/// Least scatter of a single height, in dB: samples are rounded, and clutter repeats from pass to pass.
const LEAST_SCATTER_DB: f64 = 0.01;
/// Fewest echoes of a probe.
const FEWEST: usize = 6;
/// Part of a profile that is compared, from its top down, in dB, and distance that it keeps from the
/// clutter.
const TOP_DB: f64 = 6.0;
const OVER_FLOOR_DB: f64 = 8.0;

/// Rate of one echo in dB per second, with its weight in square seconds.
#[derive(Debug, Clone, Copy)]
struct Rate {
    probe: u32,
    db_s: f64,
    weight: f64,
}

/// The explanation, if a probe's heights changed by more than the limit.
pub(super) fn explain(seen: &Seen<'_>) -> Option<Weighed> {
    let rates: Vec<Rate> = (0..seen.echoes.len()).filter_map(|i| rate(seen, i)).collect();
    let mut by_probe: BTreeMap<u32, Vec<Rate>> = BTreeMap::new();
    for r in rates {
        by_probe.entry(r.probe).or_default().push(r);
    }
    by_probe.retain(|_, own| own.len() >= FEWEST);
    // Scatter of all echoes about the middle of their probes.
    let mut rest = Vec::new();
    for own in by_probe.values() {
        let middle = median(&mut own.iter().map(|r| r.db_s).collect::<Vec<_>>());
        rest.extend(own.iter().map(|r| (r.db_s - middle) * r.weight.sqrt()));
    }
    let sigma = fit::deviation(&rest, by_probe.len()).max(LEAST_SCATTER_DB);
    let all: Vec<ProbeDrift> = by_probe
        .iter()
        .filter_map(|(&probe, own)| {
            let rows: Vec<Vec<f64>> = own.iter().map(|r| vec![r.weight.sqrt()]).collect();
            let y: Vec<f64> = own.iter().map(|r| r.db_s * r.weight.sqrt()).collect();
            let fit = fit::robust(&rows, &y, sigma)?;
            Some(ProbeDrift {
                probe,
                db_per_min: 60.0 * fit.x[0],
                uncertainty_db_per_min: 60.0 * sigma * fit.variance[0].sqrt(),
            })
        })
        .collect();
    let mut told: Vec<ProbeDrift> = all
        .iter()
        .copied()
        .filter(|d| {
            let size = d.db_per_min.abs();
            size >= LEAST_DB_MIN && size >= LEAST_SIGMAS * d.uncertainty_db_per_min
        })
        .collect();
    told.sort_by(|a, b| b.db_per_min.abs().total_cmp(&a.db_per_min.abs()));
    let worst = *told.first()?;
    let alike =
        told.len() == all.len() && told.windows(2).all(|w| w[0].db_per_min * w[1].db_per_min > 0.0);
    let mut evidence: Vec<String> = told
        .iter()
        .map(|d| {
            format!(
                "the heights of {} {} by {:.2} dB a minute (±{:.2} dB) while the capture was taken",
                words::probe(d.probe),
                if d.db_per_min > 0.0 { "rose" } else { "fell" },
                d.db_per_min.abs(),
                d.uncertainty_db_per_min
            )
        })
        .collect();
    evidence.push(if alike {
        "all probes went the same way, as when the electronics' gain drifts".into()
    } else {
        format!("{} of {} probes are concerned", told.len(), all.len())
    });
    let where_to = if alike { "the electronics" } else { "these probes and their channels" };
    Some(Weighed {
        rank: Rank::Drift,
        weight: worst.db_per_min.abs() / LEAST_DB_MIN,
        explanation: super::explanation(
            Cause::Drift { probes: told.clone() },
            1.0 - (-0.5 * (worst.db_per_min / worst.uncertainty_db_per_min.max(1e-9)).powi(2))
                .exp(),
            evidence,
            format!(
                "let {where_to} warm up until two passes read alike; then level again: at this rate a beam leaves the band in {:.0} minutes",
                (1.0 / worst.db_per_min.abs()).ceil()
            ),
            Vec::new(),
        ),
    })
}

/// How an echo's height changed, from readings at like turns and other times.
fn rate(seen: &Seen<'_>, expected: usize) -> Option<Rate> {
    let e = &seen.reference.expected[expected];
    let beam = seen.technique.beams.get(e.beam as usize)?;
    let (track, capture) = (&seen.tracks[expected], seen.capture(e.beam as usize));
    let step = seen.reference.motion.get(e.motion as usize).map_or(0.0, |m| m.turn_step_rad);
    let floor = track.floor_fsh(capture) * 10f64.powf(OVER_FLOOR_DB / 20.0);
    let own: Vec<_> = track
        .points
        .iter()
        .filter(|p| p.inside && p.capture == capture && !p.clipped && !p.spoilt)
        .collect();
    let highest = own.iter().map(|p| f64::from(p.height_fsh)).fold(0.0, f64::max);
    let least = floor.max(highest * 10f64.powf(-TOP_DB / 20.0));
    let mut bins: BTreeMap<i64, Vec<(f64, f64, f64)>> = BTreeMap::new();
    for p in own.iter().filter(|p| f64::from(p.height_fsh) > least) {
        let bin = if step > 0.0 { (f64::from(p.offset_rad) / step).floor() as i64 } else { 0 };
        let height = f64::from(p.height_fsh);
        let weight = (height / highest).powi(2);
        bins.entry(bin).or_default().push((f64::from(p.time_s), db(height), weight));
    }
    let (mut both, mut square) = (0.0, 0.0);
    for all in bins.values().filter(|b| b.len() > 1) {
        let sum: f64 = all.iter().map(|a| a.2).sum();
        let middle =
            |of: fn(&(f64, f64, f64)) -> f64| all.iter().map(|a| a.2 * of(a)).sum::<f64>() / sum;
        let (time, height) = (middle(|a| a.0), middle(|a| a.1));
        both += all.iter().map(|a| a.2 * (a.0 - time) * (a.1 - height)).sum::<f64>();
        square += all.iter().map(|a| a.2 * (a.0 - time).powi(2)).sum::<f64>();
    }
    (square > 0.0).then(|| Rate { probe: beam.probe, db_s: both / square, weight: square })
}
