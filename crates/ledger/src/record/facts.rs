//! Facts of documents: orders, stations, techniques, levels, checks, bars, judgements, papers.

use std::collections::BTreeMap;

use barwright_job::{
    Hash, Measures, Sealed,
    judgement::{Indication, Verdict},
    proof::FlawClass,
};
use serde::{Deserialize, Serialize};

use super::BarKey;
use crate::{
    entry::Kind,
    error::{LedgerError, Result},
};

/// The document an entry stands for, and what that was made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Origin {
    /// Hash of the document.
    pub document: Hash,
    /// Hashes of what it came from, by role.
    #[serde(default)]
    pub made_from: BTreeMap<String, Hash>,
}

impl<T> From<&Sealed<T>> for Origin {
    fn from(sealed: &Sealed<T>) -> Self {
        Self { document: sealed.hash.clone(), made_from: sealed.made_from.clone() }
    }
}

impl Origin {
    pub(super) fn written(document: Hash) -> Self {
        Self { document, made_from: BTreeMap::new() }
    }

    pub(super) fn demand(&self, kind: Kind, role: &str) -> Result<Hash> {
        self.made_from.get(role).cloned().ok_or_else(|| LedgerError::Incomplete {
            kind,
            what: format!("it does not say from which {role} it was made"),
        })
    }
}

/// Facts of an order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OrderFacts {
    /// The document.
    #[serde(flatten)]
    pub origin: Origin,
    /// Order number.
    pub order: String,
    /// Customer.
    pub customer: String,
    /// Heat of the lot.
    pub heat: String,
    /// Name of the acceptance rules ordered.
    pub rules: String,
}

/// Facts of a station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StationFacts {
    /// The document.
    #[serde(flatten)]
    pub origin: Origin,
    /// Name of the station.
    pub station: String,
}

/// Facts of acceptance rules.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RulesFacts {
    /// The document.
    #[serde(flatten)]
    pub origin: Origin,
    /// Name.
    pub name: String,
    /// Version.
    pub version: String,
    /// Longest time between two checks, in hours.
    pub interval_h: f64,
}

/// Facts of a technique.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TechniqueFacts {
    /// The document.
    #[serde(flatten)]
    pub origin: Origin,
    /// Name of the technique.
    pub name: String,
    /// Order number.
    pub order: String,
}

/// Facts of a coverage proof.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProofFacts {
    /// The document.
    #[serde(flatten)]
    pub origin: Origin,
    /// Technique proved.
    pub technique: Hash,
    /// Whether every class meets its ordered coverage.
    pub met: bool,
}

/// Facts of a reference bar.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReferenceBarFacts {
    /// The document.
    #[serde(flatten)]
    pub origin: Origin,
    /// Name of the bar.
    pub name: String,
}

/// Facts of a level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LevelFacts {
    /// The document.
    #[serde(flatten)]
    pub origin: Origin,
    /// Technique levelled.
    pub technique: Hash,
    /// Whether every beam is inside the band or listed as beyond repair.
    pub good: bool,
    /// Figures for trends; empty in early entries.
    #[serde(default, skip_serializing_if = "Measures::is_empty")]
    pub measures: Measures,
}

/// Facts of a check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CheckFacts {
    /// The document.
    #[serde(flatten)]
    pub origin: Origin,
    /// Technique checked.
    pub technique: Hash,
    /// Level checked.
    pub level: Hash,
    /// Whether all limits of the rules were met.
    pub good: bool,
    /// Longest time to the next check by the rules, in hours.
    pub interval_h: f64,
    /// Passes.
    pub passes: u32,
    /// What was noticed.
    pub findings: Vec<String>,
    /// Version of the program that made it; absent in early entries.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub program: Option<String>,
    /// Whether the next check is due when another operator takes over the line.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub due_at_operator: bool,
    /// Figures for trends; empty in early entries.
    #[serde(default, skip_serializing_if = "Measures::is_empty")]
    pub measures: Measures,
}

/// Facts of a screened bar.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScreenedFacts {
    /// The document.
    #[serde(flatten)]
    pub origin: Origin,
    /// The bar.
    #[serde(flatten)]
    pub bar: BarKey,
    /// Technique it was screened with.
    pub technique: Hash,
    /// Level it was screened with; absent where the station was not levelled.
    pub level: Option<Hash>,
    /// Length in metres.
    pub length_m: f64,
    /// Version of the program that screened it; absent in early entries.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub program: Option<String>,
}

/// Facts of a judgement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct JudgementFacts {
    /// The document.
    #[serde(flatten)]
    pub origin: Origin,
    /// The bar.
    #[serde(flatten)]
    pub bar: BarKey,
    /// The screened bar that was judged.
    pub screened: Hash,
    /// Verdict.
    pub verdict: Verdict,
    /// Reasons, one clause a line.
    pub reasons: Vec<String>,
    /// Kept pieces: start and end in metres from the head end.
    pub kept_m: Vec<[f64; 2]>,
    /// What was found.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub indications: Vec<IndicationFacts>,
    /// Who changed the verdict of the rules; absent where it is theirs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decided_by: Option<String>,
}

/// Facts of a second look. It changes no state: what follows from it is a judgement that somebody decides.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SecondLookFacts {
    /// The document.
    #[serde(flatten)]
    pub origin: Origin,
    /// The bar.
    #[serde(flatten)]
    pub bar: BarKey,
    /// The judgement that asked for it.
    pub judgement: Hash,
    /// Letter of the indication within that judgement.
    pub letter: String,
    /// Places that stand out, over all its pictures.
    pub stand_out: usize,
    /// What makes it doubtful, and what else is to be known.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<String>,
}

/// An indication in short: where, how large, what. The whole stands in the judgement's document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct IndicationFacts {
    /// Its letter within the bar.
    pub letter: String,
    /// Flaw class whose gate saw it.
    pub class: FlawClass,
    /// Start along the bar in metres from the head end.
    pub from_m: f64,
    /// End along the bar.
    pub to_m: f64,
    /// Angle around the section in degrees from +x, counter-clockwise.
    pub angle_deg: f64,
    /// Depth under the surface in metres.
    pub depth_m: f64,
    /// Equivalent size in metres: disc diameter, or crack depth, by the class.
    pub size_m: f64,
    /// Another indication explains it: no flaw of its own.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub ghost: bool,
}

impl From<&Indication> for IndicationFacts {
    fn from(indication: &Indication) -> Self {
        // To 10 µm and 0.1 degrees: finer than any of it is known.
        let round = |m: f64| (m * 1e5).round() / 1e5;
        let place = indication.place;
        Self {
            letter: indication.letter.clone(),
            class: indication.class,
            from_m: round(indication.from_m),
            to_m: round(indication.to_m),
            angle_deg: (place.y.atan2(place.x).to_degrees() * 10.0).round() / 10.0,
            depth_m: round(indication.depth_m),
            size_m: round(indication.size_m),
            ghost: indication.ghost.is_some(),
        }
    }
}

/// Facts of a printed paper.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PaperFacts {
    /// Hash of the file, and the documents it shows by role.
    #[serde(flatten)]
    pub origin: Origin,
    /// Title.
    pub title: String,
}

/// Facts of a correction.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CorrectionFacts {
    /// Number of the entry that was wrong; earlier than the correction.
    pub corrects: i64,
    /// Whether that entry no longer counts. A remark leaves it standing.
    pub withdraws: bool,
    /// What is the case instead.
    pub statement: String,
}

/// Facts of a retest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RetestFacts {
    /// The bar.
    #[serde(flatten)]
    pub bar: BarKey,
    /// Why it must be inspected again.
    pub reason: String,
}
