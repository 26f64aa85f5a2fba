//! Lines of one build: the same kinds of token in the same order, merged slot by slot.

use super::above;
use super::over_range::{Over, note_over_range, take_over_range};
use super::text::{Kind, Token};
use super::words::{self, Meaning};
use std::collections::HashMap;

/// A line of the capture, cut into tokens.
#[derive(Debug, Clone)]
pub(super) struct Line {
    pub(super) text: String,
    pub(super) tokens: Vec<Token>,
    /// Its number among the lines, which is that of its frame.
    pub(super) index: usize,
    pub(super) at_s: f64,
    /// Whether its checksum holds: one that does not may still be a heading.
    pub(super) sound: bool,
    /// The request it answers, where requests differ.
    pub(super) asked: Option<usize>,
}

impl Line {
    pub(super) fn key(&self) -> String {
        self.tokens
            .iter()
            .map(|t| match t.kind {
                Kind::Number(_) => '#',
                Kind::Word => 'W',
                Kind::Separator('#') => '♯',
                Kind::Separator(c) => c,
                Kind::Clock => 'C',
                Kind::Date => 'D',
            })
            .collect()
    }
}

/// What stands at one place of a build.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Slot {
    /// The same text in each line.
    Literal(String),
    /// A number that may be a column.
    Number,
    /// An integer that never changes.
    Constant(String),
    /// Units of one quantity, as they are written.
    Units(Vec<String>),
    /// A few words in turn.
    Flag(Vec<(String, usize)>),
    /// Any word.
    Text,
    Clock,
    Date,
}

/// Lines of one build.
#[derive(Debug, Clone)]
pub(super) struct Template {
    pub(super) asked: Option<usize>,
    pub(super) key: Vec<char>,
    pub(super) slots: Vec<Slot>,
    pub(super) lines: Vec<usize>,
    /// A slot that may be missing.
    pub(super) optional: Option<usize>,
    /// The line that stands above each of these lines, where that names what they hold.
    pub(super) above: Option<String>,
    /// Words that stood in place of a number: slot of the number, words, how often, and the lines.
    pub(super) over: Vec<Over>,
}

impl Template {
    /// The token of a line that stands at this slot.
    pub(super) fn token<'a>(&self, line: &'a Line, slot: usize) -> Option<&'a Token> {
        let short = line.tokens.len() < self.key.len();
        match self.optional {
            Some(p) if short && slot == p => None,
            Some(p) if short && slot > p => line.tokens.get(slot - 1),
            _ => line.tokens.get(slot),
        }
    }

    pub(super) fn number_slots(&self) -> Vec<usize> {
        (0..self.slots.len()).filter(|s| self.slots[*s] == Slot::Number).collect()
    }

    fn words_at(&self, lines: &[Line], slot: usize) -> Vec<(String, Vec<usize>)> {
        let mut map: HashMap<&str, Vec<usize>> = HashMap::new();
        for i in &self.lines {
            let text = self.token(&lines[*i], slot).map_or("", |t| t.text.as_str());
            map.entry(text).or_default().push(*i);
        }
        let mut list: Vec<(String, Vec<usize>)> = map.into_iter().map(|(w, l)| (w.to_owned(), l)).collect();
        list.sort_by(|a, b| b.1.len().cmp(&a.1.len()).then_with(|| a.0.cmp(&b.0)));
        list
    }

    fn keeping(&self, lines: Vec<usize>) -> Self {
        Self { lines, ..self.clone() }
    }
}

/// Fewest lines that make a build of their own.
fn least(count: usize) -> usize {
    let floor = if count < 25 { 2 } else { 3 };
    floor.max(count * 3 / 100)
}

/// Finds the builds of a capture.
pub(super) fn find(lines: &[Line]) -> Vec<Template> {
    let mut groups: HashMap<(Option<usize>, String), Vec<usize>> = HashMap::new();
    for (i, line) in lines.iter().enumerate() {
        if line.sound && !line.tokens.is_empty() && line.tokens.len() <= 60 {
            groups.entry((line.asked, line.key())).or_default().push(i);
        }
    }
    let least = least(lines.len());
    let mut raw: Vec<Template> = groups
        .into_iter()
        .map(|((asked, key), list)| {
            let key: Vec<char> = key.chars().collect();
            Template {
                asked,
                slots: vec![Slot::Text; key.len()],
                key,
                lines: list,
                optional: None,
                above: None,
                over: Vec::new(),
            }
        })
        .collect();
    raw.sort_by(|a, b| {
        b.lines.len().cmp(&a.lines.len()).then_with(|| a.key.cmp(&b.key)).then_with(|| a.asked.cmp(&b.asked))
    });
    let (mut frequent, rare): (Vec<_>, Vec<_>) = raw.into_iter().partition(|t| t.lines.len() >= least);
    merge_optional(&mut frequent, lines);
    drop_doubles(&mut frequent);
    let mut out = Vec::new();
    for template in frequent {
        split(template, lines, least, 0, &mut out);
    }
    out.sort_by(|a, b| b.lines.len().cmp(&a.lines.len()).then_with(|| a.lines.cmp(&b.lines)));
    let mut kept = take_over_range(above::by_name_above(out, lines), lines);
    for template in rare {
        for i in template.lines {
            note_over_range(&mut kept, lines, i);
        }
    }
    for t in &mut kept {
        t.over.retain(|o| o.lines.len() >= 2 || words::says_out_of_range(&o.words));
    }
    kept
}

/// A build that is another one with one word more (a flag that is sometimes blank) is the same build.
fn merge_optional(list: &mut Vec<Template>, lines: &[Line]) {
    let mut i = 0;
    while i < list.len() {
        let mut j = 0;
        while j < list.len() {
            if i != j
                && list[i].optional.is_none()
                && list[j].optional.is_none()
                && list[i].asked == list[j].asked
                && list[i].key.contains(&'#')
            {
                let longer = &list[i].key;
                let shorter = &list[j].key;
                if longer.len() == shorter.len() + 1
                    && let Some(p) = (0..longer.len()).rev().find(|p| {
                        longer[*p] == 'W' && longer[..*p] == shorter[..*p] && longer[p + 1..] == shorter[*p..]
                    })
                    && same_words(&list[i], &list[j], p, lines)
                {
                    let more = list.remove(j);
                    if j < i {
                        i -= 1;
                    }
                    list[i].optional = Some(p);
                    list[i].lines.extend(more.lines);
                    list[i].lines.sort_unstable();
                    j = 0;
                    continue;
                }
            }
            j += 1;
        }
        i += 1;
    }
}

/// Whether the words at the other places are the same ones.
fn same_words(long: &Template, short: &Template, p: usize, lines: &[Line]) -> bool {
    let words = long.key.iter().enumerate().filter(|(s, k)| **k == 'W' && *s != p).map(|(s, _)| s);
    for slot in words {
        let a = long.words_at(lines, slot);
        let other = if slot < p { slot } else { slot - 1 };
        let b = short.words_at(lines, other);
        let most = b.first().map(|(w, _)| w);
        if !a.iter().any(|(w, l)| Some(w) == most && l.len() * 5 >= long.lines.len()) {
            return false;
        }
    }
    true
}

/// A build that is another one twice is two frames run together.
fn drop_doubles(list: &mut Vec<Template>) {
    let keys: Vec<(Option<usize>, Vec<char>, usize)> =
        list.iter().map(|t| (t.asked, t.key.clone(), t.lines.len())).collect();
    list.retain(|t| {
        let half = t.key.len() / 2;
        !(t.key.len() >= 4
            && t.key.len() % 2 == 0
            && t.key[..half] == t.key[half..]
            && keys.iter().any(|(_, k, n)| k[..] == t.key[..half] && *n > t.lines.len() * 2))
    });
}

/// How often lines of one class stand beside lines of another.
fn interleaved(classes: &[Vec<usize>]) -> bool {
    let mut all: Vec<(usize, usize)> =
        classes.iter().enumerate().flat_map(|(c, l)| l.iter().map(move |i| (*i, c))).collect();
    all.sort_unstable();
    let changes = all.windows(2).filter(|w| w[0].1 != w[1].1).count();
    changes * 10 >= all.len() * 4
}

/// Whether the classes come in turn: after each line of one class the next of the same class is a whole round away.
fn in_turn(classes: &[Vec<usize>]) -> bool {
    let mut all: Vec<(usize, usize)> =
        classes.iter().enumerate().flat_map(|(c, l)| l.iter().map(move |i| (*i, c))).collect();
    all.sort_unstable();
    let n = classes.len();
    let even = classes.iter().map(Vec::len).min().unwrap_or(0) * 10
        >= classes.iter().map(Vec::len).max().unwrap_or(0) * 7;
    let round =
        all.windows(n + 1).filter(|w| w[0].1 == w[n].1 && w[1..n].iter().all(|x| x.1 != w[0].1)).count();
    even && n >= 2 && all.len() > 2 * n && round * 10 >= (all.len() - n) * 6
}

/// Whether the numbers at this slot differ by class so clearly that the classes are different things.
fn separates(template: &Template, lines: &[Line], classes: &[Vec<usize>], slot: usize) -> bool {
    let mut sets: Vec<(usize, Vec<f64>)> = Vec::new();
    for class in classes {
        let mut decimals: HashMap<usize, usize> = HashMap::new();
        let mut values = Vec::new();
        for i in class {
            if let Some(n) = template.token(&lines[*i], slot).and_then(Token::number) {
                *decimals.entry(n.decimals).or_default() += 1;
                values.push(n.value);
            }
        }
        if values.len() < 2 {
            return false;
        }
        values.sort_by(f64::total_cmp);
        let common = decimals.into_iter().max_by_key(|(d, n)| (*n, *d)).map_or(0, |(d, _)| d);
        sets.push((common, values));
    }
    if sets.iter().any(|s| s.0 != sets[0].0) {
        return true;
    }
    // The middle four fifths of the classes must not touch.
    let span = |v: &[f64]| (v[v.len() / 10], v[(v.len() * 9 / 10).min(v.len() - 1)]);
    let mut spans: Vec<(f64, f64)> = sets.iter().map(|s| span(&s.1)).collect();
    spans.sort_by(|a, b| a.0.total_cmp(&b.0));
    let widest = spans.iter().map(|s| s.1 - s.0).fold(0.0, f64::max);
    spans.windows(2).all(|w| w[1].0 - w[0].1 > 0.1 * widest.max(1e-9))
}

/// Settles each slot; a word or a small integer that tells different things apart makes builds of their own.
fn split(mut template: Template, lines: &[Line], least: usize, depth: usize, out: &mut Vec<Template>) {
    let numbers: Vec<usize> = (0..template.key.len()).filter(|s| template.key[*s] == '#').collect();
    for slot in 0..template.key.len() {
        match template.key[slot] {
            'W' => {
                let words = template.words_at(lines, slot);
                let enough = 2.max(template.lines.len() * 4 / 100);
                let frequent: Vec<&(String, Vec<usize>)> =
                    words.iter().filter(|(_, l)| l.len() >= enough).collect();
                let covered: usize = frequent.iter().map(|(_, l)| l.len()).sum();
                if frequent.is_empty() || covered * 10 < template.lines.len() * 6 {
                    template.slots[slot] = Slot::Text;
                    continue;
                }
                if frequent.len() == 1 && template.optional != Some(slot) {
                    template.slots[slot] = Slot::Literal(frequent[0].0.clone());
                    continue;
                }
                // A unit or label that damage changed now and then is no flag.
                let top = frequent[0].0.as_str();
                let tells = words::steadiness(top).is_none()
                    && (words::unit(top).is_some_and(|u| u.2 >= 0.8)
                        || matches!(words::label(top), Some(Meaning::Names(_, w)) if w >= 0.8));
                let rest_is_small =
                    frequent.get(1).is_none_or(|(_, l)| l.len() * 100 < template.lines.len() * 9);
                if tells
                    && rest_is_small
                    && frequent[0].1.len() * 100 >= template.lines.len() * 75
                    && template.optional != Some(slot)
                {
                    template.slots[slot] = Slot::Literal(frequent[0].0.clone());
                    continue;
                }
                let named: Vec<&str> = frequent.iter().map(|(w, _)| w.as_str()).collect();
                if all_units(&named) {
                    template.slots[slot] = Slot::Units(named.iter().map(|w| (*w).to_owned()).collect());
                    continue;
                }
                let classes: Vec<Vec<usize>> = frequent.iter().map(|(_, l)| l.clone()).collect();
                let apart = depth < 4
                    && template.optional != Some(slot)
                    && (names_differ(&named)
                        || in_turn(&classes) && named.iter().all(|w| words::steadiness(w).is_none())
                        || interleaved(&classes)
                            && numbers.iter().any(|n| separates(&template, lines, &classes, *n)));
                if apart {
                    for class in classes {
                        split(template.keeping(class), lines, least.min(2), depth + 1, out);
                    }
                    return;
                }
                template.slots[slot] =
                    Slot::Flag(frequent.iter().map(|(w, l)| (w.clone(), l.len())).collect());
            }
            '#' => {
                let words = template.words_at(lines, slot);
                let whole = template.lines.len();
                let integer = words[0].0.chars().all(|c| c.is_ascii_digit());
                if integer
                    && words[0].1.len() * 100 >= whole * 92
                    && whole >= 3
                    && template.key.iter().filter(|k| **k == '#').count() > 1
                {
                    template.slots[slot] = Slot::Constant(words[0].0.clone());
                    continue;
                }
                let frequent: Vec<&(String, Vec<usize>)> =
                    words.iter().filter(|(_, l)| l.len() * 12 >= whole).collect();
                let covered: usize = frequent.iter().map(|(_, l)| l.len()).sum();
                if depth < 4
                    && (2..=4).contains(&frequent.len())
                    && covered * 100 >= whole * 85
                    && whole >= 12
                    && frequent.iter().all(|(w, _)| w.len() <= 3 && w.chars().all(|c| c.is_ascii_digit()))
                {
                    let classes: Vec<Vec<usize>> = frequent.iter().map(|(_, l)| l.clone()).collect();
                    if in_turn(&classes) && numbers.len() > 1
                        || interleaved(&classes)
                            && numbers.iter().any(|n| *n != slot && separates(&template, lines, &classes, *n))
                    {
                        for class in classes {
                            split(template.keeping(class), lines, least.min(2), depth + 1, out);
                        }
                        return;
                    }
                }
                template.slots[slot] = Slot::Number;
            }
            'C' => template.slots[slot] = Slot::Clock,
            'D' => template.slots[slot] = Slot::Date,
            _ => {
                // A run of one mark (dots that lead to a value) may differ in length.
                let words = template.words_at(lines, slot);
                template.slots[slot] = Slot::Literal(words[0].0.clone());
            }
        }
    }
    if template.lines.len() >= least.min(2) {
        out.push(template);
    }
}

/// Whether all words are units of one quantity.
fn all_units(words: &[&str]) -> bool {
    let kinds: Vec<_> = words.iter().map(|w| words::unit(w).map(|(_, q, _)| q)).collect();
    kinds.iter().all(|k| k.is_some() && *k == kinds[0])
}

/// Words of two letters and more that name different quantities.
fn names_differ(words: &[&str]) -> bool {
    let mut seen = Vec::new();
    for w in words {
        let long = words::plain(w).chars().count() >= 2;
        if let Some(Meaning::Names(q, weight)) = words::label(w)
            && long
            && weight > 0.6
        {
            seen.push(q);
        }
    }
    seen.len() >= 2 && seen.iter().any(|q| *q != seen[0])
}
