//! Probes that are not those of the technique: another pitch, or another frequency.
//!
//! With another pitch the beams of every probe stand apart by another angle: the turns of their
//! peaks scale away from the probe's middle.

use std::f64::consts::PI;

use barwright_job::level::Cause;
use barwright_wave::Mode;

use super::{Rank, Weighed, fit, seen::Seen};
use crate::reading::wrapped;

/// Detection limit of the pitch, as a share: one in a hundred.
const LEAST_PITCH: f64 = 0.01;
/// Detection limit of the frequency, as a share of the technique's. Probes of one kind differ by half
/// of it (common practice, no source).
const LEAST_FREQUENCY: f64 = 0.10;
/// Most that peaks turn per metre by which a beam passes the bar's axis aside, in rad: the refracted
/// axis at half the radius of a bar of 20 mm, and less for larger ones.
const MOST_TURN_1_M: f64 = 500.0;
/// Pitch over its standard uncertainty from which it is told.
const LEAST_SIGMAS: f64 = 6.0;
/// Least scatter of the turn of a peak, in rad.
const LEAST_SCATTER_RAD: f64 = 0.05 * PI / 180.0;

/// The explanation, if turns or frequencies tell one.
///
/// `outwards_m` is by how much all probes stand farther out: that turns the beams at their ends, as
/// another pitch would, and is taken for the cause where it suffices.
pub(super) fn explain(seen: &Seen<'_>, outwards_m: f64) -> Option<Weighed> {
    let by_path = MOST_TURN_1_M * outwards_m.abs();
    let pitch = pitch(seen).filter(|p| p.0.abs() > by_path);
    let mut evidence = Vec::new();
    let mut weight: f64 = 0.0;
    let mut sure: f64 = 0.0;
    if let Some((share, sigma, beams)) = pitch
        && share.abs() >= LEAST_PITCH
        && share.abs() >= LEAST_SIGMAS * sigma
    {
        evidence.push(format!(
            "the turns at which {beams} echoes peak scale away from the middles of their probes by {:+.1} % (±{:.1} %), in all probes alike: the pitch is not the technique's",
            share * 100.0,
            sigma * 100.0
        ));
        weight = weight.max(share.abs() / LEAST_PITCH);
        sure = sure.max(1.0 - (-0.5 * (share / sigma).powi(2)).exp());
    }
    if let Some(share) = seen.common.high
        && share.abs() >= LEAST_FREQUENCY
    {
        evidence.push(format!(
            "the surface echoes of steered beams ring {:+.0} % off the frequency of the technique's pulse",
            share * 100.0
        ));
        weight = weight.max(share.abs() / LEAST_FREQUENCY);
        sure = sure.max(0.95);
    }
    (!evidence.is_empty()).then(|| Weighed {
        rank: Rank::Plug,
        weight,
        explanation: super::explanation(
            Cause::WrongProbes,
            sure,
            evidence,
            "look at the plates of the probes and of the technique; mount the right ones or plan again for these".into(),
            Vec::new(),
        ),
    })
}

/// Share by which peaks scale away from the probes' middles, its uncertainty, and the echoes behind
/// it.
fn pitch(seen: &Seen<'_>) -> Option<(f64, f64, usize)> {
    let (mut rows, mut y) = (Vec::new(), Vec::new());
    for (e, echo) in seen.reference.expected.iter().zip(&seen.echoes) {
        let beam = &seen.technique.beams[e.beam as usize];
        let (Mode::L, Some(off)) = (beam.mode, echo.turn_off_rad) else { continue };
        let Some(middle) = seen.probe_middle_rad(beam.probe) else { continue };
        let angle = beam.axis.entry.angle();
        // A bar off centre turns peaks by the part of its offset across the beam.
        rows.push(vec![1.0, wrapped(angle - middle), angle.cos(), angle.sin()]);
        y.push(off);
    }
    if y.len() < 12 {
        return None;
    }
    let first = fit::weighted(&rows, &y, &vec![1.0; y.len()])?;
    let sigma = fit::deviation(&first.residuals, 4).max(LEAST_SCATTER_RAD);
    let fit = fit::robust(&rows, &y, sigma)?;
    Some((fit.x[1], sigma * fit.variance[1].sqrt(), y.len()))
}
