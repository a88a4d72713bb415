//! Levelling against the virtual station: is the right cause named first, and is a sound station left
//! in peace?
//!
//! The station makes captures of the reference bar from the full field of known faults; levelling
//! judges them and knows nothing of how they were made. Two passes each. Where gain is what is
//! asked for, a further pass with the new gains shows whether the beams read what they should.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use barwright_job::level::{BeamState, Cause, Explanation, Level};
use barwright_twin::VirtualStation;
use barwright_twin::fault_scenes::{FaultScene, MainCause, fault_scenes};
use serde::Serialize;

use super::job::Job;
use crate::failure::Failure;

/// Passes of the reference bar before its gains are set.
const PASSES: u16 = 2;
/// What is asked for.
const RIGHT_SHARE: f64 = 0.95;
const QUIET_SHARE: f64 = 0.99;
const OFFSET_MM: f64 = 0.05;
const ELEMENT_DB: f64 = 1.0;
/// Detection limits of drift, of the fastest probe, and of bubbles.
const DRIFT_DB_MIN: f64 = 0.5;
const BUBBLES_1_S: f64 = 0.4;

/// One scene with what levelling made of it.
#[derive(Debug, Clone, Serialize)]
pub struct Case {
    /// The scene, in words.
    pub scene: String,
    /// The truth.
    pub truth: MainCause,
    /// Whether levelling states that it tells a fault of this size.
    pub stated: bool,
    /// Whether the right cause was named first; for a sound station whether none was named.
    pub right: bool,
    /// What was named, first to last.
    pub named: Vec<String>,
    /// Whether place, plug or probe was blamed without reason.
    pub false_mechanical: bool,
    /// Distance of the bar's centre as told from the true one, in mm.
    pub offset_error_mm: Option<f64>,
    /// Largest error of a single element's loss that was told with an uncertainty below 1 dB, in dB.
    pub element_error_db: Option<f64>,
    /// Beams that were levelled, and those of them inside the band on a pass not seen before.
    pub levelled: Option<(usize, usize)>,
}

/// Figures over all scenes.
#[derive(Debug, Clone, Serialize)]
pub struct Figures {
    /// Scenes with a fault above its stated limit, and those whose cause was named first.
    pub faults: (usize, usize),
    /// Sound scenes, and those in which no mechanical fault was claimed.
    pub sound: (usize, usize),
    /// Largest error of the bar's centre in mm.
    pub offset_error_mm: Option<f64>,
    /// Elements told, and those within 1 dB.
    pub elements: (usize, usize),
    /// Beams levelled, and those inside on an unseen pass.
    pub levelled: (usize, usize),
    /// Named first against true, by their words.
    pub confusion: BTreeMap<String, BTreeMap<String, usize>>,
    /// Whether all that is asked for was met.
    pub met: bool,
    /// The scenes.
    pub cases: Vec<Case>,
}

/// Runs `count` scenes drawn from a seed: one in four sound, the others through the faults in turn, from
/// below their limits to well above.
pub fn run(count: usize, seed: u64, each: impl Fn()) -> Result<Figures, Failure> {
    let job = Job::new()?;
    let mut cases = Vec::with_capacity(count);
    for scene in fault_scenes(seed, count, &job.technique.body) {
        cases.push(case(&job, &scene)?);
        each();
    }
    Ok(figures(cases))
}

/// One scene.
fn case(job: &Job, scene: &FaultScene) -> Result<Case, Failure> {
    let station = VirtualStation::new(&job.technique, &scene.faults, scene.seed)?;
    let step_db = job.station.electronics.gain_step_db;
    let gains: Vec<f64> = scene
        .gains_db(&job.technique.body)
        .iter()
        .map(|db| (db / step_db).round() * step_db)
        .collect();
    let level = job.level(&station, &gains, None, PASSES, "level")?;
    let list = &level.body.explanations;
    let after = if gain_cures(&scene.truth) {
        let gains: Vec<f64> = level.body.beams.iter().map(|b| b.gain_db).collect();
        let again = job.level(&station, &gains, Some(level.hash.clone()), 1, "unseen")?;
        Some(inside(job, &level.body, &again.body))
    } else {
        None
    };
    let right = match scene.truth {
        MainCause::Healthy => list.is_empty(),
        _ => list.first().is_some_and(|e| is_right(&e.cause, &scene.truth)),
    };
    let [x_mm, y_mm] = scene.faults.offset_mm;
    Ok(Case {
        scene: scene.name.clone(),
        truth: scene.truth,
        stated: is_stated(&scene.truth, &station),
        right,
        named: list.iter().map(|e| words(&e.cause).to_owned()).collect(),
        false_mechanical: list.iter().any(|e| is_false(e, &scene.truth)),
        offset_error_mm: level
            .body
            .bar_offset_m
            .filter(|_| tells_place(&scene.truth))
            .map(|[x, y]| (x * 1e3 - x_mm).hypot(y * 1e3 - y_mm)),
        element_error_db: element_error_db(list, station.sensitivity_db()),
        levelled: after,
    })
}

/// Beams whose gain was set or left as good, and those that read inside the band afterwards.
fn inside(job: &Job, level: &Level, again: &Level) -> (usize, usize) {
    let rule = &job.rules.level;
    let band = [rule.low_fsh_percent, rule.high_fsh_percent].map(|x| x / rule.target_fsh_percent);
    let good = |s: BeamState| matches!(s, BeamState::Inside | BeamState::Corrected);
    let of: Vec<bool> = level
        .beams
        .iter()
        .zip(&again.beams)
        .filter(|(b, _)| good(b.state))
        .map(|(_, a)| {
            a.height_fsh.is_some_and(|h| {
                let share = h / a.expected_fsh;
                (band[0]..=band[1]).contains(&share)
            })
        })
        .collect();
    (of.len(), of.iter().filter(|&&x| x).count())
}

/// Whether the station needs nothing but gain.
fn gain_cures(truth: &MainCause) -> bool {
    matches!(truth, MainCause::Healthy | MainCause::Elements { .. } | MainCause::ProbeLow { .. })
}

/// Whether the offset of the bar as told can be held against a true one: all else moves surfaces too.
fn tells_place(truth: &MainCause) -> bool {
    gain_cures(truth)
        || matches!(truth, MainCause::OffCentre { .. } | MainCause::OffCentreAndElement { .. })
}

/// Whether a fault exceeds the detection limit that levelling states for it (docs/levelling.md).
fn is_stated(truth: &MainCause, station: &VirtualStation) -> bool {
    match *truth {
        MainCause::Healthy => false,
        MainCause::Drift { .. } => {
            station.drift_db_per_min().iter().any(|d| d.abs() >= DRIFT_DB_MIN)
        }
        MainCause::Bubbles { per_second, .. } => per_second >= BUBBLES_1_S,
        MainCause::OffCentre { x_mm, y_mm } | MainCause::OffCentreAndElement { x_mm, y_mm, .. } => {
            x_mm.hypot(y_mm) >= 0.1
        }
        MainCause::BentBar { sag_mm, .. } => sag_mm >= 0.1,
        MainCause::WaterTemperature { change_k } => change_k.abs() >= 1.5,
        MainCause::WaterPath { change_mm } => change_mm.abs() >= 0.12,
        MainCause::ProbeMoved { by_mm, .. } => by_mm.abs() >= 0.05,
        MainCause::Elements { loss_db, .. } => loss_db >= 6.0,
        MainCause::ProbeLow { loss_db, .. } => loss_db >= 6.0,
        MainCause::ProbesSwapped { .. } | MainCause::ProbeReversed { .. } => true,
        MainCause::WrongProbes { pitch_percent, frequency_percent } => {
            pitch_percent.abs() >= 1.0 || frequency_percent.abs() >= 10.0
        }
    }
}

/// Whether a cause is the scene's. Warm water and another path look alike: either is right where the other
/// stands beside it as an alternative, which the caller's list shows.
fn is_right(cause: &Cause, truth: &MainCause) -> bool {
    match (truth, cause) {
        (
            MainCause::OffCentre { .. } | MainCause::OffCentreAndElement { .. },
            Cause::OffCentre { .. },
        )
        | (
            MainCause::WaterTemperature { .. } | MainCause::WaterPath { .. },
            Cause::WaterTemperature { .. } | Cause::WaterPath { .. },
        )
        | (MainCause::WrongProbes { .. }, Cause::WrongProbes)
        | (MainCause::Bubbles { .. }, Cause::Bubbles { .. })
        | (MainCause::Drift { .. }, Cause::Drift { .. })
        | (MainCause::BentBar { .. }, Cause::BentBar { .. }) => true,
        (MainCause::ProbeMoved { probe: a, .. }, Cause::ProbeMoved { probe: b, .. })
        | (MainCause::ProbeLow { probe: a, .. }, Cause::ProbeLow { probe: b, .. })
        | (MainCause::ProbeReversed { probe: a }, Cause::ProbeReversed { probe: b }) => a == b,
        (MainCause::ProbesSwapped { probes: a }, Cause::ProbesSwapped { probes: b }) => a == b,
        (
            MainCause::Elements { probe: a, first, last, .. },
            Cause::Elements { probe: b, elements },
        ) => {
            // A run that holds the weak ones and is no longer than eight names them.
            a == b
                && (*first..=*last).all(|n| {
                    elements.iter().any(|e| (e.first..=e.last).contains(&n) && e.last - e.first < 8)
                })
        }
        _ => false,
    }
}

/// Whether an explanation blames place, plug or probe where nothing of the kind is wrong.
fn is_false(e: &Explanation, truth: &MainCause) -> bool {
    let mechanical = !matches!(
        e.cause,
        Cause::Elements { .. }
            | Cause::ProbeLow { .. }
            | Cause::WaterTemperature { .. }
            | Cause::Bubbles { .. }
            | Cause::Drift { .. }
    );
    mechanical && !is_right(&e.cause, truth)
}

/// Largest error among single elements told with an uncertainty below 1 dB.
fn element_error_db(list: &[Explanation], truth: &[Vec<f64>]) -> Option<f64> {
    let mut errors = Vec::new();
    for e in list {
        let Cause::Elements { probe, elements } = &e.cause else { continue };
        let Some(row) = truth.get(*probe as usize) else { continue };
        let mut sorted = row.clone();
        sorted.sort_by(f64::total_cmp);
        let median = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
        let single = elements.iter().filter(|e| e.first == e.last && e.uncertainty_db < ELEMENT_DB);
        errors.extend(single.map(|e| (e.loss_db - (median - row[e.first as usize])).abs()));
    }
    errors.into_iter().reduce(f64::max)
}

fn words(cause: &Cause) -> &'static str {
    match cause {
        Cause::OffCentre { .. } => "bar off centre",
        Cause::BentBar { .. } => "bent bar",
        Cause::WaterTemperature { .. } => "water temperature",
        Cause::WaterPath { .. } => "water path",
        Cause::ProbeMoved { .. } => "one probe moved",
        Cause::Elements { .. } => "weak elements",
        Cause::ProbeLow { .. } => "probe low",
        Cause::ProbesSwapped { .. } => "plugs exchanged",
        Cause::ProbeReversed { .. } => "probe reversed",
        Cause::WrongProbes => "wrong probes",
        Cause::Bubbles { .. } => "bubbles",
        Cause::Drift { .. } => "drift",
    }
}

fn true_words(case: &Case) -> String {
    let name = match case.truth {
        MainCause::Healthy => "sound",
        MainCause::OffCentre { .. } => "bar off centre",
        MainCause::BentBar { .. } => "bent bar",
        MainCause::WaterTemperature { .. } => "water temperature",
        MainCause::WaterPath { .. } => "water path",
        MainCause::ProbeMoved { .. } => "one probe moved",
        MainCause::Elements { .. } => "weak elements",
        MainCause::ProbeLow { .. } => "probe low",
        MainCause::ProbesSwapped { .. } => "plugs exchanged",
        MainCause::ProbeReversed { .. } => "probe reversed",
        MainCause::WrongProbes { .. } => "wrong probes",
        MainCause::Drift { .. } => "drift",
        MainCause::Bubbles { .. } => "bubbles",
        MainCause::OffCentreAndElement { .. } => "off centre, weak element",
    };
    let told = matches!(case.truth, MainCause::Healthy) || case.stated;
    if told { name.to_owned() } else { format!("{name}, below its limit") }
}

fn figures(cases: Vec<Case>) -> Figures {
    let sound = |c: &&Case| matches!(c.truth, MainCause::Healthy);
    let count = |f: &dyn Fn(&&Case) -> bool| cases.iter().filter(|c| f(c)).count();
    let faults = (count(&|c| c.stated), count(&|c| c.stated && c.right));
    let quiet = (count(&sound), count(&|c| sound(c) && !c.false_mechanical));
    let offset_error_mm = cases.iter().filter_map(|c| c.offset_error_mm).reduce(f64::max);
    let errors: Vec<f64> = cases.iter().filter_map(|c| c.element_error_db).collect();
    let elements = (errors.len(), errors.iter().filter(|&&e| e <= ELEMENT_DB).count());
    let levelled =
        cases.iter().filter_map(|c| c.levelled).fold((0, 0), |sum, l| (sum.0 + l.0, sum.1 + l.1));
    let mut confusion: BTreeMap<String, BTreeMap<String, usize>> = BTreeMap::new();
    for c in &cases {
        let first = c.named.first().map_or("nothing", String::as_str);
        let row = confusion.entry(true_words(c)).or_default();
        *row.entry(first.to_owned()).or_default() += 1;
    }
    let share = |(of, met): (usize, usize)| met as f64 / of.max(1) as f64;
    let met = share(faults) >= RIGHT_SHARE
        && share(quiet) >= QUIET_SHARE
        && offset_error_mm.is_none_or(|e| e <= OFFSET_MM)
        && elements.0 == elements.1;
    Figures { faults, sound: quiet, offset_error_mm, elements, levelled, confusion, met, cases }
}

/// The figures in lines.
pub fn text(f: &Figures) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "{:34} named first", "true cause");
    for (kind, row) in &f.confusion {
        let list: Vec<String> = row.iter().map(|(name, n)| format!("{n} {name}")).collect();
        let _ = writeln!(out, "{kind:34} {}", list.join(", "));
    }
    let sound = |c: &Case| matches!(c.truth, MainCause::Healthy);
    let amiss = |c: &&Case| (!c.right && (c.stated || sound(c))) || c.false_mechanical;
    for c in f.cases.iter().filter(amiss) {
        let named = if c.named.is_empty() { "nothing".to_owned() } else { c.named.join(", ") };
        let _ = writeln!(out, "  {} ({:?}): named {named}", c.scene, c.truth);
    }
    let _ = writeln!(
        out,
        "right cause first in {} of {} scenes with a fault above its limit (asked: {:.0} %)",
        f.faults.1,
        f.faults.0,
        100.0 * RIGHT_SHARE
    );
    let _ = writeln!(
        out,
        "no mechanical fault claimed in {} of {} sound scenes (asked: {:.0} %)",
        f.sound.1,
        f.sound.0,
        100.0 * QUIET_SHARE
    );
    if let Some(e) = f.offset_error_mm {
        let _ = writeln!(out, "bar centre within {e:.3} mm (asked: {OFFSET_MM} mm)");
    }
    let _ = writeln!(
        out,
        "single elements told within {ELEMENT_DB} dB in {} of {} scenes that tell one so finely",
        f.elements.1, f.elements.0
    );
    let _ = write!(
        out,
        "{} of {} levelled beams inside the band on a pass not seen before",
        f.levelled.1, f.levelled.0
    );
    out
}
