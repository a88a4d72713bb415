//! What entries say: one small set of facts for each kind, made from the documents of the job.
//!
//! An entry keeps the hash of its document and the few facts that states and look-ups need; the
//! document itself is kept beside the ledger. Constructors demand the sources that the facts rest
//! on, so that an entry never stands for a document that names no technique or level.

mod equipment;
mod facts;
mod goods;
mod mention;
mod people;

use std::fmt;

use barwright_job::{
    Hash, Order, Rules, Sealed, Station, Technique,
    check::Check,
    judgement::{Fate, Judgement},
    level::Level,
    proof::Proof,
    reference::ReferenceBar,
    screened::ScreenedBar,
    second_look::SecondLook,
};
use serde::{Deserialize, Deserializer, Serialize};
use serde_json::Value;

use crate::{
    entry::{Entry, Kind},
    error::{LedgerError, Result},
};
pub use equipment::{Calibration, EquipmentFacts, MountFacts};
pub use facts::{
    CheckFacts, CorrectionFacts, IndicationFacts, JudgementFacts, LevelFacts, OrderFacts, Origin,
    PaperFacts, ProofFacts, ReferenceBarFacts, RetestFacts, RulesFacts, ScreenedFacts,
    SecondLookFacts, StationFacts, TechniqueFacts,
};
pub use goods::{CutFacts, Delivered, Piece, ShipmentFacts};
pub use people::{
    AccessChange, AccessFacts, ApprovalFacts, KeyEvent, KeyFacts, OperatorFacts, PersonFacts, Role,
};

/// A bar: its number is unique within its heat only.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct BarKey {
    /// Heat.
    pub heat: String,
    /// Bar number within the lot.
    pub bar: String,
}

impl BarKey {
    /// The bar of that number in that heat.
    pub fn new(heat: impl Into<String>, bar: impl Into<String>) -> Self {
        Self { heat: heat.into(), bar: bar.into() }
    }
}

impl fmt::Display for BarKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.heat, self.bar)
    }
}

/// The facts of an entry, by kind.
#[derive(Debug, Clone, PartialEq)]
pub enum Facts {
    /// An order.
    Order(OrderFacts),
    /// A station.
    Station(StationFacts),
    /// Acceptance rules.
    Rules(RulesFacts),
    /// A technique.
    Technique(TechniqueFacts),
    /// A coverage proof.
    Proof(ProofFacts),
    /// A reference bar.
    ReferenceBar(ReferenceBarFacts),
    /// A level.
    Level(LevelFacts),
    /// A check.
    Check(CheckFacts),
    /// A screened bar.
    BarScreened(ScreenedFacts),
    /// A judgement.
    Judgement(JudgementFacts),
    /// A second look at an indication.
    SecondLook(SecondLookFacts),
    /// A paper.
    Paper(PaperFacts),
    /// A correction.
    Correction(CorrectionFacts),
    /// A retest.
    Retest(RetestFacts),
    /// A person's role and certification.
    Person(PersonFacts),
    /// A signing key was made, replaced or revoked.
    Key(KeyFacts),
    /// Who may sign in to the pages changed.
    Access(AccessFacts),
    /// A document was approved.
    Approval(ApprovalFacts),
    /// A piece of equipment and its calibration.
    Equipment(EquipmentFacts),
    /// A piece of equipment was put to use on a line, or taken off.
    Mount(MountFacts),
    /// Somebody took over a line.
    Operator(OperatorFacts),
    /// A bar was cut.
    Cut(CutFacts),
    /// Bars or pieces left the house.
    Shipment(ShipmentFacts),
}

/// Something to be recorded: its facts, what it is about and the line concerned.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// What it is about.
    pub subject: String,
    /// Line concerned; empty for none.
    pub line: String,
    /// The facts.
    pub facts: Facts,
}

impl Record {
    fn new(subject: impl Into<String>, line: &str, facts: Facts) -> Self {
        Self { subject: subject.into(), line: line.to_owned(), facts }
    }

    /// An order that was taken in.
    #[must_use]
    pub fn order(order: &Order) -> Self {
        let head = &order.order;
        Self::new(
            &head.number,
            "",
            Facts::Order(OrderFacts {
                origin: Origin::written(order.hash()),
                order: head.number.clone(),
                customer: head.customer.clone(),
                heat: head.heat.clone(),
                rules: head.rules.clone(),
            }),
        )
    }

    /// A station as described; its line is the one it names.
    #[must_use]
    pub fn station(station: &Station) -> Self {
        let head = &station.station;
        Self::new(
            &head.name,
            &head.line,
            Facts::Station(StationFacts {
                origin: Origin::written(station.hash()),
                station: head.name.clone(),
            }),
        )
    }

    /// Acceptance rules that were taken in.
    #[must_use]
    pub fn rules(rules: &Rules) -> Self {
        let head = &rules.rules;
        Self::new(
            format!("{} {}", head.name, head.version),
            "",
            Facts::Rules(RulesFacts {
                origin: Origin::written(rules.hash()),
                name: head.name.clone(),
                version: head.version.clone(),
                interval_h: rules.check.interval_h,
            }),
        )
    }

    /// A technique: derived, when `line` is empty, or loaded on that line. Loading another
    /// technique ends the stretch that a check opened.
    #[must_use]
    pub fn technique(sealed: &Sealed<Technique>, line: &str) -> Self {
        Self::new(
            &sealed.body.order,
            line,
            Facts::Technique(TechniqueFacts {
                origin: sealed.into(),
                name: sealed.body.name.clone(),
                order: sealed.body.order.clone(),
            }),
        )
    }

    /// A coverage proof.
    ///
    /// # Errors
    /// [`LedgerError::Incomplete`] when it does not name its technique.
    pub fn proof(sealed: &Sealed<Proof>) -> Result<Self> {
        let origin = Origin::from(sealed);
        let technique = origin.demand(Kind::Proof, "technique")?;
        Ok(Self::new(
            technique.short().to_owned(),
            "",
            Facts::Proof(ProofFacts { technique, met: sealed.body.met, origin }),
        ))
    }

    /// A reference bar.
    #[must_use]
    pub fn reference_bar(sealed: &Sealed<ReferenceBar>) -> Self {
        Self::new(
            &sealed.body.name,
            "",
            Facts::ReferenceBar(ReferenceBarFacts {
                origin: sealed.into(),
                name: sealed.body.name.clone(),
            }),
        )
    }

    /// A level set on a line.
    ///
    /// # Errors
    /// [`LedgerError::Incomplete`] when it does not name its technique, or no line is given.
    pub fn level(sealed: &Sealed<Level>, line: &str) -> Result<Self> {
        let origin = Origin::from(sealed);
        demand_line(Kind::Level, line)?;
        Ok(Self::new(
            line,
            line,
            Facts::Level(LevelFacts {
                technique: origin.demand(Kind::Level, "technique")?,
                good: sealed.body.good,
                measures: sealed.body.measures.clone(),
                origin,
            }),
        ))
    }

    /// A check of a line, with the rules it was judged by (they say when the next one is due).
    ///
    /// # Errors
    /// [`LedgerError::Incomplete`] when it does not name technique and level, was made for other
    /// rules, or no line is given.
    pub fn check(sealed: &Sealed<Check>, rules: &Rules, line: &str) -> Result<Self> {
        let origin = Origin::from(sealed);
        demand_line(Kind::Check, line)?;
        let (found, given) = (origin.demand(Kind::Check, "rules")?, rules.hash());
        if found != given {
            return Err(LedgerError::Incomplete {
                kind: Kind::Check,
                what: format!(
                    "it was made by rules {}, not by {} ({} {})",
                    found.short(),
                    given.short(),
                    rules.rules.name,
                    rules.rules.version
                ),
            });
        }
        Ok(Self::new(
            line,
            line,
            Facts::Check(CheckFacts {
                technique: origin.demand(Kind::Check, "technique")?,
                level: origin.demand(Kind::Check, "level")?,
                good: sealed.body.good,
                interval_h: rules.check.interval_h,
                passes: sealed.body.passes,
                findings: sealed
                    .body
                    .findings
                    .iter()
                    .map(|finding| finding.message.clone())
                    .collect(),
                program: Some(sealed.program.clone()),
                due_at_operator: rules.check.at_operator_change(),
                measures: sealed.body.measures.clone(),
                origin,
            }),
        ))
    }

    /// A bar screened on a line.
    ///
    /// # Errors
    /// [`LedgerError::Incomplete`] when it does not name its technique, or no line is given.
    pub fn bar_screened(sealed: &Sealed<ScreenedBar>, line: &str) -> Result<Self> {
        let origin = Origin::from(sealed);
        demand_line(Kind::BarScreened, line)?;
        let bar = BarKey::new(&sealed.body.heat, &sealed.body.bar);
        Ok(Self::new(
            bar.to_string(),
            line,
            Facts::BarScreened(ScreenedFacts {
                technique: origin.demand(Kind::BarScreened, "technique")?,
                level: origin.made_from.get("level").cloned(),
                length_m: sealed.body.length_m,
                program: Some(sealed.program.clone()),
                bar,
                origin,
            }),
        ))
    }

    /// A judgement of a screened bar.
    ///
    /// # Errors
    /// [`LedgerError::Incomplete`] when it does not name the screened bar.
    pub fn judgement(sealed: &Sealed<Judgement>, line: &str) -> Result<Self> {
        let origin = Origin::from(sealed);
        let body = &sealed.body;
        let bar = BarKey::new(&body.heat, &body.bar);
        Ok(Self::new(
            bar.to_string(),
            line,
            Facts::Judgement(JudgementFacts {
                screened: origin.demand(Kind::Judgement, "screened")?,
                verdict: body.verdict,
                reasons: body
                    .reasons
                    .iter()
                    .map(|reason| format!("{}: {}", reason.clause, reason.statement))
                    .collect(),
                kept_m: body
                    .cut
                    .pieces
                    .iter()
                    .filter(|piece| piece.fate == Fate::Keep)
                    .map(|piece| [piece.from_m, piece.to_m])
                    .collect(),
                indications: body.indications.iter().map(IndicationFacts::from).collect(),
                decided_by: body.decisions.last().map(|d| d.by.clone()),
                bar,
                origin,
            }),
        ))
    }

    /// A second look at an indication of a bar of a heat.
    ///
    /// # Errors
    /// [`LedgerError::Incomplete`] when no indication asked for it, or it does not name the judgement that this stands in.
    pub fn second_look(sealed: &Sealed<SecondLook>, heat: &str) -> Result<Self> {
        let origin = Origin::from(sealed);
        let body = &sealed.body;
        let asked = body.asked_by.as_ref().ok_or_else(|| LedgerError::Incomplete {
            kind: Kind::SecondLook,
            what: "no indication asked for it, so that it is about no bar".into(),
        })?;
        let bar = BarKey::new(heat, &asked.bar);
        Ok(Self::new(
            bar.to_string(),
            "",
            Facts::SecondLook(SecondLookFacts {
                judgement: origin.demand(Kind::SecondLook, "judgement")?,
                letter: asked.letter.clone(),
                stand_out: body.views.iter().map(|view| view.spots.len()).sum(),
                findings: body.findings.iter().map(|finding| finding.message.clone()).collect(),
                bar,
                origin,
            }),
        ))
    }

    /// A paper that was printed: its title, the hash of its file and the documents it shows, by
    /// role.
    #[must_use]
    pub fn paper(
        subject: &str,
        title: &str,
        file: Hash,
        shows: impl IntoIterator<Item = (String, Hash)>,
    ) -> Self {
        Self::new(
            subject,
            "",
            Facts::Paper(PaperFacts {
                origin: Origin { document: file, made_from: shows.into_iter().collect() },
                title: title.to_owned(),
            }),
        )
    }

    /// A correction of an earlier entry. Withdrawing takes trust away and never grants any: a
    /// withdrawn good check no longer counts as good, a withdrawn failed one stays failed, a bar
    /// whose judgement is withdrawn must be judged again.
    #[must_use]
    pub fn correction(of: &Entry, withdraws: bool, statement: &str) -> Self {
        Self::new(
            &of.subject,
            &of.line,
            Facts::Correction(CorrectionFacts {
                corrects: of.seq,
                withdraws,
                statement: statement.to_owned(),
            }),
        )
    }

    /// A bar that must be inspected again, whatever was decided before.
    #[must_use]
    pub fn retest(bar: &BarKey, reason: &str) -> Self {
        Self::new(
            bar.to_string(),
            "",
            Facts::Retest(RetestFacts { bar: bar.clone(), reason: reason.to_owned() }),
        )
    }

    /// Somebody who took over a line.
    #[must_use]
    pub fn operator(person: &str, line: &str) -> Self {
        let facts = OperatorFacts { person: person.to_owned() };
        Self::new(line, line, Facts::Operator(facts))
    }

    /// A bar that was cut.
    #[must_use]
    pub fn cut(facts: CutFacts) -> Self {
        Self::new(facts.bar.to_string(), "", Facts::Cut(facts))
    }

    /// Bars or pieces that left the house.
    #[must_use]
    pub fn shipment(facts: ShipmentFacts) -> Self {
        Self::new(facts.delivery.clone(), "", Facts::Shipment(facts))
    }

    /// Kind of the entry it becomes.
    #[must_use]
    pub fn kind(&self) -> Kind {
        self.facts.kind()
    }
}

fn demand_line(kind: Kind, line: &str) -> Result<()> {
    if line.is_empty() {
        return Err(LedgerError::Incomplete { kind, what: "no line is given".into() });
    }
    Ok(())
}

impl Facts {
    /// Kind of the entry.
    #[must_use]
    pub fn kind(&self) -> Kind {
        match self {
            Self::Order(_) => Kind::Order,
            Self::Station(_) => Kind::Station,
            Self::Rules(_) => Kind::Rules,
            Self::Technique(_) => Kind::Technique,
            Self::Proof(_) => Kind::Proof,
            Self::ReferenceBar(_) => Kind::ReferenceBar,
            Self::Level(_) => Kind::Level,
            Self::Check(_) => Kind::Check,
            Self::BarScreened(_) => Kind::BarScreened,
            Self::Judgement(_) => Kind::Judgement,
            Self::SecondLook(_) => Kind::SecondLook,
            Self::Paper(_) => Kind::Paper,
            Self::Correction(_) => Kind::Correction,
            Self::Retest(_) => Kind::Retest,
            Self::Person(_) => Kind::Person,
            Self::Key(_) => Kind::Key,
            Self::Access(_) => Kind::Access,
            Self::Approval(_) => Kind::Approval,
            Self::Equipment(_) => Kind::Equipment,
            Self::Mount(_) => Kind::Mount,
            Self::Operator(_) => Kind::Operator,
            Self::Cut(_) => Kind::Cut,
            Self::Shipment(_) => Kind::Shipment,
        }
    }

    /// The content of the entry.
    #[must_use]
    pub fn to_content(&self) -> Value {
        match self {
            Self::Order(f) => serde_json::to_value(f),
            Self::Station(f) => serde_json::to_value(f),
            Self::Rules(f) => serde_json::to_value(f),
            Self::Technique(f) => serde_json::to_value(f),
            Self::Proof(f) => serde_json::to_value(f),
            Self::ReferenceBar(f) => serde_json::to_value(f),
            Self::Level(f) => serde_json::to_value(f),
            Self::Check(f) => serde_json::to_value(f),
            Self::BarScreened(f) => serde_json::to_value(f),
            Self::Judgement(f) => serde_json::to_value(f),
            Self::SecondLook(f) => serde_json::to_value(f),
            Self::Paper(f) => serde_json::to_value(f),
            Self::Correction(f) => serde_json::to_value(f),
            Self::Retest(f) => serde_json::to_value(f),
            Self::Person(f) => serde_json::to_value(f),
            Self::Key(f) => serde_json::to_value(f),
            Self::Access(f) => serde_json::to_value(f),
            Self::Approval(f) => serde_json::to_value(f),
            Self::Equipment(f) => serde_json::to_value(f),
            Self::Mount(f) => serde_json::to_value(f),
            Self::Operator(f) => serde_json::to_value(f),
            Self::Cut(f) => serde_json::to_value(f),
            Self::Shipment(f) => serde_json::to_value(f),
        }
        .expect("facts are plain data with string keys")
    }

    /// The facts of a stored text.
    ///
    /// # Errors
    /// What does not fit the kind.
    pub(crate) fn from_text(
        kind: Kind,
        text: &str,
    ) -> std::result::Result<Self, serde_json::Error> {
        Self::read(kind, &mut serde_json::Deserializer::from_str(text))
    }

    /// The facts of a stored content.
    ///
    /// # Errors
    /// What does not fit the kind.
    pub fn from_content(
        kind: Kind,
        content: &Value,
    ) -> std::result::Result<Self, serde_json::Error> {
        Self::read(kind, content)
    }

    fn read<'de, D: Deserializer<'de>>(
        kind: Kind,
        content: D,
    ) -> std::result::Result<Self, D::Error> {
        Ok(match kind {
            Kind::Order => Self::Order(Deserialize::deserialize(content)?),
            Kind::Station => Self::Station(Deserialize::deserialize(content)?),
            Kind::Rules => Self::Rules(Deserialize::deserialize(content)?),
            Kind::Technique => Self::Technique(Deserialize::deserialize(content)?),
            Kind::Proof => Self::Proof(Deserialize::deserialize(content)?),
            Kind::ReferenceBar => Self::ReferenceBar(Deserialize::deserialize(content)?),
            Kind::Level => Self::Level(Deserialize::deserialize(content)?),
            Kind::Check => Self::Check(Deserialize::deserialize(content)?),
            Kind::BarScreened => Self::BarScreened(Deserialize::deserialize(content)?),
            Kind::Judgement => Self::Judgement(Deserialize::deserialize(content)?),
            Kind::SecondLook => Self::SecondLook(Deserialize::deserialize(content)?),
            Kind::Paper => Self::Paper(Deserialize::deserialize(content)?),
            Kind::Correction => Self::Correction(Deserialize::deserialize(content)?),
            Kind::Retest => Self::Retest(Deserialize::deserialize(content)?),
            Kind::Person => Self::Person(Deserialize::deserialize(content)?),
            Kind::Key => Self::Key(Deserialize::deserialize(content)?),
            Kind::Access => Self::Access(Deserialize::deserialize(content)?),
            Kind::Approval => Self::Approval(Deserialize::deserialize(content)?),
            Kind::Equipment => Self::Equipment(Deserialize::deserialize(content)?),
            Kind::Mount => Self::Mount(Deserialize::deserialize(content)?),
            Kind::Operator => Self::Operator(Deserialize::deserialize(content)?),
            Kind::Cut => Self::Cut(Deserialize::deserialize(content)?),
            Kind::Shipment => Self::Shipment(Deserialize::deserialize(content)?),
        })
    }
}

impl Entry {
    /// What its facts name, by which it is found: role and value.
    ///
    /// # Errors
    /// As [`Entry::facts`].
    pub fn named(&self) -> Result<Vec<(&'static str, String)>> {
        let facts = self.facts()?;
        let named = facts.mentions();
        Ok(named.into_iter().map(|m| (m.role, m.value.into_owned())).collect())
    }

    /// The facts this entry records.
    ///
    /// # Errors
    /// [`LedgerError::Unreadable`] when its content does not fit its kind.
    pub fn facts(&self) -> Result<Facts> {
        Facts::from_content(self.kind, &self.content).map_err(|e| LedgerError::Unreadable {
            seq: self.seq,
            kind: self.kind.to_string(),
            what: e.to_string(),
        })
    }
}
