//! Words that stand in place of a number: the build is the same, the value is out of range.

use super::template::{Line, Slot, Template};
use super::text::{Kind, Token};
use super::words;

/// Words in place of a number.
#[derive(Debug, Clone)]
pub(super) struct Over {
    pub(super) slot: usize,
    pub(super) words: String,
    /// The unit behind the number is gone as well.
    pub(super) takes_unit: bool,
    pub(super) lines: Vec<usize>,
}

/// Finds the place in a line where words stand for one number of the build.
fn words_for_number(template: &Template, line: &Line) -> Option<(usize, String, bool)> {
    if template.asked != line.asked {
        return None;
    }
    let key: Vec<char> = line.key().chars().collect();
    let fits = |slot: usize, token: &Token| match &template.slots[slot] {
        Slot::Literal(text) | Slot::Constant(text) => *text == token.text,
        Slot::Number => token.number().is_some(),
        Slot::Units(list) => list.contains(&token.text),
        Slot::Clock => token.kind == Kind::Clock,
        Slot::Date => token.kind == Kind::Date,
        Slot::Flag(_) | Slot::Text => token.is_word(),
    };
    let total = template.key.len();
    for slot in template.number_slots() {
        // The unit may have gone with the number.
        for gone in [1_usize, 2] {
            let takes_unit = gone == 2;
            if takes_unit
                && !matches!(template.slots.get(slot + 1), Some(Slot::Literal(u)) if words::unit(u).is_some())
                && !matches!(template.slots.get(slot + 1), Some(Slot::Units(_)))
            {
                continue;
            }
            let after = total - slot - gone;
            if slot + after >= key.len() || key.len() - slot - after > 5 {
                continue;
            }
            let middle = &line.tokens[slot..line.tokens.len() - after];
            let pure = middle.iter().all(|t| {
                t.number().is_none()
                    && !matches!(t.kind, Kind::Clock | Kind::Date)
                    && !matches!(t.kind, Kind::Separator(',' | ';' | '\t' | '|'))
            });
            let head = (0..slot).all(|s| fits(s, &line.tokens[s]));
            let tail = (0..after).all(|k| fits(slot + gone + k, &line.tokens[line.tokens.len() - after + k]));
            if pure && head && tail {
                let chars: Vec<char> = line.text.chars().collect();
                let (a, b) = (middle.first()?.start, middle.last()?.end);
                return Some((
                    slot,
                    chars[a.min(chars.len())..b.min(chars.len())].iter().collect(),
                    takes_unit,
                ));
            }
        }
    }
    None
}

/// Notes a line in which words stand in place of a number with the build that it belongs to.
pub(super) fn note_over_range(templates: &mut [Template], lines: &[Line], i: usize) {
    for template in templates.iter_mut() {
        if template.lines.len() < 4 {
            continue;
        }
        if let Some((slot, words, takes_unit)) = words_for_number(template, &lines[i]) {
            // Where numbers stand alone any word would fit: there it must say what it is.
            let bare = !template.slots.iter().any(|s| {
                matches!(s, Slot::Literal(t) if t.chars().any(char::is_alphabetic))
                    || matches!(s, Slot::Units(_))
            });
            if bare && !words::says_out_of_range(&words) {
                continue;
            }
            match template.over.iter_mut().find(|o| o.slot == slot && o.words == words) {
                Some(o) => o.lines.push(i),
                None => template.over.push(Over { slot, words, takes_unit, lines: vec![i] }),
            }
            return;
        }
    }
}

/// A frequent build that is a more frequent one with words for a number is its over-range.
pub(super) fn take_over_range(list: Vec<Template>, lines: &[Line]) -> Vec<Template> {
    let mut kept: Vec<Template> = Vec::new();
    for template in list {
        let rests = template
            .lines
            .iter()
            .filter(|i| {
                kept.iter().any(|k| {
                    k.lines.len() > template.lines.len() && words_for_number(k, &lines[**i]).is_some()
                })
            })
            .count();
        if rests * 10 >= template.lines.len() * 9 && !template.lines.is_empty() {
            let said = template.lines.iter().any(|i| {
                kept.iter().any(|k| {
                    words_for_number(k, &lines[*i]).is_some_and(|(_, w, _)| words::says_out_of_range(&w))
                })
            });
            let bare = kept.iter().all(|k| k.slots.len() < 2);
            if said || !bare {
                for i in &template.lines {
                    note_over_range(&mut kept, lines, *i);
                }
                continue;
            }
        }
        kept.push(template);
    }
    kept
}
