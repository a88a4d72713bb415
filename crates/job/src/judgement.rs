//! Indications, verdict and cut plan of one bar.

use barwright_wave::{Mode, Point};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{
    finding::Finding,
    proof::FlawClass,
    rules::zones::Extent,
    seal::{Document, Hash},
};

/// The judgement of a bar. Its sources are `screened`, `technique`, `rules` and `order`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Judgement {
    /// Bar number within the lot.
    pub bar: String,
    /// Heat.
    pub heat: String,
    /// Length of the bar in metres.
    pub length_m: f64,
    /// What was seen.
    pub indications: Vec<Indication>,
    /// What follows for the bar.
    pub verdict: Verdict,
    /// Why, one clause a line.
    pub reasons: Vec<Reason>,
    /// How it is cut.
    pub cut: CutPlan,
    /// What was noticed.
    pub findings: Vec<Finding>,
    /// Who changed the verdict and why, first to last; empty where it is the rules' own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub decisions: Vec<Decision>,
}

impl Document for Judgement {
    const KIND: &'static str = "judgement";
    const FORMAT: u32 = 1;
}

/// What follows for a bar.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Good over the whole length that is sold.
    Release,
    /// Good after the listed stretches are cut out.
    Crop,
    /// Not decided: another pass or a second look is needed.
    Hold,
    /// Not good.
    Reject,
}

/// A verdict changed by a person. What stood before is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Decision {
    /// Who decided.
    pub by: String,
    /// Why.
    pub reason: String,
    /// When, microseconds since 1970-01-01 UTC.
    pub time_us: i64,
    /// The verdict that was changed.
    pub verdict: Verdict,
    /// The cut plan that went with it.
    pub cut: CutPlan,
    /// The judgement that was changed.
    pub judgement: Hash,
}

/// One reason of a verdict.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reason {
    /// Key of the rule applied, as in the rules document.
    pub clause: String,
    /// What was found against what is allowed, in words with the numbers.
    pub statement: String,
    /// Letters of the indications behind it.
    pub indications: Vec<String>,
}

/// Echoes of neighbouring shots and beams that belong to one reflector.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Indication {
    /// Letter, A, B, ... AA, along the bar.
    pub letter: String,
    /// Flaw class whose gate saw it.
    pub class: FlawClass,
    /// Likely kind, in words; says so where the data do not tell.
    pub kind: String,
    /// Place in the section, metres.
    pub place: Point,
    /// Standard uncertainty of the place in the section, in metres.
    pub place_uncertainty_m: f64,
    /// Depth under the surface in metres.
    pub depth_m: f64,
    /// Start along the bar in metres from the head end (6 dB drop, corrected for beam width).
    pub from_m: f64,
    /// End along the bar.
    pub to_m: f64,
    /// Largest height, as a fraction of full screen height.
    pub height_fsh: f64,
    /// The height is a lower bound: the echo was clipped.
    pub clipped: bool,
    /// Equivalent size in metres: disc diameter, or crack depth, by the class.
    pub size_m: f64,
    /// Standard uncertainty of the size in dB of echo height.
    pub size_uncertainty_db: f64,
    /// Beams that saw it.
    pub beams: Vec<u32>,
    /// Echoes it was made from.
    pub echoes: u32,
    /// Echoes that its size rests on, each corrected for the flaw's place in the beam; absent where
    /// the size is that of the highest echo.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sized_by: Option<u32>,
    /// Whether it is longer along the bar than a beam can tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extent: Option<Extent>,
    /// Standard uncertainty of the length along the bar, in metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_uncertainty_m: Option<f64>,
    /// Extent in the section as far as the places of its echoes within 6 dB reach, in metres: for
    /// cracks along the surface.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub across_m: Option<f64>,
    /// Kinds of wave that saw it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modes: Vec<Mode>,
    /// What the likely kind rests on, one observation a line.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub kind_reasons: Vec<String>,
    /// Another indication explains it: no flaw of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ghost: Option<Ghost>,
}

/// Why an indication is no flaw of its own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Ghost {
    /// Letter of the indication that explains it; empty where none is needed.
    pub of: String,
    /// The way its sound took.
    pub path: GhostPath,
    /// Largest difference between the predicted times of its echoes and those read, in seconds.
    pub off_s: f64,
    /// Its height against that of the indication that explains it, in dB; absent where none is
    /// needed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub height_db: Option<f64>,
}

/// Ways of sound that end in an echo where nothing is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum GhostPath {
    /// Surface, probe, surface: the second surface echo.
    SecondSurface,
    /// Twice between flaw and surface.
    TwiceBetween,
    /// One leg as the other kind of wave.
    ConvertedLeg,
    /// Sent by one beam, received by another that fired with it.
    CrossTalk,
}

impl GhostPath {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::SecondSurface => "second surface echo",
            Self::TwiceBetween => "sound that went twice between flaw and surface",
            Self::ConvertedLeg => "sound that came back as the other kind of wave",
            Self::CrossTalk => "cross-talk between beams that fire together",
        }
    }
}

/// How a bar is cut.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct CutPlan {
    /// Pieces along the bar, without gaps but for kerfs.
    pub pieces: Vec<Piece>,
    /// Saleable length in metres.
    pub kept_m: f64,
    /// Length lost to flaws, uninspected stretches, remnants and kerfs, in metres.
    pub lost_m: f64,
    /// What must go and why, where pieces are sold by ordered lengths; so that a lot can be
    /// planned anew.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unsound: Vec<MustGo>,
}

/// A stretch that must not be sold; it may reach over the bar's ends.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MustGo {
    /// Start in metres from the head end.
    pub from_m: f64,
    /// End in metres from the head end.
    pub to_m: f64,
    /// Why, in words.
    pub reason: String,
}

/// A piece of a cut plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Piece {
    /// Start in metres from the head end.
    pub from_m: f64,
    /// End in metres from the head end.
    pub to_m: f64,
    /// What becomes of it.
    pub fate: Fate,
    /// Why, for what is not kept.
    pub reason: String,
    /// Name of the ordered length it is sold as; absent where any length is sold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sold_as: Option<String>,
    /// Base pieces in it, for a multiple length.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub multiple: Option<u32>,
}

/// What becomes of a piece.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Fate {
    /// Sold.
    Keep,
    /// Scrapped.
    Scrap,
}
