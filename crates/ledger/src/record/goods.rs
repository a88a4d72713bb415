//! Facts about goods: pieces cut from bars, and what left the house.

use serde::{Deserialize, Serialize};

use super::BarKey;

/// A bar that was cut. Pieces are numbered from the head end on by their marks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CutFacts {
    /// The bar.
    #[serde(flatten)]
    pub bar: BarKey,
    /// Pieces kept.
    pub pieces: Vec<Piece>,
}

/// A piece of a bar.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Piece {
    /// Its mark, unique within the bar.
    pub piece: String,
    /// Its head end, in metres from the head end of the bar.
    pub from_m: f64,
    /// Its tail end, in metres from the head end of the bar.
    pub to_m: f64,
}

/// Bars and pieces that left the house.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ShipmentFacts {
    /// Number of the delivery.
    pub delivery: String,
    /// Customer.
    pub customer: String,
    /// What left.
    pub items: Vec<Delivered>,
    /// Why something left that was not released; empty where all was.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub although: String,
}

/// A bar or a piece of it that left the house.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Delivered {
    /// The bar.
    #[serde(flatten)]
    pub bar: BarKey,
    /// Mark of the piece; absent for the whole bar.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub piece: Option<String>,
}
