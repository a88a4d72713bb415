//! A value of a table.

use serde::Serialize;

/// A value of a table. A text is never empty: what is not there is absent.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Nothing is known.
    Absent,
    /// A whole number.
    Whole(i64),
    /// A finite number.
    Number(f64),
    /// Text.
    Text(String),
    /// True or false.
    Truth(bool),
    /// Microseconds since 1970-01-01 UTC.
    Time(i64),
    /// A day.
    Date(jiff::civil::Date),
}

impl From<f64> for Cell {
    fn from(v: f64) -> Self {
        // No negative nought, which would be another text.
        if v.is_finite() { Self::Number(v + 0.0) } else { Self::Absent }
    }
}

impl From<i64> for Cell {
    fn from(v: i64) -> Self {
        Self::Whole(v)
    }
}

impl From<u32> for Cell {
    fn from(v: u32) -> Self {
        Self::Whole(v.into())
    }
}

impl From<u64> for Cell {
    fn from(v: u64) -> Self {
        i64::try_from(v).map_or(Self::Absent, Self::Whole)
    }
}

impl From<usize> for Cell {
    fn from(v: usize) -> Self {
        i64::try_from(v).map_or(Self::Absent, Self::Whole)
    }
}

impl From<bool> for Cell {
    fn from(v: bool) -> Self {
        Self::Truth(v)
    }
}

impl From<jiff::civil::Date> for Cell {
    fn from(v: jiff::civil::Date) -> Self {
        Self::Date(v)
    }
}

impl From<&str> for Cell {
    fn from(v: &str) -> Self {
        if v.is_empty() { Self::Absent } else { Self::Text(v.to_owned()) }
    }
}

impl From<&String> for Cell {
    fn from(v: &String) -> Self {
        v.as_str().into()
    }
}

impl From<String> for Cell {
    fn from(v: String) -> Self {
        v.as_str().into()
    }
}

impl<T: Into<Cell>> From<Option<T>> for Cell {
    fn from(v: Option<T>) -> Self {
        v.map_or(Self::Absent, Into::into)
    }
}

/// A time in microseconds since 1970-01-01 UTC; absent where no calendar has it.
pub(super) fn at(time_us: impl Into<Option<i64>>) -> Cell {
    time_us
        .into()
        .filter(|us| jiff::Timestamp::from_microsecond(*us).is_ok())
        .map_or(Cell::Absent, Cell::Time)
}

fn scaled(value: f64, power: i32) -> Cell {
    // Through the text, so that no digit is lost or won: a product would round.
    shifted(value, power).parse::<f64>().map_or(Cell::Absent, Cell::from)
}

/// Metres, in mm.
pub(super) fn mm(value_m: impl Into<Option<f64>>) -> Cell {
    value_m.into().map_or(Cell::Absent, |v| scaled(v, 3))
}

/// Seconds, in µs.
pub(super) fn us(value_s: impl Into<Option<f64>>) -> Cell {
    value_s.into().map_or(Cell::Absent, |v| scaled(v, 6))
}

/// A fraction, in percent.
pub(super) fn percent(value: impl Into<Option<f64>>) -> Cell {
    value.into().map_or(Cell::Absent, |v| scaled(v, 2))
}

/// Radians, in degrees.
pub(super) fn deg(value_rad: impl Into<Option<f64>>) -> Cell {
    value_rad.into().map(f64::to_degrees).into()
}

/// The word by which documents name a value.
pub(super) fn word(value: impl Serialize) -> Cell {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => word.into(),
        _ => Cell::Absent,
    }
}

/// A list as text, its parts apart by spaces.
pub(super) fn list<T: ToString>(parts: impl IntoIterator<Item = T>) -> Cell {
    joined(parts, " ")
}

/// A list as text.
pub(super) fn joined<T: ToString>(parts: impl IntoIterator<Item = T>, between: &str) -> Cell {
    parts.into_iter().map(|part| part.to_string()).collect::<Vec<_>>().join(between).into()
}

/// A number times ten to a power, as decimal text with all its digits; empty where it is not finite.
#[must_use]
pub fn shifted(value: f64, power: i32) -> String {
    if !value.is_finite() {
        return String::new();
    }
    let text = format!("{value:e}");
    let Some((mantissa, exponent)) = text.split_once('e') else { return text };
    let (sign, mantissa) =
        mantissa.strip_prefix('-').map_or(("", mantissa), |positive| ("-", positive));
    let (whole, part) = mantissa.split_once('.').unwrap_or((mantissa, ""));
    let digits = format!("{whole}{part}");
    if digits.bytes().all(|b| b == b'0') {
        return "0".to_owned();
    }
    // Digits before the decimal point.
    let point = whole.len() as i32 + exponent.parse::<i32>().unwrap_or(0) + power;
    match usize::try_from(point) {
        Ok(point) if point >= digits.len() => {
            format!("{sign}{digits}{}", "0".repeat(point - digits.len()))
        }
        Ok(point) if point > 0 => format!("{sign}{}.{}", &digits[..point], &digits[point..]),
        _ => format!("{sign}0.{}{digits}", "0".repeat(point.unsigned_abs() as usize)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Closed form: moving the point keeps the digits, and reading the text back with the power undone
    // gives the very number, since the shortest text of a number does.
    #[test]
    fn the_point_moves_and_no_digit_is_lost() {
        assert_eq!(shifted(1.25e-7, 9), "125");
        assert_eq!(shifted(-1.25e-10, 9), "-0.125");
        assert_eq!(shifted(0.0, 9), "0");
        assert_eq!(shifted(-0.0, 6), "0");
        assert_eq!(shifted(1e22, 3), "10000000000000000000000000");
        assert_eq!(shifted(52.421_7e-6, 6), "52.4217");
        assert_eq!(shifted(f64::NAN, 0), "");
        let mut x = 1.0e-9;
        for _ in 0..2000 {
            x *= 1.012_345_678_9;
            let text = shifted(x, 9);
            assert!(!text.contains('e'), "{text}");
            assert_eq!(format!("{text}e-9").parse::<f64>().expect("a number"), x, "{text}");
        }
    }
}
