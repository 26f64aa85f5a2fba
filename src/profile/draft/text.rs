//! Bytes become characters, characters become tokens: numbers, words, separators, clocks and dates.

use super::framing::Frame;
use super::style::NumberStyle;
use super::words;
use std::collections::HashMap;

/// The encodings that are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Encoding {
    Ascii,
    Utf8,
    Latin1,
    Cp437,
}

impl Encoding {
    /// The name in a profile.
    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Ascii => "ascii",
            Self::Utf8 => "utf-8",
            Self::Latin1 => "latin-1",
            Self::Cp437 => "cp437",
        }
    }

    pub(super) fn decode(self, bytes: &[u8]) -> String {
        use codepage_437::{BorrowFromCp437, CP437_CONTROL};
        match self {
            Self::Utf8 => String::from_utf8_lossy(bytes).into_owned(),
            Self::Ascii | Self::Latin1 => bytes.iter().map(|b| char::from(*b)).collect(),
            Self::Cp437 => String::borrow_from_cp437(bytes, &CP437_CONTROL),
        }
    }
}

/// The encoding, from high bytes in words that recur: damage and switch-on garbage do not.
pub(super) fn encoding(frames: &[Frame]) -> Encoding {
    let mut recurring: HashMap<&[u8], usize> = HashMap::new();
    for frame in frames {
        for word in frame.body.split(|b| {
            b.is_ascii_whitespace()
                || b.is_ascii_digit()
                || matches!(b, b',' | b';' | b'.' | b'=' | b':' | b'|')
        }) {
            if !word.is_ascii() && word.len() < 24 {
                *recurring.entry(word).or_default() += 1;
            }
        }
    }
    // Garbage is hardly ever readable UTF-8, not even once.
    let readable = |c: char| c.is_ascii_graphic() || c.is_alphabetic() || "°µ²³".contains(c);
    let is_utf8 = |word: &[u8]| std::str::from_utf8(word).is_ok_and(|word| word.chars().all(readable));
    let all_utf8 = !recurring.is_empty() && recurring.keys().all(|word| is_utf8(word));
    recurring.retain(|_, n| *n >= 3);
    if recurring.is_empty() {
        return if all_utf8 { Encoding::Utf8 } else { Encoding::Ascii };
    }
    let total: usize = recurring.values().sum();
    let valid: usize = recurring.iter().filter(|(w, _)| std::str::from_utf8(w).is_ok()).map(|(_, n)| n).sum();
    if valid * 10 >= total * 8 {
        return Encoding::Utf8;
    }
    let known = |e: Encoding| {
        recurring
            .iter()
            .map(|(w, n)| {
                let word = e.decode(w);
                let score = if words::unit(&word).is_some() {
                    3
                } else if word.chars().all(|c| c.is_alphabetic() || "°µ²³/%-±".contains(c)) {
                    1
                } else {
                    0
                };
                score * n
            })
            .sum::<usize>()
    };
    if known(Encoding::Cp437) > known(Encoding::Latin1) { Encoding::Cp437 } else { Encoding::Latin1 }
}

/// Where the sign of a number stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(super) enum SignPlace {
    None,
    Before,
    Apart,
    Behind,
}

/// A number as it stands in a line.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Number {
    pub(super) value: f64,
    pub(super) decimals: usize,
    pub(super) whole: usize,
    pub(super) negative: bool,
    pub(super) plus: bool,
    pub(super) sign: SignPlace,
    pub(super) exponent: bool,
    pub(super) grouped: bool,
    /// The digits before the decimal sign begin with a nought that says nothing.
    pub(super) padded: bool,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) enum Kind {
    Number(Number),
    Word,
    Separator(char),
    Clock,
    Date,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Token {
    pub(super) kind: Kind,
    pub(super) text: String,
    /// Characters from the start of the line.
    pub(super) start: usize,
    pub(super) end: usize,
}

impl Token {
    pub(super) const fn number(&self) -> Option<&Number> {
        if let Kind::Number(n) = &self.kind { Some(n) } else { None }
    }
    pub(super) const fn is_word(&self) -> bool {
        matches!(self.kind, Kind::Word)
    }
}

/// A line of text without printer controls; of an overprinted line the last part.
pub(super) fn tidy(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        match c {
            '\u{1b}' => {
                chars.next();
            }
            '\t' => out.push('\t'),
            '\r' => out.push('\r'),
            // FS, GS, RS and US part what stands on both sides; other control characters say nothing.
            '\u{1c}'..='\u{1f}' => out.push(c),
            c if c < ' ' || c == '\u{7f}' => {}
            c => out.push(c),
        }
    }
    let out = out.trim_end_matches('\r');
    out.rsplit('\r').find(|p| !p.trim().is_empty()).unwrap_or("").to_owned()
}

fn is_word_char(c: char) -> bool {
    c.is_alphabetic()
        || matches!(c, '°' | 'µ' | 'μ' | '%' | '‰' | '_' | '²' | '³' | '\u{2103}' | '\u{fffd}' | 'º')
}

fn is_minus(c: char) -> bool {
    matches!(c, '-' | '\u{2212}')
}

/// Marks that stand for a state when they stand alone.
fn is_mark(c: char) -> bool {
    matches!(c, '*' | '~' | '?' | '!' | '#' | '<' | '>' | '^' | '&' | '$' | '@' | '=')
}

/// Cuts a line into tokens; linear in its length.
pub(super) fn tokens(line: &str, style: NumberStyle) -> Vec<Token> {
    let c: Vec<char> = line.chars().collect();
    let mut out: Vec<Token> = Vec::new();
    let mut i = 0;
    while i < c.len() {
        let start = i;
        let kind = if c[i] == ' ' || c[i] == '\u{a0}' {
            i += 1;
            continue;
        } else if let Some((kind, end)) = clock_or_date(&c, i) {
            i = end;
            kind
        } else if let Some((number, end)) = number(&c, i, style) {
            i = end;
            Kind::Number(number)
        } else if is_word_char(c[i]) {
            while i < c.len() && (is_word_char(c[i]) || joins_words(&c, i)) {
                i += 1;
            }
            // cm3 is one word; a digit behind other letters begins a number.
            if i < c.len()
                && c[i] == '3'
                && c[start..i].ends_with(&['c', 'm'])
                && !c.get(i + 1).is_some_and(char::is_ascii_digit)
            {
                i += 1;
            }
            if i < c.len() && c[i] == '.' && !c.get(i + 1).is_some_and(|n| n.is_ascii_digit() || *n == '.') {
                i += 1;
            }
            Kind::Word
        } else {
            let mark = c[i];
            i += 1;
            while i < c.len() && c[i] == mark && !matches!(mark, ',' | ';' | '\t') {
                i += 1;
            }
            let parts = |c: char| matches!(c, ' ' | ',' | ';' | '\t' | '|');
            let alone = (start == 0 || parts(c[start - 1])) && c.get(i).is_none_or(|n| parts(*n));
            let before_number = c[i..]
                .iter()
                .find(|n| **n != ' ')
                .is_some_and(|n| n.is_ascii_digit() || matches!(n, '+' | '-' | '\u{2212}' | '.'));
            let state = is_mark(mark) || mark == '-' && i - start > 1;
            if (state && alone && !(mark == '=' && before_number))
                || (i - start > 2 && "-*#<>^_".contains(mark))
            {
                Kind::Word
            } else {
                Kind::Separator(mark)
            }
        };
        out.push(Token { kind, text: c[start..i].iter().collect(), start, end: i });
    }
    out
}

/// `/`, `-` and `.` inside a word: uS/cm, pH-Wert, R.H.
fn joins_words(c: &[char], i: usize) -> bool {
    matches!(c[i], '/' | '-' | '·' | '*' | '\'')
        && i > 0
        && is_word_char(c[i - 1])
        && c.get(i + 1).is_some_and(|n| is_word_char(*n))
        || c[i] == '.' && i > 0 && c[i - 1].is_alphabetic() && c.get(i + 1).is_some_and(|n| n.is_alphabetic())
}

pub(super) fn digits(c: &[char], from: usize) -> usize {
    c[from.min(c.len())..].iter().take_while(|d| d.is_ascii_digit()).count()
}

/// A time of day or a date; both are no readings and are masked first.
pub(super) fn clock_or_date(c: &[char], i: usize) -> Option<(Kind, usize)> {
    if !c[i].is_ascii_digit() || i > 0 && (c[i - 1].is_ascii_digit() || c[i - 1] == '.') {
        return None;
    }
    let follows_letter = i > 0 && c[i - 1].is_alphabetic();
    let first = digits(c, i);
    let mark = *c.get(i + first)?;
    let second = digits(c, i + first + 1);
    let after = i + first + 1 + second;
    // CH2:24.8 and 2:24.8 are the number of a channel and its value, 02:24.8 are minutes and seconds; the T of a date and
    // time is looked at below.
    let decimals = if matches!(c.get(after), Some('.' | ',')) { digits(c, after + 1) } else { 0 };
    let is_value = follows_letter && c[i - 1] != 'T' || decimals > 0 && first < 2;
    if mark == ':' && (1..=2).contains(&first) && second == 2 && !is_value {
        let mut end = if decimals > 0 { after + 1 + decimals } else { after };
        if c.get(end) == Some(&':') && digits(c, end + 1) == 2 {
            end += 3;
            if matches!(c.get(end), Some('.' | ',')) && digits(c, end + 1) > 0 {
                end += 1 + digits(c, end + 1);
            }
        }
        return Some((Kind::Clock, end));
    }
    if matches!(mark, '-' | '.' | '/') && c.get(after) == Some(&mark) {
        let third = digits(c, after + 1);
        let german = (1..=2).contains(&first) && (1..=2).contains(&second) && (third == 2 || third == 4);
        let iso = first == 4 && second == 2 && third == 2;
        if german || iso {
            let mut end = after + 1 + third;
            if c.get(end) == Some(&'T')
                && let Some((Kind::Clock, e)) = clock_or_date(c, end + 1)
            {
                end = e;
                if c.get(end) == Some(&'Z') {
                    end += 1;
                }
            }
            return Some((Kind::Date, end));
        }
    }
    None
}

/// A number with its sign before, apart or behind, thousands, and an exponent.
fn number(c: &[char], i: usize, style: NumberStyle) -> Option<(Number, usize)> {
    let dec = if style.either && c[i..].iter().find(|x| matches!(x, '.' | ',')) == Some(&',')
        || style.comma && !style.either
    {
        ','
    } else {
        '.'
    };
    let mut at = i;
    let mut sign = SignPlace::None;
    let mut negative = false;
    let mut plus = false;
    if is_minus(c[at]) || c[at] == '+' {
        negative = is_minus(c[at]);
        plus = !negative;
        at += 1;
        let blanks = c[at..].iter().take_while(|b| **b == ' ').count();
        // A sign apart needs room before it; a sign at the number may follow anything but another sign.
        if blanks > 0
            && (blanks > 12 || i > 0 && !matches!(c[i - 1], ' ' | ',' | ';' | '=' | ':' | '\t' | '|'))
        {
            return None;
        }
        sign = if blanks > 0 { SignPlace::Apart } else { SignPlace::Before };
        at += blanks;
    }
    let first = digits(c, at);
    let bare_fraction = first == 0
        && c.get(at) == Some(&dec)
        && digits(c, at + 1) > 0
        && (at == 0 || !is_word_char(c[at - 1]));
    if first == 0 && !bare_fraction {
        return None;
    }
    let padded = first > 1 && c[at] == '0';
    let mut text: String = c[at..at + first].iter().collect();
    at += first;
    let mut grouped = false;
    if let Some(mark) = style.thousands
        && (1..=3).contains(&first)
    {
        while c.get(at).is_some_and(|t| *t == mark || mark == ' ' && *t == '\u{a0}') && digits(c, at + 1) == 3
        {
            text.extend(&c[at + 1..at + 4]);
            at += 4;
            grouped = true;
        }
    }
    let whole = text.len();
    let mut decimals = 0;
    if c.get(at) == Some(&dec) {
        let n = digits(c, at + 1);
        if n > 0 {
            decimals = n;
            text.push('.');
            text.extend(&c[at + 1..at + 1 + n]);
            at += 1 + n;
        } else if !style.comma && c.get(at + 1).is_none_or(|n| *n == ' ') {
            at += 1; // "12." is a number
        }
    }
    let mut exponent = false;
    if matches!(c.get(at), Some('E' | 'e')) {
        let signed = usize::from(matches!(c.get(at + 1), Some('+' | '-')));
        let n = digits(c, at + 1 + signed);
        if (1..=3).contains(&n)
            && (signed == 1 || decimals > 0)
            && !(c.get(at + 1 + signed + n) == Some(&dec) && digits(c, at + 2 + signed + n) > 0)
        {
            text.push('E');
            text.extend(&c[at + 1..at + 1 + signed + n]);
            at += 1 + signed + n;
            exponent = true;
        }
    }
    // The letter of an exponent may be left out: one digit, decimals, a sign with two digits, and no more.
    if !exponent
        && decimals >= 3
        && whole == 1
        && matches!(c.get(at), Some('+' | '-'))
        && digits(c, at + 1) == 2
        && !matches!(c.get(at + 3), Some('.' | ','))
    {
        text.push('E');
        text.extend(&c[at..at + 3]);
        at += 3;
        exponent = true;
    }
    if sign == SignPlace::None
        && c.get(at).is_some_and(|s| is_minus(*s) || *s == '+')
        && c.get(at + 1).is_none_or(|n| matches!(n, ' ' | ',' | ';' | '\t' | '|') || is_word_char(*n))
    {
        negative = is_minus(c[at]);
        plus = !negative;
        sign = SignPlace::Behind;
        at += 1;
    }
    let size: f64 = text.parse().ok().filter(|v: &f64| v.is_finite())?;
    let value = if negative { -size } else { size };
    Some((Number { value, decimals, whole, negative, plus, sign, exponent, grouped, padded }, at))
}
