//! Runs a campaign: every bar is passed through the virtual station, screened and judged, and compared with what is in it.
//!
//! What each pass gave is kept as a line of its own as soon as it is known, so that a campaign can be stopped at any time and gone on
//! with. Nothing else is written: shots, echoes and judgements stay in memory.

use std::{
    collections::BTreeSet,
    fs::{File, OpenOptions},
    io::{BufRead as _, BufReader, Seek as _, SeekFrom, Write as _},
    path::Path,
    sync::{
        Mutex,
        atomic::{AtomicBool, Ordering},
    },
    time::Instant,
};

use barwright_capture::Shots;
use barwright_evaluate::{level::Levelling, screen::Screening, sentence};
use barwright_job::{
    Hash, Order, Rules, Sealed, Station, Technique,
    level::Level,
    pod::{Censored, Trial},
    reference::ReferenceBar,
    technique::Section,
};
use barwright_twin::campaign::FlawKind;
use barwright_twin::lots::end_m;
use barwright_twin::scene::{Flaw as SceneFlaw, Scene};
use barwright_twin::{Campaign, DiscAsk, StationFaults, Truth, VirtualStation, disc_heights};
use barwright_wave::cylinder::batch::FieldEngine;
use indicatif::ProgressBar;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::failure::Failure;
use crate::truth::{ALONG_M, compare_bar};

/// The documents that a campaign judges by.
pub struct By<'a> {
    /// The campaign.
    pub campaign: &'a Campaign,
    /// The technique.
    pub technique: &'a Sealed<Technique>,
    /// The rules.
    pub rules: &'a Rules,
    /// The order.
    pub order: &'a Order,
    /// The station, whose electronics set gains.
    pub station: &'a Station,
    /// The reference bar that each setting is levelled on.
    pub reference: &'a Sealed<ReferenceBar>,
}

/// Passes of the reference bar that a setting is levelled by.
const LEVEL_PASSES: u16 = 2;

/// What a log of a campaign was made from. Another campaign's is never gone on with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Head {
    campaign: Hash,
    technique: Hash,
    rules: Hash,
    order: Hash,
    station: Hash,
    reference: Hash,
    program: String,
}

/// What one pass of one bar gave.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pass {
    /// The bar, counted from 0.
    pub bar: u32,
    /// Which of its passes, counted from 0.
    pub pass: u32,
    /// What became of each flaw, in order along the bar.
    pub flaws: Vec<Flaw>,
    /// Calls where nothing is.
    pub false_calls: u32,
    /// Places without a flaw that were inspected, each as long as a call may lie off.
    pub places: u32,
}

/// What became of a flaw.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Flaw {
    /// Its size in mm.
    pub size_mm: f64,
    /// Whether it was called.
    pub found: bool,
    /// Height of its highest echo in percent of full screen height; none where it was not called.
    pub height_fsh_percent: Option<f64>,
}

/// How far a campaign came.
pub struct Ran {
    /// Passes known, in order.
    pub passes: Vec<Pass>,
    /// Passes of the whole campaign.
    pub whole: usize,
    /// Seconds that a pass took, of those run now; none where none was.
    pub seconds_a_pass: Option<f64>,
}

/// Runs what of a campaign is not in its log yet; at most `most` passes of it. `tell` hears of the estimate once it is known.
///
/// # Errors
/// A log of another campaign, or one that cannot be read or written; a bar that cannot be simulated or judged.
pub fn run(
    by: &By<'_>,
    log: &Path,
    most: Option<usize>,
    progress: &ProgressBar,
    tell: &(dyn Fn(&str) + Sync),
) -> Result<Ran, Failure> {
    let head = Head {
        campaign: by.campaign.hash(),
        technique: by.technique.hash.clone(),
        rules: by.rules.hash(),
        order: by.order.hash(),
        station: by.station.hash(),
        reference: by.reference.hash.clone(),
        program: env!("CARGO_PKG_VERSION").to_owned(),
    };
    let (file, mut passes) = open(log, &head)?;
    let done: BTreeSet<(u32, u32)> = passes.iter().map(|p| (p.bar, p.pass)).collect();
    let whole = by.campaign.bars as usize * by.campaign.passes as usize;
    progress.set_length(whole as u64);
    progress.set_position(done.len() as u64);
    let file = Mutex::new(file);
    let clock = Instant::now();
    let told = AtomicBool::new(false);
    let mut ran = 0;
    let mut left = most.unwrap_or(usize::MAX);
    for setting in 0..by.campaign.line.settings {
        let mut todo: Vec<(u32, u32)> = (0..by.campaign.bars)
            .flat_map(|bar| {
                by.campaign
                    .settings_of(bar)
                    .zip(0..)
                    .filter_map(move |(at, pass)| (at == setting).then_some((bar, pass)))
            })
            .filter(|unit| !done.contains(unit))
            .collect();
        todo.truncate(left);
        if todo.is_empty() {
            continue;
        }
        left -= todo.len();
        let (faults, seed) = by.campaign.setting(setting);
        let level = levelled(by, &faults, seed)?;
        let station = VirtualStation::new(by.technique, &faults, seed)?;
        // As many at a time as there are cores, so that what is known grows evenly.
        for some in todo.chunks(rayon::current_num_threads().max(1)) {
            let made: Vec<Pass> = some
                .par_iter()
                .map(|&(bar, pass)| {
                    let made = one(by, &station, &level, bar, pass)?;
                    let mut line = serde_json::to_vec(&made).map_err(|e| Failure::because(&e))?;
                    line.push(b'\n');
                    let mut file = file.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
                    file.write_all(&line).map_err(|e| unwritten(log, &e))?;
                    progress.inc(1);
                    Ok(made)
                })
                .collect::<Result<_, Failure>>()?;
            ran += made.len();
            passes.extend(made);
            let left_over = whole - passes.len();
            if ran >= 4 && left_over > 0 && !told.swap(true, Ordering::Relaxed) {
                let seconds = clock.elapsed().as_secs_f64() / ran as f64 * left_over as f64;
                tell(&format!(
                    "{:.1} s a pass so far: about {} more for {left_over} passes",
                    clock.elapsed().as_secs_f64() / ran as f64,
                    span(seconds)
                ));
            }
        }
    }
    let seconds_a_pass = (ran > 0).then(|| clock.elapsed().as_secs_f64() / ran as f64);
    passes.sort_by_key(|p| (p.bar, p.pass));
    Ok(Ran { passes, whole, seconds_a_pass })
}

/// Heights of all flaws of a campaign, each on the settings that its bar passes on, over all longitudinal beams: as passes of which only
/// heights are known. A flaw lies anywhere between two pulses of a beam.
///
/// # Errors
/// A campaign of other flaws than discs; one that cannot be levelled or computed.
pub fn flaw_heights(
    by: &By<'_>,
    engine: &dyn FieldEngine,
    progress: &ProgressBar,
) -> Result<Vec<Pass>, Failure> {
    let body = &by.technique.body;
    let Section::Round { radius_m } = body.section else {
        return Err(not_round());
    };
    if by.campaign.flaw.kind != FlawKind::Disc {
        return Err(Failure::new("heights alone are computed for discs")
            .hint(Some("run the campaign without --heights".into())));
    }
    let decision = by.rules.alarm.height_fsh_percent;
    progress.set_length(u64::from(by.campaign.bars) * u64::from(by.campaign.flaws_per_bar));
    let mut passes = Vec::new();
    for setting in 0..by.campaign.line.settings {
        let units: Vec<(u32, u32)> = (0..by.campaign.bars)
            .flat_map(|bar| {
                by.campaign
                    .settings_of(bar)
                    .zip(0..)
                    .filter_map(move |(at, pass)| (at == setting).then_some((bar, pass)))
            })
            .collect();
        if units.is_empty() {
            continue;
        }
        let (faults, seed) = by.campaign.setting(setting);
        let level = levelled(by, &faults, seed)?;
        let gains: Vec<f64> = level.body.beams.iter().map(|b| b.gain_db).collect();
        let mut asks = Vec::new();
        let mut of = Vec::new();
        for &(number, pass) in &units {
            let bar = by.campaign.bar(number, radius_m, end_m(body))?;
            for flaw in &bar.flaws {
                let SceneFlaw::Disc(disc) = *flaw else { continue };
                // The place of a flaw against the pulses is as much chance as where it lies.
                let share = (disc.z_mm / 1e3 / body.pulse_spacing_m).rem_euclid(1.0) - 0.5;
                asks.push(DiscAsk { disc, off_m: share * body.pulse_spacing_m });
            }
            of.push((number, pass, bar.flaws.len()));
        }
        let heights = disc_heights(body, &faults, seed, &gains, &asks, engine)?;
        progress.inc(heights.len() as u64);
        let mut known = asks.iter().zip(heights);
        for (bar, pass, count) in of {
            let flaws = known
                .by_ref()
                .take(count)
                .map(|(ask, height)| {
                    let percent = height * 100.0;
                    let found = percent >= decision;
                    Flaw {
                        size_mm: ask.disc.diameter_mm,
                        found,
                        height_fsh_percent: (percent > 0.0).then_some(percent),
                    }
                })
                .collect();
            passes.push(Pass { bar, pass, flaws, false_calls: 0, places: 0 });
        }
    }
    passes.sort_by_key(|p| (p.bar, p.pass));
    Ok(passes)
}

fn not_round() -> Failure {
    Failure::new("campaigns are run on round bars")
        .hint(Some("the virtual station simulates no other section".into()))
}

/// A span of time in words.
pub fn span(seconds: f64) -> String {
    match seconds {
        s if s < 90.0 => format!("{s:.0} s"),
        s if s < 5400.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

/// A setting is levelled on its reference bar as changeovers have it: centred, in water as the technique says. What the bars
/// then meet of the setting is not in the level.
fn levelled(by: &By<'_>, faults: &StationFaults, seed: u64) -> Result<Sealed<Level>, Failure> {
    let still = StationFaults {
        element_spread_db: faults.element_spread_db,
        probe_spread_db: faults.probe_spread_db,
        noise_fsh_percent: faults.noise_fsh_percent,
        ..StationFaults::default()
    };
    let station = VirtualStation::new(by.technique, &still, seed)?;
    let gains: Vec<f64> = by.technique.body.beams.iter().map(|b| b.gain_db).collect();
    let capture =
        station.reference_capture(by.reference, &gains, None, LEVEL_PASSES, "campaign")?;
    let electronics = &by.station.electronics;
    let mut levelling =
        Levelling::new(by.technique, by.reference, by.rules, electronics, capture.header())?;
    capture.run(&mut |shots: Shots| -> Result<(), Failure> { Ok(levelling.push(&shots)?) })?;
    let source =
        Hash::of(format!("campaign {} levelled, seed {seed}", by.campaign.hash()).as_bytes());
    Ok(levelling.finish_all(vec![source])?)
}

/// One pass of one bar.
fn one(
    by: &By<'_>,
    station: &VirtualStation,
    level: &Sealed<Level>,
    number: u32,
    pass: u32,
) -> Result<Pass, Failure> {
    let body = &by.technique.body;
    let Section::Round { radius_m } = body.section else {
        return Err(not_round());
    };
    let bar = by.campaign.bar(number, radius_m, end_m(body))?;
    let length_m = by.campaign.bar_length_mm / 1e3;
    let gains: Vec<f64> = level.body.beams.iter().map(|b| b.gain_db).collect();
    let (heat, loaded) = (&by.order.order.heat, Some(level.hash.clone()));
    let capture = station.bar_capture(&bar, heat, length_m, &gains, loaded)?;
    let mut screening = Screening::new(by.technique, Some(level), by.rules, capture.header())?;
    capture.run(&mut |shots: Shots| -> Result<(), Failure> { Ok(screening.push(&shots)?) })?;
    let source =
        Hash::of(format!("campaign {} bar {number} pass {pass}", by.campaign.hash()).as_bytes());
    let screened = screening.finish(source.clone());
    let echoes = screened.echoes.clone();
    let screened = screened.seal(source);
    let judgement = sentence(&screened, &echoes, by.technique, by.rules, by.order)?;
    let scene = Scene {
        format: barwright_twin::scene::FORMAT,
        seed: by.campaign.seed,
        station: StationFaults::default(),
        bars: vec![bar],
    };
    let truth = Truth::of(&scene, by.technique)?;
    let flaws = truth.body.bars.first().map_or(&[][..], |b| &b.flaws);
    let compared = compare_bar(flaws, &judgement.body);
    let taken: f64 = flaws.iter().map(|f| f.to_m - f.from_m + 2.0 * ALONG_M).sum();
    let free_m = (length_m - 2.0 * end_m(body) - taken).max(0.0);
    Ok(Pass {
        bar: number,
        pass,
        flaws: compared
            .flaws
            .iter()
            .map(|f| Flaw {
                size_mm: size_mm(&f.truth),
                found: f.is_called(),
                height_fsh_percent: f.found.as_ref().map(|found| found.height_fsh * 100.0),
            })
            .collect(),
        false_calls: compared.false_calls.len() as u32,
        places: (free_m / (2.0 * ALONG_M)) as u32,
    })
}

fn size_mm(flaw: &barwright_twin::truth::TrueFlaw) -> f64 {
    use barwright_twin::reflector::Kind;
    let m = match flaw.kind {
        Kind::Disc { diameter_m, .. } | Kind::Hole { diameter_m } => diameter_m,
        Kind::Crack { depth_m } => depth_m,
    };
    m * 1e3
}

/// Trials of the passes: found or missed, or heights, of which those of flaws that were not called stand for anything below the
/// decision and those at full scale for anything above.
pub fn trials(passes: &[Pass], heights: Option<[f64; 2]>) -> Vec<Trial> {
    passes
        .iter()
        .flat_map(|p| {
            p.flaws.iter().zip(0..).map(move |(flaw, k)| {
                // No bar has more flaws than this.
                let target = p.bar * 256 + k;
                let (response, censored) = match heights {
                    None => (f64::from(u8::from(flaw.found)), Censored::None),
                    Some([decision, full]) => match flaw.height_fsh_percent {
                        Some(height) if height >= full => (full, Censored::Above),
                        Some(height) => (height, Censored::None),
                        None => (decision, Censored::Below),
                    },
                };
                Trial { target, size: flaw.size_mm, response, censored }
            })
        })
        .collect()
}

fn unread(path: &Path, why: impl std::fmt::Display) -> Failure {
    Failure::new(format!("{}: {why}", path.display()))
}

fn unwritten(path: &Path, e: &std::io::Error) -> Failure {
    unread(path, format!("cannot be written: {e}"))
        .hint(Some("check that the folder may be written and has room".into()))
}

/// Opens the log, or begins it; what a crash left half written at its end is cut off.
fn open(path: &Path, head: &Head) -> Result<(File, Vec<Pass>), Failure> {
    barwright_web::files::make_room(path)?;
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(path)
        .map_err(|e| unwritten(path, &e))?;
    let (mut passes, mut sound, mut number) = (Vec::new(), 0, 0);
    let mut lines = BufReader::new(&file);
    let mut line = Vec::new();
    loop {
        line.clear();
        let read = lines.read_until(b'\n', &mut line).map_err(|e| unread(path, e))?;
        if read == 0 || !line.ends_with(b"\n") {
            break;
        }
        number += 1;
        if number == 1 {
            let found: Head = serde_json::from_slice(&line)
                .map_err(|e| unread(path, format!("line 1 is no head of a campaign: {e}")))?;
            if found != *head {
                return Err(unread(
                    path,
                    "was begun with another campaign, technique, order, rules or program",
                )
                .hint(Some("take another name, or remove the file to begin anew".into())));
            }
        } else {
            let pass = serde_json::from_slice(&line)
                .map_err(|e| unread(path, format!("line {number} is no pass of a bar: {e}")))?;
            passes.push(pass);
        }
        sound += read as u64;
    }
    file.set_len(sound).map_err(|e| unwritten(path, &e))?;
    file.seek(SeekFrom::Start(sound)).map_err(|e| unwritten(path, &e))?;
    if number == 0 {
        let mut line = serde_json::to_vec(head).map_err(|e| Failure::because(&e))?;
        line.push(b'\n');
        file.write_all(&line).map_err(|e| unwritten(path, &e))?;
    }
    Ok((file, passes))
}
