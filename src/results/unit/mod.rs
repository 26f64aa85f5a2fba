//! Units: read from text, printed in one way, turned into coherent values.
//!
//! A unit is one or several symbols, multiplied by `·` (or `*`), with at most one `/`: `mL`, `mol/L`, `g/100 g`,
//! `mL/min`, `1/K`, `J/(mol·K)`, `cm3`. A blank and a word behind a symbol say what is counted: `mg KOH/g`,
//! `mg CaCO3/L`; the word is kept and printed, it has no dimension.

mod table;

use super::Dimension;
use serde::{Deserialize, Serialize};
use std::fmt;
use table::{REFUSED, SAME, TABLE};

/// Longest text of a unit in bytes.
const LONGEST: usize = 60;
/// Most symbols in one unit.
const MOST_FACTORS: usize = 8;

/// One symbol of a unit with its power, the number before it and the word behind it.
#[derive(Debug, Clone, PartialEq)]
struct Factor {
    /// Index into `TABLE`.
    row: usize,
    /// The number in front, as in `100 g`.
    times: Option<u32>,
    power: u8,
    /// What is counted, as `KOH` in `mg KOH/g`.
    of: Option<String>,
}

/// A unit of measurement.
///
/// ```
/// use dropwise::results::Unit;
/// let unit: Unit = "g/100 g".parse().unwrap();
/// assert!((unit.from_coherent(0.05) - 5.0).abs() < 1e-12);
/// assert_eq!("ml / min".parse::<Unit>().unwrap().to_string(), "mL/min");
/// ```
///
/// `degC` alone is a temperature on the Celsius scale (25 degC is 298.15 K); within a larger unit (`mV/degC`), and
/// for every standard uncertainty, it is a difference and the same as K.
#[derive(Debug, Clone, PartialEq)]
pub struct Unit {
    above: Vec<Factor>,
    below: Vec<Factor>,
}

/// Why a text is no unit.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{text}' is not a unit: {why}; {remedy}")]
pub struct NotAUnit {
    /// The text as given.
    pub text: String,
    /// What is wrong.
    pub why: String,
    /// What to write instead.
    pub remedy: String,
}

impl Unit {
    /// The unit of a plain number.
    #[must_use]
    pub fn one() -> Self {
        Self { above: vec![Factor { row: 0, times: None, power: 1, of: None }], below: Vec::new() }
    }

    /// Reads a unit.
    ///
    /// # Errors
    /// Says which part is not understood and what could be meant.
    pub fn parse(text: &str) -> Result<Self, NotAUnit> {
        parse(text).map_err(|(why, remedy)| NotAUnit { text: text.to_owned(), why, remedy })
    }

    /// What it measures.
    #[must_use]
    pub fn dimension(&self) -> Dimension {
        let product = |factors: &[Factor]| {
            factors.iter().fold(Dimension::ONE, |d, f| (0..f.power).fold(d, |d, _| d * TABLE[f.row].1))
        };
        product(&self.above) / product(&self.below)
    }

    /// How many coherent units one of it is (for `degC`: of a difference).
    #[must_use]
    pub fn scale(&self) -> f64 {
        let (number, by) = self.fraction();
        number / by
    }

    /// A value in this unit, in coherent units (`degC` alone is a point on the Celsius scale).
    #[must_use]
    pub fn to_coherent(&self, value: f64) -> f64 {
        let (number, by) = self.fraction();
        value * number / by + self.zero()
    }

    /// A coherent value, in this unit.
    #[must_use]
    pub fn from_coherent(&self, coherent: f64) -> f64 {
        let (number, by) = self.fraction();
        (coherent - self.zero()) * by / number
    }

    /// A difference or a standard uncertainty in coherent units, in this unit.
    #[must_use]
    pub fn difference_from_coherent(&self, coherent: f64) -> f64 {
        let (number, by) = self.fraction();
        coherent * by / number
    }

    /// Scale as a fraction of exact numbers: multiplying by one and dividing by the other keeps 0.3888 g what it is.
    fn fraction(&self) -> (f64, f64) {
        let mut number = 1.0;
        let mut by = 1.0;
        for (factors, up) in [(&self.above, true), (&self.below, false)] {
            for factor in factors {
                for _ in 0..factor.power {
                    let (_, _, a, b) = TABLE[factor.row];
                    let (a, b) = if up { (a, b) } else { (b, a) };
                    number *= a;
                    by *= b;
                }
                let times = f64::from(factor.times.unwrap_or(1));
                if up {
                    number *= times;
                } else {
                    by *= times;
                }
            }
        }
        (number, by)
    }

    fn zero(&self) -> f64 {
        match (self.above.as_slice(), self.below.as_slice()) {
            ([Factor { row, times: None, power: 1, .. }], []) if TABLE[*row].0 == "degC" => 273.15,
            _ => 0.0,
        }
    }

    /// Whether the unit is a point on the Celsius scale, so that a difference must be told in K.
    #[must_use]
    pub fn is_celsius(&self) -> bool {
        self.zero() > 0.0
    }
}

type Fault = (String, String);

fn fault<T>(why: impl Into<String>, remedy: impl Into<String>) -> Result<T, Fault> {
    Err((why.into(), remedy.into()))
}

fn parse(text: &str) -> Result<Unit, Fault> {
    let trimmed = text.trim();
    if trimmed.len() > LONGEST {
        return fault(format!("it is longer than {LONGEST} bytes"), "write a shorter unit");
    }
    if trimmed.is_empty() {
        return fault("it is empty", "write 1 for a plain number");
    }
    let mut sides = trimmed.split('/');
    let above = factors(sides.next().unwrap_or_default())?;
    let below = match sides.next() {
        Some(side) => factors(side)?,
        None => Vec::new(),
    };
    if sides.next().is_some() {
        return fault("it has more than one '/'", "put all divisors into one bracket, such as mg/(kg·d)");
    }
    if above.len() + below.len() > MOST_FACTORS {
        return fault(format!("it has more than {MOST_FACTORS} symbols"), "write a simpler unit");
    }
    Ok(Unit { above, below })
}

fn factors(side: &str) -> Result<Vec<Factor>, Fault> {
    let side = side.trim();
    // A bracket around a whole side; brackets within a counted formula, as Ca(OH)2, stay.
    let side = match side.strip_prefix('(') {
        Some(rest) => match rest.strip_suffix(')') {
            Some(inner) => inner,
            None => return fault("a bracket is not closed", "write both brackets or none"),
        },
        None => side,
    };
    side.split(['·', '*', '⋅']).map(factor).collect()
}

fn factor(text: &str) -> Result<Factor, Fault> {
    let text = text.trim();
    let digits = text.find(|c: char| !c.is_ascii_digit()).unwrap_or(text.len());
    let (number, rest) = text.split_at(digits);
    if !number.is_empty() && rest.is_empty() && number != "1" {
        return fault(format!("{number} stands without a symbol"), "write the symbol behind it, as 100 g");
    }
    let (times, rest) = match number {
        "" => (None, rest),
        "1" if rest.is_empty() => (None, "1"),
        _ => match number.parse::<u32>() {
            Ok(n @ 2..=1_000_000) => (Some(n), rest.trim_start()),
            Ok(1) => (None, rest.trim_start()),
            _ => return fault(format!("the number {number} cannot be used"), "use 1 to 1000000"),
        },
    };
    let (symbol, of) = match rest.split_once(char::is_whitespace) {
        Some((symbol, word)) => (symbol, Some(word.trim())),
        None => (rest, None),
    };
    let (symbol, power) = split_power(symbol)?;
    let of = match of {
        None | Some("") => None,
        Some(word) if word.chars().all(|c| c.is_alphanumeric() || "()+-.".contains(c)) => {
            Some(word.to_owned())
        }
        Some(word) => {
            return fault(
                format!("'{word}' cannot stand behind a symbol"),
                "only one word that says what is counted may stand there, as mg KOH/g",
            );
        }
    };
    if symbol.is_empty() {
        return fault("a symbol is missing", "write one on each side of '/' and '·'");
    }
    let name = SAME.iter().find(|(other, _)| *other == symbol).map_or(symbol, |(_, name)| name);
    let Some(row) = TABLE.iter().position(|row| row.0 == name) else {
        if let Some((_, instead)) = REFUSED.iter().find(|(refused, _)| *refused == symbol) {
            return fault(format!("'{symbol}' can be misread"), format!("write {instead}"));
        }
        let known = TABLE.iter().map(|row| row.0);
        return match crate::form::nearest(symbol, known) {
            Some(near) => fault(format!("'{symbol}' is not known"), format!("perhaps '{near}' is meant")),
            None => fault(format!("'{symbol}' is not known"), "use SI symbols such as mL, g, mol/L, mg/kg"),
        };
    };
    Ok(Factor { row, times, power, of })
}

fn split_power(symbol: &str) -> Result<(&str, u8), Fault> {
    let (name, power) = if let Some((name, power)) = symbol.split_once('^') {
        (name, power)
    } else if let Some(name) = symbol.strip_suffix('²') {
        (name, "2")
    } else if let Some(name) = symbol.strip_suffix('³') {
        (name, "3")
    } else {
        let end = symbol.trim_end_matches(|c: char| c.is_ascii_digit()).len();
        if end == 0 { (symbol, "") } else { symbol.split_at(end) }
    };
    match power {
        "" | "1" => Ok((name, 1)),
        "2" => Ok((name, 2)),
        "3" => Ok((name, 3)),
        "4" => Ok((name, 4)),
        _ => fault(
            format!("the power '{power}' is not understood"),
            "use powers from 1 to 4 and put divisors behind '/'",
        ),
    }
}

impl fmt::Display for Factor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(times) = self.times {
            write!(f, "{times} ")?;
        }
        f.write_str(TABLE[self.row].0)?;
        if self.power > 1 {
            write!(f, "{}", self.power)?;
        }
        if let Some(of) = &self.of {
            write!(f, " {of}")?;
        }
        Ok(())
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let side = |factors: &[Factor]| factors.iter().map(ToString::to_string).collect::<Vec<_>>().join("·");
        let above = side(&self.above);
        f.pad(&match self.below.as_slice() {
            [] => above,
            [one] => format!("{above}/{one}"),
            several => format!("{above}/({})", side(several)),
        })
    }
}

impl std::str::FromStr for Unit {
    type Err = NotAUnit;
    fn from_str(text: &str) -> Result<Self, NotAUnit> {
        Self::parse(text)
    }
}

impl Serialize for Unit {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Unit {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::parse(&text).map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn unit(text: &str) -> Unit {
        Unit::parse(text).unwrap()
    }

    fn near(a: f64, b: f64) -> bool {
        (a - b).abs() <= 1e-14 * b.abs()
    }

    #[test]
    fn the_units_of_the_bench_have_their_size() {
        for (text, dimension, scale) in [
            ("mL", Dimension::VOLUME, 1.0),
            ("g/100 g", Dimension::ONE, 0.01),
            ("g/100 mL", Dimension::DENSITY, 0.01),
            ("mol/L", Dimension::CONCENTRATION, 1e-3),
            ("mg/mL", Dimension::DENSITY, 1e-3),
            ("mg KOH/g", Dimension::ONE, 1e-3),
            ("mg CaCO3/L", Dimension::DENSITY, 1e-6),
            ("mmol/kg", Dimension::AMOUNT / Dimension::MASS, 1e-6),
            ("mL/min", Dimension::VOLUME / Dimension::TIME, 1.0 / 60.0),
            ("%", Dimension::ONE, 0.01),
            ("ppm", Dimension::ONE, 1e-6),
            ("1/K", Dimension::ONE / Dimension::TEMPERATURE, 1.0),
            ("mV/pH", Dimension::POTENTIAL, 1e4),
            ("d", Dimension::TIME, 86_400.0),
            ("cm3", Dimension::VOLUME, 1.0),
            ("kg/m3", Dimension::DENSITY, 1e-3),
            ("mg/(kg·d)", Dimension::ONE / Dimension::TIME, 1e-6 / 86_400.0),
        ] {
            let unit = unit(text);
            assert_eq!(unit.dimension(), dimension, "{text}");
            assert!(near(unit.scale(), scale), "{text}: {}", unit.scale());
            assert_eq!(unit.to_string(), text);
        }
        // R T / F is a potential: the electrical units hang together.
        let gas = unit("J/(mol·K)").to_coherent(8.314_462_618) * 298.15;
        let volt = unit("mV").from_coherent(gas / unit("C/mol").to_coherent(96_485.332_12));
        assert!((volt - 25.692_579).abs() < 1e-5, "{volt}");
    }

    #[test]
    fn celsius_alone_is_a_point_on_a_scale() {
        assert!(near(unit("degC").to_coherent(25.0), 298.15));
        assert!(near(unit("°C").from_coherent(293.15), 20.0));
        assert!(near(unit("degC").difference_from_coherent(3.0), 3.0));
        assert!(near(unit("mV/degC").to_coherent(2.0), 2e4));
    }

    #[test]
    fn other_spellings_come_to_one_form() {
        for (given, printed) in [
            ("ml", "mL"),
            (" µL ", "uL"),
            ("g / 100g", "g/100 g"),
            ("mol·/L", ""),
            ("m^3", "m3"),
            ("l*K", "L·K"),
        ] {
            match Unit::parse(given) {
                Ok(unit) => assert_eq!(unit.to_string(), printed, "{given}"),
                Err(error) => assert_eq!(printed, "", "{error}"),
            }
        }
    }

    #[test]
    fn a_wrong_unit_says_what_could_be_meant() {
        let message = |text: &str| Unit::parse(text).unwrap_err().to_string();
        assert_eq!(message("mll"), "'mll' is not a unit: 'mll' is not known; perhaps 'mL' is meant");
        assert!(message("0.1 M").contains("not"));
        assert!(message("M").contains("write mol/L"));
        assert!(message("mg/kg/d").contains("mg/(kg·d)"));
        assert!(message("").contains("write 1"));
        assert!(message("100").contains("without a symbol"));
        assert!(message("mg/").contains("missing"));
        assert!(message("mL^9").contains("power"));
        assert!(message(&"m·".repeat(40)).contains("longer"));
        assert!(message("(mL").contains("bracket"));
    }

    prop_compose! {
        fn any_factor()(row in 0..TABLE.len(), times in proptest::option::of(2_u32..1000), power in 1_u8..5,
                        of in proptest::option::of("[A-Z][A-Za-z0-9()]{0,6}")) -> Factor {
            let plain = TABLE[row].0 == "1";
            Factor { row, times: if plain { None } else { times }, power: if plain { 1 } else { power },
                     of: if plain { None } else { of } }
        }
    }

    proptest! {
        #[test]
        fn every_unit_is_read_back_from_its_print(
            above in proptest::collection::vec(any_factor(), 1..3),
            below in proptest::collection::vec(any_factor(), 0..3),
        ) {
            let unit = Unit { above, below };
            let text = unit.to_string();
            prop_assume!(text.len() <= LONGEST);
            let back = Unit::parse(&text).unwrap();
            prop_assert_eq!(&back, &unit);
            let value = unit.from_coherent(unit.to_coherent(12.34));
            prop_assert!((value - 12.34).abs() < 1e-9);
        }

        #[test]
        fn no_text_makes_it_fall(text in "\\PC{0,70}") {
            if let Ok(unit) = Unit::parse(&text) {
                prop_assert_eq!(Unit::parse(&unit.to_string()).unwrap(), unit);
            }
        }
    }
}
