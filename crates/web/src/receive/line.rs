//! A line: one bar at a time under its ring, the bars before it being settled.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use barwright_capture::{Announcement, CaptureError, CaptureKind, Header, JournalReader};
use barwright_evaluate::screen::Retention;
use serde::Serialize;
use tokio::sync::{Mutex, OwnedMutexGuard, Semaphore};
use tonic::Status;

use super::bar::{OpenBar, Refusal};
use super::news::{LineState, News, Newsroom};
use super::{ReceiveError, settle};
use crate::folder::JobFolder;
use crate::judging;

/// Why a bar breaks off when the program is ended in good order.
pub(super) const STOPPED: &str = "the program was stopped while the bar ran";
/// How long a question waits for a client that streams to the line.
const PAUSE: Duration = Duration::from_secs(2);
/// Bars that may be settled while the next one runs; a further one waits for its end.
const SETTLING: u32 = 2;

/// A line and the job folder whose order runs through it.
#[derive(Debug)]
pub struct Line {
    name: String,
    folder: JobFolder,
    root: PathBuf,
    news: Newsroom,
    retention: Retention,
    /// The bar under the ring; locked while a client streams it.
    open: Arc<Mutex<Option<OpenBar>>>,
    settling: Arc<Semaphore>,
}

/// Where a bar stands, for a client that comes back.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct Position {
    /// `unknown`, `open`, `settling`, `screened` or `broken_off`.
    pub state: &'static str,
    /// The number of the first shot that is not on the disk, for an open bar.
    pub next_shot: u64,
    /// Why it broke off.
    pub reason: Option<String>,
}

/// What is loaded on a line, for a client to check and to announce bars with.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct Loaded {
    /// An announcement in which bar, heat and length are still to be filled in.
    pub announcement: Announcement,
    /// Number of beams.
    pub beams: usize,
}

impl Line {
    pub(super) fn new(
        name: String,
        folder: JobFolder,
        root: PathBuf,
        news: Newsroom,
        retention: Retention,
    ) -> Self {
        news.note(LineState { line: name.clone(), ..LineState::default() });
        Self {
            name,
            folder,
            root,
            news,
            retention,
            open: Arc::default(),
            settling: Arc::new(Semaphore::new(SETTLING as usize)),
        }
    }

    /// The line's name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Where its job folder lies, without links.
    #[must_use]
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// What is loaded.
    pub(super) fn loaded(&self) -> Result<Loaded, Status> {
        let documents = settle::documents(&self.folder)
            .map_err(|e| Status::failed_precondition(e.to_string()))?;
        let order = self.folder.order().map_err(|e| Status::failed_precondition(e.to_string()))?;
        let technique = &documents.technique;
        let gains_db = match &documents.level {
            Some(level) => level.body.beams.iter().map(|b| b.gain_db).collect(),
            None => technique.body.beams.iter().map(|b| b.gain_db).collect(),
        };
        Ok(Loaded {
            beams: technique.body.beams.len(),
            announcement: Announcement {
                format: barwright_capture::wire::FORMAT,
                line: self.name.clone(),
                header: Header {
                    kind: CaptureKind::Production,
                    technique: technique.hash.clone(),
                    level: documents.level.map(|l| l.hash),
                    bar: String::new(),
                    heat: order.order.heat,
                    length_m: 0.0,
                    record: technique.body.record,
                    gains_db,
                    origin: format!("line {}", self.name),
                },
                signal: barwright_capture::Signal::default(),
            },
        })
    }

    /// The bar of an announcement, begun or gone on with, for one client alone.
    pub(super) async fn bar(
        self: &Arc<Self>,
        announcement: Announcement,
    ) -> Result<OwnedMutexGuard<Option<OpenBar>>, Status> {
        let Ok(mut open) = Arc::clone(&self.open).try_lock_owned() else {
            let text = format!("another client streams to line {}", self.name);
            return Err(Status::resource_exhausted(text));
        };
        if let Some(bar) = open.as_ref() {
            if bar.announcement == announcement {
                return Ok(open);
            }
            if bar.announcement.header.bar == announcement.header.bar {
                return Err(Status::failed_precondition(
                    "the bar is in progress and was announced otherwise; announce it as before",
                ));
            }
            let next = &announcement.header.bar;
            let why = format!("bar {next} came before this one was ended");
            let before = open.take();
            self.finish(before, None, Some(why)).await?;
        }
        let name = announcement.header.bar.clone();
        match self.position_of(&name) {
            Position { state: "unknown", .. } => {}
            Position { state, .. } => {
                return Err(Status::already_exists(format!(
                    "bar {name} is {state}; a bar that runs again needs a name of its own"
                )));
            }
        }
        let line = Arc::clone(self);
        let begun = tokio::task::spawn_blocking(move || {
            let documents = settle::documents(&line.folder).map_err(|e| e.to_string())?;
            let path = line.folder.journal_path(&announcement.header.bar);
            crate::files::make_room(&path).map_err(|e| e.to_string())?;
            OpenBar::begin(&path, announcement, &documents, line.retention).map_err(|e| match e {
                Refusal::Batch(why) | Refusal::Bar(why) => why,
            })
        });
        let bar = joined(begun).await?.map_err(Status::failed_precondition)?;
        let header = &bar.announcement.header;
        self.news.tell(News::Began {
            line: self.name.clone(),
            bar: header.bar.clone(),
            heat: header.heat.clone(),
            length_m: header.length_m,
        });
        self.news.note(self.state(&bar));
        *open = Some(bar);
        Ok(open)
    }

    /// A bar's state, for news.
    pub(super) fn state(&self, bar: &OpenBar) -> LineState {
        let header = &bar.announcement.header;
        LineState {
            line: self.name.clone(),
            bar: header.bar.clone(),
            length_m: header.length_m,
            z_m: bar.furthest_m,
            shots: bar.shots,
            alarms: bar.alarms,
            uncoupled_beams: bar.uncoupled_beams(),
            speed_m_s: bar.speed_m_s,
            uncoupled_m: bar.uncoupled_m.clone(),
            running: true,
        }
    }

    pub(super) fn news(&self) -> &Newsroom {
        &self.news
    }

    /// Where a bar stands.
    pub(super) async fn position(&self, name: &str) -> Result<Position, Status> {
        let open = self.free().await?;
        Ok(match open.as_ref().filter(|b| b.announcement.header.bar == name) {
            Some(bar) => Position { state: "open", next_shot: bar.next_shot, reason: None },
            None => self.position_of(name),
        })
    }

    /// The bar under the ring, once no client streams it.
    async fn free(&self) -> Result<tokio::sync::MutexGuard<'_, Option<OpenBar>>, Status> {
        tokio::time::timeout(PAUSE, self.open.lock()).await.map_err(|_| {
            Status::unavailable(format!("a client streams to line {}; ask again", self.name))
        })
    }

    /// Where a bar stands that is not open.
    fn position_of(&self, name: &str) -> Position {
        let at = |state| Position { state, next_shot: 0, reason: None };
        if self.folder.journal_path(name).exists() {
            return at("settling");
        }
        match self.folder.screened(name) {
            Ok(s) if s.body.broken_off.is_some() => {
                Position { reason: s.body.broken_off, ..at("broken_off") }
            }
            Ok(_) => at("screened"),
            Err(crate::files::FileError::Absent { .. }) => at("unknown"),
            // A document that cannot be read is there all the same.
            Err(_) => at("screened"),
        }
    }

    /// Ends a bar as the client asks; `length_m` where it was measured.
    pub(super) async fn end(
        self: &Arc<Self>,
        name: &str,
        length_m: Option<f64>,
    ) -> Result<Position, Status> {
        let mut open = self.free().await?;
        if open.as_ref().is_none_or(|b| b.announcement.header.bar != name) {
            let text = format!("bar {name} is not in progress on line {}", self.name);
            return Err(Status::failed_precondition(text));
        }
        let bar = open.take();
        self.finish(bar, length_m, None).await?;
        Ok(Position { state: "settling", next_shot: 0, reason: None })
    }

    /// Breaks off the bar under a guard.
    pub(super) async fn break_off(
        self: &Arc<Self>,
        open: &mut Option<OpenBar>,
        why: String,
    ) -> Result<(), Status> {
        let bar = open.take();
        self.finish(bar, None, Some(why)).await
    }

    /// Ends a bar and has it settled while the next one runs.
    async fn finish(
        self: &Arc<Self>,
        bar: Option<OpenBar>,
        length_m: Option<f64>,
        broken_off: Option<String>,
    ) -> Result<(), Status> {
        let Some(bar) = bar else {
            return Ok(());
        };
        let room = Arc::clone(&self.settling)
            .acquire_owned()
            .await
            .map_err(|_| Status::unavailable("the line is being shut down"))?;
        let name = bar.announcement.header.bar.clone();
        let mut state = self.state(&bar);
        state.running = false;
        self.news.note(state);
        self.news.tell(News::Ended {
            line: self.name.clone(),
            bar: name.clone(),
            broken_off: broken_off.clone(),
        });
        let why = broken_off.clone();
        let ended = tokio::task::spawn_blocking(move || bar.end(length_m, broken_off));
        if let Err(e) = joined(ended).await? {
            // What was acknowledged is in the journal; without its end it is settled as broken off.
            self.trouble(&e.to_string());
        }
        let line = Arc::clone(self);
        tokio::task::spawn_blocking(move || {
            let reason = why.as_deref().unwrap_or("the end of the bar could not be written");
            line.settle(&name, reason);
            drop(room);
        });
        Ok(())
    }

    /// Settles and judges a bar and tells of it; what fails is told and left as it is.
    fn settle(&self, bar: &str, reason: &str) {
        let journal = self.folder.journal_path(bar);
        let screened = match settle::settle(&self.folder, &journal, reason) {
            Ok(screened) => screened.body,
            Err(e) => {
                return self
                    .trouble(&format!("bar {bar} cannot be settled, its journal stays: {e}"));
            }
        };
        let verdict = match judging::judge(&self.folder, bar) {
            Ok(judgement) => Some(judgement.body.verdict),
            Err(e) => {
                self.trouble(&format!("bar {bar} cannot be judged: {e}"));
                None
            }
        };
        if let Err(e) = std::fs::remove_file(&journal) {
            self.trouble(&format!("the journal of bar {bar} cannot be removed: {e}"));
        }
        self.news.tell(News::Judged {
            line: self.name.clone(),
            bar: bar.to_owned(),
            shots: screened.shots,
            inspected: screened.inspected.iter().map(|i| i.share).fold(1.0, f64::min),
            verdict,
        });
    }

    /// Puts a journal aside whose announcement is not whole: nothing of its bar was acknowledged,
    /// so that the bar may come again.
    fn set_aside(&self, bar: &str, journal: &Path) -> bool {
        let Err(e @ CaptureError::Corrupt { .. }) = JournalReader::open(journal) else {
            return false;
        };
        let aside = journal.with_extension("journal-torn");
        match std::fs::rename(journal, &aside) {
            Ok(()) => self.trouble(&format!(
                "bar {bar} was announced and nothing of it acknowledged; its journal lies aside as {}: {e}",
                aside.display()
            )),
            Err(e) => self.trouble(&format!("the journal of bar {bar} cannot be put aside: {e}")),
        }
        true
    }

    fn trouble(&self, message: &str) {
        self.news.tell(News::Trouble { line: self.name.clone(), message: message.to_owned() });
    }

    /// Breaks off the bar under the ring, and waits until all bars are settled.
    pub(super) async fn stop(self: &Arc<Self>) {
        let mut open = self.open.lock().await;
        if let Err(e) = self.break_off(&mut open, STOPPED.into()).await {
            self.trouble(e.message());
        }
        drop(open);
        // An error says that nothing is being settled any more.
        let _ = self.settling.acquire_many(SETTLING).await;
    }
}

/// Gives up a bar of which nothing was heard for a while, so that it is not taken for one that runs.
pub(super) async fn give_up_silent(line: Arc<Line>, patience: Duration) {
    loop {
        tokio::time::sleep(patience.min(Duration::from_secs(1))).await;
        // A client that streams has the lock, and a patience of its own.
        let Ok(mut open) = Arc::clone(&line.open).try_lock_owned() else {
            continue;
        };
        if open.as_ref().is_some_and(|b| b.heard.elapsed() > patience) {
            let why = silence(patience);
            if let Err(e) = line.break_off(&mut open, why).await {
                line.trouble(e.message());
            }
        }
    }
}

/// Why a bar was given up.
pub(super) fn silence(patience: Duration) -> String {
    format!("nothing was heard of the bar for {:.1} s", patience.as_secs_f64())
}

/// Settles the bars that an earlier run of the program left in progress: each is broken off and
/// held. Returns their names.
///
/// # Errors
/// [`ReceiveError::Document`] where the folder cannot be read; a journal that cannot be settled is
/// told as trouble, and stays.
pub fn recover(line: &Line) -> Result<Vec<String>, ReceiveError> {
    let document = |source| ReceiveError::Document { line: line.name.clone(), source };
    let mut out = Vec::new();
    for bar in line.folder.bars_in_progress().map_err(document)? {
        if line.set_aside(&bar, &line.folder.journal_path(&bar)) {
            continue;
        }
        line.settle(&bar, "the program ended while the bar ran");
        out.push(bar);
    }
    Ok(out)
}

async fn joined<T>(task: tokio::task::JoinHandle<T>) -> Result<T, Status> {
    task.await.map_err(|e| Status::internal(format!("a task broke off: {e}")))
}
