//! Verification: every entry, what the look-up table names, and the states that follow.

use std::{collections::BTreeMap, future::poll_fn, pin::pin, task::Poll};

use rayon::prelude::*;

use super::{
    Store,
    derive::{
        BARS_AS_TEXT, SCREENINGS_AS_TEXT, WITHDRAWALS, bar_as_text, screening_as_text,
        withdrawals_of,
    },
};
use crate::{
    db::{Tx, values},
    entry::{Head, Row},
    error::{LedgerError, Result},
    people::People,
    record::{BarKey, Facts},
    rights,
    state::{Line, Withdrawals, Yard, bar::is_withdrawal, bar::loses},
    verify::{Fault, FaultKind, Looked, Verification, Walk},
};

/// Rows read at once: enough for both cores, little enough for memory.
const PAGE: i64 = 4000;

/// What stands between the fields of a row that is read as one text.
const JOINT: char = '\u{1f}';

/// A row with what the look-up table names for it, and its signature.
#[derive(Debug)]
struct Found {
    row: Row,
    /// What the look-up table names, in any order, as [`names`] reads it.
    named: String,
    /// Key and signature.
    signed: Option<(String, String)>,
}

impl Store {
    /// Proves every entry, that the states kept follow from them, and that the ledger still
    /// contains a head that was printed, if one is given.
    ///
    /// # Errors
    /// When the ledger cannot be opened or is locked; damage is a fault in the answer.
    pub async fn verify(&self, printed: Option<&Head>) -> Result<Verification> {
        let mut tx = self.place.answer(self.readers.snapshot().await)?;
        let walk = Walk::new(&self.identity, printed);
        // Where either cannot be read, the walk finds the fault before it matters.
        let withdrawals = readable(self.withdrawals(&mut tx).await)?;
        let people = readable(self.read_people(&mut tx).await)?;
        let derived = Derived { withdrawals, people, ..Derived::default() };
        let (Proof { walk, derived }, mut fault) =
            self.walk(&mut tx, Proof { walk, derived }).await?;
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

    /// Walks all entries: the proof they led to, and the fault it ended at, if any.
    async fn walk(&self, tx: &mut Tx, mut proof: Proof) -> Result<(Proof, Option<Fault>)> {
        let mut size = PAGE;
        let mut next = self.page(tx, i64::MIN, size).await;
        loop {
            let page = match next {
                Ok(found) => found,
                // Somewhere in this page the file is damaged: go on one by one to find where.
                Err(LedgerError::Corrupt { .. }) if size > 1 => {
                    size = 1;
                    next = self.page(tx, proof.walk.next_seq() - 1, size).await;
                    continue;
                }
                Err(LedgerError::Corrupt { what, .. }) => {
                    let seq = proof.walk.next_seq();
                    let what = format!("entry {seq} cannot be read: {what}");
                    return Ok((proof, Some(Fault { seq, kind: FaultKind::Unreadable, what })));
                }
                Err(e) => return Err(e),
            };
            let Some(last) = page.last().map(|found| found.row.seq) else {
                return Ok((proof, None));
            };
            let looking = tokio::task::spawn_blocking(move || {
                let fault = proof.take(&page).err();
                (proof, fault)
            });
            // The next page is read while this one is looked at: asked for once, its rows gather
            // meanwhile. Each taken as it comes would cost a change of threads.
            let mut reading = pin!(self.page(tx, last, size));
            let early = poll_fn(|cx| Poll::Ready(reading.as_mut().poll(cx))).await;
            let fault;
            (proof, fault) = looking.await.map_err(|e| self.place.io(&e))?;
            if fault.is_some() {
                return Ok((proof, fault));
            }
            next = match early {
                Poll::Ready(page) => page,
                Poll::Pending => reading.await,
            };
        }
    }

    /// A page of rows. Each comes as one text: a third of the time of thirteen columns.
    async fn page(&self, tx: &mut Tx, after: i64, limit: i64) -> Result<Vec<Found>> {
        let page = "SELECT concat_ws($3, e.seq, e.time_us, e.author, e.kind, e.subject, e.line, \
                    e.content_hash, e.parent_hash, e.hash, COALESCE(s.key, ''), \
                    COALESCE(s.signature, ''), COALESCE((SELECT string_agg(OCTET_LENGTH(m.value) || ' ' \
                    || m.role || ' ' || m.value, '') FROM mention m WHERE m.seq = e.seq), ''), \
                    e.content), e.seq FROM entry e LEFT JOIN signature s ON s.seq = e.seq \
                    WHERE e.seq > $1 ORDER BY e.seq LIMIT $2";
        let values = values![after, limit, JOINT.to_string()];
        let rows: Vec<(String, i64)> = self.place.answer(tx.rows(page, values).await)?;
        let mut page = Vec::with_capacity(rows.len());
        for (text, seq) in rows {
            page.push(match Found::of(&text) {
                Some(found) => found,
                None => self.plainly(tx, seq).await?,
            });
        }
        Ok(page)
    }

    /// A row whose fields do not come apart: one of them contains what joins them.
    async fn plainly(&self, tx: &mut Tx, seq: i64) -> Result<Found> {
        let one = "SELECT * FROM entry WHERE seq = $1";
        let named = "SELECT value, role FROM mention WHERE seq = $1";
        let signed = "SELECT key, signature FROM signature WHERE seq = $1";
        let row: Option<Row> = self.place.answer(tx.row(one, values![seq]).await)?;
        let named: Vec<(String, String)> = self.place.answer(tx.rows(named, values![seq]).await)?;
        let named =
            named.into_iter().map(|(value, role)| format!("{} {role} {value}", value.len()));
        Ok(Found {
            row: row.ok_or_else(|| self.place.corrupt(&format!("entry {seq} is gone")))?,
            named: named.collect(),
            signed: self.place.answer(tx.row(signed, values![seq]).await)?,
        })
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
            let values = values![after.0, after.1, PAGE];
            let rows: Vec<(String, String, String)> =
                self.place.answer(tx.rows(BARS_AS_TEXT, values).await)?;
            let fits: Vec<bool> = rows
                .par_iter()
                .map(|(heat, bar, text)| {
                    let bar = derived.yard.bars.get(&BarKey::new(&**heat, &**bar));
                    bar.is_some_and(|bar| bar_as_text(bar, &derived.withdrawals) == *text)
                })
                .collect();
            if let Some(at) = fits.iter().position(|fits| !fits) {
                let (heat, bar, _) = &rows[at];
                return Ok(Some(format!("the state kept for bar {heat}/{bar} does not follow")));
            }
            seen += rows.len();
            match rows.into_iter().next_back() {
                Some((heat, bar, _)) => after = (heat, bar),
                None => break,
            }
        }
        let wanted = derived.yard.bars.len();
        Ok((seen != wanted).then(|| format!("states of {seen} bars are kept, {wanted} follow")))
    }

    async fn compare_screenings(&self, tx: &mut Tx, derived: &Derived) -> Result<Option<String>> {
        let (mut after, mut seen) = (0, 0);
        loop {
            let rows: Vec<(i64, String)> =
                self.place.answer(tx.rows(SCREENINGS_AS_TEXT, values![after, PAGE]).await)?;
            let fits = |(seq, text): &(i64, String)| {
                derived.yard.past.get(seq).is_some_and(|past| screening_as_text(past) == *text)
            };
            if let Some((seq, _)) = rows.iter().find(|row| !fits(row)) {
                return Ok(Some(format!("the bracket kept for screening {seq} does not follow")));
            }
            seen += rows.len();
            match rows.last() {
                Some((seq, _)) => after = *seq,
                None => break,
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
fn signature_fits(people: &People, found: &Found, facts: &Facts) -> std::result::Result<(), Fault> {
    let (row, before) = (&found.row, found.row.seq - 1);
    let fault = |kind, what: String| {
        Err(Fault { seq: row.seq, kind, what: format!("entry {}: {what}", row.seq) })
    };
    if let Err(denied) = people.may_state(&row.author, facts, before) {
        return fault(FaultKind::Rights, denied.to_string());
    }
    match &found.signed {
        Some((key, signature)) => {
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

impl Found {
    /// Takes the text of a row apart; none where it does not come apart in one way.
    fn of(text: &str) -> Option<Self> {
        let mut parts = text.split(JOINT);
        let mut next = || parts.next();
        let mut row = Row {
            seq: next()?.parse().ok()?,
            time_us: next()?.parse().ok()?,
            author: next()?.to_owned(),
            kind: next()?.to_owned(),
            subject: next()?.to_owned(),
            line: next()?.to_owned(),
            content_hash: next()?.to_owned(),
            parent_hash: next()?.to_owned(),
            hash: next()?.to_owned(),
            content: String::new(),
        };
        let (key, signature) = (next()?.to_owned(), next()?.to_owned());
        let named = next()?.to_owned();
        row.content = next()?.to_owned();
        let signed = (!key.is_empty() || !signature.is_empty()).then_some((key, signature));
        parts.next().is_none().then_some(Self { row, named, signed })
    }
}

/// Value and role of names, each written as number of bytes, role, value.
fn names(mut text: &str) -> Option<Vec<(&str, &str)>> {
    let mut named = vec![];
    while !text.is_empty() {
        let (length, rest) = text.split_once(' ')?;
        let (role, rest) = rest.split_once(' ')?;
        let (value, rest) = rest.split_at_checked(length.parse().ok()?)?;
        named.push((value, role));
        text = rest;
    }
    Some(named)
}

/// How far a ledger was gone through.
struct Proof {
    walk: Walk,
    derived: Derived,
}

impl Proof {
    /// Takes the next rows, up to the first that does not fit.
    fn take(&mut self, page: &[Found]) -> std::result::Result<(), Fault> {
        let ledger = self.walk.ledger();
        let looked: Vec<Looked> =
            page.par_iter().map(|found| Looked::at(&found.row, ledger)).collect();
        for (found, looked) in page.iter().zip(&looked) {
            let names = looked.facts.as_ref().is_none_or(|facts| found.names(facts));
            self.walk.step(&found.row, looked, names)?;
            if let Some(facts) = &looked.facts {
                signature_fits(&self.derived.people, found, facts)?;
                self.derived.take(&found.row, facts);
            }
        }
        Ok(())
    }
}

impl Found {
    /// Whether the look-up table names what an entry names.
    fn names(&self, facts: &Facts) -> bool {
        let Some(mut named) = names(&self.named) else {
            return false;
        };
        named.sort_unstable();
        named.into_iter().eq(facts.mentions().iter().map(|m| (&*m.value, m.role)))
    }
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
