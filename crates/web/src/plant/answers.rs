//! What the interface answers with.

use barwright_job::{
    Sealed,
    judgement::{Fate, Judgement, Verdict},
    proof::FlawClass,
    screened::ScreenedBar,
};
use barwright_ledger::{BarState, Head, State};
use barwright_report::{cautions, text};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use crate::{
    chain::{Link, Shape},
    lot::{Lot, Standing},
};

/// The ledger's end at the time of the answer.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LedgerHead {
    /// Number of the last entry.
    pub entry: i64,
    /// Its BLAKE3 hash.
    pub hash: String,
    /// When it was written, RFC 3339.
    #[schema(format = DateTime)]
    pub at: String,
}

impl From<&Head> for LedgerHead {
    fn from(head: &Head) -> Self {
        Self { entry: head.seq, hash: head.hash.0.clone(), at: moment(head.time_us) }
    }
}

/// A moment as RFC 3339; the number itself where no calendar has it.
fn moment(time_us: i64) -> String {
    jiff::Timestamp::from_microsecond(time_us)
        .map_or_else(|_| time_us.to_string(), |time| time.to_string())
}

/// How a link of the chain of evidence stands.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LinkShape {
    /// Sound.
    Closed,
    /// Work is due.
    Open,
    /// Something broke it.
    Split,
}

/// A link of the chain of evidence.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ChainLink {
    /// Its name.
    pub name: &'static str,
    /// How it stands.
    pub shape: LinkShape,
    /// Why, in a sentence.
    pub why: String,
    /// What closes it, where something does.
    pub next: Option<String>,
}

impl From<Link> for ChainLink {
    fn from(link: Link) -> Self {
        let shape = match link.shape {
            Shape::Closed => LinkShape::Closed,
            Shape::Open => LinkShape::Open,
            Shape::Split => LinkShape::Split,
        };
        Self { name: link.name, shape, why: link.why, next: link.next.map(|(words, _)| words) }
    }
}

/// A line and its next check.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct NextCheck {
    /// The line.
    pub line: String,
    /// Latest time of the next check, RFC 3339; none where a check is due before anything.
    #[schema(format = DateTime)]
    pub due_at: Option<String>,
    /// Whether it is overdue.
    pub overdue: bool,
    /// Why nothing that is screened now could be released.
    pub closed: Option<String>,
}

/// How the lot stands.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Status {
    /// Number of the order; none where there is no order yet.
    pub order: Option<String>,
    /// Its heat.
    pub heat: Option<String>,
    /// Bars ordered.
    pub ordered_bars: Option<u32>,
    /// Bars screened.
    pub screened_bars: usize,
    /// Bars of the lot by where they stand.
    pub bars: Vec<StandingCount>,
    /// The chain of evidence, from the order to the release.
    pub chain: Vec<ChainLink>,
    /// Bars of any lot that must not leave.
    pub held_bars: usize,
    /// Lines and their next checks.
    pub next_checks: Vec<NextCheck>,
    /// The ledger's end; none where there is no ledger.
    pub ledger: Option<LedgerHead>,
    /// Whether every entry still says what it said; none where that was not proved for this answer.
    pub ledger_whole: Option<bool>,
}

/// How many bars stand somewhere.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StandingCount {
    /// Where.
    pub standing: BarStanding,
    /// How many.
    pub count: usize,
}

impl Status {
    pub fn of(lot: &Lot) -> Self {
        let said = lot.ledger.here();
        let order = lot.order.here();
        let count =
            |wanted: Standing| lot.bars.iter().filter(|b| lot.standing(b) == wanted).count();
        let bars = Standing::ALL
            .into_iter()
            .map(|s| StandingCount { standing: s.into(), count: count(s) });
        Self {
            order: order.map(|o| o.order.number.clone()),
            heat: order.map(|o| o.order.heat.clone()),
            ordered_bars: order.map(|o| o.bars.count),
            screened_bars: lot.bars.len(),
            bars: bars.filter(|count| count.count > 0).collect(),
            chain: crate::chain::chain(lot).into_iter().map(ChainLink::from).collect(),
            held_bars: lot.ledger.holds().len(),
            next_checks: said
                .iter()
                .flat_map(|said| &said.lines)
                .map(|line| NextCheck {
                    line: line.line.clone(),
                    due_at: line.next_check_us.map(moment),
                    overdue: line.overdue,
                    closed: line.closed.map(|why| why.words()),
                })
                .collect(),
            ledger: said.map(|said| LedgerHead::from(&said.head)),
            ledger_whole: said.and_then(|said| said.verification.as_ref()).map(|v| v.is_whole()),
        }
    }
}

/// Where a bar stands. Only `released` and `released_in_pieces` may leave.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BarStanding {
    /// Good as it is, between two good checks.
    Released,
    /// Good in the pieces that are named as kept.
    ReleasedInPieces,
    /// A judgement or the closing check is still to come.
    Waiting,
    /// Must not leave: to be inspected again or decided.
    Held,
    /// Not good.
    Rejected,
    /// Screened, not judged.
    NotJudged,
    /// Judged, not entered in the ledger.
    NotEntered,
    /// A document of it is unusable.
    Damaged,
}

impl From<Standing> for BarStanding {
    fn from(standing: Standing) -> Self {
        match standing {
            Standing::Released => Self::Released,
            Standing::Cropped => Self::ReleasedInPieces,
            Standing::Waiting => Self::Waiting,
            Standing::Held => Self::Held,
            Standing::Rejected => Self::Rejected,
            Standing::Unjudged => Self::NotJudged,
            Standing::Unrecorded => Self::NotEntered,
            Standing::Damaged => Self::Damaged,
        }
    }
}

impl BarStanding {
    /// Whether the bar, or its kept pieces, may leave.
    pub fn may_leave(self) -> bool {
        matches!(self, Self::Released | Self::ReleasedInPieces)
    }
}

/// A bar in a list.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct BarLine {
    /// Its name.
    pub bar: String,
    /// Where it stands.
    pub standing: BarStanding,
    /// Whether it, or its kept pieces, may leave.
    pub may_leave: bool,
}

/// Bars of the lot, by name.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Bars {
    /// These bars.
    pub bars: Vec<BarLine>,
    /// To be given as `after` for the next ones; none where these are the last.
    pub next: Option<String>,
}

/// Which bars are asked for.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct WhichBars {
    /// Only bars that stand there.
    pub standing: Option<BarStanding>,
    /// Only bars behind this one.
    pub after: Option<String>,
    /// At most so many.
    #[serde(default = "many")]
    #[param(minimum = 1, maximum = 1000, default = 100)]
    pub limit: u32,
}

fn many() -> u32 {
    100
}

/// A piece that is kept, in metres from the head end.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Kept {
    /// Its start.
    pub from_m: f64,
    /// Its end.
    pub to_m: f64,
    /// The ordered length that it is sold as; none where any length is sold.
    pub sold_as: Option<String>,
}

/// Why the rules say what they say.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReasonGiven {
    /// Clause of the acceptance rules.
    pub clause: String,
    /// What was found against what is allowed.
    pub statement: String,
    /// Letters of the indications behind it.
    pub indications: Vec<String>,
}

/// A class of flaws.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Class {
    /// In the volume, by longitudinal waves.
    Volume,
    /// Open to the surface, by shear waves.
    Surface,
}

impl From<FlawClass> for Class {
    fn from(class: FlawClass) -> Self {
        match class {
            FlawClass::Disc => Self::Volume,
            FlawClass::Crack => Self::Surface,
        }
    }
}

/// A stretch that was not inspected for a class of flaws, in metres from the head end.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct NotInspected {
    /// The class.
    pub class: Class,
    /// Its start.
    pub from_m: f64,
    /// Its end.
    pub to_m: f64,
    /// Why.
    pub cause: String,
}

/// What of the length was inspected for a class of flaws.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Inspected {
    /// The class.
    pub class: Class,
    /// The share, 0 to 1.
    #[schema(minimum = 0, maximum = 1)]
    pub share: f64,
}

/// What the rules, or a person, say of a bar.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Said {
    /// Good as it is.
    Release,
    /// Good in pieces.
    Crop,
    /// Not decided.
    Hold,
    /// Not good.
    Reject,
}

/// The verdict on a bar and what it rests on.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct BarVerdict {
    /// Its name.
    pub bar: String,
    /// Its heat.
    pub heat: String,
    /// Where it stands.
    pub standing: BarStanding,
    /// Whether it, or its kept pieces, may leave. This is the answer; everything else is why.
    pub may_leave: bool,
    /// Where it stands and why, in words.
    pub words: String,
    /// What the judgement says; none where there is none.
    pub verdict: Option<Said>,
    /// Whether a person decided otherwise than the rules, or where they left it open.
    pub decided: bool,
    /// Clauses that spoke against it.
    pub reasons: Vec<ReasonGiven>,
    /// Pieces that may be delivered once it may leave.
    pub kept: Vec<Kept>,
    /// Length of the bar, m.
    pub length_m: Option<f64>,
    /// Indications found.
    pub indications: usize,
    /// What of the length was inspected.
    pub inspected: Vec<Inspected>,
    /// Stretches that were not inspected. Not inspected is never clean.
    pub not_inspected: Vec<NotInspected>,
    /// Entry of the last good check before it.
    pub check_before: Option<i64>,
    /// Entry of the good check after it.
    pub check_after: Option<i64>,
    /// Entry of the judgement that counts.
    pub judged: Option<i64>,
    /// BLAKE3 hash of the judgement.
    pub judgement_hash: Option<String>,
    /// BLAKE3 hash of the technique it was screened with.
    pub technique_hash: Option<String>,
    /// The ledger's end.
    pub ledger: Option<LedgerHead>,
    /// What this answer does not replace.
    pub cautions: [&'static str; 3],
}

impl BarVerdict {
    pub fn of(lot: &Lot, bar: &crate::lot::Bar) -> Self {
        let state = lot.state(bar);
        let standing = BarStanding::from(lot.standing(bar));
        let judgement = bar.judgement.here();
        let screened = bar.screened.here();
        let heat = screened.map(|s| &s.body.heat).or(lot.order.here().map(|o| &o.order.heat));
        Self {
            bar: bar.name.clone(),
            heat: heat.cloned().unwrap_or_default(),
            standing,
            may_leave: standing.may_leave(),
            words: words(lot, state, lot.standing(bar)),
            verdict: judgement.map(|j| said(j.body.verdict)),
            decided: judgement.is_some_and(|j| !j.body.decisions.is_empty()),
            reasons: judgement.map(|j| reasons(&j.body)).unwrap_or_default(),
            kept: judgement.map(|j| kept(&j.body)).unwrap_or_default(),
            length_m: screened.map(|s| s.body.length_m),
            indications: judgement.map_or(0, |j| j.body.indications.len()),
            inspected: screened.map(inspected).unwrap_or_default(),
            not_inspected: screened.map(not_inspected).unwrap_or_default(),
            check_before: state.and_then(|s| s.opening_check),
            check_after: state.and_then(|s| s.closing_check),
            judged: state.and_then(|s| s.judged),
            judgement_hash: judgement.map(|j| j.hash.0.clone()),
            technique_hash: state.and_then(|s| s.technique.as_ref()).map(|hash| hash.0.clone()),
            ledger: lot.ledger.here().map(|said| LedgerHead::from(&said.head)),
            cautions: cautions(),
        }
    }
}

fn words(lot: &Lot, state: Option<&BarState>, standing: Standing) -> String {
    match state {
        Some(state) => {
            lot.why_held(state).map_or_else(|| state.state.words(), |why| text::sentence(&why))
        }
        None => standing.words().to_owned(),
    }
}

fn said(verdict: Verdict) -> Said {
    match verdict {
        Verdict::Release => Said::Release,
        Verdict::Crop => Said::Crop,
        Verdict::Hold => Said::Hold,
        Verdict::Reject => Said::Reject,
    }
}

fn reasons(judgement: &Judgement) -> Vec<ReasonGiven> {
    let given = |r: &barwright_job::judgement::Reason| ReasonGiven {
        clause: r.clause.clone(),
        statement: r.statement.clone(),
        indications: r.indications.clone(),
    };
    judgement.reasons.iter().map(given).collect()
}

fn kept(judgement: &Judgement) -> Vec<Kept> {
    let pieces = judgement.cut.pieces.iter().filter(|p| p.fate == Fate::Keep);
    pieces.map(|p| Kept { from_m: p.from_m, to_m: p.to_m, sold_as: p.sold_as.clone() }).collect()
}

fn inspected(screened: &Sealed<ScreenedBar>) -> Vec<Inspected> {
    let shares = screened.body.inspected.iter();
    shares.map(|i| Inspected { class: i.class.into(), share: i.share }).collect()
}

fn not_inspected(screened: &Sealed<ScreenedBar>) -> Vec<NotInspected> {
    let lost = screened.body.lost.iter();
    lost.map(|l| NotInspected {
        class: l.class.into(),
        from_m: l.from_m,
        to_m: l.to_m,
        cause: l.cause.words().to_owned(),
    })
    .collect()
}

/// A bar that is held.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct HeldBar {
    /// Its name.
    pub bar: String,
    /// Its heat.
    pub heat: String,
    /// Why.
    pub why: String,
    /// What closes it.
    pub closes: &'static str,
}

impl HeldBar {
    /// Of a bar that is held; none of any other.
    pub fn of(state: &BarState) -> Option<Self> {
        let State::Held { why } = &state.state else { return None };
        Some(Self {
            bar: state.bar.bar.clone(),
            heat: state.bar.heat.clone(),
            why: why.words(),
            closes: why.cure(),
        })
    }
}

/// Every bar that must not leave, of all lots.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Holds {
    /// The bars, by heat and name.
    pub bars: Vec<HeldBar>,
    /// The ledger's end; none where there is no ledger.
    pub ledger: Option<LedgerHead>,
}

/// The order, as it is in the folder.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OrderText {
    /// The document, TOML.
    pub toml: String,
    /// BLAKE3 hash of the text, to be given as `seen` by who changes it.
    pub seen: String,
}

/// An order, as its text or as a document of the same keys.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(untagged)]
pub enum OrderGiven {
    /// The document as TOML.
    Toml(String),
    /// The document as JSON, with the keys of order.toml.
    #[schema(value_type = Object)]
    Document(serde_json::Map<String, serde_json::Value>),
}

/// An order to be kept.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewOrder {
    /// The order.
    pub order: OrderGiven,
    /// Hash of the order that is to be replaced, as last seen; empty where there is none yet.
    #[serde(default)]
    pub seen: String,
    /// Only says whether it could be kept; nothing is written.
    #[serde(default)]
    pub only_look: bool,
}

/// What became of an order.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct KeptOrder {
    /// Entry in the ledger; none where it was only looked at.
    pub entry: Option<i64>,
    /// BLAKE3 hash of its text.
    pub seen: String,
    /// BLAKE3 hash of the order, as documents that are made from it name it.
    pub order_hash: String,
}

/// Names of the papers that are set.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Papers {
    /// The names.
    pub papers: Vec<String>,
}

/// A file, PDF.
#[derive(ToSchema)]
#[schema(value_type = String, format = Binary)]
#[expect(dead_code, reason = "only described; the bytes are answered as they are")]
pub struct Pdf(Vec<u8>);
