//! Surface echoes of steered beams as readings of their elements.

use std::{f64::consts::PI, sync::Arc};

use num_complex::Complex64;

use super::{
    freed::Freed,
    mirror::Mirror,
    readings::{Block, Model},
    seen::Seen,
};
use crate::reading::median;

/// Likeness of the mean echo and of the model's from which the model is trusted.
const LEAST_LIKENESS: f64 = 0.97;
/// Departure of the model from the truth, as a share of the echo's size: creeping waves and
/// diffraction are left out.
const MODEL_SHARE: f64 = 0.05;
/// Uncertainty of a beam's own time (in seconds) and level (as a share), which are not asked for.
const TIME_S: f64 = 20e-9;
const LEVEL: f64 = 0.02;
/// Uncertainty of the surface's tilt as seen by a beam, as the offset of the bar over its distance
/// from the probe.
const TILT: f64 = 2e-3;
/// Circling of the bar, in seconds of surface time, above which its surface echo has no one form.
const MOST_CIRCLING_S: f64 = 15e-9;

/// Blocks of readings from the surface echoes of beams that are alike, with their probes; none where
/// the mean of all is not what the model says.
pub(super) fn blocks(
    seen: &Seen<'_>,
    freed: &Freed,
    alike: &[usize],
    level_db: &[Option<f64>],
) -> Vec<(usize, Block)> {
    let t = seen.technique;
    if freed.misplaced || alike.len() < super::elements::FEWEST_ALIKE {
        return Vec::new();
    }
    let Some(mirror) = Mirror::of(t, &t.beams[alike[0]]).map(Arc::new) else {
        return Vec::new();
    };
    let spectra: Vec<(usize, Vec<Complex64>)> = alike
        .iter()
        .filter_map(|&b| {
            let level = level_db.get(t.beams[b].probe as usize).copied().flatten()?;
            let scale = 10f64.powf(-level / 20.0);
            Some((b, spectrum(seen, b, &mirror)?.into_iter().map(|z| z * scale).collect()))
        })
        .collect();
    if spectra.len() < super::elements::FEWEST_ALIKE {
        return Vec::new();
    }
    let lines = mirror.lines_hz.len();
    let middle = middle(&spectra);
    let n = t.beams[alike[0]].transmit_delays_s.len();
    let ones = vec![1.0; n];
    let model: Vec<Complex64> = mirror.echo(&ones).into_iter().map(|e| e.0).collect();
    let Some(Match { scale, likeness, .. }) = matched(&middle, &model, &mirror) else {
        return Vec::new();
    };
    if likeness < LEAST_LIKENESS {
        return Vec::new();
    }
    let size = (middle.iter().map(|z| z.norm_sqr()).sum::<f64>() / lines as f64).sqrt();
    let tilt = mirror.tilt(&ones);
    spectra
        .into_iter()
        .map(|(b, spectrum)| {
            let beam = &t.beams[b];
            let mut block = Block {
                first: beam.first_element as usize,
                count: n,
                model: Model::Surface { mirror: mirror.clone(), scale: scale.clone(), size },
                values: Vec::new(),
                sigmas: vec![MODEL_SHARE; 2 * lines],
                loose: vec![Vec::new(); 3],
            };
            for k in 0..lines {
                let d = (spectrum[k] - middle[k]) / size;
                block.values.extend([d.re, d.im]);
                let rate = Complex64::i() * 2.0 * PI * mirror.lines_hz[k];
                let later = middle[k] * rate * TIME_S / size;
                let louder = middle[k] * LEVEL / size;
                let aslant = tilt[k] * scale[k] * TILT / size;
                for (list, z) in block.loose.iter_mut().zip([later, louder, aslant]) {
                    list.extend([z.re, z.im]);
                }
            }
            (beam.probe as usize, block)
        })
        .collect()
}

/// Time by which the surface echoes of beams that are alike come later than the model says, their own
/// shifts as read taken out, and share by which they ring higher; absent where the model does not
/// match.
pub(super) fn late_and_high(
    seen: &Seen<'_>,
    alike: &[usize],
    mirror: &Mirror,
) -> Option<(f64, f64)> {
    let spectra: Vec<(usize, Vec<Complex64>)> =
        alike.iter().filter_map(|&b| Some((b, spectrum(seen, b, mirror)?))).collect();
    if spectra.len() < super::elements::FEWEST_ALIKE {
        return None;
    }
    let n = seen.technique.beams[alike[0]].transmit_delays_s.len();
    let model: Vec<Complex64> = mirror.echo(&vec![1.0; n]).into_iter().map(|e| e.0).collect();
    let found = matched(&middle(&spectra), &model, mirror)?;
    let high = found.higher_hz / seen.technique.pulse.centre_hz;
    (found.likeness > LEAST_LIKENESS).then_some((found.late_s, high))
}

/// The middle of spectra, line by line.
fn middle(spectra: &[(usize, Vec<Complex64>)]) -> Vec<Complex64> {
    let part = |k: usize, of: fn(&Complex64) -> f64| {
        median(&mut spectra.iter().map(|(_, s)| of(&s[k])).collect::<Vec<_>>())
    };
    let lines = spectra.first().map_or(0, |s| s.1.len());
    (0..lines).map(|k| Complex64::new(part(k, |z| z.re), part(k, |z| z.im))).collect()
}

/// Spectrum of a beam's mean surface echo, in height at the technique's gain, its own surface shift
/// taken out; the mean over the motions.
fn spectrum(seen: &Seen<'_>, beam: usize, mirror: &Mirror) -> Option<Vec<Complex64>> {
    let t = seen.technique;
    let b = &t.beams[beam];
    let leader = b.surface_beam? as usize;
    let mut sum = vec![Complex64::ZERO; mirror.lines_hz.len()];
    let mut count = 0.0;
    for (form, circle) in seen.forms[beam].iter().zip(seen.surface.get(leader)?) {
        let Some(circle) = circle else { continue };
        let Some(form) = form.whole() else { continue };
        if circle.cos_s.hypot(circle.sin_s) > MOST_CIRCLING_S {
            continue;
        }
        let zero_s = b.surface_time_s + circle.mean_s;
        for (to, &f) in sum.iter_mut().zip(&mirror.lines_hz) {
            // A real signal: exp(-iωt) conjugate to the model's exp(+iωt) of arrival times.
            let line: Complex64 = form
                .iter()
                .enumerate()
                .map(|(i, &x)| {
                    let time = t.record.time_s(i as f64) - zero_s;
                    Complex64::from_polar(x, 2.0 * PI * f * time)
                })
                .sum();
            *to += line;
        }
        count += 1.0;
    }
    (count > 0.0).then(|| sum.into_iter().map(|z| z / count).collect())
}

/// How a model is brought nearest to data.
#[derive(Debug, Clone)]
pub(super) struct Match {
    /// Factor of each line.
    scale: Vec<Complex64>,
    /// 1: the same form.
    likeness: f64,
    /// By how much the data come later than the model, in seconds.
    late_s: f64,
    /// By how much the data's band lies higher than the model's, in Hz.
    higher_hz: f64,
}

/// Matches a model to data: size, time, and middle of the band. Two Gaussian bands of one width and
/// different middles differ by a factor exp(a f); a falls out of the logarithms, weighted by power.
fn matched(data: &[Complex64], model: &[Complex64], mirror: &Mirror) -> Option<Match> {
    let lines = &mirror.lines_hz;
    let power = |z: &[Complex64]| z.iter().map(Complex64::norm_sqr).sum::<f64>();
    if power(data) <= 0.0 || power(model) <= 0.0 {
        return None;
    }
    let centre = lines[lines.len() / 2];
    let (mut n, mut x, mut y, mut xx, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for ((d, m), f) in data.iter().zip(model).zip(lines) {
        let weight = m.norm_sqr() / power(model);
        let (at, ratio) = ((f - centre) / centre, (d.norm().max(1e-12) / m.norm().max(1e-12)).ln());
        n += weight;
        x += weight * at;
        y += weight * ratio;
        xx += weight * at * at;
        xy += weight * at * ratio;
    }
    let slope = (n * xy - x * y) / (n * xx - x * x).max(1e-12) / centre;
    let tilted: Vec<Complex64> =
        model.iter().zip(lines).map(|(m, f)| m * (slope * (f - centre)).exp()).collect();
    let turned = |t: f64| -> Vec<Complex64> {
        lines.iter().map(|f| Complex64::from_polar(1.0, 2.0 * PI * f * t)).collect()
    };
    let overlap = |t: f64| -> Complex64 {
        let turns = turned(t);
        data.iter().zip(&tilted).zip(&turns).map(|((d, m), z)| d * (m * z).conj()).sum()
    };
    // A quarter of a microsecond either side, to a nanosecond.
    let late_s = (-250..=250)
        .map(|i| f64::from(i) * 1e-9)
        .max_by(|&a, &b| overlap(a).norm().total_cmp(&overlap(b).norm()))?;
    let factor = overlap(late_s) / power(&tilted);
    let likeness = overlap(late_s).norm() / (power(data) * power(&tilted)).sqrt();
    let scale = turned(late_s)
        .into_iter()
        .zip(lines)
        .map(|(z, f)| z * factor * (slope * (f - centre)).exp())
        .collect();
    Some(Match { scale, likeness, late_s, higher_hz: slope * mirror.sigma_hz * mirror.sigma_hz })
}
