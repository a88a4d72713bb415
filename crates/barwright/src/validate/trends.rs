//! Trends against the virtual station: a probe loses sensitivity from check to check; is it named before
//! a check fails, is the number of checks left right, and is a sound station left in peace?
//!
//! Every check is a whole one: the station is made anew with that check's water, centring and noise, the
//! reference bar passes at line speed, and the check judges it. Nothing is drawn from a formula in its place.

use std::fmt::Write as _;

use barwright_evaluate::trends::{Course, Limits, Origin, Settings, Taken, Trends, watch};
use barwright_job::Sealed;
use barwright_job::level::Level;
use barwright_twin::VirtualStation;
use barwright_twin::scene::{StationFaults, WeakProbe};
use serde::Serialize;

use super::job::Job;
use crate::failure::Failure;

/// Check (from 0) before which the probe is sound.
const SOUND: usize = 14;
/// Loss of a check in dB of echo height.
const LOSS_DB: f64 = 0.15;
/// Scatter of the station from check to check: water in K, bar centre in mm, half ranges.
const WATER_K: f64 = 0.5;
const CENTRE_MM: f64 = 0.03;
/// Most that the probe is let lose until a check fails, in dB.
const MOST_DB: f64 = 12.0;

/// What came out.
#[derive(Debug, Clone, Serialize)]
pub struct Figures {
    /// Checks of the drifting and of the sound station each.
    pub checks: usize,
    /// Probe that drifts, from 0, its loss per check in dB, and the check (from 0) at which it begins.
    pub probe: u32,
    /// See `probe`.
    pub loss_db: f64,
    /// See `probe`.
    pub begins: usize,
    /// Check at which it was first named, if it was.
    pub named: Option<usize>,
    /// Check since when it was said to drift, at the end.
    pub since: Option<usize>,
    /// Slope as told at the end, in dB per check.
    pub slope_db: Option<f64>,
    /// First check (from 0) of the drifting station that truly fails; the station is checked on until one
    /// does. Absent where none does up to a loss of 12 dB.
    pub fails: Option<usize>,
    /// What that check says.
    pub failed_by: Vec<String>,
    /// For every check from the naming on: checks left as expected, as said safe, and in truth.
    pub left: Vec<(usize, f64, u32, usize)>,
    /// Other things that were called on the drifting station, with their check.
    pub beside: Vec<(usize, String)>,
    /// Checks of the sound station looked at after its first ones, and those at which anything was called.
    pub sound: (usize, usize),
    /// What was called on the sound station.
    pub false_calls: Vec<(usize, String)>,
    /// Series charted.
    pub series: usize,
    /// Scatter of the probes' series, in dB.
    pub scatter_db: Option<f64>,
    /// Seconds that a check took, in the mean.
    pub seconds: f64,
}

impl Figures {
    /// Whether the probe was named before a check failed, and the sound station was left in peace.
    pub fn met(&self) -> bool {
        // A figure that is safe with 90 % may fail once in ten.
        let held = self.left.iter().filter(|l| l.2 as usize <= l.3).count();
        self.named.zip(self.fails).is_some_and(|(named, fails)| named < fails)
            && self.sound.1 == 0
            && 10 * held >= 9 * self.left.len()
    }
}

/// A station that is checked again and again.
struct Line<'a> {
    job: &'a Job,
    level: Sealed<Level>,
    seed: u64,
    probe: u32,
}

/// Runs `checks` checks of a drifting and of a sound station drawn from a seed.
pub fn run(checks: usize, seed: u64, each: impl Fn()) -> Result<Figures, Failure> {
    let job = Job::new()?;
    let base = VirtualStation::new(&job.technique, &usual(), seed)?;
    let level = job.level_twice(&base, 2)?;
    // The probe that sees the most reflectors of a check: one whose loss ends in a check that fails.
    let first = Line { job: &job, level: level.clone(), seed, probe: 0 }.check(0, 0.0)?.0;
    let sees = |p: u32| first.measures.reflectors.iter().filter(|r| r.probes == [p]).count();
    let probes = job.technique.body.probes.len() as u32;
    let probe = (0..probes).rev().max_by_key(|p| sees(*p)).unwrap_or(0);
    let line = Line { job: &job, level, seed, probe };
    let begun = std::time::Instant::now();
    let mut drifting = Vec::with_capacity(checks);
    let mut sound = Vec::with_capacity(checks);
    let loss_db = |i: usize| LOSS_DB * i.saturating_sub(SOUND - 1) as f64;
    let mut failed: Option<(usize, Vec<String>)> = None;
    for i in 0..checks {
        let (taken, findings) = line.check(i, loss_db(i))?;
        if !taken.good {
            failed.get_or_insert((i, findings));
        }
        drifting.push(taken);
        each();
        // The first ones are the same station in the same hour: taken once.
        let other = if i < SOUND { drifting[i].clone() } else { line.check(i + 10_000, 0.0)?.0 };
        sound.push(other);
        each();
    }
    let taken = 2 * checks - SOUND.min(checks);
    let seconds = begun.elapsed().as_secs_f64() / taken.max(1) as f64;
    // On until a check fails: the truth that the trend is held against.
    let mut i = checks;
    while failed.is_none() && loss_db(i) <= MOST_DB {
        let (taken, findings) = line.check(i, loss_db(i))?;
        failed = (!taken.good).then_some((i, findings));
        i += 1;
    }
    Ok(figures(&line, &drifting, &sound, failed, seconds))
}

/// A station as it usually is.
fn usual() -> StationFaults {
    StationFaults {
        element_spread_db: 0.5,
        probe_spread_db: 1.0,
        noise_fsh_percent: 1.5,
        wobble_mm: 0.1,
        ..StationFaults::default()
    }
}

impl Line<'_> {
    /// One whole check with a loss of the probe, under that check's water and centring.
    fn check(&self, number: usize, loss_db: f64) -> Result<(Taken, Vec<String>), Failure> {
        let [water, x, y] = ["water", "x", "y"].map(|what| self.draw(number, what));
        let weak = WeakProbe { probe: self.probe, loss_db };
        let faults = StationFaults {
            temperature_k: WATER_K * water,
            offset_mm: [CENTRE_MM * x, CENTRE_MM * y],
            weak_probes: if loss_db > 0.0 { vec![weak] } else { Vec::new() },
            ..usual()
        };
        let station = VirtualStation::new(&self.job.technique, &faults, self.seed)?;
        let occasion = format!("check-{number:03}");
        let check = self.job.check_as(&station, &self.level, &occasion)?;
        let time_us = (number as i64 + 1) * 4 * 3_600_000_000;
        let findings = check.body.findings.iter().map(|f| f.message.clone()).collect();
        let taken = Taken {
            number: number as i64 + 1,
            time_us,
            date: occasion,
            level: Some(self.level.hash.clone()),
            good: check.body.good,
            measures: check.body.measures,
        };
        Ok((taken, findings))
    }

    /// A number between -1 and 1 that depends on seed, check and purpose only.
    fn draw(&self, number: usize, what: &str) -> f64 {
        let text = format!("{}/{number}/{what}", self.seed);
        let hash = barwright_job::Hash::of(text.as_bytes());
        let digits = hash.0.get(..8).and_then(|d| u32::from_str_radix(d, 16).ok()).unwrap_or(0);
        2.0 * f64::from(digits) / f64::from(u32::MAX) - 1.0
    }
}

fn look(job: &Job, checks: &[Taken]) -> Trends {
    let limits = Limits::of(&job.rules, Some(&job.station), Some(&job.technique.body));
    watch(checks, &[], &limits, &Settings::default())
}

fn figures(
    line: &Line<'_>,
    drifting: &[Taken],
    sound: &[Taken],
    failed: Option<(usize, Vec<String>)>,
    seconds: f64,
) -> Figures {
    let (fails, failed_by) = failed.map_or((None, Vec::new()), |(i, by)| (Some(i), by));
    let reference = Settings::default().reference;
    let (mut named, mut left, mut beside) = (None, Vec::new(), Vec::new());
    let (mut since, mut slope_db) = (None, None);
    for i in reference..drifting.len() {
        let t = look(line.job, &drifting[..=i]);
        let own = t.drifts.iter().find(|d| d.origin == Origin::Probe(line.probe));
        if let Some(d) = own {
            named.get_or_insert(i);
            since = Some(d.since);
            if let Course::Slope(s) = d.course {
                slope_db = Some(s.per_check);
            }
            // Checks that are still good after this one.
            if let (Some(l), Some(fails)) = (d.left, fails.filter(|f| *f > i)) {
                left.push((i, l.expected, l.cautious, fails - i - 1));
            }
        }
        let others = t.drifts.iter().filter(|d| d.origin != Origin::Probe(line.probe));
        beside.extend(others.map(|d| (i, d.sentence.clone())));
    }
    let mut false_calls = Vec::new();
    let mut called = 0;
    for i in reference..sound.len() {
        let t = look(line.job, &sound[..=i]);
        called += usize::from(t.needs_attention());
        false_calls.extend(t.drifts.into_iter().map(|d| (i, d.sentence)));
    }
    let end = look(line.job, drifting);
    let scatter_db = end
        .find(&format!("probe-{}-wall", line.probe + 1))
        .and_then(|w| w.chart.as_ref())
        .map(|c| c.standard.sigma);
    Figures {
        checks: drifting.len(),
        probe: line.probe,
        loss_db: LOSS_DB,
        begins: SOUND,
        named,
        since,
        slope_db,
        fails,
        failed_by,
        left,
        beside,
        sound: (sound.len().saturating_sub(reference), called),
        false_calls,
        series: end.charted,
        scatter_db,
        seconds,
    }
}

/// The figures in lines.
pub fn text(f: &Figures) -> String {
    let mut out = String::new();
    let _ = writeln!(
        out,
        "probe {} loses {} dB a check from check {} on; {} series charted over {} checks, {:.1} s a check",
        f.probe + 1,
        f.loss_db,
        f.begins + 1,
        f.series,
        f.checks,
        f.seconds
    );
    if let Some(s) = f.scatter_db {
        let _ = writeln!(out, "scatter of a probe from check to check: {s:.3} dB");
    }
    match f.fails {
        Some(i) => {
            let loss_db = f.loss_db * i.saturating_sub(f.begins - 1) as f64;
            let _ = writeln!(out, "check {} truly fails, at a loss of {loss_db:.2} dB:", i + 1);
            for line in &f.failed_by {
                let _ = writeln!(out, "    {line}");
            }
        }
        None => {
            let _ = writeln!(out, "no check fails up to a loss of {MOST_DB} dB");
        }
    }
    match f.named {
        Some(n) => {
            let _ = writeln!(out, "named at check {}", n + 1);
        }
        None => {
            let _ = writeln!(out, "NOT named");
        }
    }
    if let (Some(since), Some(slope)) = (f.since, f.slope_db) {
        let _ = writeln!(out, "at the end: since check {}, {slope:+.3} dB a check", since + 1);
    }
    for (i, expected, cautious, truth) in &f.left {
        let _ = writeln!(
            out,
            "  check {:>3}: {expected:6.1} checks left, {cautious:>4} safe; in truth {truth:>4} good ones",
            i + 1
        );
    }
    for (i, what) in &f.beside {
        let _ = writeln!(out, "  beside, at check {}: {what}", i + 1);
    }
    let _ = writeln!(out, "sound station: called at {} of {} checks", f.sound.1, f.sound.0);
    for (i, what) in &f.false_calls {
        let _ = writeln!(out, "  falsely, at check {}: {what}", i + 1);
    }
    out
}
