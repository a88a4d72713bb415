//! How likely a flaw is found, by its size: a fitted model with its bounds, the data behind it and what it does not
//! cover (MIL-HDBK-1823A).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{Finding, limits::Limits, seal::Document};

/// How detection was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Measured {
    /// By the height of a signal, against a decision threshold.
    Signal,
    /// By found or missed alone.
    HitMiss,
}

/// Scale that sizes enter the model on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Scale {
    /// As they are.
    Linear,
    /// Their natural logarithm.
    Log,
}

impl Scale {
    /// A size on the scale.
    #[must_use]
    pub fn of(self, size: f64) -> f64 {
        match self {
            Self::Linear => size,
            Self::Log => size.ln(),
        }
    }

    /// The size at a place of the scale.
    #[must_use]
    pub fn size(self, x: f64) -> f64 {
        match self {
            Self::Linear => x,
            Self::Log => x.exp(),
        }
    }
}

/// Shape of the curve: what is linear in the size.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Link {
    /// ln(p / (1 - p)).
    Logit,
    /// The normal quantile of p.
    Probit,
    /// ln(-ln(1 - p)).
    Cloglog,
    /// -ln(-ln p).
    Loglog,
}

/// What the 95 % bound rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Bound {
    /// The curvature of the likelihood (delta method), one-sided, 1.645 standard errors.
    Wald,
    /// The likelihood itself: where twice its logarithm has fallen by 3.841.
    LikelihoodRatio,
}

impl Bound {
    /// In words, as a report says it.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Wald => "delta method (Wald), one-sided at 1.645 standard errors",
            Self::LikelihoodRatio => {
                "likelihood ratio, where twice the logarithm of the likelihood has fallen by 3.841 (one degree of freedom)"
            }
        }
    }
}

/// One inspection of one flaw.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Trial {
    /// Which flaw; several inspections of one share it.
    pub target: u32,
    /// Its size, in the unit of the whole.
    pub size: f64,
    /// Height of the signal; 1 or 0 where only found or missed is known.
    pub response: f64,
    /// Whether the height stands for all below or above it.
    #[serde(default, skip_serializing_if = "Censored::is_none")]
    pub censored: Censored,
}

/// What a height stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Censored {
    /// Itself.
    #[default]
    None,
    /// Anything at or below it: lost in noise.
    Below,
    /// Anything at or above it: clipped.
    Above,
}

impl Censored {
    fn is_none(&self) -> bool {
        *self == Self::None
    }
}

/// Signals where there is no flaw.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Noise {
    /// Places that were looked at.
    pub places: u32,
    /// False calls among them; none where only heights are known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub false_calls: Option<u32>,
    /// Mean and standard deviation of the heights (of all, not of a sample); none where only calls are known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heights: Option<[f64; 2]>,
    /// Probability of a false call at a place.
    pub rate: f64,
    /// Its upper 95 % bound; none where it rests on the shape of the heights.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rate_upper_95: Option<f64>,
}

/// A point of the curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CurvePoint {
    /// Probability of detection.
    pub pod: f64,
    /// Size that is found with it.
    pub size: f64,
    /// Size that is found with it, with 95 % confidence; none where the data do not bound it.
    pub size_95: Option<f64>,
}

/// How likely a flaw is found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Pod {
    /// What was looked for, with what, in words.
    pub subject: String,
    /// Unit of sizes.
    pub unit: String,
    /// How detection was measured.
    pub measured: Measured,
    /// Scale of sizes.
    pub scale: Scale,
    /// Shape of the curve.
    pub link: Link,
    /// Unit of signals; empty where only found or missed is known.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub signal_unit: String,
    /// Decision threshold of signals.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decision: Option<f64>,
    /// Intercept, slope and, of signals, the standard deviation about the line.
    pub coefficients: Vec<f64>,
    /// Place of the curve on the scale of sizes, where half of the flaws are found.
    pub mu: f64,
    /// Its width on that scale: POD is the link's curve of (x - mu) / sigma.
    pub sigma: f64,
    /// Variance of mu, covariance, variance of sigma.
    pub covariance: [f64; 3],
    /// Size found with 50 %.
    pub a50: f64,
    /// Size found with 90 %.
    pub a90: f64,
    /// Size found with 90 %, with 95 % confidence; none where the data do not bound it.
    pub a90_95: Option<f64>,
    /// What the bound rests on.
    pub bound: Bound,
    /// Deviance of a hit/miss model; logarithm of the likelihood of a signal model.
    pub fit: f64,
    /// Flaws.
    pub targets: u32,
    /// Inspections of each, on average.
    pub repeats: f64,
    /// The curve.
    pub curve: Vec<CurvePoint>,
    /// The data.
    pub trials: Vec<Trial>,
    /// What was heard where there is no flaw.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub noise: Option<Noise>,
    /// What was noticed.
    pub findings: Vec<Finding>,
    /// How the trials were made, a statement each; empty where only their table is known.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub conditions: Vec<String>,
    /// What the result does not cover, a statement each.
    pub not_covered: Vec<String>,
}

impl Document for Pod {
    const KIND: &'static str = "probability of detection";
    const FORMAT: u32 = 1;

    fn check(&self, name: &str) -> crate::Result<()> {
        let l = Limits { document: name };
        for (key, value) in [("a50", self.a50), ("a90", self.a90), ("sigma", self.sigma)] {
            if !(value.is_finite() && value > 0.0) {
                let expected = "a number above nought";
                return Err(l.impossible(&format!("body.{key}"), value.to_string(), expected));
            }
        }
        Ok(())
    }
}
