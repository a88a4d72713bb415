//! Screening: a bar of the order, shot by shot, into echoes and an account of what was inspected.
//!
//! [`Stream`] reads shots as they come and gives peaks, alarms and the A-scans to keep, with little
//! memory. Whether sound got into the steel is judged once the whole bar is known: its peaks are
//! read once to learn what is usual ([`Review`]) and once to mark them and account for every
//! millimetre ([`Closing`]). Between these the peaks lie wherever the caller puts them;
//! [`Screening`] holds them in memory.

mod alarm;
mod closing;
mod encoder;
mod keep;
mod stream;
mod words;

use barwright_capture::{Header, KeptAscan, Peaks, Shots, Signal};
use barwright_job::{
    Hash, Rules, Sealed, Technique,
    level::Level,
    screened::{BeamRun, Echo, ScreenedBar},
};

pub use alarm::Alarm;
pub use closing::{Closing, Review};
pub use keep::Retention;
pub use stream::{Seen, Stream};

use crate::error::Result;

/// What a screening gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Screened {
    /// The document, still without the hash of its echo file.
    pub bar: ScreenedBar,
    /// What each beam did at each millimetre.
    pub beams: Vec<BeamRun>,
    /// Peaks of every shot and gate, in order of time; empty where the caller had them.
    pub echoes: Vec<Echo>,
    /// A-scans of alarms and of lost coupling; empty where the caller had them.
    pub kept: Vec<KeptAscan>,
    technique: Hash,
    level: Option<Hash>,
    capture: Hash,
}

impl Screened {
    /// Seals the document, given the hash of the file that holds echoes and kept A-scans.
    #[must_use]
    pub fn seal(self, echoes: Hash) -> Sealed<ScreenedBar> {
        let mut sources =
            vec![("technique", self.technique), ("capture", self.capture), ("echoes", echoes)];
        sources.extend(self.level.map(|l| ("level", l)));
        Sealed::seal(self.bar, sources)
    }
}

/// A screening whose peaks stay in memory: about 200 bytes a shot.
pub struct Screening {
    stream: Stream,
    review: Review,
    peaks: Peaks,
    kept: Vec<KeptAscan>,
}

impl Screening {
    /// Starts a screening of a recorded capture.
    ///
    /// # Errors
    /// As [`Stream::new`].
    pub fn new(
        technique: &Sealed<Technique>,
        level: Option<&Sealed<Level>>,
        rules: &Rules,
        header: &Header,
    ) -> Result<Self> {
        let (signal, retention) = (Signal::default(), Retention::default());
        Ok(Self {
            stream: Stream::new(technique, level, rules, header, signal, retention)?,
            review: Review::new(technique, level, rules, header)?,
            peaks: Peaks::default(),
            kept: Vec::new(),
        })
    }

    /// Reads a run of shots; how a capture is cut into runs does not matter.
    ///
    /// # Errors
    /// [`crate::EvaluateError::Shots`] when the run does not hold together.
    pub fn push(&mut self, shots: &Shots) -> Result<()> {
        let seen = self.stream.read(&shots.run())?;
        self.review.learn(&seen.peaks);
        self.peaks.append(seen.peaks);
        self.kept.extend(seen.kept);
        Ok(())
    }

    /// Ends the screening; `capture` is the hash of the capture read. A capture without shots is a
    /// bar of which nothing was inspected.
    #[must_use]
    pub fn finish(self, capture: Hash) -> Screened {
        let noticed = self.stream.findings();
        let mut closing = self.review.close();
        let mut peaks = self.peaks;
        closing.mark(&mut peaks);
        Screened { echoes: peaks.echoes, kept: self.kept, ..closing.finish(capture, None, noticed) }
    }
}
