//! Days and moments as typed.

use jiff::civil::Date;
use jiff::{Timestamp, ToSpan, tz::TimeZone};

fn moment(text: &str) -> Option<i64> {
    text.parse::<Timestamp>().ok().map(|moment| moment.as_microsecond())
}

fn midnight(day: Date) -> Result<i64, String> {
    let begins = day.to_zoned_datetime(TimeZone::system()).map_err(|e| e.to_string())?;
    Ok(begins.timestamp().as_microsecond())
}

fn day(text: &str) -> Result<Date, String> {
    text.parse().map_err(|_| format!("\"{text}\" is neither a day as 2026-11-01 nor a moment as 2026-11-01T08:00:00Z"))
}

/// A moment, or the beginning of a day of the place, in microseconds since 1970 UTC.
pub(super) fn from_day(text: &str) -> Result<i64, String> {
    moment(text).map_or_else(|| midnight(day(text)?), Ok)
}

/// A moment, or the end of a day of the place.
pub(super) fn to_day(text: &str) -> Result<i64, String> {
    moment(text).map_or_else(|| midnight(day(text)?.checked_add(1.day()).map_err(|e| e.to_string())?), Ok)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_is_taken_from_its_beginning_to_its_end() {
        let (from, to) = (from_day("2026-11-01").unwrap(), to_day("2026-11-01").unwrap());
        let hours = (to - from) / 3_600_000_000;
        assert!((23..=25).contains(&hours), "{hours}");
        assert_eq!(from_day("2026-11-01T08:00:00Z"), Ok(1_793_520_000_000_000));
        assert_eq!(to_day("2026-11-01T08:00:00Z"), Ok(1_793_520_000_000_000));
        assert!(from_day("01.11.2026").is_err());
    }
}
