//! The third dimension of an echo: what the length of the elements makes of it along the bar, over
//! the spectrum of the pulse.

use barwright_wave::elevation::{Spread, Strip};
use num_complex::Complex64;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::f64::consts::PI;

use crate::reflector::Reflector;

/// Frequencies at which the strip is asked; a cubic goes between them. Once the delay of the nearer
/// end is taken out, the phase turns by less than a third of a cycle from one to the next wherever
/// the echo counts.
const NODES: usize = 64;
/// Steps of the integral over a line-like reflector, in m: ripples of the near field are a
/// millimetre or more apart.
const LINE_STEP_M: f64 = 4e-4;
/// Ways that differ by less than this, in m of water, spread sound alike (a thousandth of the
/// shortest way in use).
const SAME_WAY_M: f64 = 2.5e-4;

/// An echo's place relative to the ring: which strip hears it, over which way, how far along the bar.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Seen {
    pub strip: Strip,
    pub spread: Spread,
    /// Place under the ring, in m from the head end.
    pub z_m: f64,
}

impl Seen {
    /// Whether the reflector lies where the strip still hears it.
    pub(crate) fn within_reach(&self, reflector: &Reflector, centre_hz: f64) -> bool {
        let reach = reach_m(&self.strip, &self.spread, centre_hz);
        reflector.from_m - reach <= self.z_m && self.z_m <= reflector.to_m + reach
    }

    /// What tells one spectrum from another: way in steps of [`SAME_WAY_M`], place, length, focus.
    fn key(&self) -> [u64; 4] {
        [
            (self.spread.path_m / SAME_WAY_M).round() as u64,
            self.z_m.to_bits(),
            self.strip.length_m.to_bits(),
            self.strip.focus_m.unwrap_or(0.0).to_bits(),
        ]
    }
}

/// Distance along the bar beyond which the pulse-echo field of a strip is below -54 dB of its middle: from
/// the edge on, |E|² falls as 1/(2 π² u²) in Fresnel's coordinate u.
pub(crate) fn reach_m(strip: &Strip, spread: &Spread, centre_hz: f64) -> f64 {
    strip.length_m / 2.0 + 5.0 * (spread.wavelength_m(centre_hz) * spread.path_m / 2.0).sqrt()
}

/// Factors along the bar of many echoes of one reflector: product of the transmit and receive strips'
/// fields at a compact reflector, or its integral over the length of a line-like one (m).
pub(crate) struct Factors {
    by_key: BTreeMap<[u64; 4], Vec<Complex64>>,
}

impl Factors {
    /// All that are asked for, each once.
    pub(crate) fn of(
        reflector: &Reflector,
        frequencies_hz: &[f64],
        centre_hz: f64,
        seen: impl Iterator<Item = Seen>,
    ) -> Self {
        let distinct: BTreeMap<[u64; 4], Seen> = seen.map(|s| (s.key(), s)).collect();
        let by_key = distinct
            .into_par_iter()
            .map(|(key, mut seen)| {
                // The same for all that share the key, whichever came first.
                seen.spread.path_m = key[0] as f64 * SAME_WAY_M;
                (key, factor(reflector, &seen, frequencies_hz, centre_hz))
            })
            .collect();
        Self { by_key }
    }

    /// The spectrum of one; `None` if it was not asked for.
    pub(crate) fn get(&self, seen: &Seen) -> Option<&[Complex64]> {
        self.by_key.get(&seen.key()).map(Vec::as_slice)
    }
}

fn factor(
    reflector: &Reflector,
    seen: &Seen,
    frequencies_hz: &[f64],
    centre_hz: f64,
) -> Vec<Complex64> {
    let (Some(&first), Some(&last)) = (frequencies_hz.first(), frequencies_hz.last()) else {
        return Vec::new();
    };
    let reach = reach_m(&seen.strip, &seen.spread, centre_hz);
    let line = reflector.line_length_m() > 0.0;
    let (low, high) = if line {
        ((reflector.from_m - seen.z_m).max(-reach), (reflector.to_m - seen.z_m).min(reach))
    } else {
        let z = reflector.middle_m() - seen.z_m;
        (z, z)
    };
    if low > reach || high < -reach || (line && high <= low) {
        return vec![Complex64::ZERO; frequencies_hz.len()];
    }
    let nearest = if low > 0.0 {
        low
    } else if high < 0.0 {
        -high
    } else {
        0.0
    };
    // There and back from the nearer end of the strip to the nearest place.
    let delay_s = 2.0 * seen.spread.delay_s((nearest - seen.strip.length_m / 2.0).max(0.0));
    let both = |z: f64, f: f64| {
        let one = seen.strip.factor(z, &seen.spread, f);
        one * one
    };
    let step = (last - first) / (NODES - 1) as f64;
    let nodes: Vec<Complex64> = (0..NODES)
        .map(|i| {
            let f = first + i as f64 * step;
            let sum = if line {
                let parts = ((high - low) / LINE_STEP_M).ceil().max(4.0);
                let dz = (high - low) / parts;
                (0..parts as usize).map(|i| both(low + (i as f64 + 0.5) * dz, f)).sum::<Complex64>()
                    * dz
            } else {
                both(low, f)
            };
            sum * Complex64::from_polar(1.0, -2.0 * PI * f * delay_s)
        })
        .collect();
    frequencies_hz
        .iter()
        .map(|&f| {
            let at = if step > 0.0 { (f - first) / step } else { 0.0 };
            cubic(&nodes, at) * Complex64::from_polar(1.0, 2.0 * PI * f * delay_s)
        })
        .collect()
}

/// Lagrange's cubic through the four nodes about a place.
fn cubic(nodes: &[Complex64], at: f64) -> Complex64 {
    let start = ((at.floor() as isize) - 1).clamp(0, nodes.len() as isize - 4) as usize;
    let u = at - start as f64;
    let (a, b, c, d) = (u, u - 1.0, u - 2.0, u - 3.0);
    nodes[start] * (-b * c * d / 6.0)
        + nodes[start + 1] * (a * c * d / 2.0)
        + nodes[start + 2] * (-a * b * d / 2.0)
        + nodes[start + 3] * (a * b * c / 6.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reflector::Kind;

    fn disc() -> Reflector {
        Reflector {
            kind: Kind::Disc { diameter_m: 1e-3, tilt_rad: 0.0, outward_only: false },
            radius_m: 0.01,
            angle_rad: 0.0,
            from_m: 0.1,
            to_m: 0.1,
        }
    }

    fn crack() -> Reflector {
        Reflector { kind: Kind::Crack { depth_m: 3e-4 }, from_m: 0.09, to_m: 0.11, ..disc() }
    }

    fn seen(z_m: f64) -> Seen {
        let spread = Spread { path_m: 0.08, velocity_m_s: 1482.0 };
        Seen { strip: Strip::straight(0.012), spread, z_m }
    }

    fn frequencies() -> Vec<f64> {
        (0..280).map(|i| 5e5 + f64::from(i) * 3.5e4).collect()
    }

    // Truth: the plain way (the strip asked at every frequency). 0.01: the cubic. Compared where the
    // pulse has a hundredth of its spectrum or more; a strip changes fastest at low frequency.
    #[test]
    fn a_cubic_between_the_nodes_is_enough() {
        let list = frequencies();
        for z in [0.0, 0.003, 0.007, 0.014, 0.02] {
            let seen = seen(0.1 + z);
            let got = factor(&disc(), &seen, &list, 5e6);
            for (value, f) in got.iter().zip(&list).filter(|(_, f)| **f > 1.1e6) {
                let one = seen.strip.factor(z, &seen.spread, *f);
                assert!((value - one * one).norm() < 0.01, "{z} {f}: {value} {}", one * one);
            }
        }
    }

    // Truth: property. A long line away from both ends is, over its length, a strip without end
    // there and back: ∫ E² dz tends to a mean that no longer depends on where the ring stands; far from
    // the line there is nothing.
    #[test]
    fn lines_count_their_length_within_reach() {
        let list = frequencies();
        let middle = factor(&crack(), &seen(0.1), &list, 5e6);
        let aside = factor(&crack(), &seen(0.1005), &list, 5e6);
        let centre = list.len() / 2;
        assert!(middle[centre].norm() > 5e-3 && middle[centre].norm() < 1.5e-2);
        assert!((aside[centre].norm() / middle[centre].norm() - 1.0).abs() < 0.1);
        assert!(factor(&crack(), &seen(0.3), &list, 5e6).iter().all(|z| *z == Complex64::ZERO));
        assert!(!seen(0.3).within_reach(&crack(), 5e6) && seen(0.1).within_reach(&crack(), 5e6));
    }

    #[test]
    fn each_place_is_computed_once_and_found() {
        let places = [0.1, 0.105, 0.1, 0.105];
        let factors = Factors::of(&disc(), &frequencies(), 5e6, places.iter().map(|z| seen(*z)));
        assert_eq!(factors.by_key.len(), 2);
        assert!(factors.get(&seen(0.105)).is_some() && factors.get(&seen(0.2)).is_none());
    }
}
