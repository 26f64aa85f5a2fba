//! A word alone on its line that names the number on the next one.

use super::template::{Line, Slot, Template};
use super::words::{self, Meaning};
use std::collections::BTreeMap;

/// Longest line that is taken for a name, in characters.
const LONGEST: usize = 40;

/// Fewest lines under one name.
const FEWEST: usize = 3;

/// Parts builds with one number on the line by the name that stands on the line above, where names change and some of
/// them name a quantity.
pub(super) fn by_name_above(templates: Vec<Template>, lines: &[Line]) -> Vec<Template> {
    templates.into_iter().flat_map(|template| parted(template, lines)).collect()
}

fn parted(template: Template, lines: &[Line]) -> Vec<Template> {
    let is_one_number = template.number_slots().len() == 1
        && template.slots.iter().all(|slot| match slot {
            Slot::Number | Slot::Units(_) => true,
            Slot::Literal(text) => words::unit(text).is_some() || !text.contains(char::is_alphabetic),
            _ => false,
        });
    if !is_one_number || template.optional.is_some() {
        return vec![template];
    }
    let mut under: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for line in &template.lines {
        if let Some(name) = name_above(lines, *line) {
            under.entry(name).or_default().push(*line);
        }
    }
    under.retain(|_, list| list.len() >= FEWEST);
    let covered: usize = under.values().map(Vec::len).sum();
    if under.len() < 2
        || !under.keys().any(|name| names_a_quantity(name))
        || covered * 10 < template.lines.len() * 8
    {
        return vec![template];
    }
    under
        .into_iter()
        .map(|(name, list)| Template { lines: list, above: Some(name.to_owned()), ..template.clone() })
        .collect()
}

/// The text of the line above, where that holds words and no number.
fn name_above(lines: &[Line], line: usize) -> Option<&str> {
    let above = lines.get(line.checked_sub(1)?)?;
    let text = above.text.trim();
    let only_words = above.tokens.iter().any(|token| token.is_word())
        && above.tokens.iter().all(|token| token.number().is_none())
        && words::steadiness(text).is_none();
    (only_words && text.chars().count() <= LONGEST).then_some(text)
}

fn names_a_quantity(text: &str) -> bool {
    text.split_whitespace()
        .any(|word| matches!(words::label(word), Some(Meaning::Names(_, weight)) if weight > 0.6))
}
