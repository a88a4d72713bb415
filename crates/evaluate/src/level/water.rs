//! Spells that the water spoilt: for a short while the beams of a probe lose their surface, read it low,
//! or something echoes before it.
//!
//! # Algorithm
//! 1. A shot of a beam with a surface of its own is off when that is lost or low against the beam's
//!    other shots of the same motion, when it comes early by more than a cycle and a half, or when
//!    something stands before it that does not always stand there. What turns with the bar (a bar that
//!    circles) is taken out as two harmonics first.
//! 2. Shots of one probe that are off and follow each other within a few cycles make a spell.
//! 3. A short spell that many beams of the probe share is a bubble's. Something on the bar passes
//!    one beam after the other, and lost coupling lasts.

use std::collections::BTreeMap;

use barwright_job::Technique;
use rayon::prelude::*;

use super::track::SurfacePoint;
use crate::{
    fit,
    reading::{db, median},
};

/// Drop of a surface echo against the beam's other shots that counts, in dB: coupling of a bar in
/// water varies by less from shot to shot (common practice, no source).
const LOW_DB: f64 = 3.0;
/// The same in standard deviations of the beam's own scatter.
const LOW_SIGMAS: f64 = 6.0;
/// Cycles by which a surface comes early that is not the surface: a clipped echo is timed by the
/// middle of its clipped part, which jumps by half a cycle.
const EARLY_CYCLES: f64 = 1.5;
/// What stands before the surface counts from so many times its usual height and so much more, as a
/// fraction of full screen height.
const BEFORE_TIMES: f64 = 4.0;
const BEFORE_FSH: f64 = 0.05;
/// Cycles of all beams within which shots that are off belong together.
const JOIN_CYCLES: f64 = 3.0;
/// Share of a probe's beams that a bubble's spell must hold, and their least number.
const SHARED: f64 = 1.0 / 3.0;
const FEWEST_BEAMS: usize = 2;
/// Longest spell of a bubble in seconds: what stays longer sits on the probe.
const LONGEST_S: f64 = 2.0;

/// A spell in which beams of a probe were off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Spell {
    pub probe: u32,
    pub capture: u8,
    pub start_s: f64,
    pub end_s: f64,
    /// Beams that were off in it.
    pub beams: usize,
    /// Whether something stood before the surface.
    pub echoed: bool,
    /// Deepest drop of a surface echo in dB.
    pub drop_db: f64,
    /// Whether it is a bubble's.
    pub bubble: bool,
}

/// What the water did while the captures were taken.
#[derive(Debug, Clone, Default)]
pub(crate) struct Water {
    /// Spells by probe and capture, in order of time.
    spells: BTreeMap<(u32, u8), Vec<Spell>>,
    /// Time in which shots were taken, in seconds.
    pub seconds: f64,
    /// Time between two shots of a beam in seconds.
    pub cycle_s: f64,
    /// Probes with surfaces of their own.
    pub probes: usize,
}

/// What is off about one shot.
#[derive(Debug, Clone, Copy)]
struct Off {
    probe: u32,
    capture: u8,
    beam: usize,
    time_s: f64,
    echoed: bool,
    drop_db: f64,
}

impl Water {
    /// From the surface readings of all beams, `[beam]`.
    pub fn of(technique: &Technique, surfaces: &[Vec<SurfacePoint>]) -> Self {
        let period_s = 1.0 / technique.pulse.centre_hz;
        let probe = |b: usize| technique.beams.get(b).map_or(0, |b| b.probe);
        let mut own: BTreeMap<u32, usize> = BTreeMap::new();
        let (mut steps, mut most) = (Vec::new(), 0);
        for (b, points) in surfaces.iter().enumerate().filter(|(_, p)| !p.is_empty()) {
            *own.entry(probe(b)).or_default() += 1;
            most = most.max(points.len());
            steps.extend(points.windows(2).map(|w| w[1].time_s - w[0].time_s).filter(|s| *s > 0.0));
        }
        let cycle_s = median(&mut steps);
        let mut off: Vec<Off> = surfaces
            .par_iter()
            .enumerate()
            .flat_map_iter(|(b, points)| of_beam(b, probe(b), points, period_s))
            .collect();
        off.sort_by(|a, b| {
            (a.probe, a.capture).cmp(&(b.probe, b.capture)).then(a.time_s.total_cmp(&b.time_s))
        });
        let mut spells: BTreeMap<(u32, u8), Vec<Spell>> = BTreeMap::new();
        let joined = |a: &Off, b: &Off| {
            (a.probe, a.capture) == (b.probe, b.capture)
                && b.time_s - a.time_s <= JOIN_CYCLES * cycle_s
        };
        for run in off.chunk_by(joined) {
            let Some(spell) = Spell::of(run, own.get(&run[0].probe).copied().unwrap_or(0)) else {
                continue;
            };
            spells.entry((spell.probe, spell.capture)).or_default().push(spell);
        }
        Self { spells, seconds: most as f64 * cycle_s, cycle_s, probes: own.len() }
    }

    /// Whether a stretch of time of a capture was spoilt for a probe.
    pub fn spoilt(&self, probe: u32, capture: u8, (from_s, to_s): (f64, f64)) -> bool {
        self.spells.get(&(probe, capture)).is_some_and(|all| {
            // A bubble comes and goes between two shots.
            let after = all.partition_point(|s| s.end_s + self.cycle_s < from_s);
            all.get(after).is_some_and(|s| s.start_s - self.cycle_s <= to_s)
        })
    }

    /// Spells of bubbles.
    pub fn bubbles(&self) -> impl Iterator<Item = &Spell> {
        self.spells.values().flatten().filter(|s| s.bubble)
    }
}

impl Spell {
    fn of(run: &[Off], own: usize) -> Option<Self> {
        let (first, last) = (run.first()?, run.last()?);
        let mut beams: Vec<usize> = run.iter().map(|o| o.beam).collect();
        beams.sort_unstable();
        beams.dedup();
        let many = beams.len() >= FEWEST_BEAMS.max((SHARED * own as f64).ceil() as usize);
        Some(Self {
            probe: first.probe,
            capture: first.capture,
            start_s: first.time_s,
            end_s: last.time_s,
            beams: beams.len(),
            echoed: run.iter().any(|o| o.echoed),
            drop_db: run.iter().map(|o| o.drop_db).fold(0.0, f64::max),
            bubble: many && last.time_s - first.time_s <= LONGEST_S,
        })
    }
}

/// Shots of one beam that are off.
fn of_beam(beam: usize, probe: u32, points: &[SurfacePoint], period_s: f64) -> Vec<Off> {
    let mut by_motion: BTreeMap<(u8, u16), Vec<&SurfacePoint>> = BTreeMap::new();
    for p in points {
        by_motion.entry((p.capture, p.motion)).or_default().push(p);
    }
    let mut out = Vec::new();
    for own in by_motion.values() {
        let coupled: Vec<&SurfacePoint> = own.iter().copied().filter(|p| p.coupled).collect();
        // Coupling that was mostly lost has no usual state to be held against.
        if 2 * coupled.len() < own.len() {
            continue;
        }
        let height = |p: &SurfacePoint| db(f64::from(p.height_fsh).max(1e-6));
        let heights = rest(&coupled, 2, height, 0.1);
        let times = rest(&coupled, 1, |p| p.shift_s, 1e-9);
        let low_db = LOW_DB.max(LOW_SIGMAS * heights.1);
        let mut before: Vec<f64> = coupled.iter().map(|p| f64::from(p.before_fsh)).collect();
        let usual = BEFORE_TIMES * median(&mut before) + BEFORE_FSH;
        let off = |p: &SurfacePoint, echoed: bool, drop_db: f64| Off {
            probe,
            capture: p.capture,
            beam,
            time_s: p.time_s,
            echoed,
            drop_db,
        };
        for (i, p) in coupled.iter().enumerate() {
            let drop_db = -heights.0[i];
            let echoed = times.0[i] < -EARLY_CYCLES * period_s || f64::from(p.before_fsh) > usual;
            if echoed || drop_db > low_db {
                out.push(off(p, echoed, drop_db.max(0.0)));
            }
        }
        out.extend(own.iter().filter(|p| !p.coupled).map(|p| off(p, false, 0.0)));
    }
    out
}

/// What is left of values when their mean and the first harmonics of the turn are taken out, and its
/// scatter, at least `least`.
fn rest(
    points: &[&SurfacePoint],
    harmonics: u8,
    value: impl Fn(&SurfacePoint) -> f64,
    least: f64,
) -> (Vec<f64>, f64) {
    let y: Vec<f64> = points.iter().map(|p| value(p)).collect();
    let middle = median(&mut y.clone());
    let plain: Vec<f64> = y.iter().map(|v| v - middle).collect();
    let spread = fit::deviation(&plain, 1).max(least);
    let rows: Vec<Vec<f64>> = points
        .iter()
        .map(|p| {
            let waves = (1..=harmonics).flat_map(|k| {
                let (s, c) = (f64::from(k) * f64::from(p.turn_rad)).sin_cos();
                [c, s]
            });
            std::iter::once(1.0).chain(waves).collect()
        })
        .collect();
    let left = fit::robust(&rows, &plain, spread).map_or(plain, |f| f.residuals);
    let scatter = fit::deviation(&left, 1 + 2 * usize::from(harmonics)).max(least);
    (left, scatter)
}
