//! Which words belong to which number: within a line, in headings, in requests, in the line before.

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
fn fits_scaled(q: Quantity, column: &Column) -> bool {
    column.main_decimals() == 0
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

/// The first line of a capture may begin with the garbage of switching on.
fn without_garbage(line: &Line) -> String {
    if line.index > 0 {
        return line.text.clone();
    }
    let noise = |c: char| !c.is_ascii() || c.is_ascii_control() || c == '?';
    if line.text.chars().take(16).filter(|c| noise(*c)).count() < 2 {
        return line.text.clone();
    }
    line.text.trim_start_matches(noise).to_owned()
}

/// Columns with the cell of a heading that stands over each.
type Cells = Vec<(usize, String)>;

/// A heading: lines of words above a table. Names columns by separator, by order, or by place.
pub(super) fn by_headings(
    templates: &[Template],
    columns: &mut [Column],
    lines: &[Line],
    used: &[bool],
) -> Vec<usize> {
    let mut headings = Vec::new();
    for (index, template) in templates.iter().enumerate() {
        let mine: Vec<usize> = (0..columns.len()).filter(|c| columns[*c].template == index).collect();
        // Lines that name their numbers themselves need no heading.
        let silent = mine
            .iter()
            .any(|c| columns[*c].other.is_none() && !columns[*c].evidence.iter().any(|e| e.1 >= 0.7));
        if mine.is_empty() || template.lines.len() < 3 || !silent {
            continue;
        }
        let mut best: Vec<(usize, usize, Cells)> = Vec::new();
        for (i, line) in lines.iter().enumerate() {
            let looks = line.tokens.iter().filter(|t| t.is_word()).count();
            let numbers = line.tokens.iter().enumerate().any(|(k, t)| {
                t.number().is_some_and(|n| {
                    n.decimals > 0
                        || k == 0
                        || line.tokens[k - 1].end < t.start
                        || !line.tokens[k - 1].is_word()
                })
            });
            let table =
                lines[i + 1..].iter().take(4).any(|next| template.lines.binary_search(&next.index).is_ok());
            if numbers || !table || used[i] || looks == 0 || line.text.len() > 200 || best.len() > 400 {
                continue;
            }
            let matched = match_heading(&without_garbage(line), template, &mine, columns, lines);
            let named = matched.iter().filter(|(c, cell)| cell_speaks(cell, &columns[*c])).count();
            if named > 0 && (named >= 2 || mine.len() <= 2 || looks <= 3) {
                best.push((named, i, matched));
            }
        }
        best.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(&b.1)));
        let Some(most) = best.first().map(|b| b.0) else { continue };
        // The heading that names most, and a second line next to it (units under names).
        let first = best[0].1;
        let mut taken: Vec<String> = Vec::new();
        for (named, i, matched) in &best {
            let near = i.abs_diff(first) <= 2;
            if (*named == most || near && *named >= 1)
                && (near || *i == first)
                && !taken.contains(&lines[*i].text)
                && taken.len() < 2
            {
                taken.push(lines[*i].text.clone());
                headings.push(*i);
                for (c, cell) in matched {
                    heading_cell(&mut columns[*c], cell);
                }
            }
        }
    }
    headings
}

fn parts_of(cell: &str) -> Vec<String> {
    cell.split(|c: char| c.is_whitespace() || matches!(c, '(' | ')' | '[' | ']' | '/' | ',' | ':'))
        .filter(|p| !p.is_empty())
        .map(ToOwned::to_owned)
        .collect()
}

fn cell_speaks(cell: &str, column: &Column) -> bool {
    let parts = parts_of(cell);
    let fits = |q: Quantity| possible(q, column) || fits_scaled(q, column);
    parts.iter().any(|p| {
        matches!(words::label(p), Some(Meaning::Names(q, _)) if fits(q))
            || words::unit(p).is_some_and(|(_, q, _)| fits(q))
    }) || words::unit(cell).is_some_and(|(_, q, _)| fits(q))
}

/// `W/g`, `TEMP(C)`, `volume mL`: what stands behind the stroke or in brackets is a unit even with one letter.
fn heading_cell(column: &mut Column, cell: &str) {
    if let Some((unit, q, w)) = words::unit(cell)
        && possible(q, column)
    {
        column.evidence.push((q, w.min(0.9), format!("the heading {cell}")));
        if column.units.is_empty() {
            column.units.push((String::new(), unit));
        }
        return;
    }
    let marked: String =
        cell.chars().map(|c| if matches!(c, '(' | '[' | '/') { '\u{1}' } else { c }).collect();
    let (name, unit) = match marked.split_once('\u{1}') {
        Some((n, u)) => (
            n.to_owned(),
            Some(
                cell[cell.len() - u.len()..].trim_matches(|c: char| matches!(c, ')' | ']' | ' ')).to_owned(),
            ),
        ),
        None => {
            let parts: Vec<&str> = cell.split_whitespace().collect();
            match parts.as_slice() {
                [n @ .., last] if !n.is_empty() && words::unit(last).is_some() => {
                    (n.join(" "), Some((*last).to_owned()))
                }
                _ => (cell.to_owned(), None),
            }
        }
    };
    if let Some(u) = unit
        && let Some((unit, q, w)) = words::unit(&u)
        && (possible(q, column) || fits_scaled(q, column))
    {
        column.evidence.push((q, w.max(0.85), format!("the heading {cell}")));
        if column.units.is_empty() {
            column.units.push((String::new(), unit));
        }
    }
    for part in name.split_whitespace() {
        match words::label(part) {
            Some(Meaning::Names(q, w)) if possible(q, column) || fits_scaled(q, column) => {
                column.evidence.push((q, if w < 0.6 { w } else { 0.85 }, format!("the heading {cell}")));
                column.label.get_or_insert_with(|| part.to_owned());
            }
            Some(Meaning::Other) => {
                column.other.get_or_insert_with(|| format!("the heading {cell}"));
                column.label.get_or_insert_with(|| part.to_owned());
            }
            _ => {}
        }
    }
}

/// Lays the cells of a heading on the columns.
fn match_heading(
    text: &str,
    template: &Template,
    mine: &[usize],
    columns: &[Column],
    lines: &[Line],
) -> Vec<(usize, String)> {
    let Some(sample) = template.lines.first().map(|i| &lines[*i]) else { return Vec::new() };
    // Things that a heading may name, in order: numbers, flags, clocks and dates.
    let items: Vec<usize> = (0..template.slots.len())
        .filter(|s| !matches!(template.slots[*s], Slot::Literal(_) | Slot::Units(_)))
        .collect();
    let by_order = |cells: &[String]| -> Vec<(usize, String)> {
        if cells.len() == items.len() {
            return items
                .iter()
                .zip(cells)
                .filter_map(|(s, cell)| {
                    mine.iter().find(|c| columns[**c].slot == *s).map(|c| (*c, cell.clone()))
                })
                .collect();
        }
        let numbers: Vec<usize> = mine.to_vec();
        if cells.len() == numbers.len() {
            return numbers.iter().zip(cells).map(|(c, cell)| (*c, cell.clone())).collect();
        }
        Vec::new()
    };
    for mark in [';', '\t', '|', ','] {
        let in_sample = sample.text.matches(mark).count();
        if in_sample > 0 && text.matches(mark).count() == in_sample {
            let cells: Vec<String> = text.split(mark).map(|c| c.trim().to_owned()).collect();
            // The cell in which each number stands.
            let chars: Vec<char> = sample.text.chars().collect();
            return mine
                .iter()
                .filter_map(|c| {
                    let token = template.token(sample, columns[*c].slot)?;
                    let cell = chars[..token.start.min(chars.len())]
                        .iter()
                        .filter(|x| **x == mark && !(mark == ',' && inside_number(&chars, token.start)))
                        .count();
                    let cell = if mark == ',' {
                        separators_before(template, sample, columns[*c].slot, mark)
                    } else {
                        cell
                    };
                    cells.get(cell).map(|t| (*c, t.clone()))
                })
                .collect();
        }
        if text.matches(mark).count() > 0 && in_sample == 0 {
            let cells: Vec<String> = text.split(mark).map(|c| c.trim().to_owned()).collect();
            let found = by_order(&cells);
            if !found.is_empty() {
                return found;
            }
        }
    }
    let wide: Vec<String> =
        text.split("  ").map(str::trim).filter(|c| !c.is_empty()).map(ToOwned::to_owned).collect();
    let narrow: Vec<String> = text.split_whitespace().map(ToOwned::to_owned).collect();
    for cells in [&wide, &narrow] {
        let found = by_order(cells);
        if !found.is_empty() {
            return found;
        }
    }
    by_place(text, template, mine, columns, sample)
}

const fn inside_number(_: &[char], _: usize) -> bool {
    false
}

/// Separator tokens (not decimal commas) before a slot.
fn separators_before(template: &Template, sample: &Line, slot: usize, mark: char) -> usize {
    (0..slot).filter(|s| template.token(sample, *s).is_some_and(|t| t.kind == Kind::Separator(mark))).count()
}

/// Cells by overlap of their characters with those of the numbers.
fn by_place(
    text: &str,
    template: &Template,
    mine: &[usize],
    columns: &[Column],
    sample: &Line,
) -> Vec<(usize, String)> {
    let chars: Vec<char> = text.chars().collect();
    let mut cells: Vec<(usize, usize, String)> = Vec::new();
    let mut i = 0;
    while i < chars.len() {
        if chars[i] == ' ' {
            i += 1;
            continue;
        }
        let start = i;
        while i < chars.len() && !(chars[i] == ' ' && chars.get(i + 1).is_none_or(|c| *c == ' ')) {
            i += 1;
        }
        cells.push((start, i, chars[start..i].iter().collect()));
    }
    let mut out = Vec::new();
    for (start, end, cell) in cells {
        let overlap = |c: usize| -> isize {
            let Some(token) = template.token(sample, columns[c].slot) else { return isize::MIN };
            let (a, b) = (token.start.max(start), token.end.min(end));
            b.cast_signed() - a.cast_signed()
        };
        if let Some(c) = mine.iter().copied().max_by_key(|c| overlap(*c))
            && overlap(c) > -3
            && !out.iter().any(|(o, _)| *o == c)
        {
            out.push((c, cell));
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
