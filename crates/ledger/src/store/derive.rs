//! The tables that follow from the entries, kept up to date with them: states of bars and lines,
//! orders, pieces, shipments, equipment in use.
//!
//! The steps are those of the plain form ([`crate::state`]); what is added here is where bars and
//! lines are kept meanwhile. A withdrawal reaches back: only what it touches is gone through anew.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use barwright_job::{Hash, judgement::Verdict};

use super::{Store, place::Place};
use crate::{
    db::{Pool, Tx, Value, values},
    entry::Row,
    error::Result,
    record::{BarKey, CorrectionFacts, Facts, ScreenedFacts},
    state::{
        Bar, Bracket, Line, Screening, Setting, Stamp, State, Why, Withdrawals,
        bar::{Judged, is_withdrawal, loses},
        line::Settled,
        yard::{Past, moves_line, step},
    },
};

/// Number of this form of the tables: whoever finds another one derives them anew.
const FORM: &str = "1";

/// Rows gone through at once when deriving anew.
const PAGE: i64 = 2000;

/// The row that says which form the tables have.
pub(super) fn form() -> Vec<Value> {
    values!["form", FORM]
}

/// Whether the tables have this program's form.
pub(super) async fn is_current(pool: &Pool, place: &Place) -> Result<bool> {
    let form = "SELECT value FROM derived WHERE key = 'form'";
    let found: Option<(String,)> = place.answer(pool.row(form, vec![]).await)?;
    Ok(found.is_some_and(|(found,)| found == FORM))
}

const TABLES: [&str; 10] = [
    "DELETE FROM derived",
    "DELETE FROM line",
    "DELETE FROM screening",
    "DELETE FROM bar",
    "DELETE FROM withdrawal",
    "DELETE FROM ordered",
    "DELETE FROM technique",
    "DELETE FROM piece",
    "DELETE FROM shipped",
    "DELETE FROM mounted",
];

impl Store {
    /// Derives the tables anew where another form of the program wrote them, or none did.
    pub(super) async fn derive_where_needed(&self) -> Result<()> {
        if is_current(self.writer()?, &self.place).await? {
            return Ok(());
        }
        self.derive_anew().await
    }

    /// Empties the tables that follow from the entries and derives them anew.
    ///
    /// # Errors
    /// [`crate::LedgerError::ReadOnly`], [`crate::LedgerError::Locked`], [`crate::LedgerError::DiskFull`]; the tables
    /// are as before then. [`crate::LedgerError::Unreadable`] for an entry of an unknown kind.
    pub async fn derive_anew(&self) -> Result<()> {
        let place = &self.place;
        let mut tx = place.answer(self.writer()?.begin().await)?;
        for empty in TABLES {
            place.answer(tx.run(empty, vec![]).await)?;
        }
        let mut keeper = self.keeper(&mut tx).await?;
        let mut after = 0;
        loop {
            let page = "SELECT * FROM entry WHERE seq > $1 ORDER BY seq LIMIT $2";
            let rows: Vec<Row> = place.answer(tx.rows(page, values![after, PAGE]).await)?;
            let Some(last) = rows.last() else {
                break;
            };
            after = last.seq;
            for row in &rows {
                keeper.take(&mut tx, row.stamp(), &row.facts()?).await?;
            }
            keeper.write(&mut tx).await?;
        }
        place.answer(tx.insert("derived (key, value)", vec![form()], "").await)?;
        place.answer(tx.commit().await)
    }
}

/// A bar as the tables keep it, with its latest screening.
#[derive(Debug, sqlx::FromRow)]
pub(super) struct BarRow {
    pub heat: String,
    pub bar: String,
    screening: Option<i64>,
    judged: Option<i64>,
    verdict: Option<String>,
    kept: Option<String>,
    rejected: i64,
    judge_after: Option<i64>,
    retest: Option<i64>,
    line: Option<String>,
    document: Option<String>,
    technique: Option<String>,
    level: Option<String>,
    program: Option<String>,
    bracket: Option<String>,
    opening: Option<i64>,
    closing: Option<i64>,
    why: Option<String>,
    why_seq: Option<i64>,
}

/// The columns of [`BarRow`], of a bar `b` and its latest screening `s`.
macro_rules! bar_columns {
    () => {
        "b.heat, b.bar, b.screening, b.judged, b.verdict, b.kept, b.rejected, b.judge_after, \
         b.retest, s.line, s.document, s.technique, s.level, s.program, s.bracket, \
         s.opening, s.closing, s.why, s.why_seq"
    };
}
pub(super) use bar_columns;

/// A statement for [`BarRow`]s that goes on with a condition.
macro_rules! bar_rows {
    ($then:literal) => {
        concat!(
            "SELECT ",
            $crate::store::derive::bar_columns!(),
            " FROM bar b LEFT JOIN screening s ON s.seq = b.screening ",
            $then
        )
    };
}
pub(super) use bar_rows;

/// The row of one bar.
pub(super) const ONE_BAR: &str = bar_rows!("WHERE b.heat = $1 AND b.bar = $2");

// The three that follow name the line so that no index of lines is used: a line has very many
// entries, and few of a kind.

/// Number of a line's last check before an entry.
pub(super) const CHECK_BEFORE: &str = "SELECT seq FROM entry WHERE line || '' = $1 \
     AND kind = 'check' AND seq < $2 ORDER BY seq DESC LIMIT 1";

/// Number of a line's first check after an entry, up to another one.
pub(super) const CHECK_AFTER: &str = "SELECT seq FROM entry WHERE line || '' = $1 \
     AND kind = 'check' AND seq > $2 AND seq <= $3 ORDER BY seq LIMIT 1";

/// The entry about who ran a line before an entry.
pub(super) const OPERATOR_BEFORE: &str = "SELECT * FROM entry WHERE line || '' = $1 \
     AND kind = 'operator' AND seq < $2 ORDER BY seq DESC LIMIT 1";

impl BarRow {
    /// The bar; where the row does not make sense, the place is damaged.
    pub fn told(self, place: &Place) -> Result<(BarKey, Bar)> {
        let name = format!("{}/{}", self.heat, self.bar);
        self.read().ok_or_else(|| place.corrupt(&format!("state of bar {name}")))
    }

    /// The bar; none where the row does not make sense.
    pub fn read(self) -> Option<(BarKey, Bar)> {
        let judgement = match (self.judged, self.verdict) {
            (Some(seq), Some(word)) => Some(Judged {
                seq,
                verdict: verdict_of(&word)?,
                kept_m: serde_json::from_str(self.kept.as_deref().unwrap_or("[]")).ok()?,
            }),
            (None, None) => None,
            _ => return None,
        };
        let screening = match self.screening {
            Some(seq) => Some(Screening {
                seq,
                line: Arc::from(self.line?),
                document: Hash(self.document?),
                setting: Arc::new(Setting {
                    technique: Hash(self.technique?),
                    level: self.level.map(Hash),
                    program: self.program,
                }),
                bracket: bracket_of(
                    &self.bracket?,
                    self.opening,
                    self.closing,
                    self.why,
                    self.why_seq,
                )?,
                judgement,
            }),
            None => None,
        };
        let bar = Bar {
            screening,
            rejected: self.rejected != 0,
            judge_after: self.judge_after,
            retest: self.retest,
        };
        Some((BarKey::new(self.heat, self.bar), bar))
    }
}

/// Some columns of a row as one text.
macro_rules! as_text {
    ($($column:literal),*) => {
        concat!("concat_ws('|'", $(", COALESCE(CAST(", $column, " AS TEXT), '')"),*, ")")
    };
}

/// Values as [`as_text`] has them.
fn text_of(values: &[Value]) -> String {
    let mut text = String::new();
    for (i, value) in values.iter().enumerate() {
        if i > 0 {
            text.push('|');
        }
        value.write(&mut text);
    }
    text
}

/// Rows of bars with their latest screening, after one: heat, bar, and the rest as one text.
pub(super) const BARS_AS_TEXT: &str = concat!(
    "SELECT b.heat, b.bar, ",
    as_text!(
        "b.screening",
        "b.judged",
        "b.verdict",
        "b.kept",
        "b.rejected",
        "b.judge_after",
        "b.retest",
        "b.state",
        "s.document"
    ),
    " FROM bar b LEFT JOIN screening s ON s.seq = b.screening WHERE (b.heat, b.bar) > ($1, $2) \
     ORDER BY b.heat, b.bar LIMIT $3"
);

/// The text that [`BARS_AS_TEXT`] has for a bar.
pub(super) fn bar_as_text(bar: &Bar, withdrawals: &Withdrawals) -> String {
    let mut values = bar_values(bar, withdrawals);
    values.push(bar.screening.as_ref().map(|s| s.document.0.clone()).into());
    text_of(&values)
}

/// Rows of screenings after one: number, and the rest as one text.
pub(super) const SCREENINGS_AS_TEXT: &str = concat!(
    "SELECT seq, ",
    as_text!(
        "heat",
        "bar",
        "line",
        "last_check",
        "technique",
        "level",
        "program",
        "bracket",
        "opening",
        "closing",
        "why",
        "why_seq"
    ),
    " FROM screening WHERE seq > $1 ORDER BY seq LIMIT $2"
);

/// The text that [`SCREENINGS_AS_TEXT`] has for a screening.
pub(super) fn screening_as_text(past: &Past) -> String {
    let mut values = values![&past.bar.heat, &past.bar.bar, &*past.line, past.last_check];
    values.extend(setting_values(&past.setting));
    values.extend(bracket_values(&past.bracket));
    text_of(&values)
}

/// Columns `screening, judged, verdict, kept, rejected, judge_after, retest, state` of a bar.
fn bar_values(bar: &Bar, withdrawals: &Withdrawals) -> Vec<Value> {
    let screening = bar.screening.as_ref();
    let judgement = screening.and_then(|s| s.judgement.as_ref());
    let kept = |j: &Judged| serde_json::to_string(&j.kept_m).expect("numbers are plain data");
    values![
        screening.map(|s| s.seq),
        judgement.map(|j| j.seq),
        judgement.map(|j| verdict_word(j.verdict).to_owned()),
        judgement.map(kept),
        i64::from(bar.rejected),
        bar.judge_after,
        bar.retest,
        state_word(&bar.state(withdrawals)),
    ]
}

/// Columns `technique, level, program` of a screening.
fn setting_values(setting: &Setting) -> Vec<Value> {
    let level = setting.level.as_ref().map(|level| level.0.clone());
    values![&setting.technique.0, level, setting.program.clone()]
}

/// Columns `bracket, opening, closing, why, why_seq` of a screening.
fn bracket_values(bracket: &Bracket) -> Vec<Value> {
    match bracket {
        Bracket::Open(opening) => {
            values!["open", *opening, None::<i64>, None::<String>, None::<i64>]
        }
        Bracket::Closed(opening, closing) => {
            values!["closed", *opening, *closing, None::<String>, None::<i64>]
        }
        Bracket::Broken(opening, why) => {
            let (word, seq) = why.parts();
            values!["broken", *opening, None::<i64>, word, seq]
        }
    }
}

pub(super) fn bracket_of(
    word: &str,
    opening: Option<i64>,
    closing: Option<i64>,
    why: Option<String>,
    why_seq: Option<i64>,
) -> Option<Bracket> {
    Some(match (word, opening, closing, why) {
        ("open", Some(opening), None, None) => Bracket::Open(opening),
        ("closed", Some(opening), Some(closing), None) => Bracket::Closed(opening, closing),
        ("broken", opening, None, Some(why)) => {
            Bracket::Broken(opening, Why::from_parts(&why, why_seq)?)
        }
        _ => return None,
    })
}

fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Release => "release",
        Verdict::Crop => "crop",
        Verdict::Hold => "hold",
        Verdict::Reject => "reject",
    }
}

fn verdict_of(word: &str) -> Option<Verdict> {
    [Verdict::Release, Verdict::Crop, Verdict::Hold, Verdict::Reject]
        .into_iter()
        .find(|v| verdict_word(*v) == word)
}

/// The word of a state, by which bars are found.
pub(super) fn state_word(state: &State) -> &'static str {
    match state {
        State::Waiting { .. } => "waiting",
        State::Released => "released",
        State::Cropped { .. } => "cropped",
        State::Held { .. } => "held",
        State::Rejected => "rejected",
    }
}

/// Reads what was withdrawn.
pub(super) const WITHDRAWALS: &str = "SELECT corrected, correction, document FROM withdrawal";

/// What was withdrawn, from its rows.
pub(super) fn withdrawals_of(mut rows: Vec<(i64, i64, Option<String>)>) -> Withdrawals {
    let mut all = Withdrawals::default();
    // The last entry of a document decides which correction is told, as in the plain form.
    rows.sort_unstable();
    for (corrected, correction, document) in rows {
        all.entries.insert(corrected, correction);
        if let Some(document) = document {
            all.documents.insert(Hash(document), correction);
        }
    }
    all
}

/// A screening that is not in its table yet.
#[derive(Debug)]
struct New {
    seq: i64,
    time_us: i64,
    last_check: Option<i64>,
    bar: BarKey,
    line: String,
    document: Hash,
    setting: Setting,
    bracket: Bracket,
}

/// Keeps the tables during one transaction. What is new waits here for [`Keeper::write`].
pub(super) struct Keeper<'a> {
    place: &'a Place,
    withdrawals: Withdrawals,
    lines: BTreeMap<String, Line>,
    bars: BTreeMap<BarKey, Bar>,
    screenings: Vec<New>,
    ordered: Vec<Vec<Value>>,
    techniques: Vec<Vec<Value>>,
    pieces: Vec<Vec<Value>>,
    shipped: Vec<Vec<Value>>,
}

impl<'a> Keeper<'a> {
    pub async fn new(place: &'a Place, tx: &mut Tx) -> Result<Self> {
        let rows = place.answer(tx.rows(WITHDRAWALS, vec![]).await)?;
        Ok(Self {
            place,
            withdrawals: withdrawals_of(rows),
            lines: BTreeMap::new(),
            bars: BTreeMap::new(),
            screenings: vec![],
            ordered: vec![],
            techniques: vec![],
            pieces: vec![],
            shipped: vec![],
        })
    }

    /// Takes the next entry. It is not withdrawn yet: corrections come later.
    pub async fn take(&mut self, tx: &mut Tx, at: Stamp<'_>, facts: &Facts) -> Result<()> {
        if moves_line(facts, at.line) {
            self.move_line(tx, at, facts).await?;
        }
        match facts {
            Facts::Judgement(f) => self.bar(tx, &f.bar).await?.judge(at.seq, f, None),
            Facts::Retest(f) => self.bar(tx, &f.bar).await?.order_retest(at.seq, false),
            Facts::Correction(f) if is_withdrawal(f, at.seq) => self.withdraw(tx, at, f).await?,
            Facts::Order(f) => {
                self.ordered.push(values![&f.order, &f.customer, &f.heat, at.seq]);
            }
            Facts::Technique(f) => {
                self.techniques.push(values![&f.origin.document.0, &f.order, &f.name, at.seq]);
            }
            Facts::Cut(f) => self.pieces.extend(
                f.pieces
                    .iter()
                    .map(|p| values![&f.bar.heat, &f.bar.bar, &p.piece, p.from_m, p.to_m, at.seq]),
            ),
            Facts::Shipment(f) => self.shipped.extend(f.items.iter().map(|item| {
                let piece = item.piece.clone().unwrap_or_default();
                values![&item.bar.heat, &item.bar.bar, piece, &f.delivery, &f.customer, at.seq]
            })),
            Facts::Mount(f) => {
                let end = "UPDATE mounted SET to_seq = $1 WHERE to_seq IS NULL AND (equipment = $2 \
                           OR (line = $3 AND place = $4))";
                let values = values![at.seq, &f.equipment, at.line, &f.place];
                self.place.answer(tx.run(end, values).await)?;
                if f.on {
                    let begin = "INSERT INTO mounted (equipment, line, place, from_seq) \
                                 VALUES ($1, $2, $3, $4)";
                    let values = values![&f.equipment, at.line, &f.place, at.seq];
                    self.place.answer(tx.run(begin, values).await)?;
                }
            }
            _ => {}
        }
        Ok(())
    }

    async fn move_line(&mut self, tx: &mut Tx, at: Stamp<'_>, facts: &Facts) -> Result<()> {
        if !self.lines.contains_key(at.line) {
            let kept = "SELECT state FROM line WHERE line = $1";
            let kept: Option<(String,)> =
                self.place.answer(tx.row(kept, values![at.line]).await)?;
            let line = match kept {
                Some((text,)) => serde_json::from_str(&text)
                    .map_err(|e| self.place.corrupt(&format!("state of line {}: {e}", at.line)))?,
                None => Line::new(at.time_us),
            };
            self.lines.insert(at.line.to_owned(), line);
        }
        let line = self.lines.get_mut(at.line).expect("just put there");
        let last_check = line.last_check;
        let step = step(line, at, facts, false);
        for settled in &step.settled {
            self.settle(tx, settled).await?;
        }
        if let (Facts::BarScreened(f), Some(bracket)) = (facts, step.bracket) {
            self.screen(tx, at, f, bracket, last_check).await?;
        }
        Ok(())
    }

    async fn screen(
        &mut self,
        tx: &mut Tx,
        at: Stamp<'_>,
        f: &ScreenedFacts,
        bracket: Bracket,
        last_check: Option<i64>,
    ) -> Result<()> {
        let setting = Setting::from(f);
        self.bar(tx, &f.bar).await?.screen(Screening {
            seq: at.seq,
            line: Arc::from(at.line),
            document: f.origin.document.clone(),
            setting: Arc::new(setting.clone()),
            bracket,
            judgement: None,
        });
        self.screenings.push(New {
            seq: at.seq,
            time_us: at.time_us,
            last_check,
            bar: f.bar.clone(),
            line: at.line.to_owned(),
            document: f.origin.document.clone(),
            setting,
            bracket,
        });
        Ok(())
    }

    async fn bar(&mut self, tx: &mut Tx, key: &BarKey) -> Result<&mut Bar> {
        if !self.bars.contains_key(key) {
            let values = values![&key.heat, &key.bar];
            let row: Option<BarRow> = self.place.answer(tx.row(ONE_BAR, values).await)?;
            let bar = match row {
                Some(row) => row.told(self.place)?.1,
                None => Bar::default(),
            };
            self.bars.insert(key.clone(), bar);
        }
        Ok(self.bars.get_mut(key).expect("just put there"))
    }

    /// Settles the open screenings of a stretch that ended.
    async fn settle(&mut self, tx: &mut Tx, settled: &Settled) -> Result<()> {
        self.write_bars(tx).await?;
        let open = bar_rows!("WHERE s.bracket = 'open' AND s.opening = $1");
        let rows: Vec<BarRow> = self.place.answer(tx.rows(open, values![settled.opening]).await)?;
        let all = "UPDATE screening SET bracket = $1, opening = $2, closing = $3, why = $4, \
                   why_seq = $5 WHERE bracket = 'open' AND opening = $6";
        let mut values = bracket_values(&settled.bracket);
        values.push(settled.opening.into());
        self.place.answer(tx.run(all, values).await)?;
        for row in rows {
            let (key, mut bar) = row.told(self.place)?;
            if let Some(screening) = &mut bar.screening {
                screening.bracket = settled.bracket;
            }
            self.bars.insert(key, bar);
        }
        Ok(())
    }

    /// Takes an earlier entry out of account, and whatever rests on it through anew.
    async fn withdraw(
        &mut self,
        tx: &mut Tx,
        at: Stamp<'_>,
        correction: &CorrectionFacts,
    ) -> Result<()> {
        self.write(tx).await?;
        let seq = correction.corrects;
        let one = "SELECT * FROM entry WHERE seq = $1";
        let row: Option<Row> = self.place.answer(tx.row(one, values![seq]).await)?;
        let Some(row) = row else {
            return Ok(());
        };
        let facts = row.facts()?;
        let document = loses(&facts).cloned();
        let keep = "INSERT INTO withdrawal (corrected, correction, document) VALUES ($1, $2, $3) \
                    ON CONFLICT (corrected) DO UPDATE SET correction = excluded.correction";
        let values = values![seq, at.seq, document.as_ref().map(|d| d.0.clone())];
        self.place.answer(tx.run(keep, values).await)?;
        let all = self.place.answer(tx.rows(WITHDRAWALS, vec![]).await)?;
        self.withdrawals = withdrawals_of(all);
        match &facts {
            Facts::Judgement(f) => self.bar_anew(tx, &f.bar, at.seq).await,
            Facts::Retest(f) => self.bar_anew(tx, &f.bar, at.seq).await,
            Facts::BarScreened(f) => self.bar_anew(tx, &f.bar, at.seq).await,
            Facts::Check(_) => self.stretches_anew(tx, &row.line, seq, at.seq).await,
            Facts::Technique(_) | Facts::Level(_) => match document {
                Some(document) => self.bars_of(tx, &document).await,
                None => Ok(()),
            },
            _ => Ok(()),
        }
    }

    /// Goes through the entries of one bar anew, up to the one that is being taken: later ones may be
    /// in the table of entries already. Brackets stay.
    async fn bar_anew(&mut self, tx: &mut Tx, key: &BarKey, until: i64) -> Result<()> {
        let named = "SELECT entry.* FROM mention JOIN entry ON entry.seq = mention.seq \
                     WHERE mention.value = $1 AND mention.role = 'bar' AND mention.seq <= $2 \
                     ORDER BY mention.seq";
        let named = tx.rows(named, values![key.to_string(), until]).await;
        let rows: Vec<Row> = self.place.answer(named)?;
        let mut bar = Bar::default();
        for row in rows {
            let correction = self.withdrawals.entries.get(&row.seq).copied();
            match row.facts()? {
                Facts::BarScreened(f) => {
                    let bracket = self.bracket(tx, row.seq).await?;
                    bar.screen(Screening {
                        seq: row.seq,
                        line: Arc::from(row.line),
                        document: f.origin.document.clone(),
                        setting: Arc::new((&f).into()),
                        bracket,
                        judgement: None,
                    });
                }
                Facts::Judgement(f) => bar.judge(row.seq, &f, correction),
                Facts::Retest(_) => bar.order_retest(row.seq, correction.is_some()),
                _ => {}
            }
        }
        self.bars.insert(key.clone(), bar);
        Ok(())
    }

    async fn bracket(&self, tx: &mut Tx, seq: i64) -> Result<Bracket> {
        type Columns = (String, Option<i64>, Option<i64>, Option<String>, Option<i64>);
        let one = "SELECT bracket, opening, closing, why, why_seq FROM screening WHERE seq = $1";
        let row: Option<Columns> = self.place.answer(tx.row(one, values![seq]).await)?;
        row.and_then(|(word, opening, closing, why, why_seq)| {
            bracket_of(&word, opening, closing, why, why_seq)
        })
        .ok_or_else(|| self.place.corrupt(&format!("bracket of screening {seq}")))
    }

    /// Goes anew through what was recorded on a line between the check before a withdrawn one and
    /// the check after it. A check decides alone what stands after it, so that nothing further
    /// back or on is touched.
    async fn stretches_anew(
        &mut self,
        tx: &mut Tx,
        name: &str,
        check: i64,
        until: i64,
    ) -> Result<()> {
        let place = self.place;
        let before: Option<(i64,)> =
            place.answer(tx.row(CHECK_BEFORE, values![name, check]).await)?;
        let after: Option<(i64,)> =
            place.answer(tx.row(CHECK_AFTER, values![name, check, until]).await)?;
        let (before, after) = (before.map(|(n,)| n), after.map(|(n,)| n));
        let between = "SELECT * FROM entry WHERE line = $1 AND seq >= $2 AND seq <= $3 \
                       AND kind IN ('technique', 'level', 'check', 'bar_screened', 'mount', \
                       'operator') ORDER BY seq";
        let bounds = values![name, before.unwrap_or(1), after.unwrap_or(until)];
        let rows: Vec<Row> = place.answer(tx.rows(between, bounds).await)?;
        let mut line = Line::new(rows.first().map_or(0, |row| row.time_us));
        line.operator = self.operator_before(tx, name, before.unwrap_or(1)).await?;
        let mut brackets: BTreeMap<i64, (BarKey, Bracket)> = BTreeMap::new();
        for row in &rows {
            let facts = row.facts()?;
            let withdrawn = self.withdrawals.entries.contains_key(&row.seq);
            let step = step(&mut line, row.stamp(), &facts, withdrawn);
            for settled in &step.settled {
                for (_, bracket) in brackets.values_mut() {
                    if *bracket == Bracket::Open(settled.opening) {
                        *bracket = settled.bracket;
                    }
                }
            }
            if let (Facts::BarScreened(f), Some(bracket)) = (&facts, step.bracket) {
                brackets.insert(row.seq, (f.bar.clone(), bracket));
            }
        }
        let mut bars = BTreeSet::new();
        for (seq, (bar, bracket)) in brackets {
            let one = "UPDATE screening SET bracket = $1, opening = $2, closing = $3, why = $4, \
                       why_seq = $5 WHERE seq = $6";
            let mut values = bracket_values(&bracket);
            values.push(seq.into());
            place.answer(tx.run(one, values).await)?;
            bars.insert(bar);
        }
        self.bars.clear();
        for bar in bars {
            // Its row now joins the new bracket.
            self.bar(tx, &bar).await?;
        }
        if after.is_none() {
            self.lines.insert(name.to_owned(), line);
        }
        Ok(())
    }

    async fn operator_before(
        &self,
        tx: &mut Tx,
        line: &str,
        before: i64,
    ) -> Result<Option<String>> {
        let row: Option<Row> =
            self.place.answer(tx.row(OPERATOR_BEFORE, values![line, before]).await)?;
        Ok(match row.map(|row| row.facts()).transpose()? {
            Some(Facts::Operator(f)) => Some(f.person),
            _ => None,
        })
    }

    /// Looks anew at all bars screened with a technique or level that is lost.
    async fn bars_of(&mut self, tx: &mut Tx, document: &Hash) -> Result<()> {
        let with = bar_rows!("WHERE s.technique = $1 OR s.level = $1");
        let rows: Vec<BarRow> = self.place.answer(tx.rows(with, values![&document.0]).await)?;
        for row in rows {
            let (key, bar) = row.told(self.place)?;
            self.bars.insert(key, bar);
        }
        Ok(())
    }

    /// Writes all that waits.
    pub async fn write(&mut self, tx: &mut Tx) -> Result<()> {
        self.write_bars(tx).await?;
        let place = self.place;
        let mut lines = vec![];
        for (name, line) in std::mem::take(&mut self.lines) {
            let text = serde_json::to_string(&line).expect("a line is plain data");
            lines.push(values![name, text]);
        }
        let then = "ON CONFLICT (line) DO UPDATE SET state = excluded.state";
        place.answer(tx.insert("line (line, state)", lines, then).await)?;
        for (into, rows) in [
            ("ordered (number, customer, heat, seq)", &mut self.ordered),
            ("technique (document, number, name, seq)", &mut self.techniques),
            ("piece (heat, bar, piece, from_m, to_m, seq)", &mut self.pieces),
            ("shipped (heat, bar, piece, delivery, customer, seq)", &mut self.shipped),
        ] {
            // A piece named twice in one entry is one piece.
            place.answer(tx.insert(into, std::mem::take(rows), "ON CONFLICT DO NOTHING").await)?;
        }
        Ok(())
    }

    async fn write_bars(&mut self, tx: &mut Tx) -> Result<()> {
        let screenings = std::mem::take(&mut self.screenings)
            .into_iter()
            .map(|new| {
                let mut values = values![
                    new.seq,
                    new.bar.heat,
                    new.bar.bar,
                    new.line,
                    new.time_us,
                    new.document.0,
                    new.last_check,
                ];
                values.extend(setting_values(&new.setting));
                values.extend(bracket_values(&new.bracket));
                values
            })
            .collect();
        let into = "screening (seq, heat, bar, line, time_us, document, last_check, technique, \
                    level, program, bracket, opening, closing, why, why_seq)";
        self.place.answer(tx.insert(into, screenings, "").await)?;
        let bars = std::mem::take(&mut self.bars)
            .into_iter()
            .map(|(key, bar)| {
                let mut values = values![key.heat, key.bar];
                values.extend(bar_values(&bar, &self.withdrawals));
                values
            })
            .collect();
        let into = "bar (heat, bar, screening, judged, verdict, kept, rejected, judge_after, \
                    retest, state)";
        let then = "ON CONFLICT (heat, bar) DO UPDATE SET screening = excluded.screening, \
                    judged = excluded.judged, verdict = excluded.verdict, kept = excluded.kept, \
                    rejected = excluded.rejected, judge_after = excluded.judge_after, \
                    retest = excluded.retest, state = excluded.state";
        self.place.answer(tx.insert(into, bars, then).await)
    }
}
