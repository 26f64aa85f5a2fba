//! A pattern compiled to a short program without loops: its steps, and what a match captures.

use super::number::NumberStyle;
use super::shape::Shape;
use crate::reading::{Quantity, Unit};
use std::sync::Arc;

/// One step of a program.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Op {
    /// This text.
    Literal(Box<str>),
    /// At least one blank, or none behind a blank.
    Blanks,
    /// Any blanks.
    AnyBlanks,
    /// So many blanks.
    ExactBlanks(usize),
    /// A unit in any of its spellings.
    Unit(Unit, Box<[&'static str]>),
    /// A field.
    Field(Field),
    /// Go on; if that fails, go on at the step told.
    Try(usize),
    /// One of these texts, longest first.
    OneOf(Vec<Box<str>>),
    /// The end of the text.
    End,
}

/// A field as the matcher needs it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Field {
    /// Its name.
    pub channel: Arc<str>,
    /// What stands there.
    pub kind: Kind,
    /// Fixed columns from 1, both ends included.
    pub columns: Option<(usize, usize)>,
}

/// What stands in a field.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Kind {
    /// A number of a quantity.
    Number(Box<NumberField>),
    /// A unit of a quantity, read from the line.
    Unit(Quantity),
    /// Elapsed time as `h:mm:ss` or `mm:ss`.
    Clock,
    /// Anything, no blank at its ends.
    Text,
    /// One word, skipped.
    Word,
    /// A number, skipped.
    SkippedNumber(Shape),
    /// Words with their meaning, longest first.
    Flag(Vec<(Box<str>, bool)>),
}

/// Where the unit of a number comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum UnitFrom {
    /// The profile says it.
    Profile(Unit),
    /// A unit field of the same line.
    Line,
    /// A unit field of an earlier line.
    Above,
}

/// A number of a quantity.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct NumberField {
    /// What it measures.
    pub quantity: Quantity,
    /// Where its unit comes from.
    pub unit: UnitFrom,
    /// How it is written.
    pub style: NumberStyle,
    /// Its shape, where it has one.
    pub shape: Option<Shape>,
    /// Value = number x scale.
    pub scale: f64,
    /// Base of its digits.
    pub base: u32,
    /// Texts in the place of the number, longest first, with what they mean.
    pub instead: Vec<(Box<str>, Arc<str>)>,
    /// Numbers that mean something else.
    pub codes: Vec<(f64, Arc<str>)>,
}

impl NumberField {
    /// A clock gives seconds.
    pub(crate) fn of_time() -> Self {
        Self {
            quantity: Quantity::Time,
            unit: UnitFrom::Profile(Unit::Second),
            style: NumberStyle::default(),
            shape: None,
            scale: 1.0,
            base: 10,
            instead: Vec::new(),
            codes: Vec::new(),
        }
    }
}

/// What a field held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Held {
    /// A number before its scale; `None` when it cannot be told.
    Number { value: Option<f64>, ambiguous: bool },
    /// Words in place of the number: which.
    Instead(usize),
    /// A unit.
    Unit(Unit),
    /// A flag.
    Flag(bool),
    /// Seconds of a clock.
    Seconds(f64),
    /// A text.
    Text,
}

/// A field found in a text.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Capture {
    /// The step of the program that holds the field.
    pub op: usize,
    /// Where it begins, in bytes.
    pub start: usize,
    /// Where it ends.
    pub end: usize,
    /// What it held.
    pub held: Held,
}

/// A compiled pattern.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Program {
    pub(crate) ops: Vec<Op>,
}

impl Program {
    /// What the step expects, in words.
    pub(crate) fn expected(&self, op: usize) -> String {
        match &self.ops[op] {
            Op::Literal(text) => format!("{text:?}"),
            Op::Blanks | Op::AnyBlanks => "a blank".to_owned(),
            Op::ExactBlanks(1) => "exactly one blank".to_owned(),
            Op::ExactBlanks(count) => format!("exactly {count} blanks"),
            Op::Unit(unit, _) => format!("the unit {unit}"),
            Op::Try(_) => "an optional part".to_owned(),
            Op::OneOf(words) => format!("one of {}", words.join(", ")),
            Op::End => "the end of the line".to_owned(),
            Op::Field(field) => {
                let what = match &field.kind {
                    Kind::Number(number) if number.shape.is_some() => "a number of its shape".to_owned(),
                    Kind::Number(_) => "a number".to_owned(),
                    Kind::Unit(quantity) => {
                        format!(
                            "a unit of {quantity} ({})",
                            Unit::of(*quantity).map(Unit::symbol).collect::<Vec<_>>().join(", ")
                        )
                    }
                    Kind::Clock => "a clock such as 0:12:34".to_owned(),
                    Kind::Text => "a text".to_owned(),
                    Kind::Word => "a word".to_owned(),
                    Kind::SkippedNumber(_) => "a number of its shape".to_owned(),
                    Kind::Flag(words) => {
                        format!(
                            "one of {}",
                            words.iter().map(|(w, _)| format!("{w:?}")).collect::<Vec<_>>().join(", ")
                        )
                    }
                };
                let columns =
                    field.columns.map(|(from, to)| format!(" in columns {from} to {to}")).unwrap_or_default();
                format!("{what} for `{}`{columns}", field.channel)
            }
        }
    }
}
