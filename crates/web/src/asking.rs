//! Questions that pages put to the ledger.

use barwright_job::Hash;
use barwright_ledger::{
    BarKey, Entry, LedgerError, Store,
    store::questions::{After, Bars, Story, Which},
};
use barwright_phrase::say;

use crate::{folder::JobFolder, record::now_us};

/// Bars on one page.
const LIMIT: u32 = 200;

/// What bars have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// Heat.
    Heat,
    /// Order.
    Order,
    /// Customer.
    Customer,
    /// Probe or other equipment.
    Equipment,
    /// Level.
    Level,
    /// Technique.
    Technique,
    /// Version of the program.
    Program,
    /// Line.
    Line,
}

impl By {
    /// All, in the order of a form.
    pub const ALL: [Self; 8] = [
        Self::Heat,
        Self::Order,
        Self::Customer,
        Self::Equipment,
        Self::Level,
        Self::Technique,
        Self::Program,
        Self::Line,
    ];

    /// As in addresses.
    pub fn word(self) -> &'static str {
        match self {
            Self::Heat => "heat",
            Self::Order => "order",
            Self::Customer => "customer",
            Self::Equipment => "equipment",
            Self::Level => "level",
            Self::Technique => "technique",
            Self::Program => "program",
            Self::Line => "line",
        }
    }

    /// As in a form.
    pub fn words(self) -> &'static str {
        match self {
            Self::Equipment => say!("probe or other equipment in use"),
            Self::Level => say!("level (its hash, or how that begins)"),
            Self::Technique => say!("technique (its hash, or how that begins)"),
            Self::Program => say!("version of the program"),
            other => other.word(),
        }
    }

    /// What a word in an address means.
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|by| by.word() == word)
    }
}

/// A question for bars.
#[derive(Debug, Clone, Default)]
pub struct Question {
    /// By what; none where nothing was asked.
    pub by: Option<By>,
    /// Which.
    pub value: String,
    /// How far the list was read.
    pub after: String,
}

fn told(e: &LedgerError) -> String {
    let hint = e.hint().map_or_else(String::new, |hint| say!(" What helps: {hint}."));
    format!("{e}.{hint}")
}

/// The bars asked for; none where nothing was asked.
pub async fn bars(folder: &JobFolder, question: &Question) -> Option<Result<Bars, String>> {
    let by = question.by?;
    if question.value.trim().is_empty() {
        return None;
    }
    Some(match folder.ledger_home().open_read_only().await {
        Err(e) => Err(told(&e)),
        Ok(store) => {
            let found = ask(&store, by, question).await;
            store.close().await;
            found
        }
    })
}

async fn ask(store: &Store, by: By, question: &Question) -> Result<Bars, String> {
    let value = question.value.trim().to_owned();
    let which = match by {
        By::Heat => Which::Heat(value),
        By::Order => Which::Order(value),
        By::Customer => Which::Customer(value),
        By::Equipment => Which::Equipment(value),
        By::Level => Which::Level(document(store, &value).await?),
        By::Technique => Which::Technique(document(store, &value).await?),
        By::Program => Which::Program(value),
        By::Line => Which::Line(value),
    };
    let after = match (question.after.as_str(), by) {
        ("", _) => None,
        (bar, By::Heat) => Some(After::Bar(bar.to_owned())),
        (seq, _) => Some(After::Screening(
            seq.parse().map_err(|_| say!("{seq} is not the number of an entry"))?,
        )),
    };
    store.bars_of(&which, after.as_ref(), LIMIT, now_us()).await.map_err(|e| told(&e))
}

async fn document(store: &Store, begin: &str) -> Result<Hash, String> {
    let found = store.documents(&begin.to_lowercase()).await.map_err(|e| told(&e))?;
    match found.as_slice() {
        [one] => Ok(one.clone()),
        [] => Err(say!("No document in the ledger has a hash that begins {begin}.")),
        several => {
            Err(say!("{} documents have a hash that begins {begin}: give more.", several.len()))
        }
    }
}

/// Everything about one bar; none where the ledger does not know it.
pub async fn story(folder: &JobFolder, bar: &BarKey) -> Result<Option<Story>, String> {
    let store = folder.ledger_home().open_read_only().await.map_err(|e| told(&e))?;
    let found = store.story(bar, now_us()).await.map_err(|e| told(&e));
    store.close().await;
    found
}

/// Who changed what; of one person where a name is given.
pub async fn changes(folder: &JobFolder, author: &str) -> Result<Vec<Entry>, String> {
    let store = folder.ledger_home().open_read_only().await.map_err(|e| told(&e))?;
    let author = Some(author.trim()).filter(|a| !a.is_empty());
    let found = store.changes(author, 1, 2000).await.map_err(|e| told(&e));
    store.close().await;
    found
}
