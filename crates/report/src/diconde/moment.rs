//! Moments of the record as days and times of day, all in UTC.

use jiff::{Timestamp, civil::Date, tz::TimeZone};

use crate::papers::{ReportError, Result};

/// A moment, to the microsecond.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Moment(Timestamp);

impl Moment {
    /// The moment of so many microseconds since 1970-01-01 UTC.
    pub fn of(time_us: i64) -> Result<Self> {
        let moment = Timestamp::from_microsecond(time_us).map_err(|e| ReportError::Time {
            found: format!("{time_us} µs since 1970"),
            message: e.to_string(),
        })?;
        // Years of other than four digits have no place in a date of these objects.
        match TimeZone::UTC.to_datetime(moment).year() {
            1..=9999 => Ok(Self(moment)),
            year => Err(ReportError::Time {
                found: format!("{time_us} µs since 1970"),
                message: format!("the year {year} does not have four digits"),
            }),
        }
    }

    /// `YYYYMMDD` (DA).
    pub fn day(&self) -> String {
        self.0.strftime("%Y%m%d").to_string()
    }

    /// `HHMMSS.FFFFFF` (TM).
    pub fn time(&self) -> String {
        self.0.strftime("%H%M%S.%6f").to_string()
    }

    /// `YYYYMMDDHHMMSS.FFFFFF+0000` (DT).
    pub fn whole(&self) -> String {
        format!("{}{}+0000", self.day(), self.time())
    }
}

/// A day of the calendar as `YYYYMMDD`.
pub(super) fn day_of(day: Date) -> String {
    day.strftime("%Y%m%d").to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Closed form: 2026-11-25T07:02:11Z is 1 795 590 131 s after 1970.
    #[test]
    fn moments_are_written_in_utc() {
        let moment = Moment::of(1_795_590_131_000_250).expect("a moment");
        assert_eq!(moment.day(), "20261125");
        assert_eq!(moment.time(), "070211.000250");
        assert_eq!(moment.whole(), "20261125070211.000250+0000");
        assert!(Moment::of(i64::MAX).is_err());
    }
}
