//! A value with its unit, as people write it: `0.1 mol/L`.

use super::{Dimension, NotAUnit, Unit};
use serde::{Deserialize, Serialize};
use std::fmt;

/// A value in a unit.
///
/// ```
/// use dropwise::results::{Quantity, Unit};
/// let mass: Quantity = "250 mg".parse().unwrap();
/// assert_eq!(mass.in_unit(&Unit::parse("g").unwrap()), Some(0.25));
/// assert_eq!(mass.to_string(), "250 mg");
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Quantity {
    /// The value in `unit`; finite when it was read from text.
    pub value: f64,
    /// The unit.
    pub unit: Unit,
}

/// Why a text is no quantity.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotAQuantity {
    /// No number stands at the beginning.
    #[error(
        "'{text}' does not begin with a number; write it as 0.1 mol/L, with a point and no thousands mark"
    )]
    Number {
        /// The text as given.
        text: String,
    },
    /// The part behind the number is no unit.
    #[error(transparent)]
    Unit(#[from] NotAUnit),
}

impl Quantity {
    /// A value in a unit.
    #[must_use]
    pub const fn new(value: f64, unit: Unit) -> Self {
        Self { value, unit }
    }

    /// Reads a number and a unit behind it; a number alone is a plain number.
    ///
    /// # Errors
    /// Says whether number or unit is not understood.
    pub fn parse(text: &str) -> Result<Self, NotAQuantity> {
        let trimmed = text.trim();
        let number = || NotAQuantity::Number { text: text.to_owned() };
        let (signed, body) = match trimmed.strip_prefix(['-', '\u{2212}']) {
            Some(rest) => (-1.0, rest.trim_start()),
            None => (1.0, trimmed.strip_prefix('+').unwrap_or(trimmed)),
        };
        let length = number_length(body).ok_or_else(number)?;
        let (digits, rest) = body.split_at(length);
        let value = signed * digits.parse::<f64>().map_err(|_| number())?;
        if !value.is_finite() || rest.starts_with([',', '.', '\'']) {
            return Err(number());
        }
        let rest = rest.trim();
        // `5 100 g` would be read as a unit with a number in front; `0.0011 1/K` is meant.
        if rest.starts_with(|c: char| c.is_ascii_digit()) && !rest.starts_with("1/") {
            return Err(number());
        }
        let unit = if rest.is_empty() { Unit::one() } else { Unit::parse(rest)? };
        Ok(Self { value, unit })
    }

    /// The value in coherent units.
    #[must_use]
    pub fn coherent(&self) -> f64 {
        self.unit.to_coherent(self.value)
    }

    /// What it measures.
    #[must_use]
    pub fn dimension(&self) -> Dimension {
        self.unit.dimension()
    }

    /// The value in another unit; `None` if that measures something else.
    #[must_use]
    pub fn in_unit(&self, unit: &Unit) -> Option<f64> {
        if self.unit == *unit {
            return Some(self.value);
        }
        (unit.dimension() == self.dimension()).then(|| unit.from_coherent(self.coherent()))
    }
}

/// Length of the unsigned decimal number at the beginning of a text: digits, point, exponent.
pub(super) fn number_length(text: &str) -> Option<usize> {
    let digits = |from: usize| text[from..].bytes().take_while(u8::is_ascii_digit).count();
    let whole = digits(0);
    let mut end = whole;
    let mut fraction = 0;
    if text[end..].starts_with('.') {
        fraction = digits(end + 1);
        if fraction > 0 {
            end += 1 + fraction;
        }
    }
    if whole + fraction == 0 {
        return None;
    }
    // An exponent counts only with digits behind it: `2 eq` keeps its unit.
    if text[end..].starts_with(['e', 'E']) {
        let sign = usize::from(text[end + 1..].starts_with(['+', '-']));
        let exponent = digits(end + 1 + sign);
        if exponent > 0 {
            end += 1 + sign + exponent;
        }
    }
    Some(end)
}

/// The shortest decimal that is read back as the same number, without a flood of zeros.
pub(super) fn plain_number(value: f64) -> String {
    if value.abs() > 0.0 && !(1e-7..1e15).contains(&value.abs()) {
        format!("{value:e}")
    } else {
        format!("{value}")
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = plain_number(self.value);
        if self.unit == Unit::one() {
            return f.pad(&number);
        }
        f.pad(&format!("{number} {}", self.unit))
    }
}

impl std::str::FromStr for Quantity {
    type Err = NotAQuantity;
    fn from_str(text: &str) -> Result<Self, NotAQuantity> {
        Self::parse(text)
    }
}

impl Serialize for Quantity {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Quantity {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::parse(&text).map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_people_write_is_read() {
        for (text, value, unit) in [
            ("0.1 mol/L", 0.1, "mol/L"),
            ("100mL", 100.0, "mL"),
            ("5.2 g", 5.2, "g"),
            ("-3 mV", -3.0, "mV"),
            ("1e-3 mol/L", 1e-3, "mol/L"),
            ("7 d", 7.0, "d"),
            ("0.3 %", 0.3, "%"),
            ("3.9 g/100 g", 3.9, "g/100 g"),
            ("2 eq/L", 2.0, "eq/L"),
            ("12", 12.0, "1"),
            (".5 mL", 0.5, "mL"),
            ("25 °C", 25.0, "degC"),
            ("0.0011 1/K", 0.0011, "1/K"),
        ] {
            let quantity = Quantity::parse(text).unwrap();
            assert!((quantity.value - value).abs() < 1e-15, "{text}");
            assert_eq!(quantity.unit.to_string(), unit);
        }
    }

    #[test]
    fn what_could_be_misread_is_refused() {
        for text in [
            "0,1 mol/L",
            "1'000 mL",
            "1.000.000 g",
            "five mL",
            "",
            "mL",
            "5 100 g",
            "1e400 g",
            "nan g",
            "inf",
        ] {
            assert!(Quantity::parse(text).is_err(), "{text}");
        }
    }

    proptest! {
        #[test]
        fn every_quantity_is_read_back_from_its_print(value in -1e12_f64..1e12, small in -300_i32..0) {
            for v in [value, value * 10_f64.powi(small)] {
                let quantity = Quantity::new(v, Unit::parse("mg/mL").unwrap());
                prop_assert_eq!(Quantity::parse(&quantity.to_string()).unwrap(), quantity);
            }
        }
    }
}
