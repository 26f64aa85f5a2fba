//! Text from outside in formats that people or programs read: harmless, and whole where the format can hold it.

use crate::reading::{is_hidden, visible};
use std::borrow::Cow;
use std::fmt::Write;

/// A text as a cell of CSV: what a terminal or an eye would not show is made visible, and what a spreadsheet would take for
/// a formula (it begins with = + - @, a tab or a carriage return) gets an apostrophe before it.
#[must_use]
pub fn cell_text(text: &str) -> Cow<'_, str> {
    let formula = text.trim_start_matches(|c: char| c.is_whitespace() || is_hidden(c)).starts_with(['=', '+', '-', '@'])
        || text.starts_with(['\t', '\r', '\n', '\u{FF1D}', '\u{FF0B}', '\u{FF0D}', '\u{FF20}']);
    let hidden = text.contains(is_hidden);
    match (formula, hidden) {
        (false, false) => Cow::Borrowed(text),
        (false, true) => Cow::Owned(visible(text)),
        (true, _) => Cow::Owned(format!("'{}", visible(text))),
    }
}

/// Appends a text as a string of JSON: what a terminal or an eye would not show is escaped, so that nothing is lost.
pub fn json_text(text: &str, to: &mut String) {
    to.push('"');
    for c in text.chars() {
        match c {
            '"' => to.push_str("\\\""),
            '\\' => to.push_str("\\\\"),
            '\n' => to.push_str("\\n"),
            c if is_hidden(c) => {
                for unit in c.encode_utf16(&mut [0; 2]) {
                    // Writing to a text cannot fail.
                    let _written = write!(to, "\\u{unit:04x}");
                }
            }
            c => to.push(c),
        }
    }
    to.push('"');
}

/// Appends a number in as few digits as name it.
pub(super) fn number_text(x: f64, to: &mut String) {
    let plain = x == 0.0 || (1e-5..1e15).contains(&x.abs());
    let _written = if plain { write!(to, "{x}") } else { write!(to, "{x:e}") };
}

/// Appends a moment as RFC 3339.
pub(super) fn time_text(utc_us: i64, to: &mut String) {
    if let Ok(moment) = jiff::Timestamp::from_microsecond(utc_us) {
        let _written = write!(to, "{moment}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn no_cell_is_a_formula_and_plain_text_stays() {
        for text in ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1", "\u{202E}=1", "\u{FEFF}=cmd|' /C calc'!A0"] {
            assert!(cell_text(text).starts_with('\''), "{text:?}");
        }
        for text in ["jar 7", "a=b", "3-4", "\u{b5}g", "it's"] {
            assert_eq!(cell_text(text), text);
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(256))]
        #[test]
        fn json_comes_back_whole_and_shows_nothing_hidden(text in ".*") {
            let mut json = String::new();
            json_text(&text, &mut json);
            prop_assert!(!json.contains(is_hidden), "{:?}", json);
            prop_assert_eq!(serde_json::from_str::<String>(&json).unwrap(), text);
        }

        #[test]
        fn cells_show_nothing_hidden(text in ".*") {
            let cell = cell_text(&text).into_owned();
            prop_assert!(!cell.contains(is_hidden));
            prop_assert!(!cell.starts_with(['=', '+', '-', '@']));
        }

        #[test]
        fn numbers_come_back_to_the_last_bit(x in proptest::num::f64::NORMAL) {
            let mut text = String::new();
            number_text(x, &mut text);
            prop_assert_eq!(text.parse::<f64>().unwrap().to_bits(), x.to_bits());
        }
    }
}
