//! Text for the screen: hostile characters made visible, bounded lengths, wrapping, figures.

use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// The power of ten of the first digit of a positive number.
#[expect(clippy::cast_possible_truncation, reason = "a logarithm of a number is small")]
pub(super) fn magnitude(value: f64) -> i32 {
    if value > 0.0 && value.is_finite() { value.log10().floor() as i32 } else { 0 }
}

/// Longest text that is shown of one thing, in characters; the record keeps all of it.
const MOST_CHARACTERS: usize = 400;

/// Text from outside as it may be shown: nothing in it can move the cursor, reorder or hide.
///
/// C0 and C1 controls come out by name (`<ESC>`, `<U+009B>`), as do bidirectional marks, zero-width
/// and other invisible characters, line separators, private and unassigned ones; the rest stays.
/// At most 400 characters of the text are shown.
#[must_use]
pub fn visible(text: &str) -> String {
    match text.char_indices().nth(MOST_CHARACTERS) {
        None => crate::reading::visible(text),
        Some((end, _)) => crate::reading::visible(&text[..end]) + "...",
    }
}

/// Columns that a text takes on the screen.
#[must_use]
pub(super) fn width(text: &str) -> usize {
    text.width()
}

/// The text cut to `columns`, with `mark` at its end where something was cut off.
#[must_use]
pub(super) fn cut(text: &str, columns: usize, mark: &str) -> String {
    if text.width() <= columns {
        return text.to_owned();
    }
    let room = columns.saturating_sub(mark.width());
    let mut out = String::new();
    let mut used = 0;
    for c in text.chars() {
        let wide = UnicodeWidthChar::width(c).unwrap_or(0);
        if used + wide > room {
            break;
        }
        used += wide;
        out.push(c);
    }
    if mark.width() <= columns {
        out.push_str(mark);
    }
    out
}

/// The text in lines of at most `columns`, broken between words where that is possible.
#[must_use]
pub(super) fn wrap(text: &str, columns: usize) -> Vec<String> {
    let columns = columns.max(1);
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        if !line.is_empty() && line.width() + 1 + word.width() > columns {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        for c in word.chars() {
            if line.width() + UnicodeWidthChar::width(c).unwrap_or(0) > columns && !line.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            line.push(c);
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// A count with its thousands apart: `1 284`.
#[must_use]
pub(super) fn grouped(count: u64) -> String {
    let digits = count.to_string();
    let mut out = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            out.push(' ');
        }
        out.push(digit);
    }
    out
}

/// Decimals that show two significant digits of an uncertainty, 0 to 6.
#[must_use]
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to 0..=6 before the cast"
)]
pub(super) fn decimals_for(uncertainty: f64) -> usize {
    if !(uncertainty.is_finite() && uncertainty > 0.0) {
        return 3;
    }
    (1.0 - uncertainty.log10().floor()).clamp(0.0, 6.0) as usize
}

/// A figure with its uncertainty: `11.412 ± 0.004`, both to the place that two digits of the uncertainty need.
#[must_use]
pub(super) fn with_uncertainty(value: f64, u: Option<f64>, plus_minus: &str) -> String {
    match u {
        Some(u) => {
            let places = decimals_for(u).min(4);
            format!("{value:.places$} {plus_minus} {u:.places$}")
        }
        None => format!("{value:.3}"),
    }
}

/// Decimals that a number was sent with, as far as its shortest form tells, at most 6.
#[must_use]
pub(super) fn decimals_of(value: f64) -> usize {
    let text = format!("{value}");
    text.split_once('.').map_or(0, |(_, fraction)| fraction.len().min(6))
}

/// A duration as people say it: `4 s`, `2 min 05 s`, `1 h 03 min`.
#[must_use]
pub(super) fn duration(seconds: u64) -> String {
    match seconds {
        0..=119 => format!("{seconds} s"),
        120..=3_599 => format!("{} min {:02} s", seconds / 60, seconds % 60),
        _ => format!("{} h {:02} min", seconds / 3_600, seconds % 3_600 / 60),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn controls_come_out_by_name() {
        assert_eq!(visible("6.87\x1b[2J\r\n"), "6.87<ESC>[2J<CR><LF>");
        assert_eq!(visible("a\u{9b}31m"), "a<U+009B>31m");
        assert_eq!(visible("\x7f\0"), "<DEL><NUL>");
    }

    #[test]
    fn marks_that_hide_or_reorder_are_shown() {
        assert_eq!(visible("1\u{202E}2\u{2066}3"), "1<U+202E>2<U+2066>3");
        assert_eq!(visible("pH\u{200B}7\u{FEFF}"), "pH<U+200B>7<U+FEFF>");
        assert_eq!(visible("e\u{0301}"), "e<U+0301>");
        assert_eq!(visible("\u{00AD}\u{2028}\u{E0041}"), "<U+00AD><U+2028><U+E0041>");
    }

    #[test]
    fn plain_text_stays() {
        assert_eq!(visible("24.9 °C, 12 µS/cm, Größe, 酸"), "24.9 °C, 12 µS/cm, Größe, 酸");
    }

    #[test]
    fn a_megabyte_is_cut() {
        assert!(visible(&"x".repeat(1_000_000)).len() < 500);
    }

    #[test]
    fn cutting_says_that_it_cut() {
        assert_eq!(cut("vinegar acidity", 10, "…"), "vinegar a…");
        assert_eq!(cut("vinegar", 10, "…"), "vinegar");
        assert_eq!(cut("vinegar", 0, "…"), "");
        assert_eq!(cut("酸酸酸", 4, "…"), "酸…");
    }

    #[test]
    fn figures_carry_their_digits() {
        assert_eq!(with_uncertainty(11.4123, Some(0.0041), "±"), "11.4123 ± 0.0041");
        assert_eq!(with_uncertainty(11.4123, Some(0.043), "±"), "11.412 ± 0.043");
        assert_eq!(with_uncertainty(11.4123, Some(1.3), "±"), "11.4 ± 1.3");
        assert_eq!(with_uncertainty(11.4123, None, "±"), "11.412");
        assert_eq!(with_uncertainty(11.4123, Some(f64::NAN), "±"), "11.412 ± NaN");
        assert_eq!(grouped(1_284), "1 284");
        assert_eq!(grouped(12), "12");
        assert_eq!(duration(125), "2 min 05 s");
        assert_eq!(decimals_of(6.87), 2);
        assert_eq!(decimals_of(7.0), 0);
    }

    proptest! {
        #[test]
        fn nothing_hidden_survives(text in "\\PC*|[\\x00-\\x{10FFFF}]*") {
            let shown = visible(&text);
            prop_assert_eq!(crate::reading::visible(&shown), shown.clone());
            prop_assert!(shown.len() <= MOST_CHARACTERS * 10 + 3);
        }

        #[test]
        fn cut_and_wrap_keep_the_width(text in "\\PC{0,80}", columns in 2_usize..40) {
            prop_assert!(width(&cut(&text, columns, "~")) <= columns);
            for line in wrap(&visible(&text), columns) {
                prop_assert!(width(&line) <= columns, "{line:?}");
            }
        }
    }
}
