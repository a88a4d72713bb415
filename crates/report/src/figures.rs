//! How a reader wants figures: a decimal point or comma, millimetres and metres or inches and feet.
//!
//! Papers are always set with the plain style. A page is made within [`with`] the style of who reads it;
//! the style holds for all that is made on that thread until then, words and pictures alike. Sentences that
//! stand in documents are quoted as they were written.

use std::cell::Cell;

use crate::text::number;

/// What stands between whole and parts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Decimal {
    /// 1.5
    #[default]
    Point,
    /// 1,5
    Comma,
}

/// Units of length.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Lengths {
    /// Millimetres for sizes, metres along a bar.
    #[default]
    Metric,
    /// Inches for sizes, feet along a bar (both international: 25.4 mm and 0.3048 m, ISO 80000-3).
    Inch,
}

/// A style of figures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Figures {
    /// Point or comma.
    pub decimal: Decimal,
    /// Units of length.
    pub lengths: Lengths,
}

thread_local! {
    static STYLE: Cell<Figures> = const { Cell::new(Figures { decimal: Decimal::Point, lengths: Lengths::Metric }) };
}

/// Puts the style of before back, whatever happens.
struct Restore(Figures);

impl Drop for Restore {
    fn drop(&mut self) {
        STYLE.set(self.0);
    }
}

/// Does some work with figures in a style.
pub fn with<T>(style: Figures, work: impl FnOnce() -> T) -> T {
    let _restore = Restore(STYLE.replace(style));
    work()
}

/// The style that holds here and now.
#[must_use]
pub fn style() -> Figures {
    STYLE.get()
}

/// A size (of a section, a depth, a flaw) in metres, as a figure in [`size_unit`] as exact as so many
/// decimals of a millimetre.
#[must_use]
pub fn size(metres: f64, decimals_mm: usize) -> String {
    match style().lengths {
        Lengths::Metric => number(metres * 1e3, decimals_mm),
        Lengths::Inch => number(metres / 0.0254, decimals_mm + 2),
    }
}

/// Unit of sizes.
#[must_use]
pub fn size_unit() -> &'static str {
    match style().lengths {
        Lengths::Metric => "mm",
        Lengths::Inch => "in",
    }
}

/// A size with its unit.
#[must_use]
pub fn sized(metres: f64, decimals_mm: usize) -> String {
    format!("{} {}", size(metres, decimals_mm), size_unit())
}

/// A way along a bar in metres, as a figure in [`way_unit`].
#[must_use]
pub fn way(metres: f64, decimals: usize) -> String {
    number(metres / way_m(), decimals)
}

/// Metres of one [`way_unit`].
#[must_use]
pub fn way_m() -> f64 {
    match style().lengths {
        Lengths::Metric => 1.0,
        Lengths::Inch => 0.3048,
    }
}

/// Unit of ways along a bar.
#[must_use]
pub fn way_unit() -> &'static str {
    match style().lengths {
        Lengths::Metric => "m",
        Lengths::Inch => "ft",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const COMMA: Figures = Figures { decimal: Decimal::Comma, lengths: Lengths::Inch };

    // Closed form: an inch is 25.4 mm, a foot 0.3048 m (ISO 80000-3); the style ends with its work, also
    // where that breaks off.
    #[test]
    fn figures_follow_the_style_and_the_style_ends_with_its_work() {
        assert_eq!(sized(0.0254, 1), "25.4 mm");
        let inside = with(COMMA, || (sized(0.0254, 1), way(3.048, 2), number(-1.5, 1), way_unit()));
        assert_eq!(inside, ("1,000 in".into(), "10,00".into(), "−1,5".into(), "ft"));
        assert_eq!(style(), Figures::default());
        let broken = std::panic::catch_unwind(|| with(COMMA, || panic!("breaks off")));
        assert!(broken.is_err());
        assert_eq!(style(), Figures::default());
        // One within another.
        let plain = with(COMMA, || with(Figures::default(), || size(0.001, 0)));
        assert_eq!(plain, "1");
    }
}
