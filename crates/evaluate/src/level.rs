//! Levelling: the gain of every beam from its echo of the reference bar.
//!
//! A visit is a run of shots of one beam within the turn window of one expected echo. Each visit
//! gives one height: the largest in the time window, refined by a parabola over the turn. Gains
//! change by the mean over the visits, in the steps and within the limits of the electronics; a
//! height in the inner half of the accepted band leaves its gain alone.

use barwright_capture::{CaptureKind, Header, Shots};
use barwright_job::{
    Finding, Hash, Rules, Sealed, Technique, Topic,
    level::{BeamLevel, BeamState, Level},
    reference::{Expected, ReferenceBar},
    station::Electronics,
};
use rayon::prelude::*;

use crate::{
    error::{EvaluateError, Result},
    follow::Follower,
    kernel::{Detector, vertex},
    reading::{count_beams, db, demand_capture, demand_shots, median},
    ring,
};

/// An echo counts when it stands this far above what the same window holds elsewhere (6 dB).
const OVER_CLUTTER: f64 = 2.0;
/// Lowest height that counts as an echo, as a fraction of full screen height.
const LOWEST_ECHO_FSH: f64 = 0.01;
/// Share of the surface gate's threshold that is enough before gains are level (12 dB).
const UNLEVELLED: f64 = 0.25;
/// Disagreement of a beam's own reflectors that is worth a finding, in dB.
const CURVE_DISAGREES_DB: f64 = 2.0;

/// A levelling in progress.
#[derive(Debug, Clone)]
pub struct Levelling {
    technique: Sealed<Technique>,
    reference: Sealed<ReferenceBar>,
    rules: Rules,
    header: Header,
    electronics: Electronics,
    detector: Detector,
    follower: Follower,
    /// For each beam, its expected echoes by number.
    by_beam: Vec<Vec<usize>>,
    watched: Vec<Watched>,
    /// Shifts of the surface time, for beams with a gate for it.
    shifts_s: Vec<Vec<f64>>,
    shots: u64,
}

/// What was seen of one expected echo.
#[derive(Debug, Clone, Default)]
struct Watched {
    visits: Vec<Visit>,
    open: bool,
    /// Heights in the same time window while the reflector was elsewhere.
    elsewhere_fsh: Vec<f64>,
}

/// One run of shots through the turn window: turn from the expected one, and height.
#[derive(Debug, Clone, Default)]
struct Visit {
    points: Vec<(f64, f64)>,
    clipped: bool,
}

/// One reading of an expected window.
#[derive(Debug, Clone, Copy)]
struct Seen {
    expected: usize,
    offset_rad: f64,
    inside: bool,
    height_fsh: f64,
    clipped: bool,
}

impl Levelling {
    /// Starts a levelling.
    ///
    /// # Errors
    /// [`EvaluateError::OtherOrigin`] for a capture or reference bar of another technique,
    /// [`EvaluateError::WrongCapture`] for a capture that is neither of the reference bar nor
    /// still, and for one whose record or gains do not fit.
    pub fn new(
        technique: &Sealed<Technique>,
        reference: &Sealed<ReferenceBar>,
        rules: &Rules,
        electronics: &Electronics,
        header: &Header,
    ) -> Result<Self> {
        reference.demand(&reference.body.name, "technique", &technique.hash)?;
        let kinds = [CaptureKind::Reference, CaptureKind::Still];
        let wanted = "the reference bar moved through its motion list";
        demand_capture("levelling", &kinds, wanted, technique, header)?;
        let beams = technique.body.beams.len();
        let mut by_beam = vec![Vec::new(); beams];
        for (i, e) in reference.body.expected.iter().enumerate() {
            if let Some(list) = by_beam.get_mut(e.beam as usize) {
                list.push(i);
            }
        }
        Ok(Self {
            detector: Detector::new(&technique.body),
            follower: Follower::new(&technique.body, UNLEVELLED),
            technique: technique.clone(),
            watched: vec![Watched::default(); reference.body.expected.len()],
            reference: reference.clone(),
            rules: rules.clone(),
            header: header.clone(),
            electronics: *electronics,
            by_beam,
            shifts_s: vec![Vec::new(); beams],
            shots: 0,
        })
    }

    /// Reads a run of shots.
    ///
    /// # Errors
    /// [`EvaluateError::Shots`] when the run does not hold together.
    pub fn push(&mut self, shots: &Shots) -> Result<()> {
        demand_shots(&self.technique.body, shots)?;
        let followed = self.follower.follow(&self.detector, shots);
        let seen: Vec<Vec<Seen>> = followed
            .par_iter()
            .enumerate()
            .with_min_len(256)
            .map(|(i, f)| if f.coupled { self.look(shots, i, f.shift_s) } else { Vec::new() })
            .collect();
        for (i, (seen, f)) in seen.into_iter().zip(&followed).enumerate() {
            if f.coupled && f.surface.is_some() {
                self.shifts_s[shots.beam[i] as usize].push(f.shift_s);
            }
            for s in seen {
                self.watched[s.expected].add(s);
            }
        }
        self.shots += shots.len() as u64;
        Ok(())
    }

    /// Readings of all expected windows of one shot's beam.
    fn look(&self, shots: &Shots, i: usize, shift_s: f64) -> Vec<Seen> {
        let beam = &self.technique.body.beams[shots.beam[i] as usize];
        let origin_s = beam.surface_time_s + shift_s;
        self.by_beam[shots.beam[i] as usize]
            .iter()
            .filter_map(|&number| {
                let e = &self.reference.body.expected[number];
                let still = self.header.kind == CaptureKind::Still || !self.turns(e);
                if !still && u32::from(shots.pass[i]) != e.motion {
                    return None;
                }
                let at_s = origin_s + e.after_surface_s;
                let (from_s, to_s) = (at_s - e.time_window_s, at_s + e.time_window_s);
                let reading = self.detector.peak(shots.ascan(i), from_s, to_s)?;
                let [a, b] = shots.clipped_s[i].map(f64::from);
                let offset_rad =
                    if still { 0.0 } else { wrapped(f64::from(shots.turn_rad[i]) - e.turn_rad) };
                Some(Seen {
                    expected: number,
                    offset_rad,
                    inside: offset_rad.abs() <= e.turn_window_rad || still,
                    height_fsh: reading.height_fsh,
                    clipped: reading.clipped || (a <= to_s && b >= from_s),
                })
            })
            .collect()
    }

    /// Whether the bar turns while this echo is looked for.
    fn turns(&self, e: &Expected) -> bool {
        let motion = self.reference.body.motion.get(e.motion as usize);
        motion.is_some_and(|m| m.turn_rad != 0.0)
    }

    /// Ends the levelling; `capture` is the hash of the capture read.
    ///
    /// # Errors
    /// [`EvaluateError::Empty`] when no shot was read.
    pub fn finish(mut self, capture: Hash) -> Result<Sealed<Level>> {
        if self.shots == 0 {
            return Err(EvaluateError::Empty);
        }
        let read: Vec<BeamRead> = (0..self.by_beam.len()).map(|b| self.beam_read(b)).collect();
        let shifts: Vec<Option<f64>> =
            self.shifts_s.iter_mut().map(|s| (!s.is_empty()).then(|| median(s))).collect();
        let bar_offset_m = ring::bar_offset_m(&self.technique.body, &shifts);
        let mut findings: Vec<Finding> =
            bar_offset_m.and_then(ring::offset_finding).into_iter().collect();
        let deviation: Vec<Option<f64>> = read.iter().map(|r| r.deviation_db).collect();
        findings.extend(ring::low_probes(&self.technique.body, &deviation));
        let beams: Vec<BeamLevel> =
            read.iter().enumerate().map(|(b, r)| self.beam_level(b, r)).collect();
        findings.extend(self.beam_findings(&beams, &read));
        let good = beams.iter().all(|b| {
            matches!(b.state, BeamState::Inside | BeamState::Missing | BeamState::OutOfReach)
        });
        let passes = read.iter().filter(|r| r.visits > 0).map(|r| r.visits).min().unwrap_or(0);
        let body = Level { beams, passes, good, bar_offset_m, explanations: Vec::new(), findings };
        Ok(Sealed::seal(
            body,
            [
                ("technique", self.technique.hash),
                ("reference_bar", self.reference.hash),
                ("rules", self.rules.hash()),
                ("capture", capture),
            ],
        ))
    }

    fn beam_read(&self, beam: usize) -> BeamRead {
        let mut out = BeamRead::default();
        let mut means = Vec::new();
        let mut scatter = Vec::new();
        for &number in &self.by_beam[beam] {
            let e = &self.reference.body.expected[number];
            out.expected_fsh.get_or_insert(e.height_fsh);
            let watched = &self.watched[number];
            let step =
                self.reference.body.motion.get(e.motion as usize).map_or(0.0, |m| m.turn_step_rad);
            let visits = watched.whole_visits(e.turn_window_rad, step);
            let heights: Vec<f64> = visits
                .iter()
                .map(|v| v.height_fsh())
                .filter(|&h| h > watched.floor_fsh())
                .collect();
            out.clipped |= !heights.is_empty() && visits.iter().any(|v| v.clipped);
            out.visits = out.visits.max(heights.len() as u32);
            let deviations: Vec<f64> = heights.iter().map(|h| db(h / e.height_fsh)).collect();
            if let Some(mean) = mean(&deviations) {
                means.push(mean);
                if deviations.len() > 1 {
                    let sum: f64 = deviations.iter().map(|d| (d - mean).powi(2)).sum();
                    let n = deviations.len() as f64;
                    scatter.push((sum / (n - 1.0) / n).sqrt());
                }
            }
        }
        out.deviation_db = mean(&means);
        out.uncertainty_db = mean(&scatter);
        let (low, high) =
            means.iter().fold((f64::MAX, f64::MIN), |(l, h), &m| (l.min(m), h.max(m)));
        out.disagreement_db = if means.len() > 1 { high - low } else { 0.0 };
        out
    }

    fn beam_level(&self, beam: usize, read: &BeamRead) -> BeamLevel {
        let gain_db = self.header.gains_db[beam];
        let expected_fsh = read.expected_fsh.unwrap_or(0.0);
        let unchanged = |state| BeamLevel {
            beam: beam as u32,
            gain_db,
            change_db: 0.0,
            height_fsh: read.deviation_db.map(|d| expected_fsh * 10f64.powf(d / 20.0)),
            expected_fsh,
            uncertainty_db: read.uncertainty_db,
            state,
            lower_by_db: None,
            found: None,
        };
        let Some(deviation) = read.deviation_db else {
            return unchanged(BeamState::Missing);
        };
        if read.clipped {
            return unchanged(BeamState::Clipped);
        }
        let rule = &self.rules.level;
        let low = db(rule.low_fsh_percent / rule.target_fsh_percent);
        let high = db(rule.high_fsh_percent / rule.target_fsh_percent);
        // Well inside, the gain that was shown stays; nearer to the limits the next reading could
        // fall outside by noise alone.
        if (low / 2.0..=high / 2.0).contains(&deviation) {
            return unchanged(BeamState::Inside);
        }
        let e = &self.electronics;
        let needed = ((gain_db - deviation) / e.gain_step_db).round() * e.gain_step_db;
        let set = needed.clamp(e.gain_min_db, e.gain_max_db);
        let state = if (low..=high).contains(&deviation) {
            BeamState::Inside
        } else if (needed - set).abs() > 1e-9 {
            BeamState::OutOfReach
        } else {
            BeamState::Corrected
        };
        BeamLevel { gain_db: set, change_db: set - gain_db, ..unchanged(state) }
    }

    fn beam_findings(&self, beams: &[BeamLevel], read: &[BeamRead]) -> Vec<Finding> {
        let with = |state: BeamState| -> Vec<u32> {
            beams.iter().filter(|b| b.state == state).map(|b| b.beam).collect()
        };
        let mut out = Vec::new();
        let mut tell = |topic, ids: Vec<u32>, words: &str| {
            if !ids.is_empty() {
                out.push(
                    Finding::new(topic, format!("{}: {words}", count_beams(ids.len()))).beams(ids),
                );
            }
        };
        tell(
            Topic::Clipped,
            with(BeamState::Clipped),
            "reflector at full scale; lower the gain and make another pass, these gains are left alone",
        );
        tell(
            Topic::Missing,
            with(BeamState::Missing),
            "no echo where the reflector should read; this needs a hand, and what they inspect counts as not inspected",
        );
        tell(
            Topic::OutOfReach,
            with(BeamState::OutOfReach),
            &format!(
                "the gain needed lies outside {} to {} dB; this needs a hand, and what they inspect counts as not inspected",
                self.electronics.gain_min_db, self.electronics.gain_max_db
            ),
        );
        let disagree = read
            .iter()
            .zip(0u32..)
            .filter(|(r, _)| r.disagreement_db > CURVE_DISAGREES_DB)
            .map(|(_, b)| b)
            .collect();
        tell(
            Topic::Validity,
            disagree,
            "reflectors at different depths read more than 2 dB apart; gain against depth does not hold",
        );
        out
    }
}

/// What a beam read of its reflectors.
#[derive(Debug, Clone, Copy, Default)]
struct BeamRead {
    expected_fsh: Option<f64>,
    deviation_db: Option<f64>,
    uncertainty_db: Option<f64>,
    disagreement_db: f64,
    visits: u32,
    clipped: bool,
}

impl Watched {
    fn add(&mut self, seen: Seen) {
        if !seen.inside {
            self.open = false;
            self.elsewhere_fsh.push(seen.height_fsh);
            return;
        }
        if !self.open {
            self.visits.push(Visit::default());
            self.open = true;
        }
        if let Some(visit) = self.visits.last_mut() {
            visit.points.push((seen.offset_rad, seen.height_fsh));
            visit.clipped |= seen.clipped;
        }
    }

    /// Height from which an echo counts.
    fn floor_fsh(&self) -> f64 {
        let mut elsewhere = self.elsewhere_fsh.clone();
        (OVER_CLUTTER * median(&mut elsewhere)).max(LOWEST_ECHO_FSH)
    }

    /// Visits that went through the window from side to side; where there is none, those there
    /// are (a motion that begins or ends inside the window).
    fn whole_visits(&self, window_rad: f64, step_rad: f64) -> Vec<&Visit> {
        let edge = (window_rad - 1.5 * step_rad.abs()).max(0.0);
        let whole: Vec<&Visit> = self
            .visits
            .iter()
            .filter(|v| {
                v.points.iter().any(|p| p.0 <= -edge) && v.points.iter().any(|p| p.0 >= edge)
            })
            .collect();
        if whole.is_empty() { self.visits.iter().collect() } else { whole }
    }
}

impl Visit {
    /// Largest height, refined by a parabola through the decibels of its neighbours where these
    /// are evenly spaced.
    fn height_fsh(&self) -> f64 {
        let Some(at) =
            (0..self.points.len()).max_by(|&a, &b| self.points[a].1.total_cmp(&self.points[b].1))
        else {
            return 0.0;
        };
        let (turn, height) = self.points[at];
        let before = at.checked_sub(1).and_then(|i| self.points.get(i));
        match (before, self.points.get(at + 1)) {
            (Some(&(t0, h0)), Some(&(t2, h2))) if !self.clipped && h0 > 0.0 && h2 > 0.0 => {
                let (left, right) = (turn - t0, t2 - turn);
                let even = left > 0.0 && (left - right).abs() < 0.1 * left;
                let (_, gain) = vertex(db(h0), db(height), db(h2));
                if even { height * 10f64.powf(gain / 20.0) } else { height }
            }
            _ => height,
        }
    }
}

/// The angle within (-π, π].
fn wrapped(angle: f64) -> f64 {
    let turn = std::f64::consts::TAU;
    let a = angle.rem_euclid(turn);
    if a > turn / 2.0 { a - turn } else { a }
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}
