//! From what a pattern captured to readings.

use super::Pattern;
use super::growth::{Growth, Rule};
use super::program::{Capture, Field, Held, Kind, NumberField, Op, UnitFrom};
use super::reader::Reader;
use super::reading_list::Nameless;
use crate::reading::{Quantity, Stamp, Unit, Validity};
use std::sync::Arc;

impl Reader {
    /// Makes readings of what the last match captured.
    pub(super) fn gather(&mut self, pattern: &Pattern, at: Stamp, reason: Option<&str>) {
        self.texts.clear();
        let captures = std::mem::take(&mut self.scratch.captures);
        self.line_flags =
            if pattern.has_flags { LineFlags::of(pattern, &captures) } else { LineFlags::default() };
        let is_plain = reason.is_none() && !self.line_flags.not_valid && !self.may_grow();
        for capture in &captures {
            let Op::Field(field) = &pattern.program.ops[capture.op] else { continue };
            match (&field.kind, &capture.held) {
                // The commonest case by far goes the short way.
                (Kind::Number(number), Held::Number { value: Some(value), .. })
                    if is_plain && number.codes.is_empty() && self.push_plain(field, number, *value, at) => {}
                (Kind::Number(number), held) => {
                    self.number_read(field, number, *held, (pattern, &captures), at, reason)
                }
                (Kind::Clock, Held::Seconds(seconds)) => {
                    let number = NumberField::of_time();
                    self.push(&field.channel, &number, Some(*seconds), Unit::Second, at, reason);
                }
                (Kind::Unit(_), Held::Unit(unit)) => {
                    match self.units.iter_mut().find(|(channel, _)| *channel == field.channel) {
                        Some((_, known)) => *known = *unit,
                        None => self.units.push((Arc::clone(&field.channel), *unit)),
                    }
                }
                (Kind::Text, Held::Text) if &*field.channel != "_" => {
                    self.texts
                        .push((Arc::clone(&field.channel), self.text[capture.start..capture.end].to_owned()));
                }
                _ => {}
            }
        }
        self.scratch.captures = captures;
    }

    /// Adds a valid value in a unit that the profile tells; whether it is such a one.
    #[inline]
    fn push_plain(&mut self, field: &Field, number: &NumberField, value: f64, at: Stamp) -> bool {
        let UnitFrom::Profile(unit) = number.unit else { return false };
        let (quantity, value) = (number.quantity, scaled(value, number.scale));
        if !quantity.is_plausible(unit.to_canonical(value)) {
            return false;
        }
        let (value, validity) = (Some(value), Validity::Valid);
        let (steady, frame) = (self.line_flags.steady, self.number);
        self.readings.push(&field.channel, Nameless { quantity, value, unit, validity, steady, frame, at });
        true
    }

    /// Whether a value may be added to what an earlier total reached.
    pub(super) const fn may_grow(&self) -> bool {
        !self.totals.is_empty() || self.has_refill
    }

    fn number_read(
        &mut self,
        field: &Field,
        number: &NumberField,
        held: Held,
        (pattern, captures): (&Pattern, &[Capture]),
        at: Stamp,
        reason: Option<&str>,
    ) {
        let told = |channel: &str| {
            captures.iter().find_map(|capture| match (&pattern.program.ops[capture.op], capture.held) {
                (Op::Field(other), Held::Unit(unit)) if *other.channel == *channel => Some(unit),
                _ => None,
            })
        };
        let unit = match number.unit {
            UnitFrom::Profile(unit) => Some(unit),
            UnitFrom::Line => told(&field.channel),
            UnitFrom::Above => {
                self.units.iter().find(|(channel, _)| *channel == field.channel).map(|(_, unit)| *unit)
            }
        };
        let usual = number.quantity.canonical_unit();
        match held {
            Held::Instead(index) => {
                let meaning = number.instead.get(index).map_or("no number", |(_, meaning)| meaning);
                self.push(&field.channel, number, None, unit.unwrap_or(usual), at, Some(meaning));
            }
            Held::Number { value, ambiguous } => {
                let code =
                    value.and_then(|v| number.codes.iter().find(|(code, _)| super::field::close(*code, v)));
                let why = match (value, code, unit) {
                    (_, Some((_, meaning)), _) => Some(&**meaning),
                    (None, _, _) if ambiguous => {
                        Some("the number can be read with a decimal comma and with thousands")
                    }
                    (None, _, _) => Some("the number is too large to be held"),
                    (_, _, None) => Some("no unit was told"),
                    _ => None,
                };
                let value = if code.is_some() { None } else { value.map(|v| scaled(v, number.scale)) };
                self.push(&field.channel, number, value, unit.unwrap_or(usual), at, reason.or(why));
            }
            _ => {}
        }
    }

    pub(super) fn push(
        &mut self,
        channel: &Arc<str>,
        number: &NumberField,
        value: Option<f64>,
        unit: Unit,
        at: Stamp,
        reason: Option<&str>,
    ) {
        let plausible = value.is_none_or(|v| number.quantity.is_plausible(unit.to_canonical(v)));
        let validity = if reason.is_none() && plausible && !self.line_flags.not_valid {
            Validity::Valid
        } else {
            Validity::NotValid(why_not_valid(reason, plausible, number.quantity))
        };
        let value = match value {
            Some(sent) if self.may_grow() && validity == Validity::Valid => {
                Some(self.grown(channel, number.quantity, sent))
            }
            other => other,
        };
        let (quantity, frame) = (number.quantity, self.number);
        let steady = self.line_flags.steady;
        self.readings.push(channel, Nameless { quantity, value, unit, validity, steady, frame, at });
    }

    /// A total goes on growing where the instrument's own starts again.
    fn grown(&mut self, channel: &Arc<str>, quantity: Quantity, sent: f64) -> f64 {
        if let Some(total) = self.totals.iter_mut().find(|total| total.channel == *channel) {
            return total.growth.grown(total.rule.as_ref(), sent);
        }
        if !(self.has_refill && quantity == Quantity::Volume) {
            return sent;
        }
        let mut growth = Growth::default();
        let grown = growth.grown(None, sent);
        self.totals.push(Total { channel: Arc::clone(channel), rule: None, growth });
        grown
    }
}

/// A running total.
#[derive(Debug, Clone)]
pub(super) struct Total {
    pub channel: Arc<str>,
    /// None where only an announced refill starts it again.
    pub rule: Option<Rule>,
    pub growth: Growth,
}

pub(super) const MARKED_NOT_VALID: &str = "the instrument marks it as not valid";

/// The first reason against a value. Apart from the way of the valid ones, which must be short.
#[cold]
fn why_not_valid(reason: Option<&str>, plausible: bool, quantity: Quantity) -> String {
    match reason {
        Some(why) => why.to_owned(),
        None if !plausible => format!("out of the plausible range of {quantity}"),
        None => MARKED_NOT_VALID.to_owned(),
    }
}

/// Value = number x scale. A scale of one hundredth divides by hundred, so that 687 gives the 6.87 that is
/// written and not its neighbour.
#[inline]
pub(super) fn scaled(number: f64, scale: f64) -> f64 {
    if scale.to_bits() == 1.0_f64.to_bits() {
        return number;
    }
    let inverse = (1.0 / scale).round();
    let is_inverse = scale.abs() < 1.0 && (scale * inverse - 1.0).abs() < 1e-12;
    if is_inverse { number / inverse } else { number * scale }
}

/// Flags of one line that concern its readings.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct LineFlags {
    pub steady: Option<bool>,
    pub not_valid: bool,
}

impl LineFlags {
    fn of(pattern: &Pattern, captures: &[Capture]) -> Self {
        let mut flags = Self::default();
        let mut take = |name: &str, meaning: bool| match name {
            "steady" => flags.steady = Some(meaning),
            "valid" => flags.not_valid |= !meaning,
            _ => {}
        };
        for (name, meaning) in &pattern.missing_flags {
            take(name, *meaning);
        }
        for capture in captures {
            if let Held::Flag(meaning) = capture.held
                && let Op::Field(field) = &pattern.program.ops[capture.op]
            {
                take(&field.channel, meaning);
            }
        }
        flags
    }
}
