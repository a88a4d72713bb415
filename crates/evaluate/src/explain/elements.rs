//! Elements that lost sensitivity, from heights and profiles of overlapping apertures.
//!
//! Beams alike (same law, same reflector) should read the same profile over the turn; what a beam
//! reads otherwise, freed of its probe's level and of a misplaced bar, is its elements'.

use std::{collections::HashMap, sync::Arc};

use barwright_job::{
    level::{Cause, ElementLoss},
    reference::Shape,
    technique::Section,
};
use barwright_wave::{Mode, Point};

use super::{
    Rank, Weighed,
    aperture::Shares,
    faults::Fault,
    form,
    freed::{self, Freed},
    likelihood::Problem,
    readings::{Block, Model},
    seen::Seen,
    words,
};
use crate::reading::median;

/// Loss in dB (per element, each way) from which an element is told. Its detection limit is 6 dB:
/// less is hidden by the spread of sound elements.
const LEAST_DB: f64 = 4.0;
/// Loss in dB beyond which an element is as good as dead; what is left cannot be read.
const DEAD_DB: f64 = 40.0;
/// Beams of a kind from which their median is their like's.
pub(super) const FEWEST_ALIKE: usize = 6;
/// Part of a profile that is used, from its top down, in dB: below, side lobes and noise stand.
const PROFILE_DB: f64 = 9.0;
/// Distance over the clutter that a height must have, in dB.
const OVER_FLOOR_DB: f64 = 8.0;
/// What heights of sound beams differ by, beside noise and elements, in dB: coupling; and for a
/// misplaced bar what its wave around the ring leaves over.
const HEIGHT_SCATTER_DB: f64 = 0.12;
const MISPLACED_SCATTER_DB: f64 = 0.8;
/// Spreads of sound elements that are weighed, as relative amplitudes: 0.2 to 1.2 dB.
const SPREADS: [f64; 5] = [0.02, 0.035, 0.06, 0.09, 0.14];

/// Explanations of weak elements, one for each probe that has some.
pub(super) fn explain(
    seen: &Seen<'_>,
    freed: &Freed,
    level_db: &[Option<f64>],
    taken: &[u32],
) -> Vec<Weighed> {
    let readings = readings(seen, freed, level_db);
    let probes = seen.technique.probes.len();
    let own: Vec<&[Block]> =
        (0..probes).map(|p| readings.get(p).map_or(&[][..], Vec::as_slice)).collect();
    let count = |p: usize| seen.technique.probes[p].elements.len();
    let problem = |p: usize, spread: f64| Problem::new(own[p], count(p), spread);
    // The spread is the ring's: the median of what each probe finds likeliest, so that a probe with
    // dead elements does not make them look ordinary.
    let mut spreads: Vec<f64> = (0..probes)
        .filter(|&p| !own[p].is_empty())
        .filter_map(|p| {
            let evidence = |s: &f64| problem(p, *s).map(|x| x.evidence());
            SPREADS
                .into_iter()
                .filter_map(|s| Some((s, evidence(&s)?)))
                .min_by(|a, b| a.1.total_cmp(&b.1))
                .map(|b| b.0)
        })
        .collect();
    let spread = median(&mut spreads).max(SPREADS[0]);
    (0..probes)
        .filter(|&p| !own[p].is_empty() && !taken.contains(&(p as u32)))
        .filter_map(|p| {
            let most_left = 10f64.powf(-LEAST_DB / 20.0);
            let faults = problem(p, spread)?.faults(own[p], most_left);
            (!faults.is_empty()).then(|| weak(p as u32, &faults, spread))
        })
        .collect()
}

/// Amplitude of the elements at fault themselves, where a run holds sound ones, too.
fn whole(f: &Fault) -> f64 {
    let run = (f.last - f.first + 1) as f64;
    1.0 - (1.0 - f.amplitude) * run / f.count.max(1) as f64
}

fn loss_db(amplitude: f64) -> f64 {
    (-20.0 * amplitude.max(1e-3).log10()).min(DEAD_DB)
}

fn weak(probe: u32, faults: &[Fault], spread: f64) -> Weighed {
    let elements: Vec<ElementLoss> = faults
        .iter()
        .map(|f| {
            let amplitude = f.amplitude.max(0.0);
            // Dead ones are known to be below what noise would hide.
            let upper = loss_db(amplitude + f.sigma);
            let loss = loss_db(amplitude);
            ElementLoss {
                first: f.first as u32,
                last: f.last as u32,
                loss_db: loss,
                uncertainty_db: (loss - upper).abs().max(0.05),
            }
        })
        .collect();
    let evidence = faults
        .iter()
        .zip(&elements)
        .map(|(f, e)| {
            let name = words::elements(e.first, e.last);
            let run = f.last - f.first + 1;
            let deadly = whole(f) < 0.12;
            if f.count < run {
                format!(
                    "{} of {name} (the apertures do not tell which) {}",
                    f.count,
                    if deadly {
                        "dead or nearly so".to_owned()
                    } else {
                        format!("weak by {:.1} dB each way", loss_db(whole(f)))
                    }
                )
            } else if deadly {
                format!(
                    "{name} dead or nearly so: {:.0} dB or more lost each way",
                    e.loss_db.min(20.0)
                )
            } else {
                format!("{name} weak by {:.1} dB (±{:.1} dB) each way", e.loss_db, e.uncertainty_db)
            }
        })
        .map(|what| format!("in {}, {what}", words::probe(probe)))
        .chain([format!(
            "sound elements of these probes differ by {:.1} dB (one standard deviation)",
            20.0 * (1.0 + spread).log10()
        )])
        .collect();
    let gain: f64 = faults.iter().map(|f| f.gain).fold(0.0, f64::max);
    let names: Vec<String> = elements.iter().map(|e| words::elements(e.first, e.last)).collect();
    Weighed {
        rank: Rank::Element,
        weight: gain,
        explanation: super::explanation(
            Cause::Elements { probe, elements },
            1.0 / (1.0 + (-0.5 * gain).exp()),
            evidence,
            format!(
                "look at plug and cable of {} ({}); where they are sound, gain makes up for the height but not for the beam's form",
                words::probe(probe),
                names.join(", ")
            ),
            Vec::new(),
        ),
    }
}

/// What makes beams alike: kind, law and reflector.
#[derive(PartialEq, Eq, Hash)]
struct Like {
    kind: u8,
    reflector: u32,
    /// Delays in tenths of a nanosecond.
    delays: Vec<i64>,
    /// Time in the steel in hundredths of a microsecond.
    after: i64,
}

/// Readings of all probes.
fn readings(seen: &Seen<'_>, freed: &Freed, level_db: &[Option<f64>]) -> Vec<Vec<Block>> {
    let mut alike: HashMap<Like, Vec<usize>> = HashMap::new();
    for (i, e) in seen.reference.expected.iter().enumerate() {
        let Some(b) = seen.technique.beams.get(e.beam as usize) else { continue };
        let tenth = |d: &f64| (d * 1e10).round() as i64;
        let like = Like {
            kind: freed::kind(seen, e.beam as usize),
            reflector: e.reflector,
            delays: b.transmit_delays_s.iter().chain(&b.receive_delays_s).map(tenth).collect(),
            after: (e.after_surface_s * 1e8).round() as i64,
        };
        alike.entry(like).or_default().push(i);
    }
    let mut out: Vec<Vec<Block>> = vec![Vec::new(); seen.technique.probes.len()];
    let mut groups: Vec<Vec<usize>> = alike.into_values().collect();
    groups.sort();
    for group in groups.into_iter().filter(|g| g.len() >= FEWEST_ALIKE) {
        let mut beams: Vec<usize> =
            group.iter().map(|&i| seen.reference.expected[i].beam as usize).collect();
        beams.dedup();
        let surfaces = form::blocks(seen, freed, &beams, level_db);
        for (probe, block) in heights(seen, freed, &group).into_iter().chain(surfaces) {
            if let Some(list) = out.get_mut(probe) {
                list.push(block);
            }
        }
    }
    out
}

/// Heights of echoes that are alike: each against the median of all, turn by turn.
fn heights(seen: &Seen<'_>, freed: &Freed, group: &[usize]) -> Vec<(usize, Block)> {
    let e = &seen.reference.expected[group[0]];
    let step = seen.reference.motion.get(e.motion as usize).map_or(0.0, |m| m.turn_step_rad);
    let reach = if step > 0.0 { (e.turn_window_rad / step).floor() as i32 } else { 0 };
    let offsets: Vec<f64> = (-reach..=reach).map(|k| f64::from(k) * step).collect();
    let cured = |i: usize| freed.cured_db[seen.reference.expected[i].beam as usize];
    let height = |i: usize, offset: f64| -> Option<f64> {
        let echo = &seen.echoes[i];
        seen.raw_db[seen.reference.expected[i].beam as usize]?;
        let h = if step > 0.0 { echo.at(offset)? } else { echo.profile.first()?.1 };
        (h > echo.floor_db + OVER_FLOOR_DB).then(|| h - cured(i))
    };
    // Levels of the probes are taken out first, so that the median is that of the profiles alone.
    let top = |i: usize| height(i, 0.0);
    let mut levels: HashMap<u32, f64> = HashMap::new();
    for probe in 0..seen.technique.probes.len() as u32 {
        let mut own: Vec<f64> = group
            .iter()
            .filter(|&&i| beam(seen, i).probe == probe)
            .filter_map(|&i| top(i))
            .collect();
        if !own.is_empty() {
            levels.insert(probe, median(&mut own));
        }
    }
    let level = |i: usize| levels.get(&beam(seen, i).probe).copied().unwrap_or(0.0);
    let middles: Vec<Option<f64>> = offsets
        .iter()
        .map(|&o| {
            let mut all: Vec<f64> =
                group.iter().filter_map(|&i| Some(height(i, o)? - level(i))).collect();
            (all.len() >= FEWEST_ALIKE).then(|| median(&mut all))
        })
        .collect();
    let highest = middles.iter().flatten().copied().fold(f64::MIN, f64::max);
    // A height tells what its aperture adds up to, hardly where in it: the middle of the profile
    // says as much as each turn of it, with less noise.
    let Some(shares) = shares_at(seen, group[0], 0.0).map(Arc::new) else {
        return Vec::new();
    };
    let scatter_db = if freed.misplaced { MISPLACED_SCATTER_DB } else { HEIGHT_SCATTER_DB };
    group
        .iter()
        .filter_map(|&i| {
            let b = beam(seen, i);
            let echo = &seen.echoes[i];
            let (mut sum, mut weights, mut count) = (0.0, 0.0, 0.0);
            for (&offset, middle) in offsets.iter().zip(&middles) {
                let Some(middle) = middle.filter(|&m| m > highest - PROFILE_DB) else { continue };
                let Some(h) = height(i, offset) else { continue };
                let noise = 8.686 * 10f64.powf((echo.floor_db - h) / 20.0) / 5.0;
                let weight = 1.0 / (noise * noise / echo.visits.max(1.0) + 0.01);
                sum += weight * (h - level(i) - middle);
                weights += weight;
                count += 1.0;
            }
            (count > 0.0).then(|| {
                let block = Block {
                    first: b.first_element as usize,
                    count: b.transmit_delays_s.len(),
                    model: Model::Height(shares.clone()),
                    values: vec![sum / weights],
                    sigmas: vec![(1.0 / weights).sqrt().hypot(scatter_db)],
                    loose: Vec::new(),
                };
                (b.probe as usize, block)
            })
        })
        .collect()
}

fn beam<'s>(seen: &'s Seen<'_>, expected: usize) -> &'s barwright_job::technique::Beam {
    &seen.technique.beams[seen.reference.expected[expected].beam as usize]
}

/// Shares of a beam's elements in its reflector's echo at a turn offset.
fn shares_at(seen: &Seen<'_>, expected: usize, offset_rad: f64) -> Option<Shares> {
    let e = &seen.reference.expected[expected];
    let b = beam(seen, expected);
    let r = seen.reference.reflectors.get(e.reflector as usize)?;
    match (r.shape, seen.technique.section, b.mode) {
        (Shape::BackWall, Section::Flat { .. }, Mode::L) => Shares::of_wall(seen.technique, b),
        (_, Section::Round { .. }, _) => {
            let angle = e.turn_rad + r.angle_rad + offset_rad;
            Shares::of_place(seen.technique, b, Point::polar(r.radius_m, angle))
        }
        _ => None,
    }
}
