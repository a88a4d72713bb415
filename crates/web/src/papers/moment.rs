//! When and on what ground papers are set: the moment, the ledger's head, the house.

use barwright_ledger::{Head, Ledger, LedgerError};
use barwright_report::{
    papers::{Issue, LedgerHead},
    texts,
};

use super::{PaperError, Result};
use crate::{folder::JobFolder, house::House};

/// What every paper is set with.
pub struct Moment {
    made_at: String,
    /// The head, with its time as papers write it; absent without a ledger.
    head: Option<(Head, String)>,
    house: House,
}

impl Moment {
    /// The moment `time_us` of a folder, whose ledger may be absent.
    ///
    /// # Errors
    /// [`PaperError`]: the ledger does not answer, the house folder cannot be used, or a time that no calendar
    /// has.
    pub fn read(job: &JobFolder, time_us: i64) -> Result<Self> {
        let head = match Ledger::open_to_read(&job.ledger_home()) {
            Ok(ledger) => Some(ledger.head()?),
            Err(LedgerError::Absent { .. }) => None,
            Err(e) => return Err(e.into()),
        };
        Self::of(job, head, time_us)
    }

    /// The moment `time_us` of a folder whose ledger ends so.
    ///
    /// # Errors
    /// As [`Self::read`].
    pub fn of(job: &JobFolder, head: Option<Head>, time_us: i64) -> Result<Self> {
        let time = |us| {
            let time = jiff::Timestamp::from_microsecond(us).map_err(|_| PaperError::Time(us))?;
            Ok::<_, PaperError>(time.to_string())
        };
        let head = match head {
            Some(head) => {
                let at = time(head.time_us)?;
                Some((head, at))
            }
            None => None,
        };
        Ok(Self { made_at: time(time_us)?, head, house: House::read(job)? })
    }

    /// What a paper is told of it; nothing is said of what is not validated.
    #[must_use]
    pub fn issue(&self) -> Issue<'_> {
        Issue {
            made_at: &self.made_at,
            ledger: self.head.as_ref().map(|(head, at)| LedgerHead {
                entry: u64::try_from(head.seq).unwrap_or(0),
                hash: &head.hash.0,
                at,
            }),
            house: self.house.papers,
            not_validated: &[],
        }
    }

    /// Sets in the language of the house's papers, whoever asks.
    pub fn spoken<T>(&self, set: impl FnOnce() -> T) -> T {
        texts::with(self.house.paper_language, set)
    }
}
