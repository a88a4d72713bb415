//! The cut plan of a lot: every bar's pieces, what each ordered length gets, and how near the plan
//! comes to the best there is.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{
    finding::Finding,
    judgement::CutPlan,
    seal::{Document, Hash},
};

/// The cut plan of a lot. Its source is `order`; the judgement behind each bar stands with the bar.
///
/// A value is in metres: the sum over the pieces of length times relative value per metre, so that
/// a metre of value 1 counts as one metre.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LotCut {
    /// Order number.
    pub order: String,
    /// Heat.
    pub heat: String,
    /// The bars, in order of name.
    pub bars: Vec<BarCut>,
    /// The ordered lengths, in the order's order; empty where any length from the shortest on is
    /// sold.
    pub lengths: Vec<LengthSold>,
    /// Length of the planned bars in metres.
    pub planned_m: f64,
    /// Length sold in metres.
    pub kept_m: f64,
    /// Length not sold in metres.
    pub lost_m: f64,
    /// What takes the length that is not sold.
    pub losses: Losses,
    /// Value of what is sold.
    pub value_m: f64,
    /// Value that no plan within the open pieces can exceed.
    pub bound_m: f64,
    /// What the plan may lack against the bound, percent of the bound; 0 where it is proven to be
    /// best.
    pub gap_percent: f64,
    /// What was noticed.
    pub findings: Vec<Finding>,
}

impl Document for LotCut {
    const KIND: &'static str = "lot cut";
    const FORMAT: u32 = 1;
}

impl LotCut {
    /// Bars with this standing.
    #[must_use]
    pub fn standing(&self, standing: Standing) -> usize {
        self.bars.iter().filter(|b| b.standing == standing).count()
    }

    /// Pieces still open over all counted lengths.
    #[must_use]
    pub fn still_open(&self) -> u32 {
        self.lengths.iter().filter_map(|l| l.still_open).sum()
    }
}

/// One bar of the lot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BarCut {
    /// Bar number within the lot.
    pub bar: String,
    /// Its length in metres.
    pub length_m: f64,
    /// Hash of its judgement.
    pub judgement: Hash,
    /// Whether it is cut.
    pub standing: Standing,
    /// How it is cut; without pieces unless it is planned.
    pub cut: CutPlan,
    /// Value of what is sold of it.
    pub value_m: f64,
}

/// Whether a bar is cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Released or to be cropped: planned.
    Planned,
    /// Held: waits, not planned.
    Waiting,
    /// Rejected: not planned.
    Rejected,
}

impl Standing {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Planned => "planned",
            Self::Waiting => "held, waits",
            Self::Rejected => "rejected",
        }
    }
}

/// What an ordered length gets from the lot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LengthSold {
    /// Its name.
    pub name: String,
    /// What is ordered, in words.
    pub ordered: String,
    /// Relative value of a metre.
    pub value_per_m: f64,
    /// Pieces planned.
    pub pieces: u32,
    /// Their length in metres.
    pub kept_m: f64,
    /// Pieces that were open; absent where any number is sold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub open_pieces: Option<u32>,
    /// Pieces that stay open.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub still_open: Option<u32>,
}

/// What takes the length of planned bars that is not sold, in metres. Kerfs count first, wherever
/// they lie; of the rest a place that goes for several causes counts for the first in this order.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Losses {
    /// Flaws with their margins.
    pub flaw_m: f64,
    /// Not inspected between the ends.
    pub not_inspected_m: f64,
    /// Uninspected ends.
    pub end_m: f64,
    /// Saw cuts.
    pub kerf_m: f64,
    /// Sound steel that makes no ordered length.
    pub remnant_m: f64,
    /// Sound steel that is long enough for a length of which no piece is open any more.
    pub count_exhausted_m: f64,
}

impl Losses {
    /// Causes in words with their metres.
    #[must_use]
    pub fn rows(&self) -> [(&'static str, f64); 6] {
        [
            ("flaw", self.flaw_m),
            ("not inspected", self.not_inspected_m),
            ("end", self.end_m),
            ("kerf", self.kerf_m),
            ("remnant", self.remnant_m),
            ("count exhausted", self.count_exhausted_m),
        ]
    }
}
