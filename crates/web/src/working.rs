//! Work that takes longer than a page may: planning and proving. One at a time, in the name of who
//! began it; what is made is written and entered in the ledger, or neither.

use std::{
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicBool, AtomicU32, Ordering},
    },
    time::Instant,
};

use barwright_ledger::{Kind, LedgerError, Record};
use barwright_plan::{PlanError, ProveOptions, prove, technique};
use serde::Serialize;

use crate::{
    acting::enter,
    files::{self, Before, FileError},
    folder::JobFolder,
    lot::today,
    permission::{self, Barred, permitted_by},
};

/// What is worked out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum What {
    /// The technique, from order, station and acceptance rules.
    Technique,
    /// The coverage proof of the technique.
    Proof,
}

impl What {
    /// Kind of the entry it makes.
    #[must_use]
    pub fn kind(self) -> Kind {
        match self {
            Self::Technique => Kind::Technique,
            Self::Proof => Kind::Proof,
        }
    }

    /// In words, while it is being done.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Technique => "working out the technique",
            Self::Proof => "proving the coverage",
        }
    }
}

/// Why something was not made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WorkError {
    /// Other work is under way.
    #[error("{} is {} since {} s", .0.by, .0.what.words(), .0.seconds)]
    Busy(Box<Seen>),
    /// The person may not.
    #[error(transparent)]
    Barred(#[from] Barred),
    /// A document cannot be read or written.
    #[error(transparent)]
    File(#[from] FileError),
    /// It cannot be made.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// The ledger cannot be written: what was there before stands.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The computation broke off.
    #[error("the computation broke off")]
    BrokenOff,
}

impl WorkError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Busy(_) => Some("wait for its end".into()),
            Self::Barred(e) => e.hint().map(str::to_owned),
            Self::File(e) => e.hint(),
            Self::Plan(e) => e.hint().map(|hint| hint.to_string()),
            Self::Ledger(e) => e.hint().map(str::to_owned),
            Self::BrokenOff => None,
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

    /// Asks the work under way to stop, in the name of who might have begun it; a search for a
    /// technique goes on to its end.
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
    /// [`WorkError::Busy`], [`WorkError::Barred`], or what cannot be read.
    pub async fn begin(
        &self,
        folder: &JobFolder,
        what: What,
        person: &str,
    ) -> Result<(), WorkError> {
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
            let made = make(&folder, what, &person, share, stopped).await;
            if let Some(work) = &mut *works.lock() {
                work.seen.seconds = work.begun.elapsed().as_secs();
                work.seen.running = false;
                work.seen.failed = made.err().map(|e| {
                    let hint = e.hint().map_or_else(String::new, |hint| format!("; {hint}"));
                    format!("{e}{hint}")
                });
            }
        });
        Ok(())
    }
}

/// Demands that a person may make this.
async fn demand(folder: &JobFolder, what: What, person: &str) -> Result<(), WorkError> {
    let store = folder.ledger_home().open_read_only().await?;
    let entries = store.by_kinds(&permission::RESTS_ON).await;
    store.close().await;
    let entries = entries?;
    permitted_by(&entries, (person, what.kind()), &folder.rules()?, today())?;
    Ok(())
}

/// Makes a document, writes it and enters it.
async fn make(
    folder: &JobFolder,
    what: What,
    person: &str,
    share: Arc<AtomicU32>,
    stopped: Arc<AtomicBool>,
) -> Result<(), WorkError> {
    let read = folder.clone();
    let made = tokio::task::spawn_blocking(move || computed(&read, what, &share, &stopped));
    let (record, before) = made.await.map_err(|_| WorkError::BrokenOff)??;
    let store = match folder.ledger_home().open().await {
        Ok(store) => store,
        Err(e) => {
            before.put_back()?;
            return Err(e.into());
        }
    };
    let entered = enter(&store, Ok(record), person, before).await;
    store.close().await;
    entered.map(|_| ())
}

fn computed(
    folder: &JobFolder,
    what: What,
    share: &AtomicU32,
    stopped: &AtomicBool,
) -> Result<(Record, Before), WorkError> {
    let (order, station) = (folder.order()?, folder.station()?);
    Ok(match what {
        What::Technique => {
            let made = technique(&order, &station, &folder.rules()?)?;
            let before = Before::at(folder.technique_path())?;
            files::write_sealed(&before.path, &made)?;
            // Worked out is not set on the line: that is entered when the line is changed over.
            (Record::technique(&made, ""), before)
        }
        What::Proof => {
            let options = ProveOptions { cancelled: Some(stopped), ..ProveOptions::default() };
            let progress = |done: f32| {
                share.store((done.clamp(0.0, 1.0) * 1000.0) as u32, Ordering::Relaxed);
            };
            let made = prove(&order, &station, &folder.technique()?, &options, &progress)?;
            let record = Record::proof(&made)?;
            let before = Before::at(folder.proof_path())?;
            files::write_sealed(&before.path, &made)?;
            (record, before)
        }
    })
}
