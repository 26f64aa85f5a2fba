//! Moments, people and numbers as reports write them.

use crate::store::RunRow;
use crate::work::how_known;

/// Local time at the place of the record with its distance from UTC.
pub(super) fn moment(utc_us: i64, offset_s: i32) -> String {
    let Ok(at) = jiff::Timestamp::from_microsecond(utc_us) else { return "at an unknown time".to_owned() };
    let offset = jiff::tz::Offset::from_seconds(offset_s).unwrap_or(jiff::tz::Offset::UTC);
    let local = at.to_zoned_datetime(offset.to_time_zone());
    let zone = if offset_s == 0 { "UTC".to_owned() } else { local.strftime("%:z").to_string() };
    format!("{} {zone}", local.strftime("%Y-%m-%d %H:%M:%S"))
}

/// A person with how he or she is known.
pub(super) fn person(who: &str) -> String {
    let known = match how_known(who) {
        "account" => "known by the account of the system",
        "named" => "name as typed, account of the system",
        "key" => "proved by a key",
        _ => "the program itself",
    };
    format!("{who} ({known})")
}

/// A number with five significant digits.
pub(super) fn number(x: f64) -> String {
    significant(x, 5)
}

fn significant(x: f64, digits: u8) -> String {
    if x == 0.0 || !x.is_finite() {
        return format!("{x}");
    }
    #[expect(clippy::cast_possible_truncation, reason = "the exponent of a finite number")]
    let exponent = x.abs().log10().floor() as i32;
    if !(-4..6).contains(&exponent) {
        return format!("{x:.*e}", usize::from(digits.saturating_sub(1)));
    }
    let decimals = usize::try_from((i32::from(digits) - 1 - exponent).max(0)).unwrap_or(0);
    format!("{x:.decimals$}")
}

/// A number with at most five significant digits and no zeros at its end.
pub(super) fn brief(x: f64) -> String {
    without_zeros(&number(x))
}

/// A number with at most eight significant digits, for those who compute a result again by hand.
pub(super) fn exact(x: f64) -> String {
    without_zeros(&significant(x, 8))
}

fn without_zeros(text: &str) -> String {
    let Ok(read) = text.parse::<f64>() else { return text.to_owned() };
    if text.contains('e') { format!("{read:e}") } else { format!("{read}") }
}

/// A unit as it is printed: a plain number has none.
pub(super) fn unit(text: &str) -> &str {
    if text == "1" { "" } else { text }
}

/// What became of a run.
pub(super) fn fate(run: &RunRow) -> String {
    match (&run.set_aside, &run.ended) {
        (Some(reason), _) => format!("set aside: {reason}"),
        (None, Some(why)) => format!("ended: {why}"),
        (None, None) => "cut off, or still going on".to_owned(),
    }
}

/// With a capital letter at its beginning.
pub(super) fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_keep_their_zone_and_numbers_five_digits() {
        assert_eq!(moment(1_795_621_185_416_117, 3_600), "2026-11-25 16:39:45 +01:00");
        assert_eq!(moment(1_795_621_185_416_117, 0), "2026-11-25 15:39:45 UTC");
        assert_eq!(number(4.991_234_56), "4.9912");
        assert_eq!(number(0.004_123_456), "0.0041235");
        assert_eq!(number(123_456.7), "123457");
        assert_eq!(number(1.5e-7), "1.5000e-7");
        assert_eq!(number(0.0), "0");
        assert_eq!(
            (brief(20.0), brief(0.1), brief(8.66e-5)),
            ("20".to_owned(), "0.1".to_owned(), "8.66e-5".to_owned())
        );
    }
}
