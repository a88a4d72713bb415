//! What happens on the lines, for pages, markers and sorters: events as they come, and the state of
//! each line for whoever arrives later.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};

use barwright_evaluate::screen::Alarm;
use barwright_job::judgement::Verdict;
use serde::Serialize;
use tokio::sync::broadcast;

/// Events that a slow listener may fall behind before it misses some.
const BACKLOG: usize = 1024;

/// Alarms of the bar under the ring that are remembered for pages opened later.
const ALARMS: usize = 256;
/// Ends and judgements of bars that are remembered.
const BARS: usize = 16;

/// Something that happened on a line.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "event", rename_all = "snake_case")]
pub enum News {
    /// A bar came.
    Began {
        /// The line.
        line: String,
        /// The bar.
        bar: String,
        /// Its heat.
        heat: String,
        /// Its length as announced, in metres.
        length_m: f64,
    },
    /// Enough echoes agree at a place.
    Alarm {
        /// The line.
        line: String,
        /// The bar.
        bar: String,
        /// Where and how high.
        #[serde(flatten)]
        alarm: Alarm,
    },
    /// Shots were acknowledged.
    Progress(LineState),
    /// A bar's last shot came, or none will come.
    Ended {
        /// The line.
        line: String,
        /// The bar.
        bar: String,
        /// Why the screening ended before the bar did.
        broken_off: Option<String>,
    },
    /// A bar was screened and judged.
    Judged {
        /// The line.
        line: String,
        /// The bar.
        bar: String,
        /// Shots evaluated.
        shots: u64,
        /// Smallest inspected share over the flaw classes.
        inspected: f64,
        /// The verdict by the acceptance rules; the ledger's holds come on top of it. Absent where
        /// the bar could not be judged.
        verdict: Option<Verdict>,
    },
    /// Something failed that a person must see.
    Trouble {
        /// The line.
        line: String,
        /// In words, with the cure.
        message: String,
    },
}

/// A line at this moment.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct LineState {
    /// The line.
    pub line: String,
    /// The bar under the ring.
    pub bar: String,
    /// Its length as announced, in metres.
    pub length_m: f64,
    /// Furthest place seen, metres from the head end.
    pub z_m: f64,
    /// Shots acknowledged.
    pub shots: u64,
    /// Alarms so far.
    pub alarms: u64,
    /// Beams without coupling at their last shot.
    pub uncoupled_beams: usize,
    /// Speed of the bar over the last shots, in m/s; absent before they tell.
    pub speed_m_s: Option<f64>,
    /// Stretches that passed while a beam had no coupling, in metres from the head end, in order.
    pub uncoupled_m: Vec<[f64; 2]>,
    /// Whether a bar is under the ring.
    pub running: bool,
}

/// Where news are told and heard. Clones share it.
#[derive(Debug, Clone)]
pub struct Newsroom {
    events: broadcast::Sender<News>,
    lines: Arc<Mutex<BTreeMap<String, Remembered>>>,
}

/// What is remembered of a line.
#[derive(Debug, Clone, Default)]
struct Remembered {
    state: LineState,
    /// How the last bars went.
    bars: VecDeque<News>,
    /// Where the bar under the ring began, and its alarms.
    alarms: Vec<News>,
}

impl News {
    fn line(&self) -> &str {
        match self {
            Self::Began { line, .. }
            | Self::Alarm { line, .. }
            | Self::Ended { line, .. }
            | Self::Judged { line, .. }
            | Self::Trouble { line, .. } => line,
            Self::Progress(state) => &state.line,
        }
    }
}

impl Remembered {
    fn remember(&mut self, news: &News) {
        match news {
            News::Began { .. } => self.alarms = vec![news.clone()],
            News::Alarm { .. } if self.alarms.len() <= ALARMS => self.alarms.push(news.clone()),
            News::Alarm { .. } => {}
            News::Progress(state) => self.state = state.clone(),
            News::Ended { .. } | News::Judged { .. } | News::Trouble { .. } => {
                self.bars.push_back(news.clone());
                if self.bars.len() > BARS {
                    self.bars.pop_front();
                }
            }
        }
    }
}

impl Default for Newsroom {
    fn default() -> Self {
        Self { events: broadcast::Sender::new(BACKLOG), lines: Arc::default() }
    }
}

impl Newsroom {
    /// Tells everybody who listens; nobody need.
    pub fn tell(&self, news: News) {
        self.remembered(news.line(), |line| line.remember(&news));
        // An error says only that nobody listens.
        let _ = self.events.send(news);
    }

    /// Notes a line's state without an event.
    pub fn note(&self, state: LineState) {
        let line = state.line.clone();
        self.remembered(&line, |r| r.state = state);
    }

    fn remembered(&self, line: &str, change: impl FnOnce(&mut Remembered)) {
        let mut lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        change(lines.entry(line.to_owned()).or_default());
    }

    /// Hears all news from now on.
    #[must_use]
    pub fn listen(&self) -> broadcast::Receiver<News> {
        self.events.subscribe()
    }

    /// The lines at this moment, by name.
    #[must_use]
    pub fn lines(&self) -> Vec<LineState> {
        let lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        lines.values().map(|r| r.state.clone()).collect()
    }

    /// What happened on a line, for a page that is opened later: how the last bars went, then the
    /// bar under the ring with its alarms and its state.
    #[must_use]
    pub fn past(&self, line: &str) -> Vec<News> {
        let lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(r) = lines.get(line) else {
            return Vec::new();
        };
        let now = News::Progress(r.state.clone());
        r.bars.iter().chain(&r.alarms).cloned().chain([now]).collect()
    }
}
