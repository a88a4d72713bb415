//! Plugs: two probes exchanged, the elements of one in reverse order.
//!
//! With plugs exchanged the beams of one probe look from the other's place: their reflectors come at
//! turns that are off by the angle between the two. With reversed elements a beam looks where its
//! mirror image about the probe's middle should, law included.

use std::f64::consts::PI;

use barwright_job::level::Cause;

use super::{Rank, Weighed, seen::Seen, words};
use crate::reading::wrapped;

/// Turn either side of the place looked at, in rad.
const REACH_RAD: f64 = 5.0 * PI / 180.0;
/// Share of the expected height from which an echo counts as the reflector's: gains may be 12 dB off.
const LEAST_SHARE: f64 = 0.2;
/// Ratio to what stands at the expected turn from which the other place is the right one (6 dB).
const RATIO: f64 = 2.0;
/// Share of a probe's beams that must fit.
const MOST: f64 = 0.7;
/// Turn below which the place looked at cannot be told from the expected one, in rad.
const LEAST_TURN_RAD: f64 = 10.0 * PI / 180.0;

/// Explanations for plugs, with the probes that they leave nothing else to be said about.
pub(super) fn explain(seen: &Seen<'_>) -> Vec<Weighed> {
    let probes = seen.technique.probes.len() as u32;
    let mut out = Vec::new();
    let middles: Vec<Option<f64>> = (0..probes).map(|p| seen.probe_middle_rad(p)).collect();
    let middle = |p: u32| middles[p as usize];
    for a in 0..probes {
        for b in a + 1..probes {
            let (Some(at_a), Some(at_b)) = (middle(a), middle(b)) else { continue };
            let by = wrapped(at_b - at_a);
            let first = fitting(seen, a, |_| by);
            let second = fitting(seen, b, |_| -by);
            if let (Some(first), Some(second)) = (first, second)
                && first.share().min(second.share()) >= MOST
            {
                out.push(swapped(a, b, by, first, second));
            }
        }
        let Some(at) = middle(a) else { continue };
        let mirrored = fitting(seen, a, |aim| 2.0 * wrapped(at - aim));
        if let Some(m) = mirrored.filter(|m| m.share() >= MOST) {
            out.push(reversed(a, m));
        }
    }
    out
}

/// How many beams of a probe have their echo where a hypothesis says.
#[derive(Debug, Clone, Copy)]
struct Fitting {
    fit: usize,
    of: usize,
}

impl Fitting {
    fn share(self) -> f64 {
        self.fit as f64 / self.of as f64
    }
}

/// Beams whose echo stands at another turn than expected; `off` gives that turn offset for the angle
/// in space at which a beam meets its reflector. Beams for which it cannot be told are left out;
/// absent for fewer than three others.
fn fitting(seen: &Seen<'_>, probe: u32, off: impl Fn(f64) -> f64) -> Option<Fitting> {
    let mut found = Fitting { fit: 0, of: 0 };
    for (i, e) in seen.reference.expected.iter().enumerate() {
        let Some(beam) = seen.technique.beams.get(e.beam as usize) else { continue };
        let Some(reflector) = seen.reference.reflectors.get(e.reflector as usize) else { continue };
        let by = wrapped(off(e.turn_rad + reflector.angle_rad));
        if beam.probe != probe || by.abs() < LEAST_TURN_RAD {
            continue;
        }
        let capture = seen.capture(e.beam as usize);
        let track = &seen.tracks[i];
        let (here, there) =
            (track.near(0.0, REACH_RAD, capture), track.near(by, REACH_RAD, capture));
        found.of += 1;
        if let (Some(here), Some(there)) = (here, there) {
            let (here, there) = (f64::from(here.height_fsh), f64::from(there.height_fsh));
            let gain = seen.technique.beams[e.beam as usize].gain_db;
            let set = seen.gain_db(e.beam as usize);
            let wanted = LEAST_SHARE * e.height_fsh * 10f64.powf((set - gain) / 20.0);
            let counts = there > wanted && there > track.floor_fsh(capture);
            found.fit += usize::from(counts && there > RATIO * here);
        }
    }
    (found.of >= 3).then_some(found)
}

fn swapped(a: u32, b: u32, by: f64, first: Fitting, second: Fitting) -> Weighed {
    let (fit, of) = (first.fit + second.fit, first.of + second.of);
    Weighed {
        rank: Rank::Plug,
        weight: fit as f64,
        explanation: super::explanation(
            Cause::ProbesSwapped { probes: [a, b] },
            sure(fit, of),
            vec![format!(
                "{fit} of {of} echoes of {} and {} come {:.0}° of turn off, as seen from each other's place",
                words::probe(a),
                words::probe(b),
                by.abs().to_degrees()
            )],
            format!(
                "exchange the plugs of {} and {}; then level again",
                words::probe(a),
                words::probe(b)
            ),
            Vec::new(),
        ),
    }
}

fn reversed(probe: u32, found: Fitting) -> Weighed {
    Weighed {
        rank: Rank::Plug,
        weight: found.fit as f64,
        explanation: super::explanation(
            Cause::ProbeReversed { probe },
            sure(found.fit, found.of),
            vec![format!(
                "{} of {} echoes of {} come at the turns of their mirror images about its middle",
                found.fit,
                found.of,
                words::probe(probe)
            )],
            format!(
                "the elements of {} are connected in reverse order: turn its plug or the probe; then level again",
                words::probe(probe)
            ),
            Vec::new(),
        ),
    }
}

/// How sure so many hits make: an echo stands where nothing is expected by chance once in twenty.
fn sure(fit: usize, of: usize) -> f64 {
    let odds = 2.0 * fit as f64 * (20f64).ln() - 2.0 * (of - fit) as f64 * (20f64).ln();
    1.0 / (1.0 + (-0.5 * odds).exp())
}
