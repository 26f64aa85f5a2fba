//! The patterns of a build, as they stand in the profile: literal text, blanks, fields with their shapes.

use super::column::Column;
use super::flag::FlagSeen;
use super::pipeline::Found;
use super::template::{Line, Slot, Template};
use super::text::{Number, SignPlace, Token};
use super::words;
use crate::reading::{Quantity, Unit};
use std::collections::BTreeMap;

/// What a number slot becomes.
#[derive(Debug, Clone)]
pub(super) struct FieldName {
    pub(super) channel: String,
    pub(super) quantity: Quantity,
    pub(super) unit: Unit,
}

/// Characters that mean something in a pattern.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if matches!(c, '{' | '}' | '[' | ']' | '\\') {
            out.push('\\');
        }
        out.push(c);
    }
    out
}

/// Tokens of one slot with the blanks before them.
fn at_slot<'a>(template: &Template, lines: &'a [Line], slot: usize) -> Vec<(usize, usize, &'a Token)> {
    template
        .lines
        .iter()
        .filter_map(|i| {
            let line = &lines[*i];
            let token = template.token(line, slot)?;
            let at = line.tokens.iter().position(|t| std::ptr::eq(t, token))?;
            let before = at.checked_sub(1).map_or(0, |k| line.tokens[k].end);
            Some((*i, token.start - before.min(token.start), token))
        })
        .collect()
}

/// The written shape of numbers with `decimals` decimals; whether it counts the blanks before them.
pub(super) fn shape_of(
    tokens: &[(usize, &Token)],
    decimals: usize,
    decimal_sign: char,
    may_be_wide: bool,
) -> Option<(String, bool)> {
    let numbers: Vec<(usize, &Token, &Number)> = tokens
        .iter()
        .filter_map(|(b, t)| t.number().map(|n| (*b, *t, n)))
        .filter(|(_, _, n)| n.decimals == decimals)
        .collect();
    if numbers.is_empty() {
        return None;
    }
    let total = numbers.len();
    let count = |test: &dyn Fn(&Number) -> bool| numbers.iter().filter(|(_, _, n)| test(n)).count();
    let most = |n: usize| n * 100 >= total * 85;
    let some = |n: usize| n * 100 >= total * 2 && n > 0 && (n > 1 || total < 12);
    let part = if decimals > 0 { format!("{decimal_sign}{}", "0".repeat(decimals)) } else { String::new() };
    let exponents: Vec<String> =
        numbers.iter().filter(|(_, _, n)| n.exponent).filter_map(|(_, t, _)| exponent_of(&t.text)).collect();
    let behind = count(&|n| n.sign == SignPlace::Behind);
    let apart = count(&|n| n.sign == SignPlace::Apart);
    let plus = count(&|n| n.plus);
    let signed = count(&|n| n.sign != SignPlace::None);
    let always = most(signed) && some(plus);
    if some(plus) && !always {
        return None;
    }
    let (before, after) = if some(behind) {
        ("", if always { "+" } else { "-" })
    } else if some(apart) {
        (if always { "+ " } else { "- " }, "")
    } else {
        (if always { "+" } else { "-" }, "")
    };
    if let Some(power) = exponents.first().filter(|_| most(exponents.len())) {
        return Some((format!("{before}n{part}{power}{after}"), false));
    }
    let mut wholes: BTreeMap<usize, usize> = BTreeMap::new();
    for (_, _, n) in &numbers {
        *wholes.entry(n.whole).or_default() += 1;
    }
    let common = wholes.iter().max_by_key(|(_, n)| **n).map_or(1, |(w, _)| *w);
    let padded = count(&|n| n.padded);
    if common > 1 && padded * 100 >= total * 8 && most(wholes.get(&common).copied().unwrap_or(0)) {
        return Some((format!("{before}{}{part}{after}", "0".repeat(common)), false));
    }
    // A width is proven only when two lengths occur in it.
    let mut widths: BTreeMap<usize, usize> = BTreeMap::new();
    let mut lengths: BTreeMap<usize, usize> = BTreeMap::new();
    for (blanks, t, _) in &numbers {
        let length = t.end - t.start;
        *widths.entry(blanks + length).or_default() += 1;
        *lengths.entry(length).or_default() += 1;
    }
    // Numbers of each length must fill the same width: one blank before numbers that grow is no width.
    let filled = |width: usize| {
        lengths.iter().filter(|(_, n)| **n >= 2).all(|(length, n)| {
            let fit = numbers
                .iter()
                .filter(|(blanks, t, _)| t.end - t.start == *length && blanks + length == width)
                .count();
            fit * 10 >= *n * 7
        })
    };
    let (width, same) = widths.iter().max_by_key(|(_, n)| **n).map_or((0, 0), |(w, n)| (*w, *n));
    let proven = lengths.values().filter(|n| **n * 100 >= total * 4 && **n >= 2).count() >= 2;
    let places = width.checked_sub(if decimals > 0 { decimals + 1 } else { 0 });
    if let Some(places) = places.filter(|_| {
        may_be_wide
            && proven
            && filled(width)
            && same * 100 >= total * 88
            && after.is_empty()
            && !before.contains(' ')
            && count(&|n| n.grouped) == 0
    }) {
        let negative = count(&|n| n.negative) > 0;
        // A number that fills its width leaves no place for a sign.
        let full = numbers.iter().any(|(_, t, _)| t.end - t.start == width) && !negative && !always;
        if full && places >= 2 {
            return Some((format!("{}0{part}", "#".repeat(places - 1)), true));
        }
        if places >= 3 {
            return Some((format!("{before}{}0{part}", "#".repeat(places - 2)), true));
        }
        if places == 2 && !negative && !always {
            return Some((format!("#0{part}"), true));
        }
    }
    Some((format!("{before}n{part}{after}"), false))
}

/// The shape of the exponent of a number: `E+00` for `2.5E-01`, `+00` where its letter is left out.
fn exponent_of(number: &str) -> Option<String> {
    let at = number.find(['E', 'e']).or_else(|| number.rfind(['+', '-']))?;
    let power = number[at..].trim_start_matches(['E', 'e']);
    let letter = if power.len() < number.len() - at { "E" } else { "" };
    let digits = power.trim_start_matches(['+', '-']);
    let sign = if digits.len() < power.len() { "+" } else { "-" };
    Some(format!("{letter}{sign}{}", "0".repeat(digits.len().max(1))))
}

/// One way in which the numbers of a build are written: unit and decimals of each column.
type Variant = Vec<(usize, Option<String>, Option<usize>)>;

/// The patterns of a build. `names` says which columns are live; everything else is skipped.
pub(super) fn patterns(
    found: &Found,
    index: usize,
    names: &BTreeMap<usize, FieldName>,
    flag: Option<&FlagSeen>,
    strict: bool,
) -> Vec<String> {
    let template = &found.templates[index];
    let columns: Vec<&Column> = found.columns.iter().filter(|c| c.template == index).collect();
    let mut variants: Vec<Variant> = vec![Vec::new()];
    for column in columns.iter().filter(|c| names.contains_key(&c.slot)) {
        let ways = ways(found, template, column, strict);
        if variants.len() * ways.len() > 12 {
            for v in &mut variants {
                v.push((column.slot, None, None));
            }
            continue;
        }
        variants = variants
            .into_iter()
            .flat_map(|v| {
                ways.iter().map(move |(unit, decimals)| {
                    let mut v = v.clone();
                    v.push((column.slot, unit.clone(), *decimals));
                    v
                })
            })
            .collect();
    }
    let mut out: Vec<String> = Vec::new();
    for variant in &variants {
        for skip_unit in std::iter::once(None).chain(
            template
                .over
                .iter()
                .filter(|o| o.takes_unit && names.contains_key(&o.slot))
                .map(|o| Some(o.slot)),
        ) {
            let text = one(found, template, names, flag, variant, skip_unit, strict);
            if !out.contains(&text) {
                out.push(text);
            }
        }
    }
    out
}

/// Whether noughts at the end are left out, as programs that print JSON do: 3.5 beside 3.512, and never 3.510.
fn noughts_are_left_out(tokens: &[(usize, usize, &Token)]) -> bool {
    let most = tokens.iter().filter_map(|t| t.2.number()).map(|n| n.decimals).max().unwrap_or(0);
    let (mut full, mut fewer) = (0, 0);
    for (_, _, token) in tokens {
        let Some(n) = token.number() else { continue };
        if n.decimals > 0 && !n.exponent && token.text.ends_with('0') && n.decimals > 1 {
            return false;
        }
        full += usize::from(n.decimals == most);
        fewer += usize::from(n.decimals < most);
    }
    full + fewer >= 20 && fewer * 25 >= full + fewer && full > fewer
}

/// Units with the counts of decimals that occur with them.
fn ways(
    found: &Found,
    template: &Template,
    column: &Column,
    strict: bool,
) -> Vec<(Option<String>, Option<usize>)> {
    let tokens = at_slot(template, &found.lines, column.slot);
    let unit_slot = matches!(template.slots.get(column.slot + 1), Some(Slot::Units(_)));
    let units: &[String] = match template.slots.get(column.slot + 1) {
        Some(Slot::Units(list)) => list,
        _ => &[],
    };
    let mut seen: BTreeMap<(Option<String>, usize), usize> = BTreeMap::new();
    for (i, _, token) in &tokens {
        let Some(n) = token.number() else { continue };
        let unit = unit_slot
            .then(|| template.token(&found.lines[*i], column.slot + 1).map(|t| t.text.clone()))
            .flatten();
        let unit = unit.map(|u| units.iter().find(|known| same_unit(known, &u)).cloned().unwrap_or(u));
        *seen.entry((unit, n.decimals)).or_default() += 1;
    }
    let trimmed = noughts_are_left_out(&tokens);
    let mut by_unit: BTreeMap<Option<String>, Vec<(usize, usize)>> = BTreeMap::new();
    for ((unit, decimals), n) in seen {
        by_unit.entry(unit).or_default().push((decimals, n));
    }
    let mut out = Vec::new();
    for (unit, list) in by_unit {
        if let (Some(u), Some(Slot::Units(known))) = (&unit, template.slots.get(column.slot + 1))
            && !known.contains(u)
        {
            continue;
        }
        let total: usize = list.iter().map(|(_, n)| n).sum();
        let kept: Vec<usize> = list
            .iter()
            .filter(|(d, n)| {
                (*n * 100 >= total * 14 && *n > 1) && (unit.is_some() || column.shape.decimals.contains(d))
                    || total < 3
            })
            .map(|(d, _)| *d)
            .collect();
        if !strict || trimmed || kept.is_empty() || kept.len() > 3 {
            out.push((unit, None));
        } else {
            out.extend(kept.into_iter().map(|d| (unit.clone(), Some(d))));
        }
    }
    if out.is_empty() {
        out.push((None, None));
    }
    out
}

/// Spellings of one unit are one way of writing.
fn same_unit(a: &str, b: &str) -> bool {
    a == b || words::unit(a).zip(words::unit(b)).is_some_and(|(a, b)| a.0 == b.0)
}

fn one(
    found: &Found,
    template: &Template,
    names: &BTreeMap<usize, FieldName>,
    flag: Option<&FlagSeen>,
    variant: &Variant,
    skip_unit: Option<usize>,
    strict: bool,
) -> String {
    let mut out = String::new();
    let sign = if found.style.comma { ',' } else { '.' };
    let mut skipped = false;
    for (slot, kind) in template.slots.iter().enumerate() {
        // The number of a frame belongs to the hand-shake and is taken off before.
        if found.numbered && slot == 0 && *kind == Slot::Number && !names.contains_key(&0) {
            skipped = true;
            continue;
        }
        if skip_unit.is_some_and(|s| s + 1 == slot) && matches!(kind, Slot::Literal(_) | Slot::Units(_)) {
            skipped = true;
            continue;
        }
        let tokens = at_slot(template, &found.lines, slot);
        let gaps: Vec<usize> = tokens.iter().map(|t| t.1).collect();
        let none = gaps.iter().filter(|g| **g == 0).count();
        let bare = none * 100 >= gaps.len() * 92;
        let maybe = !bare && none * 100 >= gaps.len() * 3;
        let mut wide = false;
        let piece = match kind {
            Slot::Literal(text) => escaped(text),
            Slot::Constant(text) => text.clone(),
            Slot::Units(list) => {
                let unit = variant.iter().find(|v| v.0 + 1 == slot).and_then(|v| v.1.clone());
                escaped(&unit.unwrap_or_else(|| list.first().cloned().unwrap_or_default()))
            }
            Slot::Clock | Slot::Date | Slot::Text => "{_}".to_owned(),
            Slot::Flag(list) => match flag {
                Some(f) if f.slot == slot => "{steady:flag}".to_owned(),
                _ if list.iter().all(|(w, _)| words::label(w).is_some()) && list.len() > 1 => {
                    format!(
                        "{{{}}}",
                        list.iter().map(|(w, _)| w.replace('|', "")).collect::<Vec<_>>().join("|")
                    )
                }
                _ => "{_}".to_owned(),
            },
            Slot::Number => {
                let way = variant.iter().find(|v| v.0 == slot);
                let mut decimals = way.and_then(|v| v.2);
                let unit_text = way.and_then(|v| v.1.clone());
                let live = names.get(&slot);
                if live.is_none() {
                    decimals = found
                        .columns
                        .iter()
                        .find(|c| c.slot == slot && std::ptr::eq(&found.templates[c.template], template))
                        .filter(|c| c.guarded && strict)
                        .map(Column::main_decimals);
                }
                let mine: Vec<(usize, &Token)> = tokens
                    .iter()
                    .filter(|(i, _, _)| {
                        unit_text.as_ref().is_none_or(|u| {
                            template.token(&found.lines[*i], slot + 1).is_some_and(|t| same_unit(&t.text, u))
                        })
                    })
                    .map(|(_, b, t)| (*b, *t))
                    .collect();
                let shape = decimals.and_then(|d| {
                    // Behind a word of any length the blanks belong to nobody.
                    let may_be_wide = !out.ends_with(['}', ']']) || out.ends_with("/}");
                    shape_of(&mine, d, sign, may_be_wide)
                });
                wide = shape.as_ref().is_some_and(|s| s.1);
                match (live, shape) {
                    (Some(field), shape) => {
                        let unit =
                            unit_text.as_ref().and_then(|u| words::unit(u)).map_or(field.unit, |u| u.0);
                        field_text(field, unit, shape.map(|s| s.0))
                    }
                    (None, Some((shape, _))) => format!("{{_:/{shape}/}}"),
                    (None, None) => "{_}".to_owned(),
                }
            }
        };
        let blank = if slot == 0 || bare || wide || (out.is_empty() && skipped) {
            ""
        } else if maybe {
            "[ ]"
        } else if matches!(kind, Slot::Literal(t) if t == "\t") {
            ""
        } else {
            " "
        };
        if template.optional == Some(slot) {
            out.push_str(&format!("[{}{piece}]", if slot == 0 || bare { "" } else { " " }));
        } else {
            out.push_str(blank);
            out.push_str(&piece);
        }
    }
    out
}

fn field_text(field: &FieldName, unit: Unit, shape: Option<String>) -> String {
    let mut text = String::from("{");
    text.push_str(&field.channel);
    if field.channel != field.quantity.name() {
        text.push_str(&format!(" = {}", field.quantity.name()));
    }
    if !matches!(unit, Unit::Ph | Unit::Absorbance) {
        text.push_str(&format!(":{}", unit.symbol()));
    }
    if let Some(shape) = shape {
        text.push_str(&format!(":/{shape}/"));
    }
    text.push('}');
    text
}
