//! Verification: every entry, what the look-up table names, and the states that follow.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::{
    Store,
    derive::{BarRow, WITHDRAWALS, bar_rows, bracket_of, state_word, withdrawals_of},
};
use crate::{
    db::{Tx, values},
    entry::{Head, Identity, Row},
    error::{LedgerError, Result},
    people::People,
    record::Facts,
    rights,
    state::{Line, Withdrawals, Yard, bar::is_withdrawal, bar::loses},
    verify::{Fault, FaultKind, Looked, Verification, Walk},
};

/// Rows read at once: enough for both cores, little enough for memory.
const PAGE: i64 = 4000;

/// What joins the names of an entry: no name has it, or the names are read one by one.
const JOINT: &str = "\u{1f}";

/// A row with what the look-up table names for it, in any order.
#[derive(Debug, sqlx::FromRow)]
struct Named {
    #[sqlx(flatten)]
    row: Row,
    named: Option<String>,
    key: Option<String>,
    signature: Option<String>,
}

impl Store {
    /// Proves every entry, that the states kept follow from them, and that the ledger still
    /// contains a head that was printed, if one is given.
    ///
    /// # Errors
    /// When the ledger cannot be opened or is locked; damage is a fault in the answer.
    pub async fn verify(&self, printed: Option<&Head>) -> Result<Verification> {
        let mut tx = self.place.answer(self.readers.snapshot().await)?;
        let mut walk = Walk::new(&self.identity, printed);
        // Where either cannot be read, the walk finds the fault before it matters.
        let withdrawals = readable(self.withdrawals(&mut tx).await)?;
        let people = readable(self.read_people(&mut tx).await)?;
        let mut derived = Derived { withdrawals, people, ..Derived::default() };
        let mut fault = self.walk(&mut tx, &mut walk, &mut derived).await?;
        let mut beyond = 0;
        if fault.is_none() {
            let last = "SELECT MAX(seq) FROM mention";
            let last: Option<(Option<i64>,)> = self.place.answer(tx.row(last, vec![]).await)?;
            beyond = last.and_then(|(n,)| n).unwrap_or(0);
            if beyond < walk.next_seq() {
                fault = match self.compare(&mut tx, &derived).await {
                    Ok(None) => None,
                    Ok(Some(what)) => Some(of_states(walk.next_seq() - 1, what)),
                    Err(LedgerError::Corrupt { what, .. }) => {
                        Some(of_states(walk.next_seq() - 1, what))
                    }
                    Err(e) => return Err(e),
                };
            }
        }
        Ok(walk.end(fault, beyond))
    }

    /// What was withdrawn, by the entries themselves.
    async fn withdrawals(&self, tx: &mut Tx) -> Result<Withdrawals> {
        let corrections = "SELECT * FROM entry WHERE kind = 'correction' ORDER BY seq";
        let rows: Vec<Row> = self.place.answer(tx.rows(corrections, vec![]).await)?;
        let mut found: Vec<(i64, i64, Option<String>)> = vec![];
        for row in rows {
            if let Facts::Correction(c) = row.facts()?
                && is_withdrawal(&c, row.seq)
            {
                let one = "SELECT * FROM entry WHERE seq = $1";
                let corrected: Option<Row> =
                    self.place.answer(tx.row(one, values![c.corrects]).await)?;
                if let Some(corrected) = corrected {
                    let document = loses(&corrected.facts()?).map(|d| d.0.clone());
                    found.retain(|(seq, ..)| *seq != c.corrects);
                    found.push((c.corrects, row.seq, document));
                }
            }
        }
        Ok(withdrawals_of(found))
    }

    async fn walk(
        &self,
        tx: &mut Tx,
        walk: &mut Walk<'_>,
        derived: &mut Derived,
    ) -> Result<Option<Fault>> {
        let mut size = PAGE;
        let mut next = self.page(tx, i64::MIN, size).await;
        loop {
            let page = match next {
                Ok(found) => found,
                // Somewhere in this page the file is damaged: go on one by one to find where.
                Err(LedgerError::Corrupt { .. }) if size > 1 => {
                    size = 1;
                    next = self.page(tx, walk.next_seq() - 1, size).await;
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
            let Some(last) = page.last().map(|named| named.row.seq) else {
                return Ok(None);
            };
            // The next page is read while this one is looked at.
            let identity = self.identity.clone();
            let looking = tokio::task::spawn_blocking(move || look(page, &identity));
            next = self.page(tx, last, size).await;
            let looked = looking.await.map_err(|e| self.place.io(&e))?;
            for (named, looked) in looked {
                let names = self.names_fit(tx, &named, &looked).await?;
                if let Err(fault) = walk.step(&named.row, &looked, names) {
                    return Ok(Some(fault));
                }
                if let Some(facts) = &looked.facts {
                    if let Err(fault) = signature_fits(&derived.people, &named, facts) {
                        return Ok(Some(fault));
                    }
                    derived.take(&named.row, facts);
                }
            }
        }
    }

    /// Whether the look-up table names what an entry names.
    async fn names_fit(&self, tx: &mut Tx, named: &Named, looked: &Looked) -> Result<bool> {
        let Some(wanted) = &looked.named else {
            return Ok(false);
        };
        let mut found: Vec<(String, String)> = named
            .named
            .iter()
            .flat_map(|text| text.split(JOINT))
            .filter_map(|one| one.split_once(' '))
            .map(|(role, value)| (value.to_owned(), role.to_owned()))
            .collect();
        found.sort_unstable();
        if found == *wanted {
            return Ok(true);
        }
        // A name may contain the joint: then only the rows themselves tell.
        let rows = "SELECT value, role FROM mention WHERE seq = $1";
        let mut rows: Vec<(String, String)> =
            self.place.answer(tx.rows(rows, values![named.row.seq]).await)?;
        rows.sort_unstable();
        Ok(rows == *wanted)
    }

    async fn page(&self, tx: &mut Tx, after: i64, limit: i64) -> Result<Vec<Named>> {
        let page = "SELECT e.*, (SELECT string_agg(m.role || ' ' || m.value, $3) FROM mention m \
                    WHERE m.seq = e.seq) AS named, s.key, s.signature \
                    FROM entry e LEFT JOIN signature s ON s.seq = e.seq WHERE e.seq > $1 ORDER BY e.seq LIMIT $2";
        self.place.answer(tx.rows(page, values![after, limit, JOINT]).await)
    }

    /// What the tables keep against what follows from the entries; what differs first, in words.
    async fn compare(&self, tx: &mut Tx, derived: &Derived) -> Result<Option<String>> {
        let place = &self.place;
        let kept: Vec<(i64, i64, Option<String>)> =
            place.answer(tx.rows(WITHDRAWALS, vec![]).await)?;
        if withdrawals_of(kept) != derived.withdrawals {
            return Ok(Some("what was withdrawn is not what corrections say".into()));
        }
        let lines: Vec<(String, String)> =
            place.answer(tx.rows("SELECT line, state FROM line", vec![]).await)?;
        let fits = |(name, text): &(String, String)| {
            let kept: Option<Line> = serde_json::from_str(text).ok();
            kept.as_ref() == derived.yard.lines.get(name.as_str())
        };
        if let Some((name, _)) = lines.iter().find(|line| !fits(line)) {
            return Ok(Some(format!("the state kept for line {name} does not follow")));
        }
        if lines.len() != derived.yard.lines.len() {
            return Ok(Some("a line has no state".into()));
        }
        if let Some(what) = self.compare_bars(tx, derived).await? {
            return Ok(Some(what));
        }
        if let Some(what) = self.compare_screenings(tx, derived).await? {
            return Ok(Some(what));
        }
        self.compare_lists(tx, derived).await
    }

    async fn compare_bars(&self, tx: &mut Tx, derived: &Derived) -> Result<Option<String>> {
        let (mut after, mut seen) = ((String::new(), String::new()), 0);
        loop {
            let page =
                bar_rows!("WHERE (b.heat, b.bar) > ($1, $2) ORDER BY b.heat, b.bar LIMIT 5000");
            let rows: Vec<BarRow> =
                self.place.answer(tx.rows(page, values![&after.0, &after.1]).await)?;
            let Some(last) = rows.last() else {
                break;
            };
            after = (last.heat.clone(), last.bar.clone());
            for row in rows {
                seen += 1;
                let name = format!("{}/{}", row.heat, row.bar);
                let word = row.state.clone();
                let fits = row.read().is_some_and(|(key, bar)| {
                    derived.yard.bars.get(&key).is_some_and(|wanted| {
                        *wanted == bar && state_word(&bar.state(&derived.withdrawals)) == word
                    })
                });
                if !fits {
                    return Ok(Some(format!("the state kept for bar {name} does not follow")));
                }
            }
        }
        let wanted = derived.yard.bars.len();
        Ok((seen != wanted).then(|| format!("states of {seen} bars are kept, {wanted} follow")))
    }

    async fn compare_screenings(&self, tx: &mut Tx, derived: &Derived) -> Result<Option<String>> {
        type Columns = (
            i64,
            String,
            String,
            String,
            Option<i64>,
            String,
            Option<i64>,
            Option<i64>,
            Option<String>,
            Option<i64>,
        );
        let (mut after, mut seen) = (0, 0);
        loop {
            let page = "SELECT seq, heat, bar, line, last_check, bracket, opening, closing, why, \
                        why_seq FROM screening WHERE seq > $1 ORDER BY seq LIMIT 5000";
            let rows: Vec<Columns> = self.place.answer(tx.rows(page, values![after]).await)?;
            let Some(last) = rows.last() else {
                break;
            };
            after = last.0;
            for (seq, heat, bar, line, last_check, word, opening, closing, why, why_seq) in rows {
                seen += 1;
                let bracket = bracket_of(&word, opening, closing, why, why_seq);
                let fits = derived.yard.past.get(&seq).is_some_and(|wanted| {
                    Some(wanted.bracket) == bracket
                        && wanted.last_check == last_check
                        && *wanted.line == *line
                        && (&wanted.bar.heat, &wanted.bar.bar) == (&heat, &bar)
                });
                if !fits {
                    return Ok(Some(format!(
                        "the bracket kept for screening {seq} does not follow"
                    )));
                }
            }
        }
        let wanted = derived.yard.past.len();
        Ok((seen != wanted).then(|| format!("{seen} screenings are kept, {wanted} follow")))
    }

    /// Orders, techniques, pieces, shipments and equipment in use.
    async fn compare_lists(&self, tx: &mut Tx, derived: &Derived) -> Result<Option<String>> {
        let mut lists = derived.lists.clone();
        for (name, (line, place, since)) in &derived.mounted {
            let list = lists.entry("equipment in use").or_default();
            list.push((*since, format!("{name} {line} {place} on")));
        }
        for (list, sql) in LISTS {
            let rows: Vec<(i64, String)> = self.place.answer(tx.rows(sql, vec![]).await)?;
            let mut kept: Vec<(i64, String)> = rows;
            kept.sort_unstable();
            let mut wanted = lists.remove(list).unwrap_or_default();
            wanted.sort_unstable();
            wanted.dedup();
            if kept != wanted {
                return Ok(Some(format!("what is kept of {list} does not follow")));
            }
        }
        Ok(None)
    }
}

/// Tables that are lists: number of the entry, and the rest in one text.
const LISTS: [(&str, &str); 5] = [
    ("orders", "SELECT seq, number || ' ' || customer || ' ' || heat FROM ordered"),
    ("techniques", "SELECT seq, document || ' ' || number || ' ' || name FROM technique"),
    ("pieces", "SELECT seq, heat || '/' || bar || ' ' || piece FROM piece"),
    (
        "shipments",
        "SELECT seq, heat || '/' || bar || ' ' || piece || ' ' || delivery || ' ' || customer \
         FROM shipped",
    ),
    (
        "equipment in use",
        "SELECT from_seq, equipment || ' ' || line || ' ' || place || ' ' || \
         COALESCE(CAST(to_seq AS TEXT), 'on') FROM mounted",
    ),
];

/// Nothing, where damage or an unreadable entry is in the way.
fn readable<T: Default>(read: Result<T>) -> Result<T> {
    match read {
        Err(LedgerError::Corrupt { .. } | LedgerError::Unreadable { .. }) => Ok(T::default()),
        read => read,
    }
}

fn of_states(seq: i64, what: String) -> Fault {
    Fault { seq, kind: FaultKind::States, what }
}

/// Whether an entry's author might write it, and whether it is signed where that is needed.
fn signature_fits(people: &People, named: &Named, facts: &Facts) -> std::result::Result<(), Fault> {
    let (row, before) = (&named.row, named.row.seq - 1);
    let fault = |kind, what: String| {
        Err(Fault { seq: row.seq, kind, what: format!("entry {}: {what}", row.seq) })
    };
    if let Err(denied) = people.may_state(&row.author, facts, before) {
        return fault(FaultKind::Rights, denied.to_string());
    }
    match (&named.key, &named.signature) {
        (Some(key), Some(signature)) => {
            let Some(known) = people.key(key) else {
                return fault(
                    FaultKind::Signature,
                    format!("it is signed by key {key}, which is not known"),
                );
            };
            if people.signer(key, before) != Some(row.author.as_str()) {
                let what = format!(
                    "it is signed by key {key}, which did not sign for {} then",
                    row.author
                );
                return fault(FaultKind::Signature, what);
            }
            match known.public.verify(row.hash.as_bytes(), signature) {
                Ok(()) => Ok(()),
                Err(_) => fault(FaultKind::Signature, format!("its signature is not by key {key}")),
            }
        }
        _ if rights::needs_signature(facts) && people.are_keyed(before) => {
            fault(FaultKind::Signature, "it is not signed, and must be".into())
        }
        _ => Ok(()),
    }
}

/// Looks at the rows of a page, each by itself.
fn look(page: Vec<Named>, ledger: &Identity) -> Vec<(Named, Looked)> {
    page.into_par_iter()
        .map(|named| {
            let looked = Looked::at(&named.row, ledger);
            (named, looked)
        })
        .collect()
}

/// What follows from the entries, in memory.
#[derive(Default)]
struct Derived {
    people: People,
    withdrawals: Withdrawals,
    yard: Yard,
    lists: BTreeMap<&'static str, Vec<(i64, String)>>,
    /// Equipment in use: line, place and the entry since when.
    mounted: BTreeMap<String, (String, String, i64)>,
}

impl Derived {
    fn take(&mut self, row: &Row, facts: &Facts) {
        self.yard.take(row.stamp(), facts, &self.withdrawals);
        let seq = row.seq;
        match facts {
            Facts::Order(f) => {
                self.list("orders", seq, format!("{} {} {}", f.order, f.customer, f.heat))
            }
            Facts::Technique(f) => {
                let text = format!("{} {} {}", f.origin.document, f.order, f.name);
                self.list("techniques", seq, text);
            }
            Facts::Cut(f) => {
                for p in &f.pieces {
                    self.list("pieces", seq, format!("{} {}", f.bar, p.piece));
                }
            }
            Facts::Shipment(f) => {
                for item in &f.items {
                    let piece = item.piece.as_deref().unwrap_or_default();
                    let text = format!("{} {piece} {} {}", item.bar, f.delivery, f.customer);
                    self.list("shipments", seq, text);
                }
            }
            Facts::Mount(f) => {
                let ended: Vec<String> = self
                    .mounted
                    .iter()
                    .filter(|(name, (line, place, _))| {
                        **name == f.equipment || (*line == row.line && *place == f.place)
                    })
                    .map(|(name, _)| name.clone())
                    .collect();
                for name in ended {
                    if let Some((line, place, since)) = self.mounted.remove(&name) {
                        let text = format!("{name} {line} {place} {seq}");
                        self.list("equipment in use", since, text);
                    }
                }
                if f.on {
                    let place = (row.line.clone(), f.place.clone(), seq);
                    self.mounted.insert(f.equipment.clone(), place);
                }
            }
            _ => {}
        }
    }

    fn list(&mut self, list: &'static str, seq: i64, text: String) {
        self.lists.entry(list).or_default().push((seq, text));
    }
}
