//! Entries by number, kind and what they name.

use std::collections::BTreeSet;

use barwright_job::Hash;

use super::Store;
use crate::{
    db::{Value, values},
    entry::{Entry, Head, Kind, Row},
    error::Result,
    record::BarKey,
};

impl Store {
    /// The end of the ledger, to be printed on papers.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub async fn head(&self) -> Result<Head> {
        let last = "SELECT * FROM entry ORDER BY seq DESC LIMIT 1";
        let last = self.place.answer(self.readers.row(last, vec![]).await)?;
        Ok(self.head_of(last))
    }

    /// Documents whose hash begins so, at most ten.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub async fn documents(&self, begin: &str) -> Result<Vec<Hash>> {
        let of = "SELECT DISTINCT value FROM mention WHERE value >= $1 AND value < $2 \
                  AND role = 'document' LIMIT 10";
        // Hashes are hexadecimal digits, of which g is none.
        let bounds = values![begin, format!("{begin}g")];
        let rows: Vec<(String,)> = self.place.answer(self.readers.rows(of, bounds).await)?;
        Ok(rows.into_iter().map(|(hash,)| Hash(hash)).collect())
    }

    /// At most `limit` entries, from number `from` on, in order.
    ///
    /// # Errors
    /// When the file or an entry cannot be read.
    pub async fn entries(&self, from: i64, limit: u32) -> Result<Vec<Entry>> {
        self.select(
            "SELECT * FROM entry WHERE seq >= $1 ORDER BY seq LIMIT $2",
            values![from, i64::from(limit)],
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
        self.select("SELECT * FROM entry WHERE kind = $1 ORDER BY seq", values![kind.word()]).await
    }

    /// All entries of some kinds, in order.
    ///
    /// # Errors
    /// When the ledger or an entry cannot be read.
    pub async fn by_kinds(&self, kinds: &[Kind]) -> Result<Vec<Entry>> {
        let mut all = vec![];
        for kind in kinds {
            all.extend(self.by_kind(*kind).await?);
        }
        all.sort_by_key(|entry| entry.seq);
        Ok(all)
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

    pub(super) async fn by_mention(&self, role: &'static str, value: &str) -> Result<Vec<Entry>> {
        self.select(
            "SELECT entry.* FROM mention JOIN entry ON entry.seq = mention.seq \
             WHERE mention.value = $1 AND mention.role = $2 ORDER BY mention.seq",
            values![value, role],
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

    pub(super) async fn select(&self, sql: &'static str, values: Vec<Value>) -> Result<Vec<Entry>> {
        let rows: Vec<Row> = self.place.answer(self.readers.rows(sql, values).await)?;
        rows.into_iter().map(Row::into_entry).collect()
    }
}
