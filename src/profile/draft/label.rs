//! Which words belong to which number: within a line, in requests, in the line before.

use super::column::Column;
use super::quantity::possible;
use super::template::{Line, Slot, Template};
use super::text::Kind;
use super::words::{self, Meaning};
use crate::reading::Quantity;

/// A word of a build that may name a number.
#[derive(Debug, Clone)]
struct Word {
    slot: usize,
    text: String,
    units: bool,
}

/// How words are shared out between the numbers on both sides.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Side {
    Before,
    After,
    FirstAfter,
    Nearest,
}

/// Slot of a number, the word given to it, and whether that stands behind the number.
type Given = (usize, Word, bool);

/// Names the columns of one build by the words in its lines.
pub(super) fn within_lines(template: &Template, columns: &mut [&mut Column], lines: &[Line]) {
    let mut best: Option<(f64, Vec<Given>)> = None;
    for side in [Side::FirstAfter, Side::Nearest, Side::Before, Side::After] {
        let shared = share_out(template, lines, side);
        let mut score = leaning(template, side);
        let mut named: Vec<(usize, Quantity)> = Vec::new();
        for (slot, word, after) in &shared {
            let Some(column) = columns.iter().find(|c| c.slot == *slot) else { continue };
            let unit = words::unit(&word.text);
            let label = words::label(&word.text);
            let says = match (unit.filter(|_| *after), label) {
                (Some((_, q, _)), _) | (None, Some(Meaning::Names(q, _))) => Some(q),
                _ => None,
            };
            if let Some(q) = says {
                // Two words that name different things cannot both belong to one number.
                if named.iter().any(|(s, other)| s == slot && *other != q) {
                    score -= 1.2;
                }
                named.push((*slot, q));
            }
            if let Some((_, q, w)) = unit.filter(|_| *after) {
                score += w * if possible(q, column) { 1.3 } else { -1.5 };
            } else if let Some(Meaning::Names(q, w)) = label {
                let fits = possible(q, column) || fits_scaled(q, column);
                score += w * if fits { if *after { 0.7 } else { 1.1 } } else { -1.2 };
            } else if unit.is_some() {
                score += 0.1;
            }
        }
        if best.as_ref().is_none_or(|(s, _)| score > *s + 1e-9) {
            best = Some((score, shared));
        }
    }
    let Some((_, shared)) = best else { return };
    for (slot, word, after) in shared {
        let Some(column) = columns.iter_mut().find(|c| c.slot == slot) else { continue };
        name_by(column, &word.text, after, word.units.then(|| template.slots.get(word.slot)).flatten());
    }
}

/// A line that begins with a word has its labels before the numbers; one that ends with a word, behind them.
fn leaning(template: &Template, side: Side) -> f64 {
    let is_word =
        |s: Option<&Slot>| matches!(s, Some(Slot::Literal(t)) if t.chars().any(char::is_alphabetic));
    let is_number = |s: Option<&Slot>| matches!(s, Some(Slot::Number));
    let (first, last) = (template.slots.first(), template.slots.last());
    match side {
        Side::Before if is_word(first) && is_number(last) => 0.3,
        Side::After if is_number(first) && is_word(last) => 0.3,
        _ => 0.0,
    }
}

/// An integer may hide its decimal sign.
pub(super) fn fits_scaled(q: Quantity, column: &Column) -> bool {
    let counts = column.run.rising > 0.97 && column.run.few_steps > 0.97 && column.run.climbing > 0.9;
    (q == Quantity::Volume || !counts)
        && column.main_decimals() == 0
        && !column.run.counter
        && matches!(
            q,
            Quantity::Ph | Quantity::Temperature | Quantity::Volume | Quantity::Absorbance | Quantity::Mass
        )
        && column.run.max >= 15.0
}

/// Lets one word speak for a column.
fn name_by(column: &mut Column, word: &str, after: bool, units: Option<&Slot>) {
    if let Some(Slot::Units(list)) = units {
        for w in list {
            if let Some((unit, q, weight)) = words::unit(w) {
                if !column.units.iter().any(|(t, _)| t == w) {
                    column.units.push((w.clone(), unit));
                }
                if column.units.len() == 1 {
                    column.evidence.push((q, weight, format!("its unit {w}")));
                }
            }
        }
        return;
    }
    let unit = words::unit(word);
    if after && let Some((unit, q, weight)) = unit {
        column.units.push((word.to_owned(), unit));
        let weight = if possible(q, column) || fits_scaled(q, column) { weight } else { weight * 0.4 };
        column.evidence.push((q, weight, format!("its unit {word}")));
        return;
    }
    match words::label(word) {
        Some(Meaning::Names(q, weight)) => {
            let weight = if possible(q, column) || fits_scaled(q, column) { weight } else { weight * 0.3 };
            column.evidence.push((q, weight, format!("the word {word}")));
            column.label.get_or_insert_with(|| word.to_owned());
            // MV, ML before a number name the unit as well.
            if let Some((unit, uq, w)) = unit
                && uq == q
                && w > 0.8
                && column.units.is_empty()
                && !(uq == Quantity::Emf
                    && column.main_decimals() >= 3
                    && column.run.max.abs().max(column.run.min.abs()) < 3.0)
            {
                column.units.push((String::new(), unit));
            }
        }
        Some(Meaning::Other) => {
            column.other.get_or_insert_with(|| format!("the word {word}"));
            column.label.get_or_insert_with(|| word.to_owned());
        }
        None => {
            if let Some((unit, q, weight)) = unit {
                column.units.push((String::new(), unit));
                column.evidence.push((q, weight * 0.8, format!("the word {word}")));
            } else if word.chars().any(char::is_alphabetic) {
                column.label.get_or_insert_with(|| word.to_owned());
            }
        }
    }
}

/// The words of the line above name the only number of a line.
pub(super) fn by_line_above(column: &mut Column, above: &str) {
    for word in
        above.split(|c: char| c.is_whitespace() || ":()[]".contains(c)).filter(|word| !word.is_empty())
    {
        let behind = column.label.is_some();
        name_by(column, word, behind, None);
    }
}

/// Gives each word to the number before or behind it.
fn share_out(template: &Template, lines: &[Line], side: Side) -> Vec<Given> {
    let mut out = Vec::new();
    let Some(sample) = template
        .lines
        .iter()
        .map(|i| &lines[*i])
        .find(|l| (0..template.slots.len()).all(|s| template.token(l, s).is_some()))
    else {
        return out;
    };
    let gap = |slot: usize| -> usize {
        // Blanks before the token at this slot.
        let (Some(before), Some(here)) =
            (slot.checked_sub(1).and_then(|s| template.token(sample, s)), template.token(sample, slot))
        else {
            return 0;
        };
        here.start - before.end.min(here.start)
    };
    // A constant that hangs on a word is part of it (pH1); another one is a number with words of its own.
    let numbers: Vec<usize> = (0..template.slots.len())
        .filter(|s| match template.slots[*s] {
            Slot::Number => true,
            Slot::Constant(_) => !(*s > 0 && gap(*s) == 0 && matches!(template.slots[*s - 1], Slot::Literal(_) if template.token(sample, *s - 1).is_some_and(super::text::Token::is_word))),
            _ => false,
        })
        .collect();
    let is_cell = |slot: usize| {
        matches!(template.token(sample, slot).map(|t| &t.kind), Some(Kind::Separator(',' | ';' | '\t' | '|')))
    };
    let ties = |slot: usize| {
        matches!(template.token(sample, slot).map(|t| &t.kind), Some(Kind::Separator('=' | ':' | '.' | '>')))
    };
    let mut bounds: Vec<Option<usize>> = vec![None];
    bounds.extend(numbers.iter().map(|n| Some(*n)));
    bounds.push(None);
    for pair in bounds.windows(2) {
        let from = pair[0].map_or(0, |n| n + 1);
        let to = pair[1].unwrap_or(template.slots.len());
        let words: Vec<Word> = (from..to)
            .filter_map(|s| match &template.slots[s] {
                Slot::Literal(t) if template.token(sample, s).is_some_and(super::text::Token::is_word) => {
                    Some(Word { slot: s, text: t.clone(), units: false })
                }
                Slot::Units(list) => {
                    Some(Word { slot: s, text: list.first().cloned().unwrap_or_default(), units: true })
                }
                _ => None,
            })
            // CH1, M01: a word with a number of its own names the place, unless it names a quantity (pH1).
            .filter(|w| {
                let tagged =
                    matches!(template.slots.get(w.slot + 1), Some(Slot::Constant(_))) && gap(w.slot + 1) == 0;
                !tagged || matches!(words::label(&w.text), Some(Meaning::Names(_, weight)) if weight > 0.6)
            })
            .collect();
        let (left, right) = (pair[0], pair[1]);
        let cell = (from..to).find(|s| is_cell(*s));
        for (k, word) in words.iter().enumerate() {
            let to_left = match (left, right) {
                (None, None) => continue,
                (None, Some(_)) => false,
                (Some(_), None) => true,
                (Some(_), Some(r)) => {
                    // Flags stand between number and word in no instrument worth reading; constants may.
                    if let Some(c) = cell {
                        word.slot < c
                    } else if word.units {
                        true
                    } else if (word.slot + 1..r).any(ties) && k + 1 == words.len() {
                        false
                    } else {
                        match side {
                            Side::Before => false,
                            Side::After => true,
                            Side::FirstAfter => {
                                let firsts =
                                    words.iter().take_while(|w| words::unit(&w.text).is_some()).count();
                                let firsts = if firsts == words.len() && words.len() > 1 {
                                    firsts - 1
                                } else {
                                    firsts
                                };
                                if words.len() > 1 { k < firsts } else { words::unit(&word.text).is_some() }
                            }
                            Side::Nearest => gap(word.slot) <= gap(word.slot + 1),
                        }
                    }
                }
            };
            let target = if to_left { left } else { right };
            if let Some(slot) = target {
                out.push((slot, word.clone(), to_left));
            }
        }
    }
    out
}

/// A request names what answers it: `PH?`, `MEAS:VOLT:DC?`.
pub(super) fn by_request(column: &mut Column, request: &str) {
    for word in request.split(|c: char| !c.is_alphanumeric() && c != '%').filter(|w| !w.is_empty()) {
        // M1, R2: a letter with a number counts the requests and names nothing.
        let counted = (2..=3).contains(&word.len())
            && word.starts_with(char::is_alphabetic)
            && word.chars().skip(1).all(|c| c.is_ascii_digit());
        if counted
            || matches!(
                words::plain(word).as_str(),
                "MEAS"
                    | "READ"
                    | "GET"
                    | "SEND"
                    | "FETC"
                    | "FETCH"
                    | "R"
                    | "Q"
                    | "RD"
                    | "DC"
                    | "D"
                    | "M"
                    | "SI"
                    | "S"
                    | "X"
                    | "ASK"
                    | "VAL"
            )
        {
            continue;
        }
        match words::label(word) {
            Some(Meaning::Names(q, w)) => {
                let weight = if word.chars().count() == 1 { 0.35 } else { (w * 0.8).min(0.75) };
                // VOLT is a potential, VOL a volume.
                let q = if words::plain(word).starts_with("VOLT") { Quantity::Emf } else { q };
                let weight =
                    if possible(q, column) || fits_scaled(q, column) { weight } else { weight * 0.2 };
                column.evidence.push((q, weight, format!("the request {request}")));
            }
            Some(Meaning::Other) | None => {}
        }
    }
}
