//! Headings of tables: which of their cells stands over which column, and what it says.

use super::column::Column;
use super::label::fits_scaled;
use super::quantity::possible;
use super::template::{Line, Slot, Template};
use super::text::Kind;
use super::words::{self, Meaning};
use crate::reading::Quantity;

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

/// `dU/dV`, `d2E/dV2`: what an instrument works out itself.
fn is_slope(cell: &str) -> bool {
    let is_difference = |part: &str| {
        let mut letters = part.trim().chars();
        matches!(letters.next(), Some('d' | 'D' | '\u{394}' | '\u{2206}'))
            && (1..=5).contains(&letters.clone().count())
            && letters.all(char::is_alphanumeric)
    };
    cell.split_once('/').is_some_and(|(upper, lower)| is_difference(upper) && is_difference(lower))
}

/// `W/g`, `TEMP(C)`, `volume mL`: what stands behind the stroke or in brackets is a unit even with one letter.
fn heading_cell(column: &mut Column, cell: &str) {
    if is_slope(cell) {
        column.other.get_or_insert_with(|| format!("the heading {cell} is that of a slope"));
        return;
    }
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
