//! The shape of a number: how many digits stand where, so that a number that lost or gained one is refused.
//!
//! `+00.00` sign always, two digits, two decimals; `-n.0` minus where negative, any count of digits without
//! leading zeros, one decimal; `-###0.00` eight characters wide, filled with blanks from the left; `- n.0` sign
//! with a blank; `n.0-` minus behind the digits; `n.0000E+00` exponent with sign and two digits; `n.0000+00` the
//! same without its letter.

use super::eight::{FewDigits, blanks};
use super::number::{Decimal, Digits, Scanned, exponent_at, power_at, sign_at};

/// Whether there is a sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sign {
    /// Never.
    None,
    /// Minus where negative.
    Minus,
    /// Plus or minus, always.
    Always,
}

/// The shape of a number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Shape {
    before: Sign,
    /// Blanks stand between the sign and the digits.
    apart: bool,
    behind: Sign,
    /// Places that hold a digit or, before the first digit, a blank.
    pads: usize,
    /// Places that hold a digit.
    zeros: usize,
    /// Any count of digits instead of `pads` and `zeros`.
    free: bool,
    decimals: Option<usize>,
    exponent: Option<Exponent>,
    /// What [`Shape::plain`] looks for, where it can read the shape.
    plain: Option<Plain>,
}

/// How an exponent is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Exponent {
    /// `E` stands before it.
    letter: bool,
    sign: Sign,
    digits: usize,
}

/// A shape with its sign before the digits or none and without exponent, as bounds for what is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Plain {
    /// Bits of the signs that may be: none, plus, minus.
    signs: u8,
    /// Most blanks before sign and digits.
    blanks: usize,
    /// Blanks, sign and digits before the decimal sign, where a width is told.
    width: Option<usize>,
    /// Least and most digits before the decimal sign, and most where the first is a zero.
    whole: (usize, usize, usize),
    decimals: usize,
}

impl Shape {
    /// Reads a shape; the error is its first wrong character and what was expected there.
    pub(crate) fn parse(text: &str) -> Result<Self, (usize, &'static str)> {
        let bytes = text.as_bytes();
        let mut at = 0;
        let sign = |at: &mut usize| {
            let sign = match bytes.get(*at) {
                Some(b'+') => Sign::Always,
                Some(b'-') => Sign::Minus,
                _ => return Sign::None,
            };
            *at += 1;
            sign
        };
        let count = |at: &mut usize, wanted: u8| {
            let found = bytes[*at..].iter().take_while(|byte| **byte == wanted).count();
            *at += found;
            found
        };
        let before = sign(&mut at);
        let apart = count(&mut at, b' ') > 0;
        if apart && before == Sign::None {
            return Err((0, "a sign before the blank"));
        }
        let free = bytes.get(at) == Some(&b'n');
        at += usize::from(free);
        let (pads, zeros) = if free { (0, 0) } else { (count(&mut at, b'#'), count(&mut at, b'0')) };
        let mut decimals = None;
        if matches!(bytes.get(at), Some(b'.' | b',')) {
            at += 1;
            decimals = Some(count(&mut at, b'0'));
            if decimals == Some(0) {
                return Err((at, "a 0 for each decimal"));
            }
        }
        if !free && zeros == 0 && pads == 0 && decimals.is_none() {
            return Err((at, "0 for a digit, # for a digit or a blank, or n for any count of digits"));
        }
        let mut exponent = None;
        let letter = matches!(bytes.get(at), Some(b'E' | b'e'));
        // A sign with noughts behind it is an exponent that lost its letter; alone it is the sign of the number.
        if letter || matches!(bytes.get(at..at + 2), Some([b'+' | b'-', b'0'])) {
            at += usize::from(letter);
            let sign = sign(&mut at);
            let digits = count(&mut at, b'0');
            if digits == 0 {
                return Err((at, "a 0 for each digit of the exponent"));
            }
            exponent = Some(Exponent { letter, sign, digits });
        }
        let behind = sign(&mut at);
        if behind != Sign::None && before != Sign::None {
            return Err((at - 1, "one sign only: before or behind"));
        }
        if at < bytes.len() {
            return Err((at, "the end of the shape"));
        }
        let mut shape = Self { before, apart, behind, pads, zeros, free, decimals, exponent, plain: None };
        shape.plain = shape.bounds();
        Ok(shape)
    }

    fn bounds(&self) -> Option<Plain> {
        let Self { before, pads, zeros, .. } = *self;
        let fill = pads + usize::from(before != Sign::None);
        let has_width = pads > 0;
        (!self.apart && self.behind == Sign::None && self.exponent.is_none()).then_some(Plain {
            signs: match before {
                Sign::None => 0b001,
                Sign::Minus => 0b101,
                Sign::Always => 0b110,
            },
            blanks: if has_width { fill } else { 0 },
            width: has_width.then_some(fill + zeros),
            whole: if self.free { (1, 15, 1) } else { (zeros, pads + zeros, zeros) },
            decimals: self.decimals.unwrap_or(0),
        })
    }

    /// Whether the shape says how many characters the number takes with its blanks.
    pub(crate) const fn has_width(&self) -> bool {
        self.pads > 0
    }

    /// A number of this shape; another one for each variant.
    pub(crate) fn sample(&self, variant: usize, decimal: char) -> String {
        let digit = char::from(b'1' + u8::try_from(variant % 9).unwrap_or(0));
        let mut text = String::new();
        match self.before {
            Sign::None => {}
            Sign::Always => text.push(if variant.is_multiple_of(2) { '+' } else { '-' }),
            Sign::Minus if variant % 2 == 1 => text.push('-'),
            Sign::Minus if self.pads > 0 => text.push(' '),
            Sign::Minus => {}
        }
        if self.apart && !text.is_empty() {
            text.push(' ');
        }
        text.push_str(&" ".repeat(self.pads));
        let whole = if self.free { 1 + variant % 2 } else { self.zeros };
        text.extend(std::iter::repeat_n(digit, whole));
        if let Some(decimals) = self.decimals {
            text.push(decimal);
            text.extend(std::iter::repeat_n(digit, decimals));
        }
        if self.zeros == 0 && !self.free && self.decimals.is_none() {
            text.pop();
            text.push(digit);
        }
        if let Some(Exponent { letter, sign, digits }) = self.exponent {
            text.push_str(if letter { "E" } else { "" });
            if sign != Sign::None {
                text.push('-');
            }
            text.extend(std::iter::repeat_n('0', digits.saturating_sub(1)));
            text.push('1');
        }
        if self.behind != Sign::None {
            text.push('-');
        }
        text
    }

    /// Whether [`Self::plain`] can read the shape.
    pub(crate) const fn is_plain(&self) -> bool {
        self.plain.is_some()
    }

    /// The number at `at` and its end if the shape is one of the commonest, the number has it, and its digits are
    /// few. `None` says nothing: ask [`Self::scan`].
    #[inline(always)]
    pub(crate) fn plain(&self, text: &[u8], at: usize, decimal: u8) -> Option<(f64, usize)> {
        let Plain { signs, blanks: most, width, whole: (least, most_whole, most_behind_zero), decimals } =
            self.plain?;
        let blanks = if most > 0 { blanks(text, at, most) } else { 0 };
        let digits = FewDigits::at(text, at + blanks, decimal)?;
        let whole = digits.whole;
        let sign = u8::from(digits.plus) + 2 * u8::from(digits.minus);
        let most_whole = if digits.first == b'0' { most_behind_zero } else { most_whole };
        let fits = ((signs >> sign) & 1 == 1)
            & width.is_none_or(|width| blanks + usize::from(sign > 0) + whole == width)
            & (least <= whole)
            & (whole <= most_whole)
            & (digits.decimals == decimals)
            & (whole + decimals > 0);
        (fits && digits.next != b'.').then(|| (digits.value(), at + blanks + digits.length()))
    }

    /// The number at `at` if it has this shape. `decimal` is the sign of the wire.
    #[inline]
    pub(crate) fn scan(
        &self,
        text: &[u8],
        at: usize,
        decimal: Decimal,
        thousands: Option<char>,
    ) -> Option<Scanned> {
        let mut pos = at;
        let mut places = 0;
        let sign_place = usize::from(self.before != Sign::None);
        let fill = self.pads + sign_place;
        let blanks = |pos: &mut usize, places: &mut usize| {
            while *places < fill && text.get(*pos) == Some(&b' ') {
                *pos += 1;
                *places += 1;
            }
        };
        if self.pads > 0 {
            blanks(&mut pos, &mut places);
        }
        let mut negative = false;
        let mut signed = false;
        if let Some((minus, length)) = sign_at(text, pos) {
            let allowed = match self.before {
                Sign::None => false,
                Sign::Minus => minus,
                Sign::Always => true,
            };
            if !allowed {
                return None;
            }
            (negative, signed) = (minus, true);
            pos += length;
            places += 1;
            if self.pads > 0 {
                blanks(&mut pos, &mut places);
            } else if self.apart {
                pos += text[pos..].iter().take(16).take_while(|byte| **byte == b' ').count();
            }
        }
        if self.before == Sign::Always && !signed {
            return None;
        }
        let mut digits = Digits::default();
        let from = pos;
        let most = if self.free { 15 } else { self.pads + self.zeros };
        while let Some(byte) = text.get(pos).filter(|byte| byte.is_ascii_digit()) {
            digits.push(*byte, false);
            pos += 1;
            if pos - from > most {
                return None;
            }
        }
        let whole = pos - from;
        let needless_zero = text.get(from) == Some(&b'0');
        if self.free {
            if whole == 0 || (whole > 1 && needless_zero) {
                return None;
            }
            if let Some(thousands) = thousands.filter(|_| whole <= 3) {
                pos = groups(text, pos, thousands, &mut digits);
            }
        } else {
            let filled = self.pads == 0 || places + whole == fill + self.zeros;
            if !filled || whole < self.zeros || (whole > self.zeros && needless_zero) {
                return None;
            }
        }
        if let Some(decimals) = self.decimals {
            let sign = text.get(pos).copied()?;
            let fits = match decimal {
                Decimal::Point => sign == b'.',
                Decimal::Comma => sign == b',',
                Decimal::Either => sign == b'.' || sign == b',',
            };
            let part = text.get(pos + 1..pos + 1 + decimals)?;
            if !fits || !part.iter().all(u8::is_ascii_digit) {
                return None;
            }
            for byte in part {
                digits.push(*byte, true);
            }
            pos += 1 + decimals;
        }
        if digits.is_empty() {
            return None;
        }
        let mut power = 0;
        if let Some(Exponent { letter, sign, digits: count }) = self.exponent {
            let (exponent, end) = if letter { exponent_at(text, pos) } else { power_at(text, pos)? };
            let written = text.get(pos + usize::from(letter)..end)?;
            let signed = sign_at(written, 0).map_or(0, |(_, length)| length);
            let sign_fits = match sign {
                Sign::None => signed == 0,
                Sign::Minus => signed == 0 || exponent <= 0,
                Sign::Always => signed > 0,
            };
            if !sign_fits || written.len() - signed != count {
                return None;
            }
            (power, pos) = (exponent, end);
        }
        match (self.behind, sign_at(text, pos)) {
            (Sign::None, _) | (Sign::Minus, None | Some((false, _))) => {}
            (Sign::Always, None) => return None,
            (_, Some((minus, length))) => {
                negative = minus;
                pos += length;
            }
        }
        let more = match text.get(pos) {
            Some(b'0'..=b'9') => true,
            Some(b'.') => text.get(pos + 1).is_some_and(u8::is_ascii_digit),
            _ => false,
        };
        if more {
            return None;
        }
        let value = digits.value(power).map(|v| if negative { -v } else { v });
        Some(Scanned { end: pos, value, ambiguous: false })
    }
}

/// Groups of three digits behind the first ones.
fn groups(text: &[u8], from: usize, thousands: char, digits: &mut Digits) -> usize {
    let mut pos = from;
    for _ in 0..4 {
        let Some(length) = super::number::group_at(text, pos, thousands) else { break };
        for byte in &text[pos + length..pos + length + 3] {
            digits.push(*byte, false);
        }
        pos += length + 3;
    }
    pos
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reads(shape: &str, text: &str) -> Option<f64> {
        let shape = Shape::parse(shape).unwrap();
        shape.scan(text.as_bytes(), 0, Decimal::Point, None).filter(|s| s.end == text.len())?.value
    }

    #[test]
    fn a_lost_or_added_digit_is_refused() {
        assert_eq!(reads("n.00", "6.87"), Some(6.87));
        assert_eq!(reads("n.00", "10.02"), Some(10.02));
        for text in ["6.8", "6.877", "06.87", ".87", "6,87", "-6.87", "+6.87", "6.87."] {
            assert_eq!(reads("n.00", text), None, "{text}");
        }
        assert_eq!(reads("+00.00", "-06.87"), Some(-6.87));
        assert_eq!(reads("+00.00", "06.87"), None);
        assert_eq!(reads("-n.0", "-6.8"), Some(-6.8));
        assert_eq!(reads("-n.0", "+6.8"), None);
    }

    #[test]
    fn a_width_counts_every_character() {
        assert_eq!(reads("-###0.00", "    6.87"), Some(6.87));
        assert_eq!(reads("-###0.00", "-   6.87"), Some(-6.87));
        assert_eq!(reads("-###0.00", "   -6.87"), Some(-6.87));
        assert_eq!(reads("-###0.00", "   \u{2212}6.87"), Some(-6.87));
        assert_eq!(reads("-###0.00", "   6.87"), None);
        assert_eq!(reads("-###0.00", "   06.87"), None);
        assert_eq!(reads("-###0.00", "-1234.87"), Some(-1234.87));
    }

    #[test]
    fn signs_apart_and_behind_and_exponents() {
        assert_eq!(reads("+ n.0", "+ 331.4"), Some(331.4));
        assert_eq!(reads("+ n.0", "- 331.4"), Some(-331.4));
        assert_eq!(reads("n.0-", "0.4-"), Some(-0.4));
        assert_eq!(reads("n.0-", "0.4"), Some(0.4));
        assert_eq!(reads("0.0000E+00", "2.5000E-01"), Some(0.25));
        assert_eq!(reads("0.0000E+00", "2.5000E-1"), None);
        assert_eq!(reads("0.0000+00", "2.5000-01"), Some(0.25));
        assert_eq!(reads("-n.000+00", "-2.500+01"), Some(-25.0));
        for text in ["2.5000-1", "2.500001", "2.5000E-01", "2.5000-011"] {
            assert_eq!(reads("0.0000+00", text), None, "{text}");
        }
        assert_eq!(reads("000000", "000150"), Some(150.0));
    }

    #[test]
    fn a_wrong_shape_is_told_with_its_place() {
        assert_eq!(Shape::parse("0.0x"), Err((3, "the end of the shape")));
        assert_eq!(Shape::parse("0."), Err((2, "a 0 for each decimal")));
        assert!(Shape::parse("").is_err());
        assert_eq!(Shape::parse("+0.0-"), Err((4, "one sign only: before or behind")));
    }

    proptest::proptest! {
        /// The short way is the long way, wherever it answers.
        #[test]
        fn the_plain_way_agrees(
            shape in "[-+]?(n|#{0,4}0{0,4})(\\.0{1,4})?",
            text in " {0,5}[-+]?[0-9]{0,8}[.,]?[0-9]{0,5}[-.,0-9 ]{0,2}",
            comma: bool,
        ) {
            let (decimal, sign) = if comma { (Decimal::Comma, b',') } else { (Decimal::Point, b'.') };
            if let Ok(shape) = Shape::parse(&shape)
                && shape.is_plain()
                && let Some((found, end)) = shape.plain(text.as_bytes(), 0, sign)
            {
                let long = shape.scan(text.as_bytes(), 0, decimal, None);
                proptest::prop_assert_eq!(long, Some(Scanned { end, value: Some(found), ambiguous: false }));
            }
        }
    }
}
