//! Sentencing against the virtual station: lots of bars with known flaws, screened and judged in memory,
//! and how far the judgements lie from the truth.
//!
//! The station is levelled as in the demo and knows its bars' flaws; the judge sees shots only. Each bar
//! is judged by itself, so that results do not depend on threads.

mod figures;
mod noise;
mod text;
mod zone;

use barwright_capture::Shots;
use barwright_evaluate::place::place as place_of_echo;
use barwright_evaluate::screen::Screening;
use barwright_job::level::Level;
use barwright_job::proof::FlawClass;
use barwright_job::screened::{Echo, EchoMark, LossCause, Lost};
use barwright_job::technique::GateKind;
use barwright_job::{Hash, Sealed};
use barwright_plan::ProveOptions;
use barwright_twin::truth::{TrueBar, TrueFlaw};
use barwright_twin::{LotKind, Scene, SceneBar, Truth, VirtualStation, lot_scene};
use rayon::prelude::*;
use serde::Serialize;

use self::zone::Zone;
use super::job::{Job, gains};
use crate::failure::Failure;
use crate::truth::{self, Compared, FalseCall};

pub use figures::{Figures, Tally};
pub use noise::Noise;
pub use text::text;

/// Bars judged at the same time: each takes some fifty megabytes.
const AT_ONCE: usize = 8;
/// How far from a flaw echoes are listed, along the bar and across the section, in metres.
const LISTED_M: [f64; 2] = [0.012, 0.008];
/// Most beams listed of a flaw.
const LISTED: usize = 6;

/// What is run.
#[derive(Debug, Clone, Copy)]
pub struct Options {
    /// Bars of the lot.
    pub bars: usize,
    /// Seed of the lot and the station.
    pub seed: u64,
    /// Kind of lot.
    pub kind: LotKind,
    /// Level target over the noise in dB; absent: the noise of the demo.
    pub noise_db: Option<f64>,
}

/// What became of a flaw.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Fate {
    /// An indication belongs to it.
    Found,
    /// Only a neighbour's indication stands for it.
    WithNeighbour,
    /// Not called, and its stretch is listed as not inspected.
    NotInspected,
    /// Not called.
    Missed,
}

/// A flaw with what was made of it.
#[derive(Debug, Clone, Serialize)]
pub struct Case {
    /// The flaw and its indication.
    #[serde(flatten)]
    pub compared: Compared,
    /// What became of it.
    pub fate: Fate,
    /// At or above the ordered size, where the order asks for it.
    pub ordered: bool,
    /// Margin of the ordered flaw at its place, worst over the tolerances, in dB over the alarm; absent
    /// where the proof has none.
    pub margin_db: Option<f64>,
    /// Another flaw of its class lies near.
    pub paired: bool,
    /// Its stretch touches one that was not inspected, for another reason than echoes at full scale.
    pub touches_lost: bool,
    /// What the beams of its class read about it, the highest first.
    pub readings: Vec<Reading>,
}

impl Case {
    /// Whether the proof promises that a flaw of the ordered size is found there.
    pub fn proven(&self) -> bool {
        self.margin_db.is_some_and(|m| m >= 0.0)
    }
}

/// Highest reading of one beam about a flaw.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct Reading {
    /// The beam.
    pub beam: u32,
    /// Height as a fraction of full screen height.
    pub height_fsh: f64,
    /// Its alarm as a fraction of full screen height.
    pub alarm_fsh: f64,
    /// Place along the bar less the flaw's middle, in mm.
    pub along_mm: f64,
    /// Distance of the echo's place from the flaw's in the section, in mm.
    pub across_mm: f64,
    /// What limits the reading.
    pub mark: EchoMark,
}

/// One bar.
#[derive(Debug, Clone, Serialize)]
struct Judged {
    cases: Vec<Case>,
    pairs: Vec<(usize, usize)>,
    false_calls: Vec<FalseCall>,
    length_m: f64,
}

/// Judges a lot; `each` is called once for every bar.
///
/// # Errors
/// A noise that cannot be set; what planning, proving, levelling or judging cannot answer.
pub fn run(options: &Options, each: impl Fn() + Sync) -> Result<Figures, Failure> {
    let setup = Setup::new(options)?;
    Ok(figures::figures(options, setup.noise, setup.judge_all(each)?))
}

/// A levelled station with its lot and what is true of it.
struct Setup {
    job: Job,
    zone: Zone,
    station: VirtualStation,
    level: Sealed<Level>,
    noise: Noise,
    scene: Scene,
    known: Truth,
}

impl Setup {
    fn new(options: &Options) -> Result<Self, Failure> {
        let job = Job::new()?;
        // The worst case over the tolerances does not need the drawn ones.
        let how = ProveOptions { draws: 0, ..ProveOptions::default() };
        let proof = barwright_plan::prove(&job.order, &job.station, &job.technique, &how, &|_| {})?;
        let mut scene =
            lot_scene(options.seed, &job.order, &job.technique.body, options.bars, options.kind);
        let (station, level, noise) =
            noise::station(&job, &scene.station, scene.seed, options.noise_db)?;
        scene.station.noise_fsh_percent = noise.rms_fsh_percent;
        let known = Truth::of(&scene, &job.technique)?.body;
        Ok(Self { job, zone: Zone::new(proof.body), station, level, noise, scene, known })
    }

    /// Judges every bar, in their order.
    fn judge_all(&self, each: impl Fn() + Sync) -> Result<Vec<Judged>, Failure> {
        let bars: Vec<(&SceneBar, &TrueBar)> =
            self.scene.bars.iter().zip(&self.known.bars).collect();
        let mut judged = Vec::with_capacity(bars.len());
        for few in bars.chunks(AT_ONCE) {
            let done: Result<Vec<Judged>, Failure> = few
                .par_iter()
                .map(|(bar, known)| {
                    let one = self.judge(bar, known);
                    each();
                    one
                })
                .collect();
            judged.extend(done?);
        }
        Ok(judged)
    }

    /// Takes a bar's shots, screens and sentences them, and compares.
    fn judge(&self, bar: &SceneBar, known: &TrueBar) -> Result<Judged, Failure> {
        let job = &self.job;
        let capture = self.station.bar_capture(
            bar,
            &job.order.order.heat,
            job.order.bars.length_mm / 1e3,
            &gains(&self.level),
            Some(self.level.hash.clone()),
        )?;
        let mut screening =
            Screening::new(&job.technique, Some(&self.level), &job.rules, capture.header())?;
        capture.run(&mut |shots: Shots| -> Result<(), Failure> { Ok(screening.push(&shots)?) })?;
        let mut screened = screening.finish(Hash::of(bar.name.as_bytes()));
        let echoes = std::mem::take(&mut screened.echoes);
        let sealed = screened.seal(Hash::of(bar.name.as_bytes()));
        let judgement =
            barwright_evaluate::sentence(&sealed, &echoes, &job.technique, &job.rules, &job.order)?;
        let compared = truth::compare_bar(&known.flaws, &judgement.body);
        let flaws = &known.flaws;
        let pairs: Vec<(usize, usize)> = (0..flaws.len())
            .flat_map(|a| (a + 1..flaws.len()).map(move |b| (a, b)))
            .filter(|&(a, b)| truth::is_pair(&flaws[a], &flaws[b]))
            .collect();
        let cases = compared.flaws.into_iter().enumerate().map(|(i, compared)| {
            let flaw = &flaws[i];
            let over: Vec<&Lost> = sealed.body.lost.iter().filter(|l| is_over(l, flaw)).collect();
            let fate = match (&compared.found, &compared.told_with) {
                (Some(_), _) => Fate::Found,
                (None, Some(_)) => Fate::WithNeighbour,
                (None, None) if !over.is_empty() => Fate::NotInspected,
                (None, None) => Fate::Missed,
            };
            Case {
                fate,
                ordered: truth::is_ordered(flaw, &job.order),
                margin_db: self.zone.margin_db(flaw),
                paired: pairs.iter().any(|p| p.0 == i || p.1 == i),
                // A flaw whose own echo is at full scale still has a place and a length.
                touches_lost: over.iter().any(|l| l.cause != LossCause::Clipped),
                readings: self.readings(flaw, &echoes),
                compared,
            }
        });
        Ok(Judged {
            cases: cases.collect(),
            pairs,
            false_calls: compared.false_calls,
            length_m: compared.length_m,
        })
    }

    /// The highest reading of each beam about a flaw, in the gates of its class.
    fn readings(&self, flaw: &TrueFlaw, echoes: &[Echo]) -> Vec<Reading> {
        let technique = &self.job.technique.body;
        let kind = match truth::class(flaw) {
            FlawClass::Disc => GateKind::Volume,
            FlawClass::Crack => GateKind::Crack,
        };
        let alarm = self.job.rules.alarm.height_fsh_percent / 100.0;
        let middle_m = flaw.from_m.midpoint(flaw.to_m);
        let near = |e: &Echo| {
            if e.z_m < flaw.from_m - LISTED_M[0] || e.z_m > flaw.to_m + LISTED_M[0] {
                return None;
            }
            let beam = technique.beams.get(e.beam as usize)?;
            let gate = beam.gates.get(e.gate as usize).filter(|g| g.kind == kind)?;
            let there = place_of_echo(
                &technique.section,
                beam,
                kind,
                e.after_surface_s,
                f64::from(e.turn_rad),
            );
            let across_m = there.distance(truth::place(flaw));
            (across_m <= LISTED_M[1]).then(|| Reading {
                beam: e.beam,
                height_fsh: f64::from(e.height_fsh),
                alarm_fsh: alarm.min(gate.threshold_fsh),
                along_mm: (e.z_m - middle_m) * 1e3,
                across_mm: across_m * 1e3,
                mark: e.mark,
            })
        };
        let mut list: Vec<Reading> = echoes.iter().filter_map(near).collect();
        list.sort_by(|a, b| b.height_fsh.total_cmp(&a.height_fsh).then(a.beam.cmp(&b.beam)));
        let mut told: Vec<Reading> = Vec::new();
        for reading in list {
            if told.len() < LISTED && told.iter().all(|t| t.beam != reading.beam) {
                told.push(reading);
            }
        }
        told
    }
}

/// Whether a stretch in which a flaw's class was not looked for touches the flaw.
fn is_over(lost: &Lost, flaw: &TrueFlaw) -> bool {
    lost.class == truth::class(flaw)
        && lost.cause != LossCause::End
        && lost.from_m <= flaw.to_m
        && lost.to_m >= flaw.from_m
}

#[cfg(test)]
mod tests;
