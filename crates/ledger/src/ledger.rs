//! The same ledger for callers that are not asynchronous.

use std::{future::Future, path::Path};

use barwright_job::Hash;
use tokio::runtime::{Builder, Handle, Runtime};

use crate::{
    entry::{Entry, Head, Identity, Kind},
    error::{LedgerError, Result},
    keys::SigningKey,
    record::{BarKey, Record},
    state::BarState,
    store::{
        Home, Salvaged, Stamped, Store,
        questions::{After, Bars, HoldList, LineNow, Shipped, Story, Which},
    },
    verify::Verification,
};

/// A ledger whose calls block until they are done. Its methods are those of [`Store`], with the
/// same errors, and [`LedgerError::InsideRuntime`] when called from asynchronous code.
#[derive(Debug)]
pub struct Ledger {
    store: Store,
    /// Present until the drop.
    runtime: Option<Runtime>,
}

impl Ledger {
    /// Makes a new, empty ledger; see [`Store::create`].
    ///
    /// # Errors
    /// As [`Store::create`].
    pub fn create(path: impl AsRef<Path>, name: &str, time_us: i64) -> Result<Self> {
        let path = path.as_ref();
        Self::with(path, Store::create(path, name, time_us))
    }

    /// Opens a ledger; see [`Store::open`].
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn open(path: impl AsRef<Path>) -> Result<Self> {
        let path = path.as_ref();
        Self::with(path, Store::open(path))
    }

    /// Opens a ledger for reading; see [`Store::open_read_only`].
    ///
    /// # Errors
    /// As [`Store::open_read_only`].
    pub fn open_read_only(path: impl AsRef<Path>) -> Result<Self> {
        let path = path.as_ref();
        Self::with(path, Store::open_read_only(path))
    }

    /// Makes a new, empty ledger; see [`Home::create`].
    ///
    /// # Errors
    /// As [`Home::create`].
    pub fn create_at(home: &Home, name: &str, time_us: i64) -> Result<Self> {
        Self::with(Path::new(&home.to_string()), home.create(name, time_us))
    }

    /// Opens a ledger; see [`Home::open`].
    ///
    /// # Errors
    /// As [`Home::open`].
    pub fn open_at(home: &Home) -> Result<Self> {
        Self::with(Path::new(&home.to_string()), home.open())
    }

    /// Opens a ledger for reading; see [`Home::open_read_only`].
    ///
    /// # Errors
    /// As [`Home::open_read_only`].
    pub fn open_to_read(home: &Home) -> Result<Self> {
        Self::with(Path::new(&home.to_string()), home.open_read_only())
    }

    fn with(path: &Path, store: impl Future<Output = Result<Store>>) -> Result<Self> {
        let runtime = runtime(path)?;
        let store = runtime.block_on(store)?;
        Ok(Self { store, runtime: Some(runtime) })
    }

    fn wait<T>(&self, answer: impl Future<Output = Result<T>>) -> Result<T> {
        demand_outside()?;
        self.runtime.as_ref().expect("the runtime is there until the drop").block_on(answer)
    }

    /// Which ledger it is.
    #[must_use]
    pub fn identity(&self) -> &Identity {
        self.store.identity()
    }

    /// Whether it was opened for reading only.
    #[must_use]
    pub fn is_read_only(&self) -> bool {
        self.store.is_read_only()
    }

    /// Adds an entry and returns it once it is on the disk.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub fn append(&self, record: &Record, author: &str, time_us: i64) -> Result<Entry> {
        self.wait(self.store.append(record, author, time_us))
    }

    /// Adds an entry, signed where it says what needs a signature.
    ///
    /// # Errors
    /// As [`Store::append_signed`].
    pub fn append_signed(
        &self,
        record: &Record,
        author: &str,
        time_us: i64,
        key: Option<&SigningKey>,
    ) -> Result<Entry> {
        self.wait(self.store.append_signed(record, author, time_us, key))
    }

    /// Adds several entries at once: all of them, or none.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub fn append_all(&self, records: &[Stamped]) -> Result<Vec<Entry>> {
        self.wait(self.store.append_all(records))
    }

    /// Adds several entries of one author at once, signed where they must be: all of them, or none.
    ///
    /// # Errors
    /// As [`Store::append_all_signed`].
    pub fn append_all_signed(
        &self,
        records: &[Stamped],
        key: Option<&SigningKey>,
    ) -> Result<Vec<Entry>> {
        self.wait(self.store.append_all_signed(records, key))
    }

    /// The end of the ledger, to be printed on papers.
    ///
    /// # Errors
    /// As [`Store::head`].
    pub fn head(&self) -> Result<Head> {
        self.wait(self.store.head())
    }

    /// Documents whose hash begins so.
    ///
    /// # Errors
    /// As [`Store::documents`].
    pub fn documents(&self, begin: &str) -> Result<Vec<Hash>> {
        self.wait(self.store.documents(begin))
    }

    /// At most `limit` entries, from number `from` on, in order.
    ///
    /// # Errors
    /// As [`Store::entries`].
    pub fn entries(&self, from: i64, limit: u32) -> Result<Vec<Entry>> {
        self.wait(self.store.entries(from, limit))
    }

    /// The entry of a number, if there is one.
    ///
    /// # Errors
    /// As [`Store::entry`].
    pub fn entry(&self, seq: i64) -> Result<Option<Entry>> {
        self.wait(self.store.entry(seq))
    }

    /// All entries of a kind, in order.
    ///
    /// # Errors
    /// As [`Store::by_kind`].
    pub fn by_kind(&self, kind: Kind) -> Result<Vec<Entry>> {
        self.wait(self.store.by_kind(kind))
    }

    /// All entries of some kinds, in order.
    ///
    /// # Errors
    /// As [`Store::by_kinds`].
    pub fn by_kinds(&self, kinds: &[Kind]) -> Result<Vec<Entry>> {
        self.wait(self.store.by_kinds(kinds))
    }

    /// All entries about a bar, in order.
    ///
    /// # Errors
    /// As [`Store::by_bar`].
    pub fn by_bar(&self, bar: &BarKey) -> Result<Vec<Entry>> {
        self.wait(self.store.by_bar(bar))
    }

    /// All entries that name a heat, in order.
    ///
    /// # Errors
    /// As [`Store::by_heat`].
    pub fn by_heat(&self, heat: &str) -> Result<Vec<Entry>> {
        self.wait(self.store.by_heat(heat))
    }

    /// All entries of an order and of everything made for it, in order.
    ///
    /// # Errors
    /// As [`Store::by_order`].
    pub fn by_order(&self, number: &str) -> Result<Vec<Entry>> {
        self.wait(self.store.by_order(number))
    }

    /// All entries of a document and of everything made from it, in order.
    ///
    /// # Errors
    /// As [`Store::made_from`].
    pub fn made_from(&self, document: &Hash) -> Result<Vec<Entry>> {
        self.wait(self.store.made_from(document))
    }

    /// States of all bars at a time, in microseconds since 1970-01-01 UTC.
    ///
    /// # Errors
    /// As [`Store::bars`].
    pub fn bars(&self, now_us: i64) -> Result<Vec<BarState>> {
        self.wait(self.store.bars(now_us))
    }

    /// A part of the bars asked for.
    ///
    /// # Errors
    /// As [`Store::bars_of`].
    pub fn bars_of(
        &self,
        which: &Which,
        after: Option<&After>,
        limit: u32,
        now_us: i64,
    ) -> Result<Bars> {
        self.wait(self.store.bars_of(which, after, limit, now_us))
    }

    /// Everything about one bar.
    ///
    /// # Errors
    /// As [`Store::story`].
    pub fn story(&self, bar: &BarKey, now_us: i64) -> Result<Option<Story>> {
        self.wait(self.store.story(bar, now_us))
    }

    /// The open holds by their cause.
    ///
    /// # Errors
    /// As [`Store::hold_lists`].
    pub fn hold_lists(&self, now_us: i64) -> Result<Vec<HoldList>> {
        self.wait(self.store.hold_lists(now_us))
    }

    /// What left the house of bars that are held now.
    ///
    /// # Errors
    /// As [`Store::shipped_although_held`].
    pub fn shipped_although_held(&self, now_us: i64) -> Result<Vec<(BarState, Shipped)>> {
        self.wait(self.store.shipped_although_held(now_us))
    }

    /// Lines, and the stretch of production each is in.
    ///
    /// # Errors
    /// As [`Store::lines`].
    pub fn lines(&self, now_us: i64) -> Result<Vec<LineNow>> {
        self.wait(self.store.lines(now_us))
    }

    /// Who changed what.
    ///
    /// # Errors
    /// As [`Store::changes`].
    pub fn changes(&self, author: Option<&str>, from: i64, limit: u32) -> Result<Vec<Entry>> {
        self.wait(self.store.changes(author, from, limit))
    }

    /// A copy elsewhere, proved; see [`Store::copy_to`].
    ///
    /// # Errors
    /// As [`Store::copy_to`].
    pub fn copy_to(&self, home: &Home) -> Result<Verification> {
        self.wait(self.store.copy_to(home))
    }

    /// A backup, made while others go on writing, and proved; see [`Store::back_up`].
    ///
    /// # Errors
    /// As [`Store::back_up`].
    pub fn back_up(&self, path: &Path) -> Result<Verification> {
        self.wait(self.store.back_up(path))
    }

    /// The whole ledger as an open text; see [`Store::write_text`].
    ///
    /// # Errors
    /// As [`Store::write_text`].
    pub fn write_text(&self, each: impl FnMut(&str) -> std::io::Result<()>) -> Result<Head> {
        self.wait(self.store.write_text(each))
    }

    /// An open text into a new ledger; see [`Store::read_text`].
    ///
    /// # Errors
    /// As [`Store::read_text`].
    pub fn read_text(
        home: &Home,
        lines: impl Iterator<Item = std::io::Result<String>>,
    ) -> Result<Verification> {
        run(Path::new(&home.to_string()), Store::read_text(home, lines))
    }

    /// Saves what can be saved from a damaged file; see [`Store::salvage`].
    ///
    /// # Errors
    /// As [`Store::salvage`].
    pub fn salvage(damaged: &Path, into: &Path) -> Result<Salvaged> {
        run(damaged, Store::salvage(damaged, into))
    }

    /// The held bars, with heat and reason.
    ///
    /// # Errors
    /// As [`Store::holds`].
    pub fn holds(&self, now_us: i64) -> Result<Vec<BarState>> {
        self.wait(self.store.holds(now_us))
    }

    /// Proves every entry, and that a printed head is still contained.
    ///
    /// # Errors
    /// As [`Store::verify`].
    pub fn verify(&self, printed: Option<&Head>) -> Result<Verification> {
        self.wait(self.store.verify(printed))
    }
}

impl Drop for Ledger {
    fn drop(&mut self) {
        let Some(runtime) = self.runtime.take() else {
            return;
        };
        if Handle::try_current().is_err() {
            // Folds the log into the file, so that a closed ledger is one file.
            runtime.block_on(self.store.close());
        }
        // Waiting here would panic inside another runtime.
        runtime.shutdown_background();
    }
}

/// A runtime of its own, for a caller that is not asynchronous.
fn runtime(path: &Path) -> Result<Runtime> {
    demand_outside()?;
    // A server is reached by a socket: time alone does not do.
    Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| LedgerError::Io { path: path.to_owned(), what: e.to_string() })
}

fn run<T>(path: &Path, work: impl Future<Output = Result<T>>) -> Result<T> {
    runtime(path)?.block_on(work)
}

fn demand_outside() -> Result<()> {
    if Handle::try_current().is_ok() {
        return Err(LedgerError::InsideRuntime);
    }
    Ok(())
}
