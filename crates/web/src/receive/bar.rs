//! A bar in progress: what comes of its shots goes to its journal before they are acknowledged.

use std::path::{Path, PathBuf};
use std::time::Instant;

use arrow::array::RecordBatch;
use barwright_capture::journal::{End, Run};
use barwright_capture::{Announcement, CaptureError, Journal, WireBatch};
use barwright_evaluate::EvaluateError;
use barwright_evaluate::screen::{Alarm, Retention, Stream};
use barwright_job::{Finding, Rules, Sealed, Technique, Topic, level::Level};

/// Way beyond a bar's announced length after which it is taken for one that never ends, in metres.
const OVERRUN_M: f64 = 2.0;
/// Most shots of one bar: an hour of a quarter of a million a second.
const MOST_SHOTS: u64 = 900_000_000;

/// Stretches without coupling that are told apart while a bar runs.
const STRETCHES: usize = 64;

/// Speed along the bar over a run of shots, in m/s; none where they tell none.
fn speed(time_s: &[f64], z_m: &[f64]) -> Option<f64> {
    let (t, z) = (time_s.last()? - time_s.first()?, z_m.last()? - z_m.first()?);
    (t > 0.0 && z > 0.0).then(|| z / t)
}

/// The documents that a line screens with.
#[derive(Debug, Clone)]
pub(super) struct Documents {
    pub technique: Sealed<Technique>,
    pub level: Option<Sealed<Level>>,
    pub rules: Rules,
}

/// Why shots were not taken.
#[derive(Debug)]
pub(super) enum Refusal {
    /// The client's fault; the bar goes on.
    Batch(String),
    /// The bar cannot go on: broken off, for this reason.
    Bar(String),
}

impl From<EvaluateError> for Refusal {
    fn from(e: EvaluateError) -> Self {
        Self::Batch(e.to_string())
    }
}

impl From<CaptureError> for Refusal {
    fn from(e: CaptureError) -> Self {
        match e {
            CaptureError::Io { .. } => Self::Bar(e.to_string()),
            _ => Self::Batch(e.to_string()),
        }
    }
}

/// A bar that is under the ring.
#[derive(Debug)]
pub(super) struct OpenBar {
    pub announcement: Announcement,
    path: PathBuf,
    journal: Journal,
    stream: Stream,
    retention: Retention,
    samples: u32,
    /// The client's number of the shot that is due next.
    pub next_shot: u64,
    pub shots: u64,
    pub furthest_m: f64,
    pub alarms: u64,
    /// Over the shots of the last batch that moved, in m/s.
    pub speed_m_s: Option<f64>,
    /// Stretches that passed while a beam had no coupling, in order.
    pub uncoupled_m: Vec<[f64; 2]>,
    duplicates: u64,
    missing: u64,
    /// When the last shots came.
    pub heard: Instant,
}

impl OpenBar {
    /// Starts a bar; its journal is on the disk when this returns.
    pub fn begin(
        path: &Path,
        announcement: Announcement,
        documents: &Documents,
        retention: Retention,
    ) -> Result<Self, Refusal> {
        let stream = Stream::new(
            &documents.technique,
            documents.level.as_ref(),
            &documents.rules,
            &announcement.header,
            announcement.signal,
            retention,
        )?;
        Ok(Self {
            journal: Journal::create(path, &announcement)?,
            path: path.to_owned(),
            stream,
            retention,
            samples: documents.technique.body.record.samples,
            announcement,
            next_shot: 0,
            shots: 0,
            furthest_m: 0.0,
            alarms: 0,
            speed_m_s: None,
            uncoupled_m: Vec::new(),
            duplicates: 0,
            missing: 0,
            heard: Instant::now(),
        })
    }

    /// Takes batches as they came; alarms are told at once. All shots before
    /// [`OpenBar::next_shot`] are on the disk when this returns.
    ///
    /// A shot that is there already is left out and counted; one that never came is counted as
    /// missing. A batch that does not hold together is refused whole.
    pub fn take(
        &mut self,
        batches: &[RecordBatch],
        mut alarm: impl FnMut(Alarm),
    ) -> Result<(), Refusal> {
        self.heard = Instant::now();
        let mut refused = Ok(());
        for batch in batches {
            refused = self.take_one(batch, &mut alarm);
            if refused.is_err() {
                break;
            }
        }
        // What came before a refused batch counts.
        self.journal.sync()?;
        refused
    }

    fn take_one(
        &mut self,
        batch: &RecordBatch,
        alarm: &mut impl FnMut(Alarm),
    ) -> Result<(), Refusal> {
        let shots = WireBatch::new(batch, self.samples)?;
        let known = shots.numbers().partition_point(|&n| n < self.next_shot);
        let Some((&first, &last)) = shots.numbers()[known..].first().zip(shots.numbers().last())
        else {
            self.duplicates += shots.len() as u64;
            return Ok(());
        };
        let run = shots.run(known..shots.len());
        let furthest_m = run.z_m.iter().copied().fold(self.furthest_m, f64::max);
        let announced_m = self.announcement.header.length_m;
        if furthest_m > announced_m + OVERRUN_M {
            return Err(Refusal::Bar(format!(
                "the bar was announced with {announced_m:.3} m and has not ended at {furthest_m:.3} m"
            )));
        }
        if self.shots + run.len() as u64 > MOST_SHOTS {
            return Err(Refusal::Bar(format!("the bar has not ended after {MOST_SHOTS} shots")));
        }
        let seen = self.stream.read(&run)?;
        self.alarms += seen.alarms.len() as u64;
        seen.alarms.into_iter().for_each(alarm);
        let next_shot = last + 1;
        self.journal.run(&Run { next_shot, peaks: seen.peaks, kept: seen.kept })?;
        if self.retention == Retention::All {
            self.journal.samples(&batch.slice(known, shots.len() - known))?;
        }
        // Gaps within the batch, and before it.
        let came = run.len() as u64;
        self.missing += (last + 1 - first - came) + (first - self.next_shot);
        self.duplicates += known as u64;
        self.next_shot = next_shot;
        self.shots += came;
        if self.uncoupled_beams() > 0 {
            self.note_uncoupled([self.furthest_m, furthest_m]);
        }
        self.speed_m_s = speed(run.time_s, run.z_m).or(self.speed_m_s);
        self.furthest_m = furthest_m;
        Ok(())
    }

    /// Notes a stretch that passed without coupling; it goes on from the last one where it touches it.
    /// More than can be told apart on a screen are joined: more is said to be uncoupled, never less.
    fn note_uncoupled(&mut self, [from, to]: [f64; 2]) {
        let full = self.uncoupled_m.len() >= STRETCHES;
        match self.uncoupled_m.last_mut() {
            Some(last) if full || from - last[1] < 1e-9 => last[1] = to,
            _ => self.uncoupled_m.push([from, to]),
        }
    }

    /// Beams without coupling at their last shot.
    pub fn uncoupled_beams(&self) -> usize {
        self.stream.uncoupled_beams()
    }

    /// Ends the bar. Returns where its journal lies.
    pub fn end(
        self,
        length_m: Option<f64>,
        broken_off: Option<String>,
    ) -> Result<PathBuf, CaptureError> {
        let mut findings = self.stream.findings();
        if self.missing > 0 {
            let text = format!("{} shots that the station numbered never came", self.missing);
            findings.push(Finding::new(Topic::MissedCycle, text));
        }
        if self.duplicates > 0 {
            let text = format!("{} shots came more than once and count once", self.duplicates);
            findings.push(Finding::new(Topic::Assumed, text));
        }
        self.journal.end(&End { length_m, broken_off, findings })?;
        Ok(self.path)
    }
}
