//! Straight patterns: rows of texts, blanks, flags and decimal numbers in units of the profile. They are by far the
//! commonest, and a line of theirs becomes readings in one go from left to right.

use super::eight::FewCharacters;
use super::field::skip;
use super::gather::scaled;
use super::matcher::begins_with;
use super::number::{SignPlace, plain};
use super::program::{Field, Kind, NumberField, Op, UnitFrom};
use super::reader::Reader;
use super::reading_list::Nameless;
use super::shape::Shape;
use crate::reading::{Quantity, Stamp, Unit, Validity};
use std::sync::Arc;

/// A straight pattern.
#[derive(Debug, Clone)]
pub(crate) struct Straight {
    steps: Vec<Step>,
}

#[derive(Debug, Clone)]
enum Step {
    Text(FewCharacters),
    Number(Number),
    /// Words of a flag, and whether it is the one that tells a settled value.
    Flag {
        words: Vec<(Box<str>, bool)>,
        is_steady: bool,
    },
    /// Blanks and units.
    Other(Op),
}

#[derive(Debug, Clone)]
struct Number {
    channel: Arc<str>,
    quantity: Quantity,
    unit: Unit,
    scale: f64,
    decimal: u8,
    shape: Option<Shape>,
    /// Values between these, as sent, are plausible for sure.
    plausible: (f64, f64),
    /// A text that has to follow.
    behind: Option<FewCharacters>,
}

impl Straight {
    /// The straight form of a program, where it has one.
    pub(super) fn of(ops: &[Op]) -> Option<Self> {
        let (end, ops) = ops.split_last()?;
        if *end != Op::End {
            return None;
        }
        let mut steps: Vec<Step> = Vec::new();
        for op in ops {
            match (op, steps.last_mut()) {
                // A short text right behind a number is looked at with it.
                (Op::Literal(text), Some(Step::Number(number))) if text.len() <= 8 => {
                    number.behind = FewCharacters::of(text.as_bytes()).next();
                }
                (Op::Literal(text), _) => steps.extend(FewCharacters::of(text.as_bytes()).map(Step::Text)),
                _ => steps.push(Step::of(op)?),
            }
        }
        Some(Self { steps })
    }
}

impl Step {
    fn of(op: &Op) -> Option<Self> {
        match op {
            Op::Blanks | Op::AnyBlanks | Op::ExactBlanks(_) | Op::Unit(..) => Some(Self::Other(op.clone())),
            Op::Field(Field { channel, kind: Kind::Number(number), columns: None }) => {
                Number::of(channel, number).map(Self::Number)
            }
            // A flag that marks values as not valid has reasons to tell: the long way.
            Op::Field(Field { channel, kind: Kind::Flag(words), columns: None })
                if &**channel != "valid" && words.iter().all(|(word, _)| !word.is_empty()) =>
            {
                Some(Self::Flag { words: words.clone(), is_steady: &**channel == "steady" })
            }
            Op::Field(_) | Op::Literal(_) | Op::Try(_) | Op::OneOf(_) | Op::End => None,
        }
    }
}

impl Number {
    fn of(channel: &Arc<str>, field: &NumberField) -> Option<Self> {
        let decimal = field.style.plain_decimal()?;
        let is_plain = match &field.shape {
            Some(shape) => shape.is_plain(),
            None => field.style.sign == SignPlace::Before,
        };
        let UnitFrom::Profile(unit) = field.unit else { return None };
        let has_words = !field.instead.is_empty() || !field.codes.is_empty();
        (is_plain && field.base == 10 && !has_words).then(|| Self {
            channel: Arc::clone(channel),
            quantity: field.quantity,
            unit,
            scale: field.scale,
            decimal,
            shape: field.shape.clone(),
            plausible: surely_plausible(field.quantity, unit),
            behind: None,
        })
    }

    /// The number at `at` and its end. `None` says nothing.
    #[inline]
    fn at(&self, text: &[u8], at: usize) -> Option<(f64, usize)> {
        match &self.shape {
            Some(shape) => shape.plain(text, at, self.decimal),
            None => plain(text, at, self.decimal),
        }
    }

    /// The reading of a value if that is plausible for sure.
    #[inline]
    fn reading(&self, value: f64, frame: u64, at: Stamp) -> Option<Nameless> {
        let value = scaled(value, self.scale);
        let (quantity, unit, validity) = (self.quantity, self.unit, Validity::Valid);
        let is_plausible = (self.plausible.0..=self.plausible.1).contains(&value);
        is_plausible.then_some(Nameless {
            quantity,
            value: Some(value),
            unit,
            validity,
            steady: None,
            frame,
            at,
        })
    }
}

/// The plausible values of a quantity in a unit, but for those at the very limits, which rounding may move.
fn surely_plausible(quantity: Quantity, unit: Unit) -> (f64, f64) {
    let (low, high) = quantity.plausible();
    let inwards = |limit: f64| 1e-9 * (limit.abs() + unit.to_canonical(0.0).abs());
    (unit.from_canonical(low + inwards(low)), unit.from_canonical(high - inwards(high)))
}

impl Reader {
    /// Matches a straight pattern and makes its readings while it goes, without captures in between. False says
    /// nothing but that something is less than plain: then the long way decides.
    /// The line is the first `length` bytes of `text`; what stands behind them is looked at, never read.
    pub(super) fn in_one_go(&mut self, straight: &Straight, text: &str, length: usize, at: Stamp) -> bool {
        let found = self.straight_line(straight, text, length, at).is_some();
        if !found {
            self.readings.clear();
        }
        found
    }

    #[inline]
    fn straight_line(&mut self, straight: &Straight, text: &str, length: usize, at: Stamp) -> Option<()> {
        let bytes = text.as_bytes();
        let (mut pos, mut steady) = (0, None);
        for step in &straight.steps {
            let end = match step {
                Step::Number(number) => {
                    let (value, end) = number.at(bytes, pos)?;
                    self.readings.push(&number.channel, number.reading(value, self.number, at)?);
                    match number.behind {
                        Some(behind) if behind.are_at(bytes, end) => end + behind.length,
                        Some(_) => return None,
                        None => end,
                    }
                }
                Step::Text(wanted) if wanted.are_at(bytes, pos) => pos + wanted.length,
                Step::Text(_) => return None,
                Step::Flag { words, is_steady } => {
                    let (word, meaning) =
                        words.iter().find(|(word, _)| begins_with(&bytes[pos..], word.as_bytes()))?;
                    if *is_steady {
                        steady = Some(*meaning);
                    }
                    pos + word.len()
                }
                Step::Other(op) => skip(op, text, pos)?,
            };
            self.scratch.count(1 + end - pos);
            pos = end;
        }
        if steady.is_some() {
            self.readings.as_mut_slice().iter_mut().for_each(|reading| reading.steady = steady);
        }
        (pos == length).then_some(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_surely_plausible_is_plausible() {
        for quantity in Quantity::ALL {
            for unit in Unit::of(quantity) {
                let (low, high) = surely_plausible(quantity, unit);
                assert!(low < high, "{quantity} in {unit}");
                for value in [low, high, low / 2.0 + high / 2.0] {
                    assert!(quantity.is_plausible(unit.to_canonical(value)), "{quantity}: {value} {unit}");
                }
            }
        }
    }
}
