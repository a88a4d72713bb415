//! A day on one line: two sizes, a check that fails, and how the bars come back.
//!
//! Every step is the real one: planned, levelled, checked, screened and judged on the virtual
//! station, each size in a folder of its own, both in one ledger.

use std::{collections::BTreeSet, fmt::Write as _};

use barwright_job::{Sealed, Technique, check::Check};
use barwright_ledger::{Ledger, State, store::questions::HoldList};
use barwright_plan::PlanWatch;
use barwright_twin::{Scene, SceneBar, VirtualStation, demo_scene, faults::WeakProbe};
use barwright_web::{JobFolder, files, steps};
use serde::Serialize;

use super::clock::LineClock;
use super::{AUTHOR, TURNS};
use crate::bench::Bench;
use crate::commands::example::Example;
use crate::commands::ledger::{What, hold_lists_text, open_or_create, record};
use crate::commands::level;
use crate::failure::Failure;
use crate::virtual_captures;

/// The sizes of the day: diameter in mm, order, heat, bars.
const SIZES: [(f64, &str, &str, u32); 2] =
    [(42.0, "TH-4207", "H80316", 3), (38.0, "TH-4211", "H80322", 4)];

/// Loss of the probe that fails, in dB of echo height: a plug worked loose.
const LOSS_DB: f64 = 16.0;

/// What the day came to.
#[derive(Debug, Serialize)]
pub struct Day {
    /// Checks in order: size in mm, and whether each was good.
    pub checks: Vec<(f64, bool)>,
    /// The holds right after the check that failed.
    pub after_failed_check: Vec<HoldList>,
    /// The holds after all were inspected again, before the check that closes.
    pub before_last_check: Vec<HoldList>,
    /// States at the end, by bar.
    pub states: Vec<(String, State)>,
    /// Entries of the ledger, proved.
    pub entries: u64,
    /// Whether the ledger is whole.
    pub whole: bool,
}

impl Day {
    /// Whether everything went as it must: the failed check held its bars, and they came back.
    pub fn sound(&self) -> bool {
        let failed = self.checks.iter().filter(|(_, good)| !good).count();
        let held: usize = self.after_failed_check.iter().map(|list| list.open).sum();
        failed == 1
            && held > 0
            && self.whole
            && self.states.iter().all(|(_, state)| !matches!(state, State::Held { .. }))
    }

    /// The day in words.
    pub fn text(&self) -> String {
        let mut text = String::from("checks:\n");
        for (n, (size, good)) in self.checks.iter().enumerate() {
            let verdict = if *good { "good" } else { "FAILED" };
            let _ = writeln!(text, "  {}  {size:.0} mm  {verdict}", n + 1);
        }
        text.push_str("\nafter the check that failed:\n");
        text.push_str(&hold_lists_text(&self.after_failed_check));
        text.push_str("\nall inspected again, the closing check not made yet:\n");
        text.push_str(&hold_lists_text(&self.before_last_check));
        text.push_str("\nat the end:\n");
        for (bar, state) in &self.states {
            let _ = writeln!(text, "  {bar}: {}", state.words());
        }
        let whole = if self.whole { "the chain is whole" } else { "NOT WHOLE" };
        let _ = writeln!(text, "\n{} entries, {whole}", self.entries);
        text
    }
}

/// One size on the line.
struct Size {
    mm: f64,
    job: JobFolder,
    scene: Scene,
    station: VirtualStation,
}

/// Runs the day. `job`: the folder for everything; its ledger is where the folder says.
pub fn run(bench: &Bench, job: &JobFolder, seed: u64) -> Result<Day, Failure> {
    let mut clock = LineClock::start();
    let mut sizes = vec![];
    for (mm, order, heat, bars) in SIZES {
        sizes.push(size(bench, job, seed, (mm, order, heat, bars))?);
    }
    let [first, second] = sizes.as_slice() else {
        return Err(Failure::new("a day has two sizes"));
    };
    let ledger = open_or_create(job, &first.job.station()?, clock.now_us())?;
    let mut day = Line { bench, ledger, clock: &mut clock, checks: vec![] };

    day.set_up(first)?;
    day.check(first, &first.station)?;
    day.bars(first, &first.scene.bars)?;
    day.check(first, &first.station)?;

    day.clock.pass_s(900.0);
    day.set_up(second)?;
    let good = day.check(second, &second.station)?;
    day.bars(second, &second.scene.bars)?;
    let technique = second.job.technique()?;
    let mut faulty = second.scene.station.clone();
    faulty.weak_probes = probes_of_first_reflector(&technique.body, &good.body)
        .map(|probe| WeakProbe { probe, loss_db: LOSS_DB })
        .collect();
    let faulty = VirtualStation::new(&technique, &faulty, second.scene.seed)?;
    day.check(second, &faulty)?;
    let after_failed_check = day.ledger.hold_lists(day.clock.now_us())?;

    // The plug is fixed, the line levelled anew, and every held bar inspected again.
    day.clock.pass_s(1200.0);
    day.level(second)?;
    day.check(second, &second.station)?;
    let held = day.ledger.holds(day.clock.now_us())?;
    let again: Vec<SceneBar> = second
        .scene
        .bars
        .iter()
        .filter(|bar| held.iter().any(|h| h.bar.bar == bar.name))
        .cloned()
        .collect();
    day.bars(second, &again)?;
    let before_last_check = day.ledger.hold_lists(day.clock.now_us())?;
    day.check(second, &second.station)?;

    let states = day.ledger.bars(day.clock.now_us())?;
    let verification = day.ledger.verify(None)?;
    Ok(Day {
        checks: day.checks,
        after_failed_check,
        before_last_check,
        states: states.into_iter().map(|s| (s.bar.to_string(), s.state)).collect(),
        entries: verification.entries,
        whole: verification.is_whole(),
    })
}

/// The probes whose beams saw the first reflector of a check: a short check hears of no others.
fn probes_of_first_reflector(technique: &Technique, check: &Check) -> impl Iterator<Item = u32> {
    let beams = check.reflectors.first().map_or(&[][..], |r| &r.beams);
    let probe = |beam: &u32| technique.beams.get(*beam as usize).map(|b| b.probe);
    beams.iter().filter_map(probe).collect::<BTreeSet<u32>>().into_iter()
}

/// Plans a size and lays out its reference bar.
fn size(
    bench: &Bench,
    day: &JobFolder,
    seed: u64,
    (mm, number, heat, bars): (f64, &str, &str, u32),
) -> Result<Size, Failure> {
    let job = JobFolder::new(day.path(&format!("size-{mm:.0}"))).with_ledger(day.ledger_home());
    Example::Round42.write(&job)?;
    let mut order = files::read_text(&job.order_path())?;
    for (from, to) in [
        ("diameter_mm = 42.0", format!("diameter_mm = {mm:.1}")),
        ("number = \"TH-4207\"", format!("number = \"{number}\"")),
        ("heat = \"H80316\"", format!("heat = \"{heat}\"")),
        ("count = 24", format!("count = {bars}")),
    ] {
        if !order.contains(from) {
            return Err(Failure::new(format!("the example order does not say {from}")));
        }
        order = order.replace(from, &to);
    }
    files::write(&job.order_path(), order.as_bytes())?;
    bench.say(&format!("{mm:.0} mm: planning"));
    let technique = steps::plan(&job, false, PlanWatch::default())?;
    steps::reference_bar(&job)?;
    let scene = demo_scene(seed, &job.order()?);
    let station = VirtualStation::new(&technique, &scene.station, scene.seed)?;
    Ok(Size { mm, job, scene, station })
}

/// The line during the day.
struct Line<'a> {
    bench: &'a Bench,
    ledger: Ledger,
    clock: &'a mut LineClock,
    checks: Vec<(f64, bool)>,
}

impl Line<'_> {
    fn enter(&mut self, size: &Size, what: What, name: &str) -> Result<(), Failure> {
        let record = record(&size.job, what, name)?;
        self.ledger.append(&record, AUTHOR, self.clock.now_us())?;
        Ok(())
    }

    /// Sets the line up for a size: its documents, its technique, its level.
    fn set_up(&mut self, size: &Size) -> Result<(), Failure> {
        for what in [What::Order, What::Station, What::Rules, What::Technique, What::ReferenceBar] {
            self.enter(size, what, "")?;
        }
        self.level(size)
    }

    fn level(&mut self, size: &Size) -> Result<(), Failure> {
        let Size { job, station, .. } = size;
        let reference = job.reference()?;
        let duration: f64 =
            reference.body.motion.iter().map(|m| m.duration_s).sum::<f64>() * f64::from(TURNS);
        virtual_captures::reference(job, station, &reference, None, TURNS, "reference-1")?;
        let first = steps::level(job, &[job.capture_path("reference-1")])?;
        let second = "reference-2";
        virtual_captures::reference(job, station, &reference, Some(&first), TURNS, second)?;
        let level = steps::level(job, &[job.capture_path(second)])?;
        self.clock.pass_s(2.0 * duration);
        self.bench.say(&level::level_text(&level));
        self.enter(size, What::Level, "")
    }

    fn check(&mut self, size: &Size, station: &VirtualStation) -> Result<Sealed<Check>, Failure> {
        let name = format!("check-{:02}", self.checks.len() + 1);
        let (_, passes) = virtual_captures::check(&size.job, station, None, &name)?;
        let (length, speed) =
            (size.job.reference()?.body.length_m, size.job.technique()?.body.line_speed_m_s);
        self.clock.pass_s(f64::from(passes) * (length / speed + 30.0));
        let (number, check): (usize, Sealed<Check>) =
            steps::check(&size.job, &size.job.capture_path(&name))?;
        self.bench.say(&level::check_text(number, &check));
        self.checks.push((size.mm, check.body.good));
        self.enter(size, What::Check, &number.to_string())?;
        Ok(check)
    }

    fn bars(&mut self, size: &Size, bars: &[SceneBar]) -> Result<(), Failure> {
        let job = &size.job;
        let (speed, length) =
            (job.technique()?.body.line_speed_m_s, job.order()?.bars.length_mm / 1e3);
        for bar in bars {
            virtual_captures::bar(job, &size.station, bar)?;
            self.clock.pass_s(length / speed + 2.0);
            let path = job.capture_path(&bar.name);
            steps::screen(job, &path, true)?;
            std::fs::remove_file(&path)
                .map_err(|e| Failure::new(format!("{}: {e}", path.display())))?;
            steps::judge(job, &bar.name)?;
            self.enter(size, What::Bar, &bar.name)?;
            self.enter(size, What::Judgement, &bar.name)?;
        }
        Ok(())
    }
}
