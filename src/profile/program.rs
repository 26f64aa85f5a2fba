//! A pattern compiled to a short program without loops, and its run over a text in linear time.
//!
//! Choices (optional parts, alternatives, texts of open length) are tried in order. What failed once at a
//! place is remembered and not tried there again, so the work is bounded by length of text times length of
//! pattern. Nothing is allocated once the scratch has grown to the usual length.

use super::number::{Decimal, NumberStyle, scan};
use super::shape::Shape;
use super::unit_words::{spelling_at, unit_at};
use crate::reading::{Quantity, Unit};
use memchr::{memchr, memchr2};
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

#[derive(Debug, Clone, Copy)]
enum Back {
    Jump { op: usize, pos: usize, captures: usize },
    Longer { op: usize, start: usize, from: usize, captures: usize },
    Next { op: usize, pos: usize, index: usize, captures: usize },
}

/// Memory of the matcher, kept from line to line.
#[derive(Debug, Clone, Default)]
pub(crate) struct Scratch {
    /// Fields of the last match, in order.
    pub captures: Vec<Capture>,
    /// How far the last run came: place and step that failed there.
    pub furthest: (usize, usize),
    back: Vec<Back>,
    /// For each text of open length: the span of starts that are known to fail.
    dead: Vec<(usize, usize)>,
    /// Choice and place that were tried, one bit each.
    tried: Vec<u64>,
}

/// After so many returns to a choice the matcher begins to remember what it tried.
const FREE_RETURNS: usize = 128;

/// A compiled pattern.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Program {
    pub(crate) ops: Vec<Op>,
}

impl Program {
    /// Runs over a text that has no blanks at its end; the fields are in `scratch.captures`.
    pub(crate) fn run(&self, text: &str, scratch: &mut Scratch) -> bool {
        scratch.captures.clear();
        scratch.back.clear();
        scratch.furthest = (0, 0);
        scratch.dead.clear();
        scratch.tried.clear();
        let mut returns = 0;
        let mut op = 0;
        let mut pos = 0;
        loop {
            let next = match &self.ops[op] {
                Op::End => {
                    if pos == text.len() {
                        return true;
                    }
                    None
                }
                Op::Try(other) => {
                    if self.first_try(op, pos, text.len(), returns, scratch) {
                        let captures = scratch.captures.len();
                        scratch.back.push(Back::Jump { op: *other, pos, captures });
                        Some(pos)
                    } else {
                        None
                    }
                }
                Op::OneOf(words) => {
                    if self.first_try(op, pos, text.len(), returns, scratch) {
                        self.word(words, op, text, pos, 0, scratch)
                    } else {
                        None
                    }
                }
                Op::Field(Field { kind: Kind::Text | Kind::Word, columns: None, .. }) => {
                    self.open(op, text, pos, pos, scratch)
                }
                simple => step(simple, op, text, pos, &mut scratch.captures),
            };
            if let Some(next) = next {
                pos = next;
                op += 1;
                continue;
            }
            if pos >= scratch.furthest.0 {
                scratch.furthest = (pos, op);
            }
            // Back to the last choice.
            (op, pos) = loop {
                let Some(back) = scratch.back.pop() else { return false };
                returns += 1;
                match back {
                    Back::Jump { op, pos, captures } => {
                        scratch.captures.truncate(captures);
                        break (op, pos);
                    }
                    Back::Longer { op, start, from, captures } => {
                        scratch.captures.truncate(captures);
                        if let Some(end) = self.open(op, text, start, from, scratch) {
                            break (op + 1, end);
                        }
                    }
                    Back::Next { op, pos, index, captures } => {
                        scratch.captures.truncate(captures);
                        let Op::OneOf(words) = &self.ops[op] else { continue };
                        if let Some(end) = self.word(words, op, text, pos, index, scratch) {
                            break (op + 1, end);
                        }
                    }
                }
            };
        }
    }

    /// Whether this choice was not tried at this place before. The program has no loops, so what comes back
    /// to a choice at the same place has failed there already.
    fn first_try(&self, op: usize, pos: usize, length: usize, returns: usize, scratch: &mut Scratch) -> bool {
        if returns < FREE_RETURNS {
            return true;
        }
        let bits = self.ops.len() * (length + 1);
        if scratch.tried.is_empty() {
            scratch.tried.resize(bits.div_ceil(64), 0);
        }
        let bit = op * (length + 1) + pos;
        let (word, mask) = (bit / 64, 1_u64 << (bit % 64));
        let first = scratch.tried[word] & mask == 0;
        scratch.tried[word] |= mask;
        first
    }

    fn word(
        &self,
        words: &[Box<str>],
        op: usize,
        text: &str,
        pos: usize,
        index: usize,
        scratch: &mut Scratch,
    ) -> Option<usize> {
        let rest = &text.as_bytes()[pos..];
        let found = (index..words.len()).find(|i| rest.starts_with(words[*i].as_bytes()))?;
        if found + 1 < words.len() {
            let captures = scratch.captures.len();
            scratch.back.push(Back::Next { op, pos, index: found + 1, captures });
        }
        Some(pos + words[found].len())
    }

    /// The next end of a text of open length that begins at `start`, beyond `from`.
    fn open(&self, op: usize, text: &str, start: usize, from: usize, scratch: &mut Scratch) -> Option<usize> {
        let bytes = text.as_bytes();
        let is_word = matches!(&self.ops[op], Op::Field(Field { kind: Kind::Word, .. }));
        if start >= bytes.len() || is_blank(bytes[start]) {
            return None;
        }
        if scratch.dead.len() < self.ops.len() {
            scratch.dead.resize(self.ops.len(), (usize::MAX, 0));
        }
        let dead = scratch.dead[op];
        if start >= dead.0 && start < dead.1 {
            return None;
        }
        // Ends beyond the first start that failed before were tried from there.
        let last =
            if start < dead.0 && dead.0 < bytes.len() && from <= dead.0 { dead.0 } else { bytes.len() };
        let mut from = from;
        loop {
            let begin = next_char(text, from);
            let found =
                if from >= last || begin > last { None } else { self.candidate(op + 1, bytes, begin, last) };
            let blank = if is_word {
                memchr2(b' ', b'\t', &bytes[from..found.unwrap_or(last).min(last)])
            } else {
                None
            };
            match found {
                Some(end) if blank.is_none() => {
                    if is_blank(bytes[end - 1]) || !text.is_char_boundary(end) {
                        from = end;
                        continue;
                    }
                    let captures = scratch.captures.len();
                    scratch.back.push(Back::Longer { op, start, from: end, captures });
                    scratch.captures.push(Capture { op, start, end, held: Held::Text });
                    return Some(end);
                }
                _ => {
                    let until = blank.map_or(last, |at| from + at);
                    let until = if until == bytes.len() { usize::MAX } else { until };
                    scratch.dead[op] = if start < dead.0 && dead.0 <= until {
                        (start, dead.1.max(until))
                    } else {
                        (start, until)
                    };
                    return None;
                }
            }
        }
    }

    /// The first place from `begin` to `last` where the step `next` may begin.
    fn candidate(&self, next: usize, bytes: &[u8], begin: usize, last: usize) -> Option<usize> {
        let within = bytes.get(begin..last.min(bytes.len()))?;
        match &self.ops[next] {
            Op::End => (last >= bytes.len()).then_some(bytes.len()),
            Op::Literal(literal) => {
                let found = memchr(literal.as_bytes()[0], within).map(|at| begin + at);
                found.or_else(|| (last < bytes.len() && bytes[last] == literal.as_bytes()[0]).then_some(last))
            }
            Op::Blanks | Op::ExactBlanks(_) => {
                let found = memchr2(b' ', b'\t', within).map(|at| begin + at);
                found.or_else(|| (last < bytes.len() && is_blank(bytes[last])).then_some(last))
            }
            _ => Some(begin),
        }
    }

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

const fn is_blank(byte: u8) -> bool {
    byte == b' ' || byte == b'\t'
}

fn next_char(text: &str, at: usize) -> usize {
    text.ceil_char_boundary(at + 1)
}

/// A step without choice: where it ends.
#[inline]
fn step(op: &Op, index: usize, text: &str, pos: usize, captures: &mut Vec<Capture>) -> Option<usize> {
    let bytes = text.as_bytes();
    let rest = &bytes[pos..];
    let blanks = || rest.iter().take_while(|byte| is_blank(**byte)).count();
    match op {
        Op::Literal(literal) => rest.starts_with(literal.as_bytes()).then(|| pos + literal.len()),
        Op::Blanks => {
            let count = blanks();
            (count > 0 || (pos > 0 && is_blank(bytes[pos - 1]))).then_some(pos + count)
        }
        Op::AnyBlanks => Some(pos + blanks()),
        Op::ExactBlanks(count) => {
            rest.get(..*count).is_some_and(|r| r.iter().all(|b| is_blank(*b))).then_some(pos + count)
        }
        Op::Unit(_, spellings) => {
            spelling_at(&text[pos..], spellings.iter().copied()).map(|length| pos + length)
        }
        Op::Field(field) => match field.columns {
            None => {
                let (held, end) = field_at(field, text, pos)?;
                captures.push(Capture { op: index, start: pos, end, held });
                Some(end)
            }
            Some(columns) => {
                let (capture, end) = in_columns(field, index, text, pos, columns)?;
                captures.push(capture);
                Some(end)
            }
        },
        Op::Try(_) | Op::OneOf(_) | Op::End => None,
    }
}

/// The field in its fixed columns; what lies between must be blank.
fn in_columns(
    field: &Field,
    op: usize,
    text: &str,
    pos: usize,
    (from, to): (usize, usize),
) -> Option<(Capture, usize)> {
    let place = |column: usize| {
        if text.is_ascii() {
            (column <= text.len()).then_some(column)
        } else {
            text.char_indices().map(|(at, _)| at).chain([text.len()]).nth(column)
        }
    };
    let from = place(from - 1)?;
    let to = place(to).unwrap_or(text.len());
    if from < pos || from >= to || !text.as_bytes()[pos..from].iter().all(|b| is_blank(*b)) {
        return None;
    }
    let cell = &text[..to];
    let has_width = matches!(&field.kind, Kind::Number(n) if n.shape.as_ref().is_some_and(Shape::has_width))
        || matches!(&field.kind, Kind::SkippedNumber(shape) if shape.has_width());
    let blank = cell[from..].bytes().take_while(|b| is_blank(*b)).count();
    let inner_end = from + cell[from..].trim_end_matches([' ', '\t']).len();
    let start = if has_width { from } else { from + blank };
    let (held, end) = match &field.kind {
        Kind::Text | Kind::Word => (Held::Text, inner_end),
        _ => field_at(field, cell, start)
            .or_else(|| field_at(field, cell, from + blank).filter(|(h, _)| matches!(h, Held::Instead(_))))?,
    };
    (end == inner_end || (end < to && end >= inner_end))
        .then_some((Capture { op, start: start.min(end), end, held }, to))
}

/// The field that begins at `pos`: what it holds and where it ends.
#[inline]
fn field_at(field: &Field, text: &str, pos: usize) -> Option<(Held, usize)> {
    let bytes = text.as_bytes();
    match &field.kind {
        Kind::Number(number) => number_at(number, bytes, pos),
        Kind::Unit(quantity) => {
            unit_at(&text[pos..], *quantity).map(|(unit, length)| (Held::Unit(unit), pos + length))
        }
        Kind::Clock => clock_at(bytes, pos),
        Kind::SkippedNumber(shape) => {
            let found = shape.scan(bytes, pos, Decimal::Either, None)?;
            Some((Held::Text, found.end))
        }
        Kind::Flag(words) => {
            let (word, meaning) = words.iter().find(|(word, _)| bytes[pos..].starts_with(word.as_bytes()))?;
            Some((Held::Flag(*meaning), pos + word.len()))
        }
        Kind::Text | Kind::Word => None,
    }
}

#[inline]
fn number_at(number: &NumberField, bytes: &[u8], pos: usize) -> Option<(Held, usize)> {
    if !number.instead.is_empty() {
        let from = pos + bytes[pos..].iter().take(64).take_while(|byte| is_blank(**byte)).count();
        for (index, (text, _)) in number.instead.iter().enumerate() {
            if bytes[from..].starts_with(text.as_bytes()) {
                return Some((Held::Instead(index), from + text.len()));
            }
        }
    }
    if number.base != 10 {
        return based(number.base, bytes, pos);
    }
    let found = match &number.shape {
        Some(shape) => match shape.scan(bytes, pos, number.style.decimal, number.style.thousands) {
            Some(found) => found,
            // A code such as 9.9E37 need not have the shape of the values.
            None if !number.codes.is_empty() => scan(bytes, pos, number.style)
                .filter(|s| s.value.is_some_and(|v| number.codes.iter().any(|(code, _)| close(*code, v))))?,
            None => return None,
        },
        None => scan(bytes, pos, number.style)?,
    };
    // A number must end where it seems to end: "12.3.4" and "12.34" before a lost blank are none.
    if bytes.get(found.end).is_some_and(u8::is_ascii_digit) {
        return None;
    }
    Some((Held::Number { value: found.value, ambiguous: found.ambiguous }, found.end))
}

/// Codes are compared as written numbers.
pub(crate) fn close(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs())
}

fn based(base: u32, bytes: &[u8], pos: usize) -> Option<(Held, usize)> {
    let mut value = 0_u64;
    let mut end = pos;
    while let Some(digit) = bytes.get(end).and_then(|b| char::from(*b).to_digit(base)) {
        value = value.checked_mul(base.into())?.checked_add(digit.into())?;
        end += 1;
        if end - pos > 16 {
            return None;
        }
    }
    (end > pos).then_some((Held::Number { value: Some(value as f64), ambiguous: false }, end))
}

/// `h:mm:ss`, `mm:ss`, seconds with or without decimals.
fn clock_at(bytes: &[u8], pos: usize) -> Option<(Held, usize)> {
    let mut at = pos;
    let mut seconds = 0.0;
    let mut parts = 0;
    loop {
        let digits = bytes[at..].iter().take(6).take_while(|b| b.is_ascii_digit()).count();
        if digits == 0 || (parts > 0 && digits != 2) {
            return None;
        }
        let value = bytes[at..at + digits].iter().fold(0_u32, |v, b| v * 10 + u32::from(b - b'0'));
        if parts > 0 && value > 59 {
            return None;
        }
        seconds = seconds * 60.0 + f64::from(value);
        at += digits;
        parts += 1;
        if parts < 3 && bytes.get(at) == Some(&b':') {
            at += 1;
            continue;
        }
        break;
    }
    if parts < 2 {
        return None;
    }
    if bytes.get(at) == Some(&b'.') {
        let digits = bytes[at + 1..].iter().take(9).take_while(|b| b.is_ascii_digit()).count();
        let mut unit = 0.1;
        for byte in &bytes[at + 1..at + 1 + digits] {
            seconds += f64::from(byte - b'0') * unit;
            unit /= 10.0;
        }
        if digits > 0 {
            at += 1 + digits;
        }
    }
    Some((Held::Seconds(seconds), at))
}
