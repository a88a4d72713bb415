//! What an order buys, in the whole numbers that plans are made with.

use barwright_job::order::Cut;

use super::UM;

/// Score of one thousandth of value on one micrometre. A plan's score is its value in these units
/// less one for each saw cut, so that of equal values the plan with the fewest cuts wins.
pub(super) const SHIFT: i64 = 1 << 20;
/// A score that no plan has.
pub(super) const NONE: i64 = i64::MIN / 2;

/// What is bought.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Market {
    /// The limits between which a piece may lie, in the order's order.
    pub windows: Vec<Window>,
    /// Pieces open, by counted length.
    pub open: Vec<u32>,
    /// Shortest piece of each counted length, µm.
    pub shortest: Vec<i64>,
    /// Kerf in µm.
    pub kerf: i64,
}

/// Limits of a piece.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Window {
    /// Shortest, µm.
    pub low: i64,
    /// Longest, µm.
    pub high: i64,
    /// Score of a micrometre.
    pub slope: i64,
    /// Ordered length, by its place in the order.
    pub length: usize,
    /// Base pieces, for a multiple.
    pub multiple: Option<u32>,
    /// Its place among the counted lengths.
    pub counted: Option<usize>,
}

impl Market {
    /// From an order's lengths. Kerfs are rounded up to tenths of a millimetre.
    pub(super) fn new(cut: &Cut) -> Self {
        let tenth = |mm: f64| (mm * 10.0).round() as i64 * 100;
        let mut market = Self {
            windows: Vec::new(),
            open: Vec::new(),
            shortest: Vec::new(),
            // 1e-6: what a decimal of the text loses on its way to a float.
            kerf: (cut.kerf_mm * 10.0 - 1e-6).ceil().max(0.0) as i64 * 100,
        };
        for (length, ordered) in cut.lengths.iter().enumerate() {
            let limits = ordered.limits();
            let counted = ordered.open_pieces.map(|open| {
                market.open.push(open);
                let low = limits.iter().map(|w| tenth(w.from_mm)).min();
                market.shortest.push(low.unwrap_or(i64::MAX));
                market.open.len() - 1
            });
            let slope = (ordered.value_per_m * 1e3).round() as i64 * SHIFT;
            market.windows.extend(limits.into_iter().map(|w| Window {
                low: tenth(w.from_mm).max(1),
                high: tenth(w.to_mm),
                slope,
                length,
                multiple: w.multiple,
                counted,
            }));
        }
        market
    }

    /// Shortest piece of all, µm.
    pub(super) fn least(&self) -> i64 {
        self.windows.iter().map(|w| w.low).min().unwrap_or(i64::MAX)
    }
}

/// Metres of value 1 from a score.
pub(super) fn value_m(score: i128) -> f64 {
    let shift = i128::from(SHIFT);
    // Cuts only take from a score, and always less than one unit of value in all.
    let value = (score + shift - 1).div_euclid(shift);
    value as f64 / 1e3 / UM
}
