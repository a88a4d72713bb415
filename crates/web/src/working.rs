//! Work that takes longer than a page may: planning, proving, levelling, checking, screening, setting
//! papers. One at a time, in the name of who began it; what is made is written and entered in the
//! ledger, or neither.

use barwright_phrase::say;
use std::{
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicBool, AtomicU32, Ordering},
    },
    time::Instant,
};

use barwright_ledger::{Kind, LedgerError, People};
use serde::Serialize;

use crate::{
    chain::with_hint,
    files::FileError,
    folder::JobFolder,
    lot::today,
    papers::PaperError,
    permission::{self, Barred, calibrated, permitted_by},
    steps::{StepError, line_of},
};

mod made;

/// What is worked out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum What {
    /// The technique, from order, station and acceptance rules.
    Technique,
    /// The coverage proof of the technique.
    Proof,
    /// The reference bar for the technique.
    ReferenceBar,
    /// The level, from captures of the reference bar in motion.
    Level,
    /// A check, from a capture of the reference bar at line speed.
    Check,
    /// Bars, from their captures: screened and judged.
    Bars,
    /// The judgements of screened bars that have none of the rules and documents in force.
    Judgements,
    /// All papers of the lot.
    Papers,
}

impl What {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::Technique,
        Self::Proof,
        Self::ReferenceBar,
        Self::Level,
        Self::Check,
        Self::Bars,
        Self::Judgements,
        Self::Papers,
    ];

    /// Kind of the entry it makes.
    #[must_use]
    pub fn kind(self) -> Kind {
        match self {
            Self::Technique => Kind::Technique,
            Self::Proof => Kind::Proof,
            Self::ReferenceBar => Kind::ReferenceBar,
            Self::Level => Kind::Level,
            Self::Check => Kind::Check,
            // A judgement by the rules alone follows from the screening: the same people enter it.
            Self::Bars | Self::Judgements => Kind::BarScreened,
            Self::Papers => Kind::Paper,
        }
    }

    /// In words, while it is being done.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Technique => say!("working out the technique"),
            Self::Proof => say!("proving the coverage"),
            Self::ReferenceBar => say!("laying out the reference bar"),
            Self::Level => say!("levelling the beams"),
            Self::Check => say!("judging the passes"),
            Self::Bars => say!("screening and judging bars"),
            Self::Judgements => say!("judging bars"),
            Self::Papers => say!("setting the papers"),
        }
    }

    /// How many captures it takes, at least and at most.
    #[must_use]
    pub fn captures(self) -> [usize; 2] {
        match self {
            Self::Level => [1, 4],
            Self::Check => [1, 1],
            Self::Bars => [1, usize::MAX],
            _ => [0, 0],
        }
    }

    /// Whether it can be stopped on its way; what was entered until then stays.
    #[must_use]
    pub fn can_stop(self) -> bool {
        matches!(self, Self::Technique | Self::Proof | Self::Bars | Self::Judgements)
    }
}

/// What somebody asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Asked {
    /// What is to be worked out.
    pub what: What,
    /// From which captures of the folder, by name.
    pub captures: Vec<String>,
}

/// Why something was not made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WorkError {
    /// Other work is under way.
    #[error("{} is {} since {} s", .0.by, .0.what.words(), .0.seconds)]
    Busy(Box<Seen>),
    /// Too few captures or too many.
    #[error("{} captures were chosen, and {} takes {}", .0, .1.words(), counted(*.1))]
    Captures(usize, What),
    /// There is no such capture.
    #[error("there is no capture of the name {0:?} in this folder")]
    NoCapture(String),
    /// The person may not.
    #[error(transparent)]
    Barred(#[from] Barred),
    /// A document cannot be read or written.
    #[error(transparent)]
    File(#[from] FileError),
    /// It cannot be made.
    #[error(transparent)]
    Step(#[from] StepError),
    /// Papers cannot be set.
    #[error(transparent)]
    Paper(#[from] PaperError),
    /// The ledger cannot be written: what was there before stands.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// Somebody stopped it.
    #[error("it was stopped")]
    Stopped,
    /// The computation broke off.
    #[error("the computation broke off")]
    BrokenOff,
}

fn counted(what: What) -> String {
    match what.captures() {
        [1, 1] => "one".into(),
        [least, usize::MAX] => say!("{least} or more"),
        [least, most] => say!("{least} to {most}"),
    }
}

impl WorkError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Busy(_) => Some(say!("wait for its end").into()),
            Self::Barred(e) => e.hint().map(str::to_owned),
            Self::File(e) => e.hint(),
            Self::Step(e) => e.hint(),
            Self::Paper(e) => e.hint(),
            Self::Ledger(e) => e.hint().map(str::to_owned),
            Self::Captures(..) => Some(say!("choose them on the page").into()),
            Self::NoCapture(_) => Some(say!("look at the page again").into()),
            Self::Stopped | Self::BrokenOff => None,
        }
    }
}

/// Work as it stands.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Seen {
    /// What.
    pub what: What,
    /// Who began it.
    pub by: String,
    /// Whether it is under way.
    pub running: bool,
    /// How long it has been, or was, under way, in s.
    pub seconds: u64,
    /// Share done, 0 to 1, where it is known.
    pub share: Option<f32>,
    /// Why nothing was made, where it ended so.
    pub failed: Option<String>,
}

/// Work, and what reaches into it.
struct Work {
    seen: Seen,
    begun: Instant,
    /// In thousandths; nought: not known.
    share: Arc<AtomicU32>,
    stopped: Arc<AtomicBool>,
}

/// The work of a service. Clones share it.
#[derive(Clone, Default)]
pub struct Works(Arc<Mutex<Option<Work>>>);

impl Works {
    fn lock(&self) -> MutexGuard<'_, Option<Work>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The latest work, under way or ended.
    #[must_use]
    pub fn seen(&self) -> Option<Seen> {
        self.lock().as_ref().map(|work| {
            let mut seen = work.seen.clone();
            if seen.running {
                seen.seconds = work.begun.elapsed().as_secs();
                let share = work.share.load(Ordering::Relaxed);
                seen.share = (share > 0).then(|| share as f32 / 1000.0);
            }
            seen
        })
    }

    /// Asks the work under way to stop, in the name of who might have begun it. What cannot be stopped
    /// ([`What::can_stop`]) goes on to its end.
    ///
    /// # Errors
    /// [`WorkError::Barred`], or what cannot be read.
    pub async fn stop(&self, folder: &JobFolder, person: &str) -> Result<(), WorkError> {
        if let Some(seen) = self.seen() {
            demand(folder, seen.what, person).await?;
        }
        if let Some(work) = &*self.lock() {
            work.stopped.store(true, Ordering::Relaxed);
        }
        Ok(())
    }

    /// Begins work in the name of a person, and returns once it is under way.
    ///
    /// # Errors
    /// [`WorkError::Busy`], [`WorkError::Barred`], [`WorkError::Captures`], [`WorkError::NoCapture`], or what
    /// cannot be read.
    pub async fn begin(
        &self,
        folder: &JobFolder,
        asked: Asked,
        person: &str,
    ) -> Result<(), WorkError> {
        let what = asked.what;
        known(folder, &asked)?;
        demand(folder, what, person).await?;
        let (share, stopped) = (Arc::<AtomicU32>::default(), Arc::<AtomicBool>::default());
        {
            let mut held = self.lock();
            if held.as_ref().is_some_and(|work| work.seen.running) {
                drop(held);
                return Err(WorkError::Busy(Box::new(self.seen().expect("it is there"))));
            }
            let seen = Seen {
                what,
                by: person.to_owned(),
                running: true,
                seconds: 0,
                share: None,
                failed: None,
            };
            let begun = Instant::now();
            *held = Some(Work { seen, begun, share: share.clone(), stopped: stopped.clone() });
        }
        let (works, folder, person) = (self.clone(), folder.clone(), person.to_owned());
        tokio::spawn(async move {
            let watch = Watch { share, stopped };
            let made = made::make(&folder, &asked, &person, watch).await;
            if let Some(work) = &mut *works.lock() {
                work.seen.seconds = work.begun.elapsed().as_secs();
                work.seen.running = false;
                work.seen.failed = made.err().map(|e| with_hint(&e, e.hint()));
            }
        });
        Ok(())
    }
}

/// How far work is, and whether it is to stop.
#[derive(Clone)]
struct Watch {
    /// In thousandths; nought: not known.
    share: Arc<AtomicU32>,
    stopped: Arc<AtomicBool>,
}

impl Watch {
    /// Share done, 0 to 1.
    fn tell(&self, done: f32) {
        self.share.store((done.clamp(0.0, 1.0) * 1000.0) as u32, Ordering::Relaxed);
    }

    /// Some of all are done.
    fn tell_of(&self, done: usize, all: usize) {
        self.tell(done as f32 / all.max(1) as f32);
    }

    fn demand_going_on(&self) -> Result<(), WorkError> {
        if self.stopped.load(Ordering::Relaxed) { Err(WorkError::Stopped) } else { Ok(()) }
    }
}

/// Demands as many captures as it takes, all of them in the folder: names are compared with those
/// there, never made into paths.
fn known(folder: &JobFolder, asked: &Asked) -> Result<(), WorkError> {
    let [least, most] = asked.what.captures();
    let count = asked.captures.len();
    if count < least || count > most {
        return Err(WorkError::Captures(count, asked.what));
    }
    if count == 0 {
        return Ok(());
    }
    let there = folder.captures()?;
    match asked.captures.iter().find(|name| !there.contains(name)) {
        Some(name) => Err(WorkError::NoCapture(name.clone())),
        None => Ok(()),
    }
}

/// Demands that a person may make this, and that the calibrations of the line allow it.
async fn demand(folder: &JobFolder, what: What, person: &str) -> Result<(), WorkError> {
    let store = folder.ledger_home().open_read_only().await?;
    let entries = store.by_kinds(&permission::CALIBRATION_RESTS_ON).await;
    store.close().await;
    let (entries, rules) = (entries?, folder.rules()?);
    permitted_by(&entries, (person, what.kind()), &rules, today())?;
    let on_line = matches!(what.kind(), Kind::Level | Kind::Check | Kind::BarScreened);
    if on_line && what != What::Judgements {
        calibrated(&entries, line_of(&folder.station()?), &rules, today())?;
    }
    // The key lies with its person: said before the work, not after it.
    let at = entries.last().map_or(0, |entry| entry.seq);
    if what == What::Check && People::of(&entries)?.are_keyed(at) {
        let author = person.to_owned();
        return Err(LedgerError::Unsigned { kind: what.kind(), author }.into());
    }
    Ok(())
}
