//! What the ledger says, as pages need it.

use std::sync::Arc;

use barwright_job::Hash;
use barwright_ledger::{BarState, Entry, Head, Kind, LedgerError, State, Verification};

use crate::folder::JobFolder;

/// Entries read at most; a lot has some hundreds.
const MOST: u32 = 100_000;

/// The ledger of a job folder at one moment.
#[derive(Debug, Clone)]
pub enum Ledger {
    /// There is none yet.
    Absent,
    /// It is there but does not answer.
    Bad {
        /// What is wrong.
        what: String,
        /// The cure, where one is known.
        hint: Option<&'static str>,
    },
    /// What it says.
    Here(Arc<Said>),
}

/// What a ledger says.
#[derive(Debug)]
pub struct Said {
    /// All entries, oldest first.
    pub entries: Vec<Entry>,
    /// Its end.
    pub head: Head,
    /// State of every bar now.
    pub bars: Vec<BarState>,
    /// Whether every entry still says what it said.
    pub verification: Verification,
}

impl Ledger {
    /// Reads the ledger of a job folder and proves every entry.
    pub async fn read(folder: &JobFolder) -> Self {
        match said(folder).await {
            Ok(said) => Self::Here(Arc::new(said)),
            Err(LedgerError::Absent { .. }) => Self::Absent,
            Err(e) => Self::Bad { what: e.to_string(), hint: e.hint() },
        }
    }

    /// What it says, where it answers.
    pub fn here(&self) -> Option<&Said> {
        match self {
            Self::Here(said) => Some(said),
            _ => None,
        }
    }

    /// The latest entry that a document was entered by; its approval is another matter.
    pub fn entry_of(&self, document: &Hash) -> Option<&Entry> {
        let entries = self.here()?.entries.iter().rev();
        entries
            .filter(|e| e.kind != Kind::Approval)
            .find(|e| document_of(e) == Some(document.0.as_str()))
    }

    /// State of a bar of a heat.
    pub fn state_of(&self, heat: &str, bar: &str) -> Option<&BarState> {
        self.here()?.bars.iter().find(|s| s.bar.heat == heat && s.bar.bar == bar)
    }

    /// The held bars.
    pub fn holds(&self) -> Vec<&BarState> {
        let bars = self.here().map_or(&[][..], |said| &said.bars);
        bars.iter().filter(|bar| matches!(bar.state, State::Held { .. })).collect()
    }
}

/// Hash of the document an entry stands for.
pub fn document_of(entry: &Entry) -> Option<&str> {
    entry.content.get("document")?.as_str()
}

async fn said(folder: &JobFolder) -> Result<Said, LedgerError> {
    let store = folder.ledger_home().open_read_only().await?;
    let answer = async {
        Ok(Said {
            entries: store.entries(1, MOST).await?,
            head: store.head().await?,
            bars: store.bars(now_us()).await?,
            verification: store.verify(None).await?,
        })
    }
    .await;
    store.close().await;
    answer
}

/// Microseconds since 1970-01-01 UTC by this machine's clock.
pub fn now_us() -> i64 {
    std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .ok()
        .and_then(|d| i64::try_from(d.as_micros()).ok())
        .unwrap_or(0)
}
