//! The lengths that pieces of the bars are sold by: fixed, random within a range, or multiples.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{
    error::Result,
    limits::Limits,
    order::{Bars, Cut, is_zero},
};

/// Most lengths of one order.
pub const MOST_LENGTHS: usize = 20;
/// Most lengths of one order of which the open pieces are counted.
pub const MOST_COUNTED: usize = 8;
/// Most open pieces of one length.
pub const MOST_OPEN: u32 = 30_000;
/// Most base pieces in one multiple.
pub const MOST_IN_MULTIPLE: u32 = 100;

/// A length that pieces are sold by. Exactly one of `fixed`, `random` and `multiple` is given.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CutLength {
    /// Its name, for plans and tables.
    pub name: String,
    /// A fixed length with its deviations.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fixed: Option<FixedLength>,
    /// Any length within a range.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub random: Option<RandomLength>,
    /// Some whole number of base pieces, which the customer parts himself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub multiple: Option<MultipleLength>,
    /// Relative value of a metre sold so, 0.01 to 20; counted to a thousandth.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub value_per_m: f64,
    /// Pieces still open over the lot; none beyond them is sold. Absent: any number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub open_pieces: Option<u32>,
}

/// A fixed length.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FixedLength {
    /// Nominal length in mm.
    pub length_mm: f64,
    /// Upper deviation in mm.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub plus_mm: f64,
    /// Lower deviation in mm, counted downwards.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub minus_mm: f64,
}

/// Random lengths.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RandomLength {
    /// Shortest in mm.
    pub from_mm: f64,
    /// Longest in mm.
    pub to_mm: f64,
}

/// Multiple lengths: n times base length and allowance, and the upper deviation of the whole.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MultipleLength {
    /// Length of a base piece in mm.
    pub base_mm: f64,
    /// Allowance for each base piece (the customer's saw cut and facing) in mm.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub allowance_mm: f64,
    /// Fewest base pieces in one length.
    pub from_pieces: u32,
    /// Most base pieces in one length.
    pub to_pieces: u32,
    /// Upper deviation of the whole length in mm.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub plus_mm: f64,
}

/// The limits between which one piece of an ordered length must lie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LengthLimits {
    /// Base pieces, for a multiple.
    pub multiple: Option<u32>,
    /// Shortest in mm.
    pub from_mm: f64,
    /// Longest in mm.
    pub to_mm: f64,
}

const fn one() -> f64 {
    1.0
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands a reference")]
fn is_one(value: &f64) -> bool {
    *value == 1.0
}

impl CutLength {
    /// The limits of its pieces in mm: one pair, or one for each number of base pieces.
    #[must_use]
    pub fn limits(&self) -> Vec<LengthLimits> {
        let one = |from_mm, to_mm| LengthLimits { multiple: None, from_mm, to_mm };
        let fixed = self.fixed.map(|f| one(f.length_mm - f.minus_mm, f.length_mm + f.plus_mm));
        let random = self.random.map(|r| one(r.from_mm, r.to_mm));
        let multiple = self.multiple.into_iter().flat_map(|m| {
            (m.from_pieces..=m.to_pieces).map(move |n| {
                let from_mm = f64::from(n) * (m.base_mm + m.allowance_mm);
                LengthLimits { multiple: Some(n), from_mm, to_mm: from_mm + m.plus_mm }
            })
        });
        fixed.into_iter().chain(random).chain(multiple).collect()
    }

    /// What is ordered, in words with the numbers.
    #[must_use]
    pub fn words(&self) -> String {
        if let Some(f) = self.fixed {
            format!("{} mm +{} -{}", f.length_mm, f.plus_mm, f.minus_mm)
        } else if let Some(r) = self.random {
            format!("{} to {} mm", r.from_mm, r.to_mm)
        } else if let Some(m) = self.multiple {
            format!(
                "{} to {} times {} mm with {} mm each, +{}",
                m.from_pieces, m.to_pieces, m.base_mm, m.allowance_mm, m.plus_mm
            )
        } else {
            String::new()
        }
    }
}

/// Checks the list of an order against the order's bars and its shortest piece.
pub(crate) fn check(l: &Limits<'_>, cut: &Cut, bars: &Bars) -> Result<()> {
    if cut.lengths.len() > MOST_LENGTHS {
        let most = format!("at most {MOST_LENGTHS} lengths can be ordered");
        return Err(l.impossible("cut.lengths", format!("{} lengths", cut.lengths.len()), most));
    }
    let counted = cut.lengths.iter().filter(|c| c.open_pieces.is_some()).count();
    if counted > MOST_COUNTED {
        let most = format!("open_pieces can be given for at most {MOST_COUNTED} lengths");
        return Err(l.impossible("cut.lengths", format!("{counted} counted lengths"), most));
    }
    for (i, length) in cut.lengths.iter().enumerate() {
        let key = |name: &str| format!("cut.lengths[{i}].{name}");
        l.named(&key("name"), &length.name)?;
        if let Some(first) = cut.lengths[..i].iter().position(|o| o.name == length.name) {
            return Err(l.impossible(
                &key("name"),
                &length.name,
                format!("cut.lengths[{first}] has the same name; each needs its own"),
            ));
        }
        let kinds = usize::from(length.fixed.is_some())
            + usize::from(length.random.is_some())
            + usize::from(length.multiple.is_some());
        if kinds != 1 {
            return Err(l.impossible(
                &format!("cut.lengths[{i}]"),
                format!("a length of {kinds} kinds"),
                "exactly one of fixed, random and multiple must be given",
            ));
        }
        one_length(l, length, &key)?;
        l.within(&key("value_per_m"), length.value_per_m, 0.01, 20.0, "")?;
        if let Some(open) = length.open_pieces
            && !(1..=MOST_OPEN).contains(&open)
        {
            return Err(l.impossible(
                &key("open_pieces"),
                open,
                format!(
                    "it must lie between 1 and {MOST_OPEN}; leave out a length of which none is open"
                ),
            ));
        }
        for limits in length.limits() {
            if limits.from_mm < cut.shortest_mm {
                return Err(l.impossible(
                    &format!("cut.lengths[{i}]"),
                    format!("as short as {} mm", limits.from_mm),
                    format!(
                        "no piece shorter than cut.shortest_mm, {} mm, is sold",
                        cut.shortest_mm
                    ),
                ));
            }
        }
        let shortest = length.limits().first().map_or(0.0, |w| w.from_mm);
        if shortest > bars.length_mm {
            return Err(l.impossible(
                &format!("cut.lengths[{i}]"),
                format!("{shortest} mm or longer"),
                format!("the bars are {} mm long (bars.length_mm)", bars.length_mm),
            ));
        }
    }
    Ok(())
}

/// Checks the numbers of one length by themselves.
fn one_length(l: &Limits<'_>, length: &CutLength, key: &impl Fn(&str) -> String) -> Result<()> {
    let tenths = |name: &str, mm: f64, low: f64, high: f64| {
        let key = key(name);
        l.within(&key, mm, low, high, "mm")?;
        // 1e-6: what a decimal of the text loses on its way to a float.
        if (mm * 10.0 - (mm * 10.0).round()).abs() > 1e-6 {
            return Err(l.impossible(&key, format!("{mm} mm"), "whole tenths of a mm are cut"));
        }
        Ok(())
    };
    if let Some(f) = length.fixed {
        tenths("fixed.length_mm", f.length_mm, 1.0, 30_000.0)?;
        tenths("fixed.plus_mm", f.plus_mm, 0.0, f.length_mm)?;
        tenths("fixed.minus_mm", f.minus_mm, 0.0, f.length_mm)?;
    }
    if let Some(r) = length.random {
        tenths("random.from_mm", r.from_mm, 1.0, 30_000.0)?;
        tenths("random.to_mm", r.to_mm, 1.0, 30_000.0)?;
        if r.from_mm > r.to_mm {
            return Err(l.impossible(
                &key("random.from_mm"),
                format!("{} mm", r.from_mm),
                format!("it must not be above random.to_mm, {} mm", r.to_mm),
            ));
        }
    }
    if let Some(m) = length.multiple {
        tenths("multiple.base_mm", m.base_mm, 1.0, 30_000.0)?;
        tenths("multiple.allowance_mm", m.allowance_mm, 0.0, m.base_mm)?;
        tenths("multiple.plus_mm", m.plus_mm, 0.0, m.base_mm)?;
        if !(1..=MOST_IN_MULTIPLE).contains(&m.from_pieces) {
            return Err(l.impossible(
                &key("multiple.from_pieces"),
                m.from_pieces,
                format!("it must lie between 1 and {MOST_IN_MULTIPLE}"),
            ));
        }
        if !(m.from_pieces..=MOST_IN_MULTIPLE).contains(&m.to_pieces) {
            return Err(l.impossible(
                &key("multiple.to_pieces"),
                m.to_pieces,
                format!(
                    "it must lie between multiple.from_pieces, {}, and {MOST_IN_MULTIPLE}",
                    m.from_pieces
                ),
            ));
        }
    }
    Ok(())
}
