//! Questions about bars: what an engineer asks on a bad day, and an auditor years later.
//!
//! Lists come from the tables of states, which [`Store::verify`] proves; the state of one bar is
//! always gone through anew ([`Store::story`]). Long lists come in parts: each answer says how many
//! there are and how to go on.

use std::collections::{BTreeMap, BTreeSet};

use barwright_job::Hash;
use serde::Serialize;

use super::{
    Store,
    derive::{
        BarRow, CHECK_AFTER, CHECK_BEFORE, ONE_BAR, OPERATOR_BEFORE, WITHDRAWALS, bar_columns,
        bar_rows, is_current, withdrawals_of,
    },
};
use crate::{
    db::{Value, values},
    entry::{Entry, Kind},
    error::Result,
    record::{BarKey, Facts},
    state::{self, Bar, BarState, Bracket, Line, State, Why, Withdrawals},
};

/// Which bars are asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Which {
    /// All bars of a heat, screened or not.
    Heat(String),
    /// Bars screened with a technique of an order.
    Order(String),
    /// Bars screened for the orders of a customer.
    Customer(String),
    /// Bars screened on a line while a piece of equipment was in use there.
    Equipment(String),
    /// Bars screened with a level.
    Level(Hash),
    /// Bars screened with a technique.
    Technique(Hash),
    /// Bars screened with a version of the program.
    Program(String),
    /// Bars screened on a line.
    Line(String),
}

/// A part of a long list of bars.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Bars {
    /// How many there are altogether: screenings, or bars of a heat.
    pub total: u64,
    /// This part, in order.
    pub bars: Vec<Found>,
    /// Where the next part begins; none at the end.
    pub next: Option<After>,
}

/// A bar that was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Found {
    /// The screening it was found by; none for a list by heat. It may be an earlier one than the
    /// state rests on: then the bar was screened again since.
    pub screening: Option<i64>,
    /// Its state now.
    #[serde(flatten)]
    pub state: BarState,
}

/// How far a long list was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum After {
    /// Up to this screening.
    Screening(i64),
    /// Up to this bar of the heat.
    Bar(String),
}

/// Held bars with one cause, and what became of the bars it held.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HoldList {
    /// The cause.
    pub why: Why,
    /// Its line.
    pub line: String,
    /// The last good check before.
    pub last_good_check: Option<i64>,
    /// Every bar that it held, also those that were screened again since.
    pub bars: Vec<Affected>,
    /// How many of them still are to be screened again or decided.
    pub open: usize,
}

/// A bar that a cause held.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Affected {
    /// The bar.
    pub bar: BarKey,
    /// The screening that the cause took the trust from.
    pub screened: Option<i64>,
    /// A later screening, where there is one.
    pub again: Option<i64>,
    /// The bar's state now.
    pub state: State,
    /// Pieces it was cut into.
    pub pieces: Vec<String>,
    /// What of it left the house.
    pub shipped: Vec<Shipped>,
}

/// A bar, or a piece of one, that left the house.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Shipped {
    /// Mark of the piece; empty for the whole bar.
    pub piece: String,
    /// Delivery.
    pub delivery: String,
    /// Customer.
    pub customer: String,
    /// The entry that says so.
    pub seq: i64,
}

/// Everything about one bar.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Story {
    /// Its state, derived from the entries themselves.
    pub state: BarState,
    /// Entries about it, in order.
    pub entries: Vec<Entry>,
    /// What it rests on: orders, techniques and their proofs and approvals, levels, the checks
    /// around it, in order.
    pub rests_on: Vec<Entry>,
    /// Equipment in use on its line when it was last screened: name and place.
    pub equipment: Vec<(String, String)>,
    /// Pieces it was cut into: mark, start and end in metres from the head end.
    pub pieces: Vec<(String, f64, f64)>,
    /// What of it left the house.
    pub shipped: Vec<Shipped>,
}

/// A line and the stretch of production it is in.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineNow {
    /// The line.
    pub line: String,
    /// Who runs it, as recorded.
    pub operator: Option<String>,
    /// The latest check, good or bad.
    pub last_check: Option<i64>,
    /// Why nothing screened now could be released; none while a stretch is open.
    pub closed: Option<Why>,
    /// Latest time of the next check, in microseconds since 1970-01-01 UTC.
    pub next_check_us: Option<i64>,
    /// Whether it is overdue.
    pub overdue: bool,
}

/// Screenings found by one column, between two entries.
#[derive(Debug, Clone)]
struct Span {
    by: By,
    value: String,
    from: i64,
    to: i64,
}

#[derive(Debug, Clone, Copy)]
enum By {
    Line,
    Level,
    Technique,
    Program,
}

/// The statements of a span: how many, and a part of them with their bars.
macro_rules! span {
    ($column:literal) => {
        (
            concat!(
                "SELECT COUNT(*) FROM screening WHERE ",
                $column,
                " = $1 AND seq > $2 AND seq < $3"
            ),
            concat!(
                "SELECT f.seq AS found, ",
                bar_columns!(),
                " FROM screening f JOIN bar b ON b.heat = f.heat AND b.bar = f.bar \
                 LEFT JOIN screening s ON s.seq = b.screening WHERE f.",
                $column,
                " = $1 AND f.seq > $2 AND f.seq < $3 ORDER BY f.seq LIMIT $4"
            ),
        )
    };
}

impl By {
    fn statements(self) -> (&'static str, &'static str) {
        match self {
            Self::Line => span!("line"),
            Self::Level => span!("level"),
            Self::Technique => span!("technique"),
            Self::Program => span!("program"),
        }
    }
}

impl Span {
    fn all(by: By, value: impl Into<String>) -> Self {
        Self { by, value: value.into(), from: 0, to: i64::MAX }
    }
}

#[derive(Debug, sqlx::FromRow)]
struct FoundRow {
    found: i64,
    #[sqlx(flatten)]
    bar: BarRow,
}

/// What the state of a bar depends on beside its own row.
struct Now {
    withdrawals: Withdrawals,
    /// Checks whose stretch has lasted too long.
    overdue: BTreeSet<i64>,
}

impl Now {
    fn state(&self, key: BarKey, mut bar: Bar) -> BarState {
        if let Some(screening) = &mut bar.screening
            && let Bracket::Open(check) = screening.bracket
            && self.overdue.contains(&check)
        {
            screening.bracket = Bracket::Broken(Some(check), Why::CheckOverdue);
        }
        bar.outcome(key, &self.withdrawals)
    }
}

impl Store {
    /// States of all bars at a time, sorted by heat and bar; see [`state::bars`]. For a large ledger
    /// ask for [`Store::bars_of`].
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub async fn bars(&self, now_us: i64) -> Result<Vec<BarState>> {
        let now = self.now(now_us).await?;
        let rows = self.rows(bar_rows!(""), vec![]).await?;
        let mut bars: Vec<BarState> =
            rows.into_iter().map(|(key, bar)| now.state(key, bar)).collect();
        bars.sort_by(|a, b| a.bar.cmp(&b.bar));
        Ok(bars)
    }

    /// The held bars, sorted by heat and bar, with the reason.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub async fn holds(&self, now_us: i64) -> Result<Vec<BarState>> {
        let now = self.now(now_us).await?;
        let mut rows = self.rows(bar_rows!("WHERE b.state = 'held'"), vec![]).await?;
        for check in &now.overdue {
            let open = bar_rows!("WHERE s.bracket = 'open' AND s.opening = $1");
            rows.extend(self.rows(open, values![*check]).await?);
        }
        let mut found: Vec<BarState> =
            rows.into_iter().map(|(key, bar)| now.state(key, bar)).collect();
        found.sort_by(|a, b| a.bar.cmp(&b.bar));
        found.dedup_by(|a, b| a.bar == b.bar);
        Ok(state::holds(found))
    }

    /// A part of the bars asked for, at most `limit`, after what was read before.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub async fn bars_of(
        &self,
        which: &Which,
        after: Option<&After>,
        limit: u32,
        now_us: i64,
    ) -> Result<Bars> {
        let now = self.now(now_us).await?;
        if let Which::Heat(heat) = which {
            return self.bars_of_heat(heat, after, limit, &now).await;
        }
        let from = match after {
            Some(After::Screening(seq)) => *seq,
            _ => 0,
        };
        let (mut total, mut found) = (0, vec![]);
        for span in self.spans(which).await? {
            let (count, part) = span.by.statements();
            let bounds = values![&span.value, span.from, span.to];
            let n = self.place.answer(self.readers.number(count, bounds).await)?;
            total += n.unwrap_or(0).unsigned_abs();
            let values = values![&span.value, span.from.max(from), span.to, i64::from(limit) + 1];
            let rows: Vec<FoundRow> = self.place.answer(self.readers.rows(part, values).await)?;
            found.extend(rows);
        }
        found.sort_by_key(|row| row.found);
        found.dedup_by_key(|row| row.found);
        let more = found.len() > limit as usize;
        found.truncate(limit as usize);
        let next = found.last().filter(|_| more).map(|row| After::Screening(row.found));
        let bars = found.into_iter().map(|row| {
            let (key, bar) = row.bar.told(&self.place)?;
            Ok(Found { screening: Some(row.found), state: now.state(key, bar) })
        });
        Ok(Bars { total, bars: bars.collect::<Result<_>>()?, next })
    }

    async fn bars_of_heat(
        &self,
        heat: &str,
        after: Option<&After>,
        limit: u32,
        now: &Now,
    ) -> Result<Bars> {
        let from = match after {
            Some(After::Bar(bar)) => bar.as_str(),
            _ => "",
        };
        let count = "SELECT COUNT(*) FROM bar WHERE heat = $1";
        let total = self.place.answer(self.readers.number(count, values![heat]).await)?;
        let part = bar_rows!("WHERE b.heat = $1 AND b.bar > $2 ORDER BY b.bar LIMIT $3");
        let mut rows = self.rows(part, values![heat, from, i64::from(limit) + 1]).await?;
        let more = rows.len() > limit as usize;
        rows.truncate(limit as usize);
        let next = rows.last().filter(|_| more).map(|(key, _)| After::Bar(key.bar.clone()));
        let bars = rows
            .into_iter()
            .map(|(key, bar)| Found { screening: None, state: now.state(key, bar) })
            .collect();
        Ok(Bars { total: total.unwrap_or(0).unsigned_abs(), bars, next })
    }

    /// Where the screenings asked for lie. Spans of one answer do not overlap.
    async fn spans(&self, which: &Which) -> Result<Vec<Span>> {
        let documents = |sql: &'static str, value: String| async move {
            let rows: Vec<(String,)> =
                self.place.answer(self.readers.rows(sql, values![value]).await)?;
            Ok(rows.into_iter().map(|(d,)| Span::all(By::Technique, d)).collect())
        };
        match which {
            // Its bars need not have been screened.
            Which::Heat(_) => Ok(vec![]),
            Which::Order(number) => {
                let of = "SELECT DISTINCT document FROM technique WHERE number = $1";
                documents(of, number.clone()).await
            }
            Which::Customer(customer) => {
                let of = "SELECT DISTINCT t.document FROM technique t JOIN ordered o \
                          ON o.number = t.number WHERE o.customer = $1";
                documents(of, customer.clone()).await
            }
            Which::Equipment(name) => {
                let of = "SELECT line, from_seq, to_seq FROM mounted WHERE equipment = $1";
                let rows: Vec<(String, i64, Option<i64>)> =
                    self.place.answer(self.readers.rows(of, values![name]).await)?;
                let span = |(line, from, to): (String, i64, Option<i64>)| Span {
                    by: By::Line,
                    value: line,
                    from,
                    to: to.unwrap_or(i64::MAX),
                };
                Ok(rows.into_iter().map(span).collect())
            }
            Which::Level(hash) => Ok(vec![Span::all(By::Level, &*hash.0)]),
            Which::Technique(hash) => Ok(vec![Span::all(By::Technique, &*hash.0)]),
            Which::Program(version) => Ok(vec![Span::all(By::Program, version)]),
            Which::Line(line) => Ok(vec![Span::all(By::Line, line)]),
        }
    }

    /// The open holds by their cause, the latest first, each with every bar it held, what those
    /// were cut into and what of them left the house.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub async fn hold_lists(&self, now_us: i64) -> Result<Vec<HoldList>> {
        self.by_cause(self.holds(now_us).await?, now_us).await
    }

    /// As [`Store::hold_lists`], of held bars that were asked for already.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub async fn by_cause(&self, held: Vec<BarState>, now_us: i64) -> Result<Vec<HoldList>> {
        let now = self.now(now_us).await?;
        /// Entry and word of the cause, line, last good check.
        type Cause = (Option<i64>, &'static str, String, Option<i64>);
        let mut lists: BTreeMap<Cause, HoldList> = BTreeMap::new();
        for bar in held {
            let State::Held { why } = bar.state else {
                continue;
            };
            let (word, seq) = why.parts();
            let key = (seq, word, bar.line.clone(), bar.opening_check);
            let list = lists.entry(key).or_insert_with(|| HoldList {
                why,
                line: bar.line.clone(),
                last_good_check: bar.opening_check,
                bars: vec![],
                open: 0,
            });
            list.bars.push(Affected {
                bar: bar.bar,
                screened: bar.screened,
                again: None,
                state: bar.state,
                pieces: vec![],
                shipped: vec![],
            });
        }
        for list in lists.values_mut() {
            self.add_screened_again(list, &now).await?;
            list.open = list.bars.iter().filter(|b| matches!(b.state, State::Held { .. })).count();
        }
        let bars: BTreeSet<&BarKey> =
            lists.values().flat_map(|list| &list.bars).map(|affected| &affected.bar).collect();
        let pieces = self.pieces_of(bars.iter().copied()).await?;
        let shipped = self.shipped_of(bars).await?;
        for affected in lists.values_mut().flat_map(|list| &mut list.bars) {
            // A bar may have been held by several causes.
            affected.pieces = pieces.get(&affected.bar).cloned().unwrap_or_default();
            affected.shipped = shipped.get(&affected.bar).cloned().unwrap_or_default();
        }
        Ok(lists.into_values().rev().collect())
    }

    /// Adds to a list the bars that its cause held and that were screened again since.
    async fn add_screened_again(&self, list: &mut HoldList, now: &Now) -> Result<()> {
        let (word, Some(seq)) = list.why.parts() else {
            return Ok(());
        };
        let affected = "SELECT seq, heat, bar FROM screening WHERE why_seq = $1 AND why = $2 \
                        ORDER BY seq";
        let rows: Vec<(i64, String, String)> =
            self.place.answer(self.readers.rows(affected, values![seq, word]).await)?;
        let known: BTreeSet<&BarKey> = list.bars.iter().map(|b| &b.bar).collect();
        let screened: BTreeMap<BarKey, i64> = rows
            .into_iter()
            .map(|(screened, heat, bar)| (BarKey::new(heat, bar), screened))
            .filter(|(key, _)| !known.contains(key))
            .collect();
        let of = bar_rows!("WHERE (b.heat, b.bar)");
        let rows: Vec<BarRow> =
            self.place.answer(self.readers.rows_of(of, keys(screened.keys())).await)?;
        for row in rows {
            let (key, bar) = row.told(&self.place)?;
            let screened = screened.get(&key).copied();
            let state = now.state(key, bar);
            list.bars.push(Affected {
                bar: state.bar,
                screened,
                again: state.screened.filter(|again| Some(*again) > screened),
                state: state.state,
                pieces: vec![],
                shipped: vec![],
            });
        }
        list.bars.sort_by_key(|b| b.screened);
        Ok(())
    }

    /// What left the house of bars that are held now, by bar.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub async fn shipped_although_held(&self, now_us: i64) -> Result<Vec<(BarState, Shipped)>> {
        let held = self.holds(now_us).await?;
        let mut shipped = self.shipped_of(held.iter().map(|held| &held.bar)).await?;
        let of = |held: BarState| {
            let shipped = shipped.remove(&held.bar).unwrap_or_default();
            shipped.into_iter().map(move |shipped| (held.clone(), shipped))
        };
        Ok(held.into_iter().flat_map(of).collect())
    }

    /// Everything about one bar; none where no entry names it.
    ///
    /// # Errors
    /// When the ledger cannot be read; [`crate::LedgerError::Corrupt`] when the state kept for the bar
    /// is not the one that follows from the entries.
    pub async fn story(&self, bar: &BarKey, now_us: i64) -> Result<Option<Story>> {
        let entries = self.by_bar(bar).await?;
        let state = match self.bar(bar, now_us).await? {
            Some(state) => state,
            None if entries.is_empty() => return Ok(None),
            // Named by a cut or shipment only.
            None => Bar::default().outcome(bar.clone(), &Withdrawals::default()),
        };
        let proved = self.gone_through(bar, &entries, &state, now_us).await?;
        if proved.as_ref().is_some_and(|proved| *proved != state) {
            return Err(self.place.corrupt(&format!(
                "the state kept for bar {bar} does not follow from the entries"
            )));
        }
        let rests_on = self.rests_on(&entries, &state).await?;
        let equipment = match (&state.screened, state.line.as_str()) {
            (Some(seq), line) => {
                let used = "SELECT equipment, place FROM mounted WHERE line = $1 AND \
                            from_seq < $2 AND (to_seq IS NULL OR to_seq > $2) \
                            ORDER BY place, equipment";
                self.place.answer(self.readers.rows(used, values![line, *seq]).await)?
            }
            _ => vec![],
        };
        Ok(Some(Story {
            entries,
            rests_on,
            equipment,
            pieces: self.pieces(bar).await?,
            shipped: self.shipped(bar).await?,
            state,
        }))
    }

    /// The state kept for one bar; none where it is not known.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub async fn bar(&self, bar: &BarKey, now_us: i64) -> Result<Option<BarState>> {
        let now = self.now(now_us).await?;
        let rows = self.rows(ONE_BAR, values![&bar.heat, &bar.bar]).await?;
        Ok(rows.into_iter().next().map(|(key, bar)| now.state(key, bar)))
    }

    /// The bar's state by the plain form, from the entries that can bear on it: its own, its line's
    /// from the check before its screening to the check after it, and what was withdrawn.
    async fn gone_through(
        &self,
        bar: &BarKey,
        own: &[Entry],
        state: &BarState,
        now_us: i64,
    ) -> Result<Option<BarState>> {
        let mut all: BTreeMap<i64, Entry> = own.iter().map(|e| (e.seq, e.clone())).collect();
        if let Some(screened) = state.screened {
            let around = values![&state.line, screened];
            let before = self.place.answer(self.readers.number(CHECK_BEFORE, around).await)?;
            let around = values![&state.line, screened, i64::MAX];
            let after = self.place.answer(self.readers.number(CHECK_AFTER, around).await)?;
            let (before, after) = (before.unwrap_or(1), after.unwrap_or(i64::MAX));
            let between = "SELECT * FROM entry WHERE line = $1 AND seq >= $2 AND seq <= $3 \
                           AND kind <> 'judgement' ORDER BY seq";
            let found = self.select(OPERATOR_BEFORE, values![&state.line, before]).await?;
            all.extend(found.into_iter().map(|e| (e.seq, e)));
            let found = self.select(between, values![&state.line, before, after]).await?;
            all.extend(found.into_iter().map(|e| (e.seq, e)));
        }
        for correction in self.by_kind(Kind::Correction).await? {
            if let Facts::Correction(f) = correction.facts()?
                && let Some(corrected) = self.entry(f.corrects).await?
            {
                // Loaded elsewhere or derived, a technique is lost with any entry that names it.
                if matches!(corrected.kind, Kind::Technique | Kind::Level) {
                    all.insert(corrected.seq, corrected);
                }
            }
            all.insert(correction.seq, correction);
        }
        let entries: Vec<Entry> = all.into_values().collect();
        Ok(state::bars(&entries, now_us)?.into_iter().find(|s| s.bar == *bar))
    }

    /// What a bar's entries were made from, near and far, approvals of it, and the checks around.
    async fn rests_on(&self, own: &[Entry], state: &BarState) -> Result<Vec<Entry>> {
        let sources = |entry: &Entry| -> Vec<String> {
            let from = entry.content.get("made_from").and_then(|m| m.as_object());
            from.into_iter()
                .flat_map(|m| m.values())
                .filter_map(|v| v.as_str().map(str::to_owned))
                .collect()
        };
        let mut have: BTreeSet<i64> = own.iter().map(|e| e.seq).collect();
        let mut asked = BTreeSet::new();
        let mut news: Vec<String> = own.iter().flat_map(sources).collect();
        let mut found = vec![];
        for check in [state.opening_check, state.closing_check].into_iter().flatten() {
            if let Some(entry) = self.entry(check).await?
                && have.insert(entry.seq)
            {
                news.extend(sources(&entry));
                found.push(entry);
            }
        }
        while let Some(document) = news.pop() {
            if !asked.insert(document.clone()) {
                continue;
            }
            for entry in self.by_mention("document", &document).await? {
                if have.insert(entry.seq) {
                    news.extend(sources(&entry));
                    found.push(entry);
                }
            }
        }
        // A document may be entered again later, for something else.
        let last = own.last().map(|e| e.seq).max(state.closing_check).unwrap_or(i64::MAX);
        found.retain(|e| e.seq <= last);
        found.sort_by_key(|e| e.seq);
        Ok(found)
    }

    /// Lines, and the stretch of production each is in.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub async fn lines(&self, now_us: i64) -> Result<Vec<LineNow>> {
        let mut lines: Vec<LineNow> = self
            .line_states()
            .await?
            .into_iter()
            .map(|(line, state)| LineNow {
                line,
                next_check_us: state.next_check_us(),
                overdue: state.overdue(now_us).is_some(),
                closed: state.stretch.as_ref().err().copied(),
                last_check: state.last_check,
                operator: state.operator,
            })
            .collect();
        lines.sort_by(|a, b| a.line.cmp(&b.line));
        Ok(lines)
    }

    /// Who changed what: corrections, retests, decisions, approvals, people, keys, access,
    /// equipment, from entry `from` on, at most `limit`. `author`: of one person only.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub async fn changes(&self, author: Option<&str>, from: i64, limit: u32) -> Result<Vec<Entry>> {
        let limit = i64::from(limit);
        match author {
            Some(author) => {
                let of = "SELECT * FROM entry WHERE author = $1 AND seq >= $2 AND kind IN \
                          ('correction', 'retest', 'approval', 'person', 'key', 'access', \
                          'equipment', 'mount', 'operator', 'cut', 'shipment', 'technique', \
                          'level', 'rules') ORDER BY seq LIMIT $3";
                self.select(of, values![author, from, limit]).await
            }
            None => {
                let of = "SELECT * FROM entry WHERE seq >= $1 AND kind IN ('correction', \
                          'retest', 'approval', 'person', 'key', 'access', 'equipment', 'mount', \
                          'operator') ORDER BY seq LIMIT $2";
                self.select(of, values![from, limit]).await
            }
        }
    }

    async fn line_states(&self) -> Result<Vec<(String, Line)>> {
        let rows: Vec<(String, String)> =
            self.place.answer(self.readers.rows("SELECT line, state FROM line", vec![]).await)?;
        let read = |(name, text): (String, String)| {
            let line = serde_json::from_str(&text)
                .map_err(|e| self.place.corrupt(&format!("state of line {name}: {e}")))?;
            Ok((name, line))
        };
        rows.into_iter().map(read).collect()
    }

    async fn now(&self, now_us: i64) -> Result<Now> {
        if !is_current(&self.readers, &self.place).await? {
            return Err(self
                .place
                .corrupt("an entry cannot be read, so that states are not known"));
        }
        let rows = self.place.answer(self.readers.rows(WITHDRAWALS, vec![]).await)?;
        let lines = self.line_states().await?;
        Ok(Now {
            withdrawals: withdrawals_of(rows),
            overdue: lines.iter().filter_map(|(_, line)| line.overdue(now_us)).collect(),
        })
    }

    async fn rows(&self, sql: &'static str, values: Vec<Value>) -> Result<Vec<(BarKey, Bar)>> {
        let rows: Vec<BarRow> = self.place.answer(self.readers.rows(sql, values).await)?;
        rows.into_iter().map(|row| row.told(&self.place)).collect()
    }

    async fn pieces(&self, bar: &BarKey) -> Result<Vec<(String, f64, f64)>> {
        let of = "SELECT piece, from_m, to_m FROM piece WHERE heat = $1 AND bar = $2 \
                  ORDER BY from_m, piece";
        self.place.answer(self.readers.rows(of, values![&bar.heat, &bar.bar]).await)
    }

    async fn shipped(&self, bar: &BarKey) -> Result<Vec<Shipped>> {
        Ok(self.shipped_of([bar]).await?.remove(bar).unwrap_or_default())
    }

    /// Marks of the pieces that bars were cut into, from the head end.
    async fn pieces_of(
        &self,
        bars: impl IntoIterator<Item = &BarKey>,
    ) -> Result<BTreeMap<BarKey, Vec<String>>> {
        let of = "SELECT heat, bar, from_m, piece FROM piece WHERE (heat, bar)";
        let mut rows: Vec<(String, String, f64, String)> =
            self.place.answer(self.readers.rows_of(of, keys(bars)).await)?;
        rows.sort_by(|a, b| a.2.total_cmp(&b.2).then_with(|| a.3.cmp(&b.3)));
        let mut found: BTreeMap<BarKey, Vec<String>> = BTreeMap::new();
        for (heat, bar, _, piece) in rows {
            found.entry(BarKey::new(heat, bar)).or_default().push(piece);
        }
        Ok(found)
    }

    /// What of some bars left the house, in order of the entries.
    async fn shipped_of(
        &self,
        bars: impl IntoIterator<Item = &BarKey>,
    ) -> Result<BTreeMap<BarKey, Vec<Shipped>>> {
        let of = "SELECT seq, piece, heat, bar, delivery, customer FROM shipped WHERE (heat, bar)";
        let mut rows: Vec<(i64, String, String, String, String, String)> =
            self.place.answer(self.readers.rows_of(of, keys(bars)).await)?;
        rows.sort_unstable();
        let mut found: BTreeMap<BarKey, Vec<Shipped>> = BTreeMap::new();
        for (seq, piece, heat, bar, delivery, customer) in rows {
            let shipped = Shipped { piece, delivery, customer, seq };
            found.entry(BarKey::new(heat, bar)).or_default().push(shipped);
        }
        Ok(found)
    }
}

/// Bars as keys of a table.
fn keys<'a>(bars: impl IntoIterator<Item = &'a BarKey>) -> Vec<Vec<Value>> {
    bars.into_iter().map(|bar| values![&bar.heat, &bar.bar]).collect()
}
