//! Rounding by the rule of the procedure, on the decimal that a person would see.
//!
//! A value of 0.125 that the machine keeps as 0.12499999999999999 is rounded as 0.125: twelve significant digits are
//! taken as what is seen, and the rest is done with whole numbers. The full value is never replaced, only told.

use super::{NotAQuantity, Quantity, Unit};
use std::fmt;

/// Significant digits that are taken as what a person would see.
const SEEN: usize = 12;
/// Most decimals that are printed.
const MOST_DECIMALS: i32 = 30;

/// What happens to a value exactly between two steps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Tie {
    /// Away from zero: 0.125 gives 0.13, -0.125 gives -0.13. The rule of the pharmacopoeias.
    #[default]
    HalfUp,
    /// To the even neighbour: 0.125 gives 0.12, 0.135 gives 0.14. ISO 80000-1, annex B, rule A.
    HalfEven,
}

/// To what a value is rounded.
#[derive(Debug, Clone, PartialEq)]
pub enum To {
    /// To a multiple of a fixed step, such as 0.01 g/100 g.
    Step(Quantity),
    /// To a number of significant digits.
    Digits(u8),
    /// To the place of the last digit of the expanded uncertainty, which is told with this many significant digits
    /// (at most two, JCGM 100:2008, 7.2.6).
    Uncertainty(u8),
}

/// A rule of rounding.
///
/// ```
/// use dropwise::results::{Rounding, Unit};
/// let unit = Unit::parse("g/100 g").unwrap();
/// let rule = Rounding::parse("half-up", "0.01 g/100 g").unwrap();
/// assert_eq!(rule.apply(5.125, None, &unit).unwrap().text, "5.13");
/// let rule = Rounding::parse("half-even", "uncertainty").unwrap();
/// let told = rule.apply(0.102_136_16, Some(0.000_197_3), &Unit::parse("mol/L").unwrap()).unwrap();
/// assert_eq!((told.text.as_str(), told.uncertainty.as_deref()), ("0.10214", Some("0.00020")));
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Rounding {
    /// What happens between two steps.
    pub tie: Tie,
    /// To what.
    pub to: To,
}

/// A value as it is told.
#[derive(Debug, Clone, PartialEq)]
pub struct Rounded {
    /// The digits, with as many decimals as the rule gives.
    pub text: String,
    /// The number that these digits mean.
    pub value: f64,
    /// The expanded uncertainty, rounded to the same place, where one was given and the rule rounds to it.
    pub uncertainty: Option<String>,
}

/// Why a rule of rounding is none, or cannot be applied.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BadRounding {
    /// The rule for ties.
    #[error("'{0}' is no rule of rounding; write half-up or half-even")]
    Tie(String),
    /// What it is rounded to.
    #[error(
        "'{0}' does not say to what is rounded; write a step as 0.01 g/100 g, a number as 3 digits, or uncertainty"
    )]
    To(String),
    /// A step that is not positive, or digits out of range.
    #[error("'{0}' cannot be rounded to; a step must be above zero, digits from 1 to 12")]
    Size(String),
    /// A step that is no quantity.
    #[error(transparent)]
    Quantity(#[from] NotAQuantity),
    /// The unit of the step measures something else than the result.
    #[error("the step is in {step}, the result in {result}; give the step in {result}")]
    Unit {
        /// The unit of the step.
        step: String,
        /// The unit of the result.
        result: String,
    },
    /// The rule rounds to the uncertainty and there is none.
    #[error(
        "the result has no uncertainty to round to; enter the sources of uncertainty or use another rule"
    )]
    NoUncertainty,
    /// The value is no number, or far from what can be told.
    #[error("the value {0} cannot be rounded; check the values that enter the result")]
    Value(f64),
}

impl Rounding {
    /// Reads a rule: `rule` is half-up or half-even; `to` a step (`0.01 g/100 g`), `3 digits`, or `uncertainty`.
    ///
    /// # Errors
    /// Says which part is not understood.
    pub fn parse(rule: &str, to: &str) -> Result<Self, BadRounding> {
        let tie = match rule.trim() {
            "half-up" => Tie::HalfUp,
            "half-even" => Tie::HalfEven,
            _ => return Err(BadRounding::Tie(rule.to_owned())),
        };
        let words: Vec<&str> = to.split_whitespace().collect();
        let to = match words.as_slice() {
            ["uncertainty"] => To::Uncertainty(2),
            [number, "digits" | "digit"] => match number.parse::<u8>() {
                Ok(n @ 1..=12) => To::Digits(n),
                Ok(_) => return Err(BadRounding::Size(to.to_owned())),
                Err(_) => return Err(BadRounding::To(to.to_owned())),
            },
            [first, ..] if first.starts_with(|c: char| c.is_ascii_digit() || c == '.') => {
                let step = Quantity::parse(to)?;
                if step.value <= 0.0 {
                    return Err(BadRounding::Size(to.to_owned()));
                }
                To::Step(step)
            }
            _ => return Err(BadRounding::To(to.to_owned())),
        };
        Ok(Self { tie, to })
    }

    /// Rounds a value in `unit`, with its expanded uncertainty in the same unit where there is one.
    ///
    /// # Errors
    /// When the rule needs an uncertainty and there is none, a step has another dimension, or the value is no number.
    pub fn apply(&self, value: f64, expanded: Option<f64>, unit: &Unit) -> Result<Rounded, BadRounding> {
        let seen = Decimal::seen(value).ok_or(BadRounding::Value(value))?;
        let rounded = |step: Decimal| {
            seen.to_multiple(step, self.tie).ok_or(BadRounding::Value(value)).map(|d| (d.print(step), step))
        };
        let (text, step) = match &self.to {
            To::Step(step) => {
                let in_unit = step.in_unit(unit).ok_or_else(|| BadRounding::Unit {
                    step: step.unit.to_string(),
                    result: unit.to_string(),
                })?;
                let step = Decimal::seen(in_unit).filter(|d| d.digits > 0);
                rounded(step.ok_or_else(|| BadRounding::Size(in_unit.to_string()))?)?
            }
            To::Digits(n) => rounded(seen.place_of_digit(*n, self.tie))?,
            To::Uncertainty(digits) => {
                let u = expanded.filter(|u| u.is_finite() && *u > 0.0).ok_or(BadRounding::NoUncertainty)?;
                let u = Decimal::seen(u).ok_or(BadRounding::NoUncertainty)?;
                rounded(u.place_of_digit(*digits, self.tie))?
            }
        };
        let uncertainty = match (&self.to, expanded.and_then(Decimal::seen)) {
            (To::Uncertainty(_), Some(u)) => u.to_multiple(step, self.tie).map(|u| u.print(step)),
            _ => None,
        };
        let value = text.parse().map_err(|_| BadRounding::Value(value))?;
        Ok(Rounded { text, value, uncertainty })
    }
}

impl fmt::Display for Rounding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.to {
            To::Step(step) => write!(f, "to {step}, ")?,
            To::Digits(n) => write!(f, "to {n} digits, ")?,
            To::Uncertainty(n) => write!(f, "to {n} digits of the uncertainty, ")?,
        }
        f.write_str(match self.tie {
            Tie::HalfUp => "half-up",
            Tie::HalfEven => "half-even",
        })
    }
}

/// digits * 10^exponent, at most [`SEEN`] digits.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Decimal {
    digits: i128,
    exponent: i32,
}

impl Decimal {
    /// What a person would see of a number; `None` for what is no number.
    fn seen(value: f64) -> Option<Self> {
        if !value.is_finite() {
            return None;
        }
        let text = format!("{value:.*e}", SEEN - 1);
        let (mantissa, exponent) = text.split_once('e')?;
        let decimals = mantissa.split_once('.').map_or(0, |(_, d)| d.len());
        let mut digits: i128 = mantissa.replace('.', "").parse().ok()?;
        let mut exponent = exponent.parse::<i32>().ok()? - i32::try_from(decimals).ok()?;
        while digits != 0 && digits % 10 == 0 {
            digits /= 10;
            exponent += 1;
        }
        Some(Self { digits, exponent: if digits == 0 { 0 } else { exponent } })
    }

    /// The step of the n-th significant digit, after rounding: 0.0996 to two digits steps by 0.01, since it gives 0.10.
    fn place_of_digit(self, n: u8, tie: Tie) -> Self {
        if self.digits == 0 {
            return Self { digits: 1, exponent: 1 - i32::from(n) };
        }
        let step = |d: Self| {
            let length = i32::try_from(d.digits.unsigned_abs().to_string().len()).unwrap_or(1);
            Self { digits: 1, exponent: d.exponent + length - i32::from(n) }
        };
        let first = step(self);
        // Rounding may carry into a further digit.
        self.to_multiple(first, tie).map_or(first, |rounded| step(rounded.shortest()))
    }

    fn shortest(mut self) -> Self {
        while self.digits != 0 && self.digits % 10 == 0 {
            self.digits /= 10;
            self.exponent += 1;
        }
        self
    }

    /// The nearest multiple of a step, in the exponent of the step; `None` when the two are out of reach of each other.
    fn to_multiple(self, step: Self, tie: Tie) -> Option<Self> {
        let shift = self.exponent - step.exponent;
        // numerator / denominator = value / step.
        let (numerator, denominator) = if shift >= 0 {
            (self.digits.checked_mul(power_of_ten(shift)?)?, step.digits)
        } else {
            match power_of_ten(-shift) {
                Some(power) => (self.digits, step.digits.checked_mul(power)?),
                // So much finer than the step that nothing is left of it.
                None => return Some(Self { digits: 0, exponent: step.exponent }),
            }
        };
        let (size, sign) = (numerator.abs(), numerator.signum());
        let (whole, rest) = (size / denominator, size % denominator);
        let up = match (2 * rest).cmp(&denominator) {
            std::cmp::Ordering::Less => false,
            std::cmp::Ordering::Greater => true,
            std::cmp::Ordering::Equal => tie == Tie::HalfUp || whole % 2 == 1,
        };
        let digits = (whole + i128::from(up)).checked_mul(step.digits)?.checked_mul(sign)?;
        Some(Self { digits, exponent: step.exponent })
    }

    /// The digits with as many decimals as the step has.
    fn print(self, step: Self) -> String {
        let decimals = (-step.exponent).clamp(0, MOST_DECIMALS);
        if self.exponent >= 0 {
            let zeros = usize::try_from(self.exponent).unwrap_or(0);
            return if self.digits == 0 {
                "0".to_owned()
            } else {
                format!("{}{}", self.digits, "0".repeat(zeros))
            };
        }
        let width = usize::try_from(decimals).unwrap_or(0) + 1;
        let text = format!("{:0>width$}", self.digits.unsigned_abs());
        let (whole, fraction) = text.split_at(text.len() + 1 - width);
        // A value that is rounded to nothing has no sign.
        let sign = if self.digits < 0 { "-" } else { "" };
        format!("{sign}{whole}.{fraction}")
    }
}

fn power_of_ten(n: i32) -> Option<i128> {
    10_i128.checked_pow(u32::try_from(n).ok()?).filter(|_| n <= 24)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn told(rule: &str, to: &str, value: f64) -> String {
        Rounding::parse(rule, to).unwrap().apply(value, None, &Unit::one()).unwrap().text
    }

    #[test]
    fn ties_are_seen_in_the_decimal_and_not_in_the_machine() {
        // None of these is exact in binary; 1.005 * 1000 and the like are the usual trap.
        for (value, up, even) in [
            (1.005, "1.01", "1.00"),
            (2.675, "2.68", "2.68"),
            (0.125, "0.13", "0.12"),
            (0.135, "0.14", "0.14"),
            (-0.125, "-0.13", "-0.12"),
            (0.285, "0.29", "0.28"),
            (0.1 + 0.2 - 0.175, "0.13", "0.12"),
            (1.004_999, "1.00", "1.00"),
            (9.995, "10.00", "10.00"),
            (-0.001, "0.00", "0.00"),
            (123_456.785, "123456.79", "123456.78"),
        ] {
            assert_eq!(told("half-up", "0.01", value), up, "{value}");
            assert_eq!(told("half-even", "0.01", value), even, "{value}");
        }
    }

    #[test]
    fn steps_need_not_be_powers_of_ten() {
        assert_eq!(told("half-up", "0.05", 7.325), "7.35");
        assert_eq!(told("half-even", "0.05", 7.325), "7.30");
        assert_eq!(told("half-up", "5", 12.5), "15");
        assert_eq!(told("half-up", "50", 1_234.0), "1250");
        assert_eq!(told("half-up", "0.25", 0.4), "0.50");
        let unit = Unit::parse("g/100 g").unwrap();
        let rule = Rounding::parse("half-up", "0.1 g/kg").unwrap();
        assert_eq!(rule.apply(5.124_6, None, &unit).unwrap().text, "5.12");
    }

    #[test]
    fn digits_count_after_rounding() {
        for (to, value, wanted) in [
            ("3 digits", 0.102_136, "0.102"),
            ("3 digits", 0.099_96, "0.100"),
            ("2 digits", 1_234.0, "1200"),
            ("3 digits", 5.0, "5.00"),
            ("3 digits", 0.0, "0.00"),
            ("1 digit", 0.95, "1"),
            ("4 digits", -23.070_3, "-23.07"),
        ] {
            assert_eq!(told("half-up", to, value), wanted, "{value}");
        }
    }

    #[test]
    fn to_the_uncertainty_both_end_at_one_place() {
        let rule = Rounding::parse("half-up", "uncertainty").unwrap();
        let unit = Unit::parse("mol/L").unwrap();
        for (value, expanded, text, u) in [
            (0.102_136_16, 0.000_2, "0.10214", "0.00020"),
            (0.101_387, 0.000_378_6, "0.10139", "0.00038"),
            (5.123_4, 0.099_6, "5.12", "0.10"),
            (512.34, 23.4, "512", "23"),
            (5_123.4, 234.0, "5120", "230"),
            (0.000_04, 0.02, "0.000", "0.020"),
        ] {
            let got = rule.apply(value, Some(expanded), &unit).unwrap();
            assert_eq!((got.text.as_str(), got.uncertainty.as_deref()), (text, Some(u)));
        }
        for u in [None, Some(0.0), Some(f64::NAN)] {
            assert_eq!(rule.apply(1.0, u, &unit), Err(BadRounding::NoUncertainty));
        }
    }

    #[test]
    fn wrong_rules_say_what_to_write() {
        let error = |rule: &str, to: &str| Rounding::parse(rule, to).unwrap_err().to_string();
        assert!(error("half up", "3 digits").contains("half-up or half-even"));
        assert!(error("half-up", "nicely").contains("0.01 g/100 g"));
        assert!(error("half-up", "0 digits").contains("1 to 12"));
        assert!(error("half-up", "0 g").contains("above zero"));
        assert!(error("half-up", "0.01 gg").contains("gg"));
        let unit = Unit::parse("mL").unwrap();
        let rule = Rounding::parse("half-up", "0.01 g").unwrap();
        assert!(rule.apply(1.0, None, &unit).unwrap_err().to_string().contains("give the step in mL"));
        for value in [f64::NAN, f64::INFINITY, 1e300] {
            let rule = Rounding::parse("half-up", "0.01").unwrap();
            assert!(rule.apply(value, None, &Unit::one()).is_err(), "{value}");
        }
        assert_eq!(told("half-up", "0.01", 1e-300), "0.00");
    }

    proptest! {
        #[test]
        fn a_rounded_value_is_near_and_stays(value in -1e6_f64..1e6, step in 1_u32..500, places in 0_i32..5) {
            let size = f64::from(step) * 10_f64.powi(-places);
            let text = format!("{size:.*}", usize::try_from(places).unwrap());
            for rule in ["half-up", "half-even"] {
                let rule = Rounding::parse(rule, &text).unwrap();
                let once = rule.apply(value, None, &Unit::one()).unwrap();
                prop_assert!((once.value - value).abs() <= 0.5 * size + 1e-5, "{value} {text} {}", once.text);
                prop_assert_eq!(&rule.apply(once.value, None, &Unit::one()).unwrap().text, &once.text);
            }
        }
    }
}
