//! What can be wrong with a formula, where, and how to mend it.

use crate::results::Dimension;
use std::fmt;

/// A place in the text of a formula, in bytes from its beginning, the end not included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Span {
    /// First byte.
    pub start: usize,
    /// First byte behind it.
    pub end: usize,
}

/// What is wrong.
#[derive(Debug, Clone, PartialEq)]
pub enum Fault {
    /// Something else was expected here.
    Expected(&'static str),
    /// The text is too long or too deep.
    TooMuch(String),
    /// A unit in square brackets is not understood.
    Unit(String),
    /// A substance is not understood.
    Substance(String),
    /// A function that does not exist, with the nearest one.
    NoSuchFunction(Option<String>),
    /// A function with the wrong number of arguments.
    Arguments(String),
    /// A name that is not known, with the nearest known one.
    UnknownName(Option<String>),
    /// Two dimensions that cannot be added, subtracted or compared; what was tried, first and second.
    Mismatch(&'static str, Dimension, Dimension),
    /// A function or an exponent that needs a plain number got this.
    NotPlain(&'static str, Dimension),
    /// A power that leaves no dimension that can be kept.
    Power(Dimension),
    /// The result has this dimension, and is wanted in another unit.
    Result(Dimension, String),
    /// The divisor is zero.
    DivisionByZero,
    /// A function got a value for which it has no result.
    OutOfDomain(&'static str, f64),
    /// The value is beyond what can be computed with.
    NotFinite,
    /// Results that need each other in a circle.
    Circle(Vec<String>),
    /// Two results have one name.
    Twice,
}

/// What is wrong with a formula, with its place.
#[derive(Debug, Clone, PartialEq)]
pub struct FormulaError {
    /// What is wrong.
    pub fault: Fault,
    /// Where, in bytes of the formula.
    pub span: Span,
    /// The text at that place, for messages.
    pub at: String,
    /// Its first character in the formula, counted from 1.
    pub character: usize,
    /// The name of the result whose formula it is, where there are several.
    pub result: Option<String>,
}

impl FormulaError {
    pub(super) fn new(fault: Fault, span: Span, text: &str) -> Self {
        let at = text.get(span.start..span.end).unwrap_or_default().trim_end().to_owned();
        let character = text.get(..span.start).map_or(0, |before| before.chars().count()) + 1;
        Self { fault, span, at, character, result: None }
    }

    pub(super) fn of_result(self, name: &str) -> Self {
        Self { result: Some(name.to_owned()), ..self }
    }

    /// What to do about it.
    #[must_use]
    pub fn remedy(&self) -> String {
        match &self.fault {
            Fault::Expected(_) => {
                "multiplication is always written with *, a unit stands in square brackets \
                                   behind its number, as 20 [degC]"
                    .to_owned()
            }
            Fault::TooMuch(_) => "split it into several results that use each other".to_owned(),
            Fault::Unit(_) => "write units as in 0.0011 [1/K] or 100 [mL]".to_owned(),
            Fault::Substance(_) => "write substances as KHC8H4O4 or Na2B4O7.10H2O".to_owned(),
            Fault::NoSuchFunction(Some(near)) | Fault::UnknownName(Some(near)) => {
                format!("perhaps '{near}' is meant")
            }
            Fault::NoSuchFunction(None) => "there are sqrt, exp, ln, log10, abs, min, max, mean, \
                                            and M(...) for a molar mass"
                .to_owned(),
            Fault::Arguments(_) => "separate arguments by commas".to_owned(),
            Fault::UnknownName(None) => "declare it in the procedure, or correct the formula".to_owned(),
            Fault::Mismatch(_, a, b) if a.is_one() || b.is_one() => {
                let unit = if a.is_one() { b } else { a };
                format!("give the plain number a unit, as 0 [{unit}], or divide the other side by one")
            }
            Fault::Mismatch(..) => "bring both sides to the same kind of quantity".to_owned(),
            Fault::NotPlain(_, unit) => format!("divide by a reference first, as / 1 [{unit}]"),
            Fault::Power(_) => "use whole powers or square roots of what has a unit".to_owned(),
            Fault::Result(..) => "correct the formula or the unit of the result".to_owned(),
            Fault::DivisionByZero | Fault::OutOfDomain(..) | Fault::NotFinite => {
                "check the values that enter there".to_owned()
            }
            Fault::Circle(_) => "break the circle: one of them must not use the others".to_owned(),
            Fault::Twice => "give each result a name of its own".to_owned(),
        }
    }

    /// The formula with a mark under the place of the fault, for a screen with fixed width.
    #[must_use]
    pub fn picture(&self, text: &str) -> String {
        let line: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        let marks = self.at.chars().count().max(1);
        format!("{line}\n{}{}", " ".repeat(self.character - 1), "^".repeat(marks))
    }
}

impl fmt::Display for FormulaError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(name) = &self.result {
            write!(f, "{name}: ")?;
        }
        match &self.fault {
            Fault::Expected(what) => write!(f, "expected {what}")?,
            Fault::TooMuch(why) => write!(f, "the formula is too large: {why}")?,
            Fault::Unit(why) | Fault::Substance(why) => f.write_str(why)?,
            Fault::NoSuchFunction(_) => write!(f, "there is no such function")?,
            Fault::Arguments(why) => f.write_str(why)?,
            Fault::UnknownName(_) => write!(f, "unknown name")?,
            Fault::Mismatch("add", a, b) => write!(f, "cannot add {b} to {a}")?,
            Fault::Mismatch("subtract", a, b) => write!(f, "cannot subtract {b} from {a}")?,
            Fault::Mismatch(what, a, b) => write!(f, "cannot {what} {a} and {b}")?,
            Fault::NotPlain(what, unit) => write!(f, "{what} needs a plain number, not {unit}")?,
            Fault::Power(unit) => write!(f, "{unit} cannot be raised to this power")?,
            Fault::Result(got, wanted) => {
                write!(f, "the formula gives {got}, the result is wanted in {wanted}")?
            }
            Fault::DivisionByZero => write!(f, "division by zero")?,
            Fault::OutOfDomain(what, value) => write!(f, "{what} of {value} has no value")?,
            Fault::NotFinite => write!(f, "the value is too large to compute with")?,
            Fault::Circle(names) => write!(f, "results need each other in a circle: {}", names.join(" -> "))?,
            Fault::Twice => write!(f, "two results have this name")?,
        }
        if !matches!(self.fault, Fault::Circle(_) | Fault::Twice) {
            write!(f, " at character {}", self.character)?;
            if !self.at.is_empty() {
                write!(f, " ('{}')", self.at)?;
            }
        }
        write!(f, "; {}", self.remedy())
    }
}

impl std::error::Error for FormulaError {}
