//! Levelling against the virtual station: is the right cause named first, and is a sound station left
//! in peace?
//!
//! The station makes captures of the reference bar from the full field of known faults; levelling
//! judges them and knows nothing of how they were made. Two passes each. Where gain is what is
//! asked for, a further pass with the new gains shows whether the beams read what they should.

#[path = "levelling/scenes.rs"]
pub mod scenes;

use std::collections::BTreeMap;
use std::fmt::Write as _;

use barwright_capture::Shots;
use barwright_evaluate::level::Levelling;
use barwright_job::level::{BeamState, Cause, Explanation, Level};
use barwright_job::reference::ReferenceBar;
use barwright_job::{Hash, Order, Rules, Sealed, Station, Technique};
use barwright_twin::{StationFaults, VirtualStation};
use serde::Serialize;

use crate::failure::Failure;
use scenes::{FAULTS, Kind, Random, scene};

/// Passes of the reference bar before its gains are set.
const PASSES: u16 = 2;
/// Share of scenes that are sound.
const SOUND_EVERY: usize = 2;
/// What is asked for.
const RIGHT_SHARE: f64 = 0.95;
const QUIET_SHARE: f64 = 0.99;
const OFFSET_MM: f64 = 0.05;
const ELEMENT_DB: f64 = 1.0;

/// One scene with what levelling made of it.
#[derive(Debug, Clone, Serialize)]
pub struct Case {
    /// Seed of station and fault.
    pub seed: u64,
    /// The fault.
    pub kind: Kind,
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
    /// Scenes with a fault, and those whose cause was named first.
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

/// The documents of the demo's job.
struct Job {
    technique: Sealed<Technique>,
    reference: Sealed<ReferenceBar>,
    rules: Rules,
    station: Station,
}

impl Job {
    fn new() -> Result<Self, Failure> {
        let order = include_str!("../../../../examples/order-round-42.toml");
        let station = include_str!("../../../../examples/station-line-2.toml");
        let rules = include_str!("../../../../examples/rules-th-k2.toml");
        let order = Order::from_toml("order-round-42.toml", order)?;
        let station = Station::from_toml("station-line-2.toml", station)?;
        let rules = Rules::from_toml("rules-th-k2.toml", rules)?;
        let technique = barwright_plan::technique(&order, &station, &rules)?;
        let reference = barwright_plan::reference_bar(&technique)?;
        Ok(Self { technique, reference, rules, station })
    }
}

/// Runs `count` scenes from a first seed: every second one sound, the others through the faults in
/// turn.
pub fn run(count: usize, first_seed: u64, each: impl Fn(&Case)) -> Result<Figures, Failure> {
    let job = Job::new()?;
    let mut cases = Vec::with_capacity(count);
    for i in 0..count {
        let kind =
            if i % SOUND_EVERY == 0 { Kind::Sound } else { FAULTS[i / SOUND_EVERY % FAULTS.len()] };
        let case = case(&job, kind, first_seed + i as u64)?;
        each(&case);
        cases.push(case);
    }
    Ok(figures(cases))
}

/// One scene.
fn case(job: &Job, kind: Kind, seed: u64) -> Result<Case, Failure> {
    let t = &job.technique.body;
    let elements = t.probes.first().map_or(0, |p| p.elements.len() as u32);
    let faults = scene(kind, seed, t.probes.len() as u32, elements);
    let station = VirtualStation::new(&job.technique, &faults, seed)?;
    // A start spread of gains by 12 dB, as after another size.
    let mut random = Random::new(seed ^ 0x5eed);
    let gains: Vec<f64> = t
        .beams
        .iter()
        .map(|b| ((b.gain_db + random.between(-9.0, 3.0)) * 10.0).round() / 10.0)
        .collect();
    let level = levelled(job, &station, &gains, None, PASSES, "level")?;
    let list = &level.body.explanations;
    let truth = station.sensitivity_db();
    let after = match kind {
        Kind::Sound | Kind::Elements | Kind::ProbeLow => {
            let gains: Vec<f64> = level.body.beams.iter().map(|b| b.gain_db).collect();
            let again = levelled(job, &station, &gains, Some(level.hash.clone()), 1, "unseen")?;
            Some(inside(job, &level.body, &again.body))
        }
        _ => None,
    };
    let right = match kind {
        Kind::Sound => list.is_empty(),
        _ => list.first().is_some_and(|e| is_right(&e.cause, &faults, kind)),
    };
    Ok(Case {
        seed,
        kind,
        right,
        named: list.iter().map(|e| words(&e.cause).to_owned()).collect(),
        false_mechanical: list.iter().any(|e| is_false(e, &faults, kind)),
        offset_error_mm: level
            .body
            .bar_offset_m
            .filter(|_| has_place(kind))
            .map(|[x, y]| (x * 1e3 - faults.offset_mm[0]).hypot(y * 1e3 - faults.offset_mm[1])),
        element_error_db: element_error_db(list, truth),
        levelled: after,
    })
}

/// Levels the station once.
fn levelled(
    job: &Job,
    station: &VirtualStation,
    gains: &[f64],
    loaded: Option<Hash>,
    passes: u16,
    occasion: &str,
) -> Result<Sealed<Level>, Failure> {
    let capture = station.reference_capture(&job.reference, gains, loaded, passes, occasion)?;
    let mut levelling = Levelling::new(
        &job.technique,
        &job.reference,
        &job.rules,
        &job.station.electronics,
        capture.header(),
    )?;
    capture.run(&mut |shots: Shots| -> Result<(), Failure> { Ok(levelling.push(&shots)?) })?;
    Ok(levelling.finish(Hash::of(occasion.as_bytes()))?)
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

/// Whether the offset of the bar as told can be held against a true one.
fn has_place(kind: Kind) -> bool {
    matches!(kind, Kind::Sound | Kind::OffCentre | Kind::Elements | Kind::ProbeLow)
}

/// Whether a cause is the scene's.
fn is_right(cause: &Cause, faults: &StationFaults, kind: Kind) -> bool {
    match (kind, cause) {
        (Kind::OffCentre, Cause::OffCentre { .. })
        | (Kind::Temperature, Cause::WaterTemperature { .. })
        | (Kind::WaterPath, Cause::WaterPath { .. })
        | (Kind::WrongProbes, Cause::WrongProbes)
        | (Kind::BentBar, Cause::BentBar { .. }) => true,
        (Kind::ProbeMoved, Cause::ProbeMoved { probe, .. }) => {
            faults.moved_probes.iter().any(|m| m.probe == *probe)
        }
        (Kind::ProbeLow, Cause::ProbeLow { probe, .. }) => {
            faults.weak_probes.iter().any(|w| w.probe == *probe)
        }
        (Kind::ProbesSwapped, Cause::ProbesSwapped { probes }) => {
            faults.swapped_probes == Some(*probes)
        }
        (Kind::ProbeReversed, Cause::ProbeReversed { probe }) => {
            faults.reversed_probes.contains(probe)
        }
        (Kind::Elements, Cause::Elements { probe, elements }) => {
            faults.weak_elements.iter().all(|w| {
                let named = |e: &&barwright_job::level::ElementLoss| {
                    (e.first..=e.last).contains(&w.element) && e.last - e.first < 8
                };
                w.probe == *probe && elements.iter().any(|e| named(&e))
            })
        }
        _ => false,
    }
}

/// Whether an explanation blames place, plug or probe where nothing of the kind is wrong.
fn is_false(e: &Explanation, faults: &StationFaults, kind: Kind) -> bool {
    let mechanical = !matches!(
        e.cause,
        Cause::Elements { .. } | Cause::ProbeLow { .. } | Cause::WaterTemperature { .. }
    );
    mechanical && !is_right(&e.cause, faults, kind)
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
        Cause::OffCentre { .. } => Kind::OffCentre,
        Cause::BentBar { .. } => Kind::BentBar,
        Cause::WaterTemperature { .. } => Kind::Temperature,
        Cause::WaterPath { .. } => Kind::WaterPath,
        Cause::ProbeMoved { .. } => Kind::ProbeMoved,
        Cause::Elements { .. } => Kind::Elements,
        Cause::ProbeLow { .. } => Kind::ProbeLow,
        Cause::ProbesSwapped { .. } => Kind::ProbesSwapped,
        Cause::ProbeReversed { .. } => Kind::ProbeReversed,
        Cause::WrongProbes => Kind::WrongProbes,
    }
    .words()
}

fn figures(cases: Vec<Case>) -> Figures {
    let sound = |c: &&Case| c.kind == Kind::Sound;
    let count = |f: &dyn Fn(&&Case) -> bool| cases.iter().filter(|c| f(c)).count();
    let faults = (count(&|c| !sound(c)), count(&|c| !sound(c) && c.right));
    let quiet = (count(&sound), count(&|c| sound(c) && !c.false_mechanical));
    let offset_error_mm = cases.iter().filter_map(|c| c.offset_error_mm).reduce(f64::max);
    let errors: Vec<f64> = cases.iter().filter_map(|c| c.element_error_db).collect();
    let elements = (errors.len(), errors.iter().filter(|&&e| e <= ELEMENT_DB).count());
    let levelled =
        cases.iter().filter_map(|c| c.levelled).fold((0, 0), |sum, l| (sum.0 + l.0, sum.1 + l.1));
    let mut confusion: BTreeMap<String, BTreeMap<String, usize>> = BTreeMap::new();
    for c in &cases {
        let first = c.named.first().map_or("nothing", String::as_str);
        let row = confusion.entry(c.kind.words().to_owned()).or_default();
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
    let _ = writeln!(out, "{:18} named first", "true cause");
    for (kind, row) in &f.confusion {
        let list: Vec<String> = row.iter().map(|(name, n)| format!("{n} {name}")).collect();
        let _ = writeln!(out, "{kind:18} {}", list.join(", "));
    }
    for c in f.cases.iter().filter(|c| !c.right || c.false_mechanical) {
        let named = if c.named.is_empty() { "nothing".to_owned() } else { c.named.join(", ") };
        let _ = writeln!(out, "  seed {}: {}, named {named}", c.seed, c.kind.words());
    }
    let _ = writeln!(
        out,
        "right cause first in {} of {} scenes with a fault (asked: {:.0} %)",
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
