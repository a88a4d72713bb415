//! What the captures show, reduced to what explanations are made from.

use std::f64::consts::TAU;

use barwright_job::{Technique, reference::ReferenceBar};
use barwright_wave::Mode;

use super::{fit, timing};
use crate::{
    kernel::vertex,
    level::{BeamRead, Form, SurfacePoint, Trace, Track, Water},
    reading::{db, median, wrapped},
};

/// Turn either side of the expected one over which profiles are kept, in rad.
pub(super) const PROFILE_RAD: f64 = 12.0 * TAU / 360.0;
/// Turn that the bar must have made for its first harmonic to be told from its mean, in rad.
const WHOLE_TURN_RAD: f64 = 0.95 * TAU;
/// Part of a profile's top that its place is taken from, in dB.
const TOP_DB: f64 = 5.0;

/// What explanations are made from.
pub(crate) struct Seen<'a> {
    pub technique: &'a Technique,
    pub reference: &'a ReferenceBar,
    /// One for each expected echo.
    pub echoes: Vec<Echo>,
    /// For each beam, its expected echoes by number.
    pub by_beam: Vec<Vec<usize>>,
    /// Surface times: `[beam][motion]`.
    pub surface: Vec<Vec<Option<Circle>>>,
    /// Traces up to the surface, in height at the technique's gain: `[beam][motion]`.
    pub forms: Vec<Vec<Trace>>,
    /// Height of each beam against the expected one as it would read at the technique's own gain, in
    /// dB.
    pub raw_db: Vec<Option<f64>>,
    /// The tracks themselves, for questions about other turns.
    pub tracks: &'a [Track],
    /// What steered beams say of all surfaces.
    pub common: timing::Common,
    /// Spells that the water spoilt.
    pub water: &'a Water,
    reads: &'a [BeamRead],
    gains: &'a [&'a [f64]],
}

/// What the captures gave, as the levelling keeps it.
#[derive(Clone, Copy)]
pub(crate) struct Taken<'a> {
    /// One for each expected echo.
    pub tracks: &'a [Track],
    /// Surface readings by beam.
    pub surfaces: &'a [Vec<SurfacePoint>],
    /// Traces up to the surface: `[beam][motion]`.
    pub forms: &'a [Vec<Form>],
    /// One for each beam.
    pub reads: &'a [BeamRead],
    /// Gains of each capture, by beam.
    pub gains: &'a [&'a [f64]],
    /// What the water did.
    pub water: &'a Water,
}

/// Surface time of one beam in one motion against the turn of the bar: mean and first harmonic.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Circle {
    /// Mean shift against the nominal time in seconds.
    pub mean_s: f64,
    /// Coefficients of cosine and sine of the turn in seconds; zero where the bar did not turn round.
    pub cos_s: f64,
    pub sin_s: f64,
    /// Whether the bar turned round.
    pub turned: bool,
    /// Scatter of a single reading in seconds.
    pub scatter_s: f64,
    /// Number of readings.
    pub count: usize,
}

/// One expected echo as it was seen.
#[derive(Debug, Clone, Default)]
pub(crate) struct Echo {
    /// Height against expected, dB, by turn offset from the expected turn in rad; rising, and as at
    /// the technique's own gain.
    pub profile: Vec<(f64, f64)>,
    /// Visits behind each height.
    pub visits: f64,
    /// Where the profile peaks, in rad from the expected turn; absent where it has no top inside the
    /// turn window.
    pub turn_off_rad: Option<f64>,
    /// Height of the clutter in the same window, in dB against the expected height.
    pub floor_db: f64,
}

impl<'a> Seen<'a> {
    pub fn new(technique: &'a Technique, reference: &'a ReferenceBar, taken: &Taken<'a>) -> Self {
        let Taken { tracks, surfaces, forms, reads, gains, water } = *taken;
        let latest = gains.last().copied().unwrap_or_default();
        let nominal = |b: usize| technique.beams[b].gain_db;
        let mut by_beam = vec![Vec::new(); technique.beams.len()];
        for (i, e) in reference.expected.iter().enumerate() {
            if let Some(list) = by_beam.get_mut(e.beam as usize) {
                list.push(i);
            }
        }
        let echoes = reference
            .expected
            .iter()
            .zip(tracks)
            .map(|(e, track)| {
                let beam = e.beam as usize;
                let Some(read) = reads.get(beam) else { return Echo::default() };
                let gain = gains.get(usize::from(read.capture)).map_or(0.0, |g| g[beam]);
                Echo::of(e, track, reference, read, nominal(beam) - gain)
            })
            .collect();
        let motions = reference.motion.len();
        let probe = |b: usize| technique.beams[b].probe;
        let surface = surfaces
            .iter()
            .enumerate()
            .map(|(b, points)| {
                let sound = |p: &&SurfacePoint| {
                    p.coupled && !water.spoilt(probe(b), p.capture, (p.time_s, p.time_s))
                };
                (0..motions)
                    .map(|m| {
                        let own = points.iter().filter(|p| usize::from(p.motion) == m);
                        Circle::of(own.filter(sound))
                    })
                    .collect()
            })
            .collect();
        let sound = |b: usize| reads[b].deviation_db.filter(|_| !reads[b].clipped);
        let beams = 0..reads.len();
        let mut seen = Self {
            technique,
            reference,
            echoes,
            by_beam,
            surface,
            forms: forms
                .iter()
                .enumerate()
                .map(|(b, all)| {
                    let scale = 10f64.powf((nominal(b) - gains[0][b]) / 20.0);
                    // Forms are those of the first capture.
                    let spoilt = |span_s| water.spoilt(probe(b), 0, span_s);
                    all.iter().map(|f| f.middle(scale, spoilt)).collect()
                })
                .collect(),
            raw_db: beams.map(|b| Some(sound(b)? - latest[b] + nominal(b))).collect(),
            tracks,
            common: timing::Common::default(),
            water,
            reads,
            gains,
        };
        seen.common = timing::refine(&mut seen);
        seen
    }

    /// The capture whose gains gave a beam's heights.
    pub fn capture(&self, beam: usize) -> u8 {
        self.reads[beam].capture
    }

    /// Gain at which a beam's heights were taken, dB re unit transfer.
    pub fn gain_db(&self, beam: usize) -> f64 {
        self.gains[usize::from(self.capture(beam)).min(self.gains.len() - 1)][beam]
    }

    /// Whether a beam read none of its reflectors.
    pub fn is_missing(&self, beam: usize) -> bool {
        self.reads[beam].deviation_db.is_none()
    }

    /// Middle of a probe: the mean direction of its elements or, without them, of its beams; from
    /// the ring's centre, in rad.
    pub fn probe_middle_rad(&self, probe: u32) -> Option<f64> {
        let t = self.technique;
        let elements = &t.probes.get(probe as usize)?.elements;
        let (x, y) = if elements.is_empty() {
            t.beams
                .iter()
                .filter(|b| b.probe == probe && b.mode == Mode::L)
                .map(|b| b.axis.entry.angle().sin_cos())
                .fold((0.0, 0.0), |(x, y), (s, c)| (x + c, y + s))
        } else {
            elements.iter().fold((0.0, 0.0), |(x, y), e| (x + e.centre.x, y + e.centre.y))
        };
        (x.hypot(y) > 0.0).then(|| y.atan2(x))
    }

    /// Median of the turn offsets of all echoes that have one.
    pub fn mark_off_rad(&self) -> Option<f64> {
        let mut all: Vec<f64> = self.echoes.iter().filter_map(|e| e.turn_off_rad).collect();
        (all.len() >= 6).then(|| median(&mut all))
    }
}

impl Circle {
    /// Shift at a turn of the bar, in seconds.
    pub fn at_s(&self, turn_rad: f64) -> f64 {
        let (s, c) = turn_rad.sin_cos();
        self.mean_s + self.cos_s * c + self.sin_s * s
    }

    /// Variance of the mean shift from the scatter of its readings, in square seconds.
    pub fn variance_s2(&self) -> f64 {
        self.scatter_s * self.scatter_s / self.count.max(1) as f64
    }

    fn of<'p>(points: impl Iterator<Item = &'p SurfacePoint>) -> Option<Self> {
        let points: Vec<&SurfacePoint> = points.collect();
        let mut shifts: Vec<f64> = points.iter().map(|p| p.shift_s).collect();
        if shifts.is_empty() {
            return None;
        }
        let middle = median(&mut shifts);
        // 1 ns: no recording times better.
        let spread = fit::deviation(&shifts.iter().map(|s| s - middle).collect::<Vec<_>>(), 1);
        let turns = points.iter().map(|p| f64::from(p.turn_rad));
        let (low, high) = turns.fold((f64::MAX, f64::MIN), |(l, h), t| (l.min(t), h.max(t)));
        let turned = high - low >= WHOLE_TURN_RAD;
        let plain = Self {
            mean_s: middle,
            cos_s: 0.0,
            sin_s: 0.0,
            turned: false,
            scatter_s: spread,
            count: points.len(),
        };
        if !turned {
            return Some(plain);
        }
        let rows: Vec<Vec<f64>> = points
            .iter()
            .map(|p| {
                let (s, c) = f64::from(p.turn_rad).sin_cos();
                vec![1.0, c, s]
            })
            .collect();
        let y: Vec<f64> = points.iter().map(|p| p.shift_s).collect();
        let Some(fit) = fit::robust(&rows, &y, spread.max(1e-9)) else {
            return Some(plain);
        };
        Some(Self {
            mean_s: fit.x[0],
            cos_s: fit.x[1],
            sin_s: fit.x[2],
            turned: true,
            scatter_s: fit::deviation(&fit.residuals, 3),
            count: points.len(),
        })
    }
}

impl Echo {
    fn of(
        e: &barwright_job::reference::Expected,
        track: &Track,
        reference: &ReferenceBar,
        read: &BeamRead,
        to_nominal_db: f64,
    ) -> Self {
        let step = reference.motion.get(e.motion as usize).map_or(0.0, |m| m.turn_step_rad);
        let of_height = |h: f64| db(h.max(1e-6) / e.height_fsh) + to_nominal_db;
        let floor_db = of_height(track.floor_fsh(read.capture));
        let near: Vec<_> = track
            .points
            .iter()
            .filter(|p| p.capture == read.capture && !p.clipped)
            .filter(|p| f64::from(p.offset_rad).abs() <= PROFILE_RAD || step == 0.0)
            .collect();
        let sound: Vec<_> = near.iter().copied().filter(|p| !p.spoilt).collect();
        // One sound visit of two is enough.
        let near = if 3 * sound.len() >= near.len() { sound } else { near };
        let mut bins: std::collections::BTreeMap<i64, (f64, Vec<f64>)> = Default::default();
        for p in &near {
            let offset = f64::from(p.offset_rad);
            let bin = if step > 0.0 { (offset / step).floor() as i64 } else { 0 };
            let (sum, heights) = bins.entry(bin).or_default();
            *sum += offset;
            heights.push(f64::from(p.height_fsh));
        }
        let visits = near.len() as f64 / bins.len().max(1) as f64;
        let profile: Vec<(f64, f64)> = bins
            .into_values()
            .map(|(sum, mut heights)| {
                let n = heights.len() as f64;
                // Two heights are averaged; of more the middle one is taken, which a bubble leaves be.
                let height = if heights.len() > 2 {
                    median(&mut heights)
                } else {
                    heights.iter().sum::<f64>() / n
                };
                (sum / n, of_height(height))
            })
            .collect();
        Self { turn_off_rad: top(&profile, e.turn_window_rad, floor_db), profile, visits, floor_db }
    }

    /// Height of the profile at a turn offset, by a parabola through the three nearest readings.
    pub fn at(&self, offset_rad: f64) -> Option<f64> {
        let p = &self.profile;
        let next = p.partition_point(|x| x.0 < offset_rad);
        let middle = if next > 0
            && (next == p.len() || offset_rad - p[next - 1].0 < p[next].0 - offset_rad)
        {
            next - 1
        } else {
            next
        };
        let at = |i: usize| p.get(i).copied();
        let (a, b, c) = (at(middle.checked_sub(1)?)?, at(middle)?, at(middle + 1)?);
        let (h0, h2) = (b.0 - a.0, c.0 - b.0);
        if (h0 - h2).abs() > 0.2 * h0.max(h2) {
            return None;
        }
        let x = (offset_rad - b.0) / (0.5 * (h0 + h2));
        Some(b.1 + 0.5 * x * (c.1 - a.1) + 0.5 * x * x * (a.1 - 2.0 * b.1 + c.1))
    }
}

/// Place of the top of a profile: a parabola through all heights within 5 dB of the highest.
fn top(profile: &[(f64, f64)], window_rad: f64, floor_db: f64) -> Option<f64> {
    let inside: Vec<usize> =
        (0..profile.len()).filter(|&i| profile[i].0.abs() <= window_rad).collect();
    let &best = inside.iter().max_by(|&&a, &&b| profile[a].1.total_cmp(&profile[b].1))?;
    let height = profile[best].1;
    if height < floor_db || best == 0 || best + 1 == profile.len() {
        return None;
    }
    if profile[best - 1].1 > height || profile[best + 1].1 > height {
        return None;
    }
    let within = |i: usize| profile[i].1 > height - TOP_DB;
    let from = (0..best).rev().take_while(|&i| within(i)).last().unwrap_or(best);
    let to = (best + 1..profile.len()).take_while(|&i| within(i)).last().unwrap_or(best);
    if to - from < 4 {
        let (a, b, c) = (profile[best - 1], profile[best], profile[best + 1]);
        return Some(b.0 + vertex(a.1, b.1, c.1).0 * 0.5 * (c.0 - a.0));
    }
    let middle = profile[best].0;
    let rows: Vec<Vec<f64>> = (from..=to)
        .map(|i| {
            let x = profile[i].0 - middle;
            vec![1.0, x, x * x]
        })
        .collect();
    let y: Vec<f64> = (from..=to).map(|i| profile[i].1).collect();
    let fit = fit::weighted(&rows, &y, &vec![1.0; y.len()])?;
    (fit.x[2] < 0.0).then(|| wrapped(middle - 0.5 * fit.x[1] / fit.x[2]))
}
