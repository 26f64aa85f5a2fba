//! Single steps of a program at a place of a text: literals, blanks, units, and the fields.

use super::matcher::{begins_with, is_blank};
use super::number::{Decimal, SignPlace, plain, scan};
use super::program::{Capture, Field, Held, Kind, NumberField, Op};
use super::shape::Shape;
use super::unit_words::{spelling_at, unit_at};

/// A step without choice: where it ends.
pub(super) fn step(
    op: &Op,
    index: usize,
    text: &str,
    pos: usize,
    captures: &mut Vec<Capture>,
) -> Option<usize> {
    let Op::Field(field) = op else { return skip(op, text, pos) };
    let (capture, end) = match field.columns {
        None => {
            let (held, end) = field_at(field, text, pos)?;
            (Capture { op: index, start: pos, end, held }, end)
        }
        Some(columns) => in_columns(field, index, text, pos, columns)?,
    };
    captures.push(capture);
    Some(end)
}

/// A step that holds nothing: where it ends.
#[inline]
pub(super) fn skip(op: &Op, text: &str, pos: usize) -> Option<usize> {
    let bytes = text.as_bytes();
    let rest = &bytes[pos..];
    let blanks = || rest.iter().take_while(|byte| is_blank(**byte)).count();
    match op {
        Op::Literal(literal) => begins_with(rest, literal.as_bytes()).then(|| pos + literal.len()),
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
        Op::Field(_) | Op::Try(_) | Op::OneOf(_) | Op::End => None,
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

/// The number that begins at `pos`, or the words in its place.
#[inline]
pub(super) fn number_at(number: &NumberField, bytes: &[u8], pos: usize) -> Option<(Held, usize)> {
    if number.instead.is_empty()
        && number.base == 10
        && let Some((value, end)) = plain_number_at(number, bytes, pos)
    {
        return Some((Held::Number { value: Some(value), ambiguous: false }, end));
    }
    any_number_at(number, bytes, pos)
}

/// The short way of [`number_at`], for decimal numbers without words in their place. `None` says nothing.
#[inline]
fn plain_number_at(number: &NumberField, bytes: &[u8], pos: usize) -> Option<(f64, usize)> {
    let decimal = number.style.plain_decimal()?;
    match &number.shape {
        Some(shape) if shape.is_plain() => shape.plain(bytes, pos, decimal),
        None if number.style.sign == SignPlace::Before => plain(bytes, pos, decimal),
        _ => None,
    }
}

/// As [`number_at`], whatever the number looks like.
fn any_number_at(number: &NumberField, bytes: &[u8], pos: usize) -> Option<(Held, usize)> {
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
