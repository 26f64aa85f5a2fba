//! Numbers as instruments write them: decimal point or comma, grouped thousands, signs before, apart
//! or behind (also U+2212), exponents. Never "nan" or "inf", never a value too large to be held.

use super::eight::FewDigits;

/// The decimal sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Decimal {
    /// `.`
    #[default]
    Point,
    /// `,`
    Comma,
    /// Whichever comes; a number that can be read both ways is refused.
    Either,
}

/// Where a sign stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SignPlace {
    /// Right before the digits.
    #[default]
    Before,
    /// Before the digits, blanks may stand between.
    Apart,
    /// Behind the digits (or before them).
    Behind,
}

/// How numbers without a shape are written on a wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct NumberStyle {
    /// The decimal sign.
    pub decimal: Decimal,
    /// What groups thousands.
    pub thousands: Option<char>,
    /// Where the sign stands.
    pub sign: SignPlace,
}

impl NumberStyle {
    /// The one decimal sign, where nothing groups thousands.
    pub(crate) const fn plain_decimal(self) -> Option<u8> {
        match (self.decimal, self.thousands) {
            (Decimal::Point, None) => Some(b'.'),
            (Decimal::Comma, None) => Some(b','),
            _ => None,
        }
    }
}

/// A number found in a text.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scanned {
    /// Where it ends, in bytes of the text.
    pub end: usize,
    /// Its value; `None` when it cannot be held or can be read both ways.
    pub value: Option<f64>,
    /// It can be read with a decimal comma and with a comma between thousands.
    pub ambiguous: bool,
}

/// Powers of ten that a double holds exactly.
const EXACT: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
    1e19, 1e20, 1e21, 1e22,
];

/// The number at `at` and its end if it is written in the commonest way: an ASCII sign or none, few digits,
/// a decimal sign or none, nothing behind it that could belong to it. `None` says nothing: ask [`scan`].
#[inline]
pub(crate) fn plain(text: &[u8], at: usize, decimal: u8) -> Option<(f64, usize)> {
    let digits = FewDigits::at(text, at, decimal)?;
    let goes_on = digits.next == decimal || matches!(digits.next, b'e' | b'E');
    (digits.whole > 0 && !goes_on).then(|| (digits.value(), at + digits.length()))
}

/// Most digits of a number; longer runs are no measured value.
const MOST_DIGITS: usize = 32;

/// Digits collected from a text.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Digits {
    /// At most 19 digits; further ones only move the exponent.
    mantissa: u64,
    seen: usize,
    exponent: i32,
    lossy: bool,
}

impl Digits {
    /// Adds a digit, before or behind the decimal sign.
    #[inline]
    pub(crate) fn push(&mut self, digit: u8, behind: bool) {
        self.seen += 1;
        if self.mantissa < 1_000_000_000_000_000_000 {
            self.mantissa = self.mantissa * 10 + u64::from(digit - b'0');
            self.exponent -= i32::from(behind);
        } else {
            self.lossy |= digit != b'0';
            self.exponent += i32::from(!behind);
        }
    }

    pub(crate) const fn is_empty(&self) -> bool {
        self.seen == 0
    }

    const fn too_many(&self) -> bool {
        self.seen > MOST_DIGITS
    }

    /// The value, correctly rounded; `None` when it is too large to be held.
    #[inline]
    pub(crate) fn value(&self, exponent: i32) -> Option<f64> {
        let exponent = self.exponent.saturating_add(exponent);
        let power = EXACT.get(exponent.unsigned_abs() as usize);
        if let Some(power) = power
            && self.mantissa < (1 << 53)
            && !self.lossy
        {
            // Both operands are exact, so one rounding gives the nearest double (W. D. Clinger, "How to read
            // floating point numbers accurately", PLDI 1990, the fast path).
            let mantissa = self.mantissa as f64;
            return Some(if exponent < 0 { mantissa / power } else { mantissa * power });
        }
        // Rare: more digits than a double holds. The text form goes through the standard library's parser.
        format!("{}e{exponent}", self.mantissa).parse::<f64>().ok().filter(|value| value.is_finite())
    }
}

/// The sign character at `at`: whether it is a minus, and its length in bytes.
#[inline]
pub(crate) fn sign_at(text: &[u8], at: usize) -> Option<(bool, usize)> {
    match text.get(at..)? {
        [b'-', ..] => Some((true, 1)),
        [b'+', ..] => Some((false, 1)),
        // U+2212 minus sign
        [0xE2, 0x88, 0x92, ..] => Some((true, 3)),
        _ => None,
    }
}

/// The grouping character at `at`, with its length. A blank also means no-break and narrow no-break blanks.
pub(crate) fn group_at(text: &[u8], at: usize, thousands: char) -> Option<usize> {
    let rest = text.get(at..)?;
    let length = match (thousands, rest) {
        (' ', [b' ', ..]) => 1,
        // U+00A0, U+202F, U+2009
        (' ', [0xC2, 0xA0, ..]) => 2,
        (' ', [0xE2, 0x80, 0xAF | 0x89, ..]) => 3,
        ('\'', [b'\'', ..]) => 1,
        (wanted, [byte, ..]) if char::from(*byte) == wanted => 1,
        _ => return None,
    };
    let three = rest.get(length..length + 3)?;
    let more = rest.get(length + 3).is_some_and(u8::is_ascii_digit);
    (three.iter().all(u8::is_ascii_digit) && !more).then_some(length)
}

/// The number that begins at `at`, or `None` when none does. Linear in its length, which is bounded.
#[must_use]
pub fn scan(text: &[u8], at: usize, style: NumberStyle) -> Option<Scanned> {
    let mut pos = at;
    let mut negative = false;
    let mut signed = false;
    if let Some((minus, length)) = sign_at(text, pos) {
        negative = minus;
        signed = true;
        pos += length;
        if style.sign == SignPlace::Apart {
            pos += text[pos..].iter().take(MOST_DIGITS).take_while(|byte| **byte == b' ').count();
        }
    }
    let mut digits = Digits::default();
    let whole_from = pos;
    while let Some(byte) = text.get(pos).filter(|byte| byte.is_ascii_digit()) {
        digits.push(*byte, false);
        pos += 1;
        if digits.too_many() {
            return None;
        }
    }
    let whole = pos - whole_from;
    if let Some(thousands) = style.thousands
        && (1..=3).contains(&whole)
    {
        while let Some(length) = group_at(text, pos, thousands) {
            for byte in &text[pos + length..pos + length + 3] {
                digits.push(*byte, false);
            }
            pos += length + 3;
            if digits.too_many() {
                return None;
            }
        }
    }
    let mut ambiguous = false;
    let is_sign = |byte: u8| match style.decimal {
        Decimal::Point => byte == b'.',
        Decimal::Comma => byte == b',',
        Decimal::Either => byte == b'.' || byte == b',',
    };
    if let Some(sign) = text.get(pos).copied().filter(|byte| is_sign(*byte)) {
        let from = pos + 1;
        let mut end = from;
        while let Some(byte) = text.get(end).filter(|byte| byte.is_ascii_digit()) {
            digits.push(*byte, true);
            end += 1;
            if digits.too_many() {
                return None;
            }
        }
        // "5." is a number (IEEE 488.2 NRf), "." is none, and "5," is a number before a comma.
        if end > from || (sign == b'.' && whole > 0) {
            pos = end;
        }
        ambiguous = style.decimal == Decimal::Either
            && end - from == 3
            && (1..=3).contains(&whole)
            && text[whole_from] != b'0';
    }
    if digits.is_empty() {
        return None;
    }
    let (exponent, end) = exponent_at(text, pos);
    pos = end;
    if style.sign == SignPlace::Behind
        && !signed
        && let Some((minus, length)) = sign_at(text, pos)
    {
        negative = minus;
        pos += length;
    }
    let value = if ambiguous { None } else { digits.value(exponent) };
    Some(Scanned { end: pos, value: value.map(|v| if negative { -v } else { v }), ambiguous })
}

/// `E+06` at `at`: the exponent and where it ends; 0 and `at` where there is none.
pub(crate) fn exponent_at(text: &[u8], at: usize) -> (i32, usize) {
    let is_there = matches!(text.get(at), Some(b'E' | b'e'));
    is_there.then(|| power_at(text, at + 1)).flatten().unwrap_or((0, at))
}

/// `+06` at `at`: the exponent without its letter, and where it ends.
pub(crate) fn power_at(text: &[u8], at: usize) -> Option<(i32, usize)> {
    let (negative, length) = sign_at(text, at).unwrap_or((false, 0));
    let from = at + length;
    let mut pos = from;
    let mut exponent = 0_i32;
    while let Some(byte) = text.get(pos).filter(|byte| byte.is_ascii_digit()) {
        exponent = exponent.saturating_mul(10).saturating_add(i32::from(byte - b'0'));
        pos += 1;
        if pos - from > 6 {
            return None;
        }
    }
    (pos > from).then_some((if negative { -exponent } else { exponent }, pos))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn value(text: &str, style: NumberStyle) -> Option<f64> {
        scan(text.as_bytes(), 0, style).filter(|s| s.end == text.len()).and_then(|s| s.value)
    }

    /// IEEE 488.2 numeric forms, from the rows of fixtures/reference/number_forms.csv.
    #[test]
    fn forms_of_ieee_488_2_are_read() {
        let rows = include_str!("../../fixtures/reference/number_forms.csv");
        let mut reader = csv::Reader::from_reader(rows.as_bytes());
        let mut seen = 0;
        for row in reader.records() {
            let row = row.unwrap();
            let found = value(&row[0], NumberStyle::default());
            match &row[2] {
                "reject" => assert_eq!(found, None, "{}", &row[0]),
                // The codes for "not a number" and infinity are numbers as written; a profile gives them their meaning.
                "NaN" | "+inf" | "-inf" => assert!(found.is_some_and(|v| v.abs() > 9e36), "{}", &row[0]),
                told => assert_eq!(found, Some(told.parse().unwrap()), "{}", &row[0]),
            }
            seen += 1;
        }
        assert!(seen > 15);
    }

    #[test]
    fn signs_and_thousands_of_many_countries() {
        let comma = NumberStyle { decimal: Decimal::Comma, thousands: Some(' '), sign: SignPlace::Apart };
        assert_eq!(value("1 234,5", comma), Some(1234.5));
        assert_eq!(value("\u{2212}12,3", comma), Some(-12.3));
        assert_eq!(value("- 12,3", comma), Some(-12.3));
        assert_eq!(value("1 23,5", comma), None);
        let behind = NumberStyle { sign: SignPlace::Behind, ..NumberStyle::default() };
        assert_eq!(value("12.3-", behind), Some(-12.3));
        let either = NumberStyle { decimal: Decimal::Either, ..NumberStyle::default() };
        assert_eq!(value("12,3", either), Some(12.3));
        let both = scan(b"1,234", 0, either).unwrap();
        assert!(both.ambiguous && both.value.is_none());
        assert_eq!(value("0,234", either), Some(0.234));
    }

    #[test]
    fn what_is_no_number_is_none() {
        for text in ["nan", "inf", "infinity", "", "-", ".", "E5", "--1", "1e999"] {
            assert_eq!(value(text, NumberStyle::default()), None, "{text}");
        }
        assert!(scan(&[b'1'; 4000], 0, NumberStyle::default()).is_none());
    }

    proptest! {
        /// The short way is the long way, wherever it answers.
        #[test]
        fn the_plain_way_agrees(text in "[-+]?[0-9]{0,18}[.,]?[0-9]{0,9}[-eE.,0-9 ]{0,3}", comma: bool) {
            let style = NumberStyle { decimal: if comma { Decimal::Comma } else { Decimal::Point }, ..NumberStyle::default() };
            let decimal = style.plain_decimal().unwrap();
            if let Some((found, end)) = plain(text.as_bytes(), 0, decimal) {
                prop_assert_eq!(scan(text.as_bytes(), 0, style), Some(Scanned { end, value: Some(found), ambiguous: false }));
            }
        }

        #[test]
        fn agrees_with_the_standard_library(v in proptest::num::f64::NORMAL) {
            let text = format!("{v:e}");
            prop_assert_eq!(value(&text, NumberStyle::default()), Some(v));
        }

        #[test]
        fn plain_decimals_agree_too(whole in 0_u64..10_000_000, part in 0_u32..100_000) {
            let text = format!("{whole}.{part:05}");
            prop_assert_eq!(value(&text, NumberStyle::default()), Some(text.parse().unwrap()));
        }
    }
}
