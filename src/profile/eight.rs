//! Eight characters of a text at once, as one word: where digits end, where the decimal sign stands and what a
//! number of few digits is worth follows from a few operations, without a branch for each character.
//!
//! After D. Lemire, "Number parsing at a gigabyte per second", Software: Practice and Experience 51 (2021) 1700,
//! section on eight digits; here the decimal sign is taken out of the word as well.

/// The characters `0` to `9` are these bits and their value.
const ZEROS: u64 = 0x3030_3030_3030_3030;
const BLANKS: u64 = 0x2020_2020_2020_2020;
const HIGHEST: u64 = 0x8080_8080_8080_8080;
/// Carries a byte above nine into its highest bit.
const ABOVE_NINE: u64 = 0x7676_7676_7676_7676;

/// Powers of ten by which seven digits may be divided.
const POWERS: [f64; 8] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7];

/// At most seven digits, with a sign before them or none, a decimal sign among them or none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FewDigits {
    /// The digits as a whole number.
    mantissa: u32,
    /// A plus stands before them.
    pub plus: bool,
    /// A minus stands before them.
    pub minus: bool,
    /// How many stand before the decimal sign.
    pub whole: usize,
    /// How many stand behind it.
    pub decimals: usize,
    /// The first character behind the sign.
    pub first: u8,
    /// The character behind all, NUL at the end of the text.
    pub next: u8,
}

impl FewDigits {
    /// The digits at `at`, which may be none. `None` where they fill the word: then they may go on.
    #[inline]
    pub(super) fn at(text: &[u8], at: usize, decimal: u8) -> Option<Self> {
        let word = eight(text, at);
        let (plus, minus) = (first_of(word) == b'+', first_of(word) == b'-');
        let signed = u32::from(plus | minus);
        let word = word >> (8 * signed);
        let values = word ^ ZEROS;
        let others = (((values & !HIGHEST) + ABOVE_NINE) | values) & HIGHEST;
        let whole = bytes_below(others);
        let behind = others & others.wrapping_sub(1);
        let has_sign = first_of(word.checked_shr(8 * whole)?) == decimal;
        let end = if has_sign { bytes_below(behind) } else { whole };
        if end >= 8 - signed {
            return None;
        }
        let decimals = if has_sign { end - whole - 1 } else { 0 };
        let next = first_of(word >> (8 * if decimals > 0 { end } else { whole }));
        let (before, sign) = ((1_u64 << (8 * whole)) - 1, 8 * u32::from(has_sign));
        let joined = (values & before) | ((values >> sign) & !before);
        // The digits go to the upper end of the word; what stood behind them falls out.
        let mantissa = joined.checked_shl(64 - 8 * (whole + decimals)).map_or(0, eight_digits);
        let (whole, decimals) = (whole as usize, decimals as usize);
        Some(Self { mantissa, plus, minus, whole, decimals, first: first_of(word), next })
    }

    /// Characters that all of it takes; a decimal sign counts where decimals stand behind it.
    #[inline]
    pub(super) fn length(self) -> usize {
        usize::from(self.plus | self.minus) + self.whole + self.decimals + usize::from(self.decimals > 0)
    }

    /// The nearest double: both operands are exact, so one rounding gives it.
    #[inline]
    pub(super) fn value(self) -> f64 {
        let value = f64::from(self.mantissa) / POWERS[self.decimals & 7];
        if self.minus { -value } else { value }
    }
}

/// At most eight characters that a text must have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FewCharacters {
    word: u64,
    /// The bits that count.
    mask: u64,
    /// How many they are.
    pub length: usize,
}

impl FewCharacters {
    /// The characters of `text`, eight at a time.
    pub(super) fn of(text: &[u8]) -> impl Iterator<Item = Self> + '_ {
        text.chunks(8).map(|part| Self {
            word: eight(part, 0),
            mask: u64::MAX >> (8 * (8 - part.len())),
            length: part.len(),
        })
    }

    /// Whether `text` has them at `at`.
    #[inline]
    pub(super) fn are_at(self, text: &[u8], at: usize) -> bool {
        (eight(text, at) ^ self.word) & self.mask == 0
    }
}

/// Blanks at `at`, at most `most` of them.
#[inline]
pub(super) fn blanks(text: &[u8], at: usize, most: usize) -> usize {
    let mut count = 0;
    loop {
        let more = bytes_below(eight(text, at + count) ^ BLANKS) as usize;
        count += more;
        if more < 8 || count >= most {
            return count.min(most);
        }
    }
}

const fn first_of(word: u64) -> u8 {
    word.to_le_bytes()[0]
}

/// Bytes below the lowest bit that is set; eight where none is.
const fn bytes_below(word: u64) -> u32 {
    word.trailing_zeros() / 8
}

/// Eight characters from `at`, the first one lowest; NUL stands for what lies behind the end of the text.
#[inline]
fn eight(text: &[u8], at: usize) -> u64 {
    if let Some(word) = text.get(at..).and_then(|rest| rest.first_chunk::<8>()) {
        return u64::from_le_bytes(*word);
    }
    match text.last_chunk::<8>() {
        Some(last) => {
            let behind = u32::try_from(8 + at - text.len()).unwrap_or(u32::MAX);
            u64::from_le_bytes(*last).checked_shr(behind.saturating_mul(8)).unwrap_or(0)
        }
        None => text.iter().skip(at).rev().fold(0, |word, byte| (word << 8) | u64::from(*byte)),
    }
}

/// The number of eight digits, the first one lowest in the word.
const fn eight_digits(values: u64) -> u32 {
    let pairs = ((values.wrapping_mul(10)).wrapping_add(values >> 8)) & 0x00FF_00FF_00FF_00FF;
    let fours = ((pairs.wrapping_mul(100)).wrapping_add(pairs >> 16)) & 0x0000_FFFF_0000_FFFF;
    ((fours.wrapping_mul(10_000)).wrapping_add(fours >> 32) & 0xFFFF_FFFF) as u32
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn digits_end_where_they_end() {
        let at = |text: &str, at| FewDigits::at(text.as_bytes(), at, b'.').map(|d| (d.value(), d.length()));
        assert_eq!(at("6.87", 0), Some((6.87, 4)));
        assert_eq!(at("V=12.345;U=301", 2), Some((12.345, 6)));
        assert_eq!(at("V=12.345;U=301", 11), Some((301.0, 3)));
        assert_eq!(at("1234567", 0), Some((1_234_567.0, 7)));
        assert_eq!(
            (at("5.", 0), at("-0.25;", 0), at("+7", 0)),
            (Some((5.0, 1)), Some((-0.25, 5)), Some((7.0, 2)))
        );
        assert_eq!(at("x", 0), Some((0.0, 0)));
        assert_eq!(at("", 0), Some((0.0, 0)));
        assert_eq!(at("12345678", 0), None);
        assert_eq!(at("1234.567", 0), None);
        let wanted: Vec<_> = FewCharacters::of(b"POTENTIAL=").collect();
        let fits = |text: &[u8]| wanted[0].are_at(text, 1) && wanted[1].are_at(text, 1 + wanted[0].length);
        assert!(fits(b" POTENTIAL=5") && !fits(b" POTENTIAL") && !fits(b" PoTENTIAL=5"));
        assert_eq!(
            (blanks(b"   6.87", 0, 9), blanks(b"            1", 0, 10), blanks(b"  ", 1, 4)),
            (3, 10, 1)
        );
    }

    proptest! {
        /// What a loop over the characters finds.
        #[test]
        fn agrees_with_one_character_after_the_other(text in r"[-+0-9.,x\xff ]{0,20}", from in 0_usize..24, comma: bool) {
            let (text, decimal) = (text.as_bytes(), if comma { b',' } else { b'.' });
            let from = from.min(text.len());
            let digits = |at: usize| text[at..].iter().take_while(|byte| byte.is_ascii_digit()).count();
            let signed = usize::from(matches!(text.get(from), Some(b'+' | b'-')));
            let start = from + signed;
            let whole = digits(start);
            let has_sign = text.get(start + whole) == Some(&decimal);
            let decimals = if has_sign { digits(start + whole + 1) } else { 0 };
            let found = FewDigits::at(text, from, decimal);
            prop_assert_eq!(found.is_none(), signed + whole + usize::from(has_sign) + decimals >= 8);
            if let Some(found) = found {
                prop_assert_eq!((found.whole, found.decimals), (whole, decimals));
                prop_assert_eq!(found.next, text.get(from + found.length()).copied().unwrap_or(0));
                prop_assert_eq!(found.first, text.get(start).copied().unwrap_or(0));
                let written: String = text[from..].iter().take(found.length()).map(|b| if *b == decimal { '.' } else { char::from(*b) }).collect();
                let off: f64 = found.value() - written.parse::<f64>().unwrap_or(0.0);
                prop_assert!(off.abs() < f64::MIN_POSITIVE);
            }
        }
    }
}
