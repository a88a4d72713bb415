//! Adding entries: all of a call, or none.

use std::sync::Arc;

use super::{Store, derive::Keeper};
use crate::{
    db::{Tx, Value, values},
    entry::{Entry, Row, demand_time},
    error::{LedgerError, Result},
    keys::SigningKey,
    people::{People, Refused},
    record::{Facts, Record},
    rights,
};

/// A record with who writes it and when, for [`Store::append_all`].
#[derive(Debug, Clone, PartialEq)]
pub struct Stamped {
    /// What is recorded.
    pub record: Record,
    /// Who writes it.
    pub author: String,
    /// When, in microseconds since 1970-01-01 UTC.
    pub time_us: i64,
}

impl Store {
    /// Adds an entry and returns it once it is on the disk.
    ///
    /// `time_us` is in microseconds since 1970-01-01 UTC by the caller's clock.
    ///
    /// # Errors
    /// [`LedgerError::ReadOnly`], [`LedgerError::Locked`], [`LedgerError::DiskFull`],
    /// [`LedgerError::ChainBroken`], [`LedgerError::Time`]; [`LedgerError::NotAllowed`],
    /// [`LedgerError::Unsigned`] where roles or keys are kept. Nothing was added then.
    pub async fn append(&self, record: &Record, author: &str, time_us: i64) -> Result<Entry> {
        self.append_signed(record, author, time_us, None).await
    }

    /// Adds an entry, signed where it says what needs a signature ([`rights::needs_signature`]).
    ///
    /// # Errors
    /// As [`Store::append`], and [`LedgerError::WrongKey`].
    pub async fn append_signed(
        &self,
        record: &Record,
        author: &str,
        time_us: i64,
        key: Option<&SigningKey>,
    ) -> Result<Entry> {
        let stamped = Stamped { record: record.clone(), author: author.to_owned(), time_us };
        let mut added = self.append_all_signed(std::slice::from_ref(&stamped), key).await?;
        Ok(added.pop().expect("one record makes one entry"))
    }

    /// Adds several entries at once: all of them, or none. Faster than one by one, because the
    /// disk is waited for once.
    ///
    /// # Errors
    /// As [`Store::append`].
    pub async fn append_all(&self, records: &[Stamped]) -> Result<Vec<Entry>> {
        self.append_all_signed(records, None).await
    }

    /// Adds several entries of one author at once: all of them, or none.
    ///
    /// # Errors
    /// As [`Store::append_signed`].
    pub async fn append_all_signed(
        &self,
        records: &[Stamped],
        key: Option<&SigningKey>,
    ) -> Result<Vec<Entry>> {
        let writer = self.writer()?;
        for stamped in records {
            demand_time(stamped.time_us)?;
        }
        let mut tx = self.place.answer(writer.begin().await)?;
        let mut parent = self.proved_head(&mut tx).await?;
        let mut people = self.people_in(&mut tx).await?;
        let mut keeper = self.keeper(&mut tx).await?;
        let (mut rows, mut signed) = (Vec::with_capacity(records.len()), vec![]);
        for stamped in records {
            let facts = &stamped.record.facts;
            let row = self.child(&parent, stamped);
            signed.extend(sign(&people, &row, facts, key)?);
            parent = (row.seq, row.hash.clone());
            if changes_people(facts) {
                // Its own right was asked before: the next record meets the register with it.
                people = Arc::new(people.with(&row.clone().into_entry()?)?);
            }
            rows.push(row);
        }
        self.insert_rows(&mut tx, &rows).await?;
        let named =
            rows.iter().zip(records).flat_map(|(row, r)| named_by(row.seq, &r.record.facts));
        self.insert_named(&mut tx, named.collect()).await?;
        self.insert_signatures(&mut tx, signed).await?;
        for (row, stamped) in rows.iter().zip(records) {
            keeper.take(&mut tx, row.stamp(), &stamped.record.facts).await?;
        }
        keeper.write(&mut tx).await?;
        self.place.answer(tx.commit().await)?;
        rows.into_iter().map(Row::into_entry).collect()
    }

    /// The register of people by what a transaction sees; read anew only where it changed.
    async fn people_in(&self, tx: &mut Tx) -> Result<Arc<People>> {
        let last = "SELECT MAX(seq) FROM entry WHERE kind IN ('person', 'key')";
        let last: Option<(Option<i64>,)> = self.place.answer(tx.row(last, vec![]).await)?;
        let Some(last) = last.and_then(|(n,)| n) else {
            return Ok(Arc::default());
        };
        // Corrections may withdraw a role or a key.
        let corrected = "SELECT MAX(seq) FROM entry WHERE kind = 'correction'";
        let corrected: Option<(Option<i64>,)> =
            self.place.answer(tx.row(corrected, vec![]).await)?;
        let last = last.max(corrected.and_then(|(n,)| n).unwrap_or(0));
        let known = self.people.lock().unwrap_or_else(std::sync::PoisonError::into_inner).clone();
        if known.0 == last {
            return Ok(known.1);
        }
        let people = Arc::new(self.read_people(tx).await?);
        *self.people.lock().unwrap_or_else(std::sync::PoisonError::into_inner) =
            (last, people.clone());
        Ok(people)
    }

    pub(super) async fn read_people(&self, tx: &mut Tx) -> Result<People> {
        let of = "SELECT * FROM entry WHERE kind IN ('person', 'key', 'correction') ORDER BY seq";
        let rows: Vec<Row> = self.place.answer(tx.rows(of, vec![]).await)?;
        let entries: Vec<Entry> = rows.into_iter().map(Row::into_entry).collect::<Result<_>>()?;
        People::of(&entries)
    }

    pub(super) async fn keeper(&self, tx: &mut Tx) -> Result<Keeper<'_>> {
        Keeper::new(&self.place, tx).await
    }

    /// The row that follows a parent.
    fn child(&self, (seq, hash): &(i64, String), stamped: &Stamped) -> Row {
        let record = &stamped.record;
        let mut row = Row {
            seq: seq + 1,
            time_us: stamped.time_us,
            author: stamped.author.clone(),
            kind: record.kind().word().to_owned(),
            subject: record.subject.clone(),
            line: record.line.clone(),
            content: record.facts.to_content().to_string(),
            content_hash: String::new(),
            parent_hash: hash.clone(),
            hash: String::new(),
        };
        row.content_hash = row.compute_content_hash();
        row.hash = row.compute_hash(&self.identity);
        row
    }

    /// Number and hash of the head, after proving that the last entry is what its hash says.
    pub(super) async fn proved_head(&self, tx: &mut Tx) -> Result<(i64, String)> {
        let last = "SELECT * FROM entry ORDER BY seq DESC LIMIT 1";
        let row: Option<Row> = self.place.answer(tx.row(last, vec![]).await)?;
        if let Some(row) = &row
            && (row.compute_content_hash() != row.content_hash
                || row.compute_hash(&self.identity) != row.hash)
        {
            return Err(LedgerError::ChainBroken { path: self.place.path.clone(), seq: row.seq });
        }
        let head = self.head_of(row);
        Ok((head.seq, head.hash.0))
    }

    /// Writes rows as they are.
    pub(super) async fn insert_rows(&self, tx: &mut Tx, rows: &[Row]) -> Result<()> {
        let entries = rows.iter().map(Row::values).collect();
        let into = "entry (seq, time_us, author, kind, subject, line, content, content_hash, \
                    parent_hash, hash)";
        self.place.answer(tx.insert(into, entries, "").await)
    }

    /// Writes what entries name.
    pub(super) async fn insert_named(&self, tx: &mut Tx, named: Vec<Vec<Value>>) -> Result<()> {
        self.place.answer(tx.insert("mention (value, role, seq)", named, "").await)
    }

    pub(super) async fn insert_signatures(
        &self,
        tx: &mut Tx,
        signed: Vec<(i64, String, String)>,
    ) -> Result<()> {
        let rows = signed.into_iter().map(|(seq, key, signature)| values![seq, key, signature]);
        let into = "signature (seq, key, signature)";
        self.place.answer(tx.insert(into, rows.collect(), "").await)
    }
}

/// What an entry names, as the look-up table has it.
pub(super) fn named_by(seq: i64, facts: &Facts) -> impl Iterator<Item = Vec<Value>> {
    facts.mentions().into_iter().map(move |m| values![&*m.value, m.role, seq])
}

fn changes_people(facts: &Facts) -> bool {
    matches!(facts, Facts::Person(_) | Facts::Key(_) | Facts::Correction(_))
}

/// Demands that the author may write the entry and signs it where that is needed.
fn sign(
    people: &People,
    row: &Row,
    facts: &Facts,
    key: Option<&SigningKey>,
) -> Result<Option<(i64, String, String)>> {
    let before = row.seq - 1;
    people.may_state(&row.author, facts, before).map_err(Refused::from)?;
    people.admit(facts)?;
    if !rights::needs_signature(facts) || !people.are_keyed(before) {
        return Ok(None);
    }
    let Some(key) = key else {
        return Err(LedgerError::Unsigned { kind: facts.kind(), author: row.author.clone() });
    };
    if people.signer(&key.id(), before) != Some(row.author.as_str()) {
        return Err(LedgerError::WrongKey { key: key.id(), author: row.author.clone() });
    }
    Ok(Some((row.seq, key.id(), key.sign(row.hash.as_bytes()))))
}
