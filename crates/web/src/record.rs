//! What the ledger says, as pages need it.

use std::sync::Arc;

use barwright_job::Hash;
use barwright_ledger::{
    BarState, Entry, Head, Kind, LedgerError, Store, Verification,
    store::questions::{HoldList, LineNow, Which},
};

use crate::folder::JobFolder;

/// Longest ledger that is read and proved whole for a page. Of a longer one a page reads what
/// concerns its lot, and says that proving it is another matter.
const WHOLE: i64 = 20_000;

/// Bars of the lot's heat read at most; a heat has some hundreds.
const MOST: u32 = 10_000;

/// Kinds of which a ledger has few.
const FEW: [Kind; 18] = [
    Kind::Order,
    Kind::Station,
    Kind::Rules,
    Kind::Technique,
    Kind::Proof,
    Kind::ReferenceBar,
    Kind::Level,
    Kind::Check,
    Kind::Paper,
    Kind::Correction,
    Kind::Retest,
    Kind::Person,
    Kind::Key,
    Kind::Access,
    Kind::Approval,
    Kind::Equipment,
    Kind::Mount,
    Kind::Operator,
];

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
    /// All entries, oldest first; of a long ledger those of the lot and of kinds that are few.
    pub entries: Vec<Entry>,
    /// Its end.
    pub head: Head,
    /// State of every bar of the lot's heat now.
    pub bars: Vec<BarState>,
    /// Every held bar, of all lots.
    pub held: Vec<BarState>,
    /// The open holds by their cause.
    pub hold_lists: Vec<HoldList>,
    /// Lines and their next checks.
    pub lines: Vec<LineNow>,
    /// Whether every entry still says what it said; none where the ledger is too long to prove
    /// for a page.
    pub verification: Option<Verification>,
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
        self.here().map_or(&[][..], |said| &said.held).iter().collect()
    }
}

/// Hash of the document an entry stands for.
pub fn document_of(entry: &Entry) -> Option<&str> {
    entry.content.get("document")?.as_str()
}

async fn said(folder: &JobFolder) -> Result<Said, LedgerError> {
    let store = folder.ledger_home().open_read_only().await?;
    let read = folder.clone();
    let heat = tokio::task::spawn_blocking(move || read.order().ok().map(|o| o.order.heat));
    let heat = heat.await.ok().flatten().unwrap_or_default();
    let answer = async {
        let (head, now) = (store.head().await?, now_us());
        let whole = head.seq <= WHOLE;
        let held = store.holds(now).await?;
        Ok(Said {
            entries: if whole {
                store.entries(1, u32::MAX).await?
            } else {
                of_lot(&store, &heat).await?
            },
            bars: bars_of_lot(&store, &heat, now).await?,
            hold_lists: store.by_cause(held.clone(), now).await?,
            held,
            lines: store.lines(now).await?,
            verification: if whole { Some(store.verify(None).await?) } else { None },
            head,
        })
    }
    .await;
    store.close().await;
    answer
}

/// States of the lot's bars; of all bars where no order says which heat it is.
async fn bars_of_lot(store: &Store, heat: &str, now: i64) -> Result<Vec<BarState>, LedgerError> {
    if heat.is_empty() {
        return store.bars(now).await;
    }
    let found = store.bars_of(&Which::Heat(heat.to_owned()), None, MOST, now).await?;
    Ok(found.bars.into_iter().map(|found| found.state).collect())
}

/// The entries of a long ledger that concern a lot.
async fn of_lot(store: &Store, heat: &str) -> Result<Vec<Entry>, LedgerError> {
    let mut entries = store.by_kinds(&FEW).await?;
    entries.extend(store.by_heat(heat).await?);
    entries.sort_by_key(|entry| entry.seq);
    entries.dedup_by_key(|entry| entry.seq);
    Ok(entries)
}

/// Microseconds since 1970-01-01 UTC by this machine's clock.
pub fn now_us() -> i64 {
    std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .ok()
        .and_then(|d| i64::try_from(d.as_micros()).ok())
        .unwrap_or(0)
}
