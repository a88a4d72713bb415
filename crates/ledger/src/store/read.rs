//! Questions to a ledger.

use std::collections::BTreeSet;

use barwright_job::Hash;

use super::{Store, row};
use crate::{
    entry::{Entry, Head, Kind, Row},
    error::{LedgerError, Result},
    record::BarKey,
    state::{self, BarState},
    verify::{Fault, FaultKind, Verification, Walk},
};

/// Rows read at once during verification.
const PAGE: i64 = 2000;

impl Store {
    /// The end of the ledger, to be printed on papers.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub async fn head(&self) -> Result<Head> {
        let last = sqlx::query("SELECT * FROM entry ORDER BY seq DESC LIMIT 1")
            .fetch_optional(&self.readers)
            .await
            .map_err(|e| self.place.error(e))?;
        let last = last.as_ref().map(row).transpose();
        Ok(self.head_of(last.map_err(|e| self.place.error(e))?))
    }

    /// At most `limit` entries, from number `from` on, in order.
    ///
    /// # Errors
    /// When the file or an entry cannot be read.
    pub async fn entries(&self, from: i64, limit: u32) -> Result<Vec<Entry>> {
        self.select(
            sqlx::query("SELECT * FROM entry WHERE seq >= $1 ORDER BY seq LIMIT $2")
                .bind(from)
                .bind(i64::from(limit)),
        )
        .await
    }

    /// The entry of a number, if there is one.
    ///
    /// # Errors
    /// When the file or the entry cannot be read.
    pub async fn entry(&self, seq: i64) -> Result<Option<Entry>> {
        let found = self.entries(seq, 1).await?;
        Ok(found.into_iter().find(|entry| entry.seq == seq))
    }

    /// All entries of a kind, in order.
    ///
    /// # Errors
    /// When the file or an entry cannot be read.
    pub async fn by_kind(&self, kind: Kind) -> Result<Vec<Entry>> {
        self.select(
            sqlx::query("SELECT * FROM entry WHERE kind = $1 ORDER BY seq").bind(kind.word()),
        )
        .await
    }

    /// All entries about a bar, in order.
    ///
    /// # Errors
    /// When the file or an entry cannot be read.
    pub async fn by_bar(&self, bar: &BarKey) -> Result<Vec<Entry>> {
        self.by_mention("bar", &bar.to_string()).await
    }

    /// All entries that name a heat: its order and its bars, in order.
    ///
    /// # Errors
    /// When the file or an entry cannot be read.
    pub async fn by_heat(&self, heat: &str) -> Result<Vec<Entry>> {
        self.by_mention("heat", heat).await
    }

    /// All entries that name an order number, and everything made from their documents (levels,
    /// checks, bars, judgements, papers), in order.
    ///
    /// # Errors
    /// When the file or an entry cannot be read.
    pub async fn by_order(&self, number: &str) -> Result<Vec<Entry>> {
        let named = self.by_mention("order", number).await?;
        self.with_descendants(named).await
    }

    /// All entries of a document and of everything made from it, near or far, in order.
    ///
    /// # Errors
    /// When the file or an entry cannot be read.
    pub async fn made_from(&self, document: &Hash) -> Result<Vec<Entry>> {
        let mut start = self.by_mention("document", &document.0).await?;
        start.extend(self.by_mention("from", &document.0).await?);
        self.with_descendants(start).await
    }

    /// States of all bars at a time; see [`state::bars`].
    ///
    /// # Errors
    /// When the file or an entry cannot be read.
    pub async fn bars(&self, now_us: i64) -> Result<Vec<BarState>> {
        let entries = self
            .select(sqlx::query(
                "SELECT * FROM entry WHERE kind IN ('technique', 'level', 'check', \
                 'bar_screened', 'judgement', 'correction', 'retest') ORDER BY seq",
            ))
            .await?;
        state::bars(&entries, now_us)
    }

    /// The held bars, with heat and reason.
    ///
    /// # Errors
    /// When the file or an entry cannot be read.
    pub async fn holds(&self, now_us: i64) -> Result<Vec<BarState>> {
        Ok(state::holds(self.bars(now_us).await?))
    }

    /// Proves every entry, and that the ledger still contains a head that was printed, if one is
    /// given.
    ///
    /// # Errors
    /// When the file cannot be opened or is locked; damage is a fault in the answer.
    pub async fn verify(&self, printed: Option<&Head>) -> Result<Verification> {
        let mut walk = Walk::new(&self.identity, printed);
        let fault = self.walk(&mut walk).await?;
        let beyond = if fault.is_none() {
            let last: Option<i64> = sqlx::query_scalar("SELECT MAX(seq) FROM mention")
                .fetch_one(&self.readers)
                .await
                .map_err(|e| self.place.error(e))?;
            // Entries may have been added since the walk reached the end.
            match self.head().await? {
                head if head.seq > walk.next_seq() - 1 => 0,
                _ => last.unwrap_or(0),
            }
        } else {
            0
        };
        Ok(walk.end(fault, beyond))
    }

    async fn walk(&self, walk: &mut Walk<'_>) -> Result<Option<Fault>> {
        let (mut after, mut page) = (i64::MIN, PAGE);
        loop {
            let (rows, named) = match self.page(after, page).await {
                Ok(found) => found,
                // Somewhere in this page the file is damaged: go on one by one to find where.
                Err(LedgerError::Corrupt { .. }) if page > 1 => {
                    page = 1;
                    continue;
                }
                Err(LedgerError::Corrupt { what, .. }) => {
                    let seq = walk.next_seq();
                    return Ok(Some(Fault {
                        seq,
                        kind: FaultKind::Unreadable,
                        what: format!("entry {seq} cannot be read: {what}"),
                    }));
                }
                Err(e) => return Err(e),
            };
            let Some(last) = rows.last() else {
                return Ok(None);
            };
            after = last.seq;
            let mut named = named.into_iter().peekable();
            for row in &rows {
                let mut own = Vec::new();
                while let Some((_, value, role)) = named.next_if(|(seq, ..)| *seq <= row.seq) {
                    own.push((value, role));
                }
                if let Err(fault) = walk.step(row, &own) {
                    return Ok(Some(fault));
                }
            }
        }
    }

    /// A page of rows, and what the look-up table names for them, sorted as mentions are.
    async fn page(&self, after: i64, limit: i64) -> Result<(Vec<Row>, Vec<(i64, String, String)>)> {
        let failed = |e| self.place.error(e);
        let stored = sqlx::query("SELECT * FROM entry WHERE seq > $1 ORDER BY seq LIMIT $2")
            .bind(after)
            .bind(limit)
            .fetch_all(&self.readers)
            .await
            .map_err(failed)?;
        let rows: Vec<Row> = stored.iter().map(row).collect::<sqlx::Result<_>>().map_err(failed)?;
        let last = rows.last().map_or(after, |row| row.seq);
        let mut named: Vec<(i64, String, String)> =
            sqlx::query_as("SELECT seq, value, role FROM mention WHERE seq > $1 AND seq <= $2")
                .bind(after)
                .bind(last)
                .fetch_all(&self.readers)
                .await
                .map_err(failed)?;
        // Sorted here: databases differ in how they order text.
        named.sort();
        Ok((rows, named))
    }

    async fn by_mention(&self, role: &'static str, value: &str) -> Result<Vec<Entry>> {
        self.select(
            sqlx::query(
                "SELECT entry.* FROM mention JOIN entry ON entry.seq = mention.seq \
                 WHERE mention.value = $1 AND mention.role = $2 ORDER BY mention.seq",
            )
            .bind(value.to_owned())
            .bind(role),
        )
        .await
    }

    /// Adds everything made from the documents of some entries, until nothing new is found.
    async fn with_descendants(&self, start: Vec<Entry>) -> Result<Vec<Entry>> {
        let mut asked = BTreeSet::new();
        let mut found: Vec<Entry> = Vec::new();
        let mut have = BTreeSet::new();
        let mut news = start;
        while let Some(entry) = news.pop() {
            if !have.insert(entry.seq) {
                continue;
            }
            let document = entry.content.get("document").and_then(|d| d.as_str());
            if let Some(document) = document
                && asked.insert(document.to_owned())
            {
                news.extend(self.by_mention("from", document).await?);
            }
            found.push(entry);
        }
        found.sort_by_key(|entry| entry.seq);
        Ok(found)
    }

    async fn select(
        &self,
        query: sqlx::query::Query<'_, sqlx::Sqlite, sqlx::sqlite::SqliteArguments>,
    ) -> Result<Vec<Entry>> {
        let stored = query.fetch_all(&self.readers).await.map_err(|e| self.place.error(e))?;
        stored
            .iter()
            .map(|stored| row(stored).map_err(|e| self.place.error(e))?.into_entry())
            .collect()
    }
}
