//! The run of a program over a text, in linear time.
//!
//! Choices (optional parts, alternatives, texts of open length) are tried in order. What failed once at a
//! place is remembered and not tried there again, so the work is bounded by length of text times length of
//! pattern. Nothing is allocated once the scratch has grown to the usual length.

use super::field;
use super::program::{Capture, Field, Held, Kind, Op, Program};
use memchr::{memchr, memchr2};

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
    /// Steps taken and bytes looked at since the start of the wire: the measure by which tests see linear work.
    #[cfg(test)]
    pub work: u64,
}

impl Scratch {
    /// Counts work, in tests only.
    #[inline]
    #[cfg_attr(not(test), expect(clippy::unused_self, reason = "counts in tests only"))]
    pub(crate) const fn count(&mut self, _work: usize) {
        #[cfg(test)]
        {
            self.work += _work as u64;
        }
    }
}

/// After so many returns to a choice the matcher begins to remember what it tried.
const FREE_RETURNS: usize = 128;

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
            scratch.count(1);
            let next = match &self.ops[op] {
                Op::Field(Field { kind: Kind::Number(number), columns: None, .. }) => {
                    field::number_at(number, text.as_bytes(), pos).map(|(held, end)| {
                        scratch.captures.push(Capture { op, start: pos, end, held });
                        end
                    })
                }
                Op::Literal(literal) => {
                    begins_with(&text.as_bytes()[pos..], literal.as_bytes()).then(|| pos + literal.len())
                }
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
                simple => field::step(simple, op, text, pos, &mut scratch.captures),
            };
            if let Some(next) = next {
                scratch.count(next - pos);
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
            scratch.count(bits / 64);
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
            scratch.count(found.unwrap_or(last).saturating_sub(from));
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
}

pub(super) const fn is_blank(byte: u8) -> bool {
    byte == b' ' || byte == b'\t'
}

fn next_char(text: &str, at: usize) -> usize {
    text.ceil_char_boundary(at + 1)
}

/// `starts_with` for the few bytes of a pattern's literals, without a call.
#[inline]
pub(super) fn begins_with(text: &[u8], word: &[u8]) -> bool {
    word.len() <= text.len() && word.iter().zip(text).all(|(wanted, found)| wanted == found)
}
