//! Units as instruments spell them: any case, micro signs, degree signs, with or without "per cm".

use crate::reading::{Quantity, Unit};

/// Spellings, normalised: small letters, `u` for every micro sign, `°` for every degree sign.
#[rustfmt::skip]
const SPELLINGS: &[(&str, Unit)] = &[
    ("ml", Unit::Millilitre), ("cm3", Unit::Millilitre), ("ccm", Unit::Millilitre), ("ul", Unit::Microlitre), ("l", Unit::Litre),
    ("ph", Unit::Ph),
    ("mv", Unit::Millivolt), ("uv", Unit::Microvolt), ("v", Unit::Volt),
    ("degc", Unit::Celsius), ("deg c", Unit::Celsius), ("°c", Unit::Celsius), ("° c", Unit::Celsius), ("\u{2103}", Unit::Celsius), ("c", Unit::Celsius),
    ("degf", Unit::Fahrenheit), ("°f", Unit::Fahrenheit), ("\u{2109}", Unit::Fahrenheit), ("f", Unit::Fahrenheit), ("k", Unit::Kelvin),
    ("us/cm", Unit::MicrosiemensPerCm), ("us", Unit::MicrosiemensPerCm), ("ms/cm", Unit::MillisiemensPerCm), ("ms", Unit::MillisiemensPerCm), ("s/m", Unit::SiemensPerM),
    ("abs", Unit::Absorbance), ("au", Unit::Absorbance), ("a", Unit::Absorbance),
    ("%t", Unit::Percent), ("%", Unit::Percent),
    ("ua", Unit::Microampere), ("na", Unit::Nanoampere), ("ma", Unit::Milliampere),
    ("mg", Unit::Milligram), ("kg", Unit::Kilogram), ("g", Unit::Gram),
    ("sec", Unit::Second), ("ms", Unit::Millisecond), ("s", Unit::Second), ("min", Unit::Minute), ("h", Unit::Hour),
];

/// One character in normal form.
fn normal(c: char) -> char {
    match c {
        '\u{B5}' | '\u{3BC}' => 'u',
        '\u{BA}' | '\u{2DA}' => '\u{B0}',
        // "pulled" capital letters only: the Kelvin sign is a K.
        '\u{212A}' => 'k',
        _ => c.to_ascii_lowercase(),
    }
}

/// Length in bytes of `spelling` at the start of `text`, when no letter, digit or stroke follows.
fn spelled(text: &str, spelling: &str) -> Option<usize> {
    // Mostly all is ASCII, and bytes decide.
    let bytes = text.as_bytes();
    if let (Some(first), Some(wanted)) = (bytes.first(), spelling.as_bytes().first())
        && first.is_ascii()
        && wanted.is_ascii()
    {
        if first.to_ascii_lowercase() != *wanted {
            return None;
        }
        let length = spelling.len();
        if let Some(begin) = bytes.get(..length)
            && begin.eq_ignore_ascii_case(spelling.as_bytes())
        {
            match bytes.get(length) {
                None => return Some(length),
                Some(next) if next.is_ascii() => {
                    let goes_on = next.is_ascii_alphanumeric() || matches!(next, b'/' | b'%');
                    return (!goes_on).then_some(length);
                }
                Some(_) => {}
            }
        }
    }
    let mut chars = text.char_indices();
    for wanted in spelling.chars() {
        let (_, found) = chars.next()?;
        if normal(found) != wanted {
            return None;
        }
    }
    match chars.next() {
        None => Some(text.len()),
        Some((end, next)) => (!next.is_alphanumeric() && next != '/' && next != '%').then_some(end),
    }
}

/// The unit of `quantity` that `text` begins with, and its length in bytes.
pub(crate) fn unit_at(text: &str, quantity: Quantity) -> Option<(Unit, usize)> {
    SPELLINGS
        .iter()
        .filter(|(_, unit)| unit.quantities().contains(&quantity))
        .filter_map(|(spelling, unit)| Some((*unit, spelled(text, spelling)?)))
        .max_by_key(|(_, length)| *length)
}

/// The spellings of `unit`.
pub(crate) fn spellings(unit: Unit) -> impl Iterator<Item = &'static str> {
    SPELLINGS.iter().filter(move |(_, u)| *u == unit).map(|(spelling, _)| *spelling)
}

/// Length in bytes of the longest of these spellings at the start of `text`.
pub(crate) fn spelling_at(text: &str, spellings: impl Iterator<Item = &'static str>) -> Option<usize> {
    spellings.filter_map(|spelling| spelled(text, spelling)).max()
}

/// Length in bytes of a spelling of `unit` at the start of `text`.
pub(crate) fn this_unit_at(text: &str, unit: Unit) -> Option<usize> {
    spelling_at(text, spellings(unit))
}

/// The unit of `quantity` that a profile names by its symbol or another spelling.
pub(crate) fn named(word: &str, quantity: Quantity) -> Option<Unit> {
    Unit::parse(word)
        .filter(|unit| unit.quantities().contains(&quantity))
        .or_else(|| unit_at(word, quantity).filter(|(_, length)| *length == word.len()).map(|(unit, _)| unit))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn case_and_signs_do_not_matter() {
        for (text, quantity, unit) in [
            ("MV", Quantity::Emf, Unit::Millivolt),
            ("ML ", Quantity::Volume, Unit::Millilitre),
            ("µS/cm", Quantity::Conductance, Unit::MicrosiemensPerCm),
            ("\u{3BC}S/cm", Quantity::Conductance, Unit::MicrosiemensPerCm),
            ("US/CM", Quantity::Conductance, Unit::MicrosiemensPerCm),
            ("mS/cm", Quantity::Conductance, Unit::MillisiemensPerCm),
            ("°C", Quantity::Temperature, Unit::Celsius),
            ("\u{2103}", Quantity::Temperature, Unit::Celsius),
            ("Ua", Quantity::Current, Unit::Microampere),
            ("ms", Quantity::Time, Unit::Millisecond),
        ] {
            assert_eq!(unit_at(text, quantity).map(|u| u.0), Some(unit), "{text}");
        }
        assert_eq!(unit_at("mVx", Quantity::Emf), None);
        assert_eq!(unit_at("mg", Quantity::Volume), None);
        assert_eq!(this_unit_at("uS/cm", Unit::MillisiemensPerCm), None);
    }

    #[test]
    fn every_unit_has_a_spelling() {
        for quantity in Quantity::ALL {
            for unit in Unit::of(quantity).filter(|unit| *unit != Unit::One) {
                assert!(SPELLINGS.iter().any(|(_, spelled)| *spelled == unit), "{unit}");
            }
        }
    }
}
