//! From the file to a profile that can read: every part is checked, every mistake is told with its place.

mod like;
mod requests;
mod wire;

use super::block::Block;
use super::form::{
    BecomesWord, BlockForm, ExampleForm, FieldForm, LineForm, MarkWord, ProfileForm, RestartWord, Text,
    profile_form,
};
use super::number::NumberStyle;
use super::program::Op;
use super::register::Registers;
use super::{Line, MarkKind, Means, Pattern, Profile, control, growth};
use crate::form::{Diagnostic, Mistakes, nearest};
use crate::reading::Quantity;
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;
use toml::Spanned;

/// An example of a profile: bytes and what they must give.
#[derive(Debug, Clone)]
pub(crate) struct Example {
    pub wire: Vec<u8>,
    pub answers: Option<usize>,
    pub gives: Vec<(String, toml::Value, Range<usize>)>,
    pub becomes: Option<BecomesWord>,
    pub span: Range<usize>,
}

type Flags = BTreeMap<Text, BTreeMap<String, bool>>;

/// Reads a profile; see [`Profile::parse`].
pub(crate) fn profile(file: &str, text: &str) -> Result<Profile, Vec<Diagnostic>> {
    let mut mistakes = Mistakes::new(file, text);
    let Some(form) = profile_form().read::<ProfileForm>(text, &["title"], &mut mistakes) else {
        return Err(mistakes.into_sorted());
    };
    let profile = Compiler {
        mistakes: &mut mistakes,
        style: NumberStyle::default(),
        fields: &form.field,
        flags: &form.flags,
    }
    .profile(file, text, &form);
    if mistakes.is_empty() { Ok(profile) } else { Err(mistakes.into_sorted()) }
}

struct Compiler<'a, 'm> {
    mistakes: &'m mut Mistakes<'a>,
    style: NumberStyle,
    fields: &'m BTreeMap<Text, FieldForm>,
    flags: &'m Flags,
}

impl Compiler<'_, '_> {
    fn profile(mut self, file: &str, text: &str, form: &ProfileForm) -> Profile {
        self.style = wire::style(&form.wire);
        let wire = wire::settings(&form.wire);
        let (encoding, clean) = wire::text_rules(&form.wire);
        let handshake = form.handshake.as_ref().map(|form| self.handshake(form));
        let rules = self.rules(&form.wire, &wire, handshake);
        let mut asks = self.asks(&form.ask);
        let mut lines: Vec<Line> = form.line.iter().map(|line| self.line(line)).collect();
        self.join_answers(&form.ask, &form.line, &mut asks, &mut lines);
        let blocks = form.block.iter().map(|block| self.block(block)).collect();
        if form.line.is_empty() && form.block.is_empty() {
            let span = form.title.span();
            let remedy = "add a [[line]] with `like = \"...\"`, or a [[block]]".to_owned();
            self.mistakes.error(
                "profile.no-lines",
                span,
                "the profile has no line and no block".to_owned(),
                Some(remedy),
            );
        }
        let measures =
            form.measures.iter().filter_map(|name| self.quantity(name.get_ref(), &name.span())).collect();
        let growths = self.growths(&form.field);
        let profile = Profile {
            title: form.title.get_ref().clone(),
            about: form.about.clone(),
            measures,
            wire,
            text: text.to_owned(),
            file: file.to_owned(),
            rules,
            encoding,
            clean,
            handshake,
            asks,
            lines,
            blocks,
            growths,
            examples: Vec::new(),
        };
        self.unused_fields(&profile, &form.field);
        let examples = form.example.iter().filter_map(|example| self.example(example, &profile)).collect();
        Profile { examples, ..profile }
    }

    fn error(
        &mut self,
        code: &'static str,
        span: Range<usize>,
        message: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        self.mistakes.error(code, span, message.into(), Some(remedy.into()));
    }

    fn quantity(&mut self, name: &str, span: &Range<usize>) -> Option<Quantity> {
        let quantity = Quantity::parse(name);
        if quantity.is_none() {
            let names = Quantity::ALL.map(Quantity::name);
            let remedy = match nearest(name, names) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!(
                    "known are: {}; a text is `{{{name}:text}}`, two of one quantity are `{{{name} = ph}}`",
                    names.join(", ")
                ),
            };
            self.error("profile.unknown-quantity", span.clone(), format!("`{name}` is no quantity"), remedy);
        }
        quantity
    }

    fn bytes(&mut self, text: &Text) -> Vec<u8> {
        match control::bytes(text.get_ref()) {
            Ok(bytes) if !bytes.is_empty() => bytes,
            Ok(_) => {
                self.error(
                    "profile.no-bytes",
                    text.span(),
                    "no bytes are told",
                    "name them, such as \"STX\" or \"CR LF\"",
                );
                vec![0]
            }
            Err(word) => {
                let remedy = match nearest(&word, control::names()) {
                    Some(near) => format!("did you mean {near}? text stands in single quotes: \"'{word}'\""),
                    None => format!(
                        "names are such as STX, ETX, CR, LF, 0x1B; text stands in single quotes: \"'{word}'\""
                    ),
                };
                self.error(
                    "profile.unknown-character",
                    text.span(),
                    format!("`{word}` is no control character"),
                    remedy,
                );
                vec![0]
            }
        }
    }

    fn one_byte(&mut self, text: Option<&Text>, usual: u8) -> u8 {
        let Some(text) = text else { return usual };
        match self.bytes(text).as_slice() {
            [byte] => *byte,
            _ => {
                self.error(
                    "profile.one-character",
                    text.span(),
                    "one single character is needed here",
                    "such as \"ACK\"",
                );
                usual
            }
        }
    }

    fn duration(&mut self, text: Option<&Text>, usual_ns: u64) -> u64 {
        let Some(text) = text else { return usual_ns };
        control::duration_ns(text.get_ref()).unwrap_or_else(|| {
            let message = format!("{:?} is no duration", text.get_ref());
            self.error(
                "profile.duration",
                text.span(),
                message,
                "write a number and ms, s, min or h, such as \"800 ms\"",
            );
            usual_ns
        })
    }

    fn line(&mut self, form: &LineForm) -> Line {
        let flags = &form.flags;
        let means = match &form.like {
            Some(like) => Means::Like(self.patterns(Some(like), flags)),
            None if !form.registers.is_empty() => Means::Registers(Registers {
                fields: form.registers.iter().filter_map(|r| self.register(r)).collect(),
            }),
            None => {
                let span = form.name.as_ref().map_or(0..0, Spanned::span);
                self.error("profile.line", span, "a line needs `like` or `registers`", "add like = \"...\"");
                Means::Like(Vec::new())
            }
        };
        let name = match (&form.name, &means) {
            (Some(name), _) => name.get_ref().as_str().into(),
            (None, Means::Like(patterns)) => {
                patterns.first().map_or_else(|| "line".into(), |p| p.text.as_str().into())
            }
            (None, Means::Registers(_)) => "registers".into(),
        };
        Line { name, means, mark: form.marks.map(mark), answers: Vec::new() }
    }

    fn block(&mut self, form: &BlockForm) -> Block {
        let flags = &form.flags;
        let begins = self.patterns(Some(&form.begins), flags);
        let block = Block {
            name: form.name.as_ref().map_or_else(
                || begins.first().map_or_else(|| "block".into(), |p| p.text.as_str().into()),
                |name| name.get_ref().as_str().into(),
            ),
            rows: self.patterns(form.row.as_ref(), flags),
            lines: self.patterns(form.lines.as_ref(), flags),
            ignore: self.patterns(form.ignore.as_ref(), flags),
            ends: self.patterns(form.ends.as_ref(), flags),
            begins,
            within_ns: self.duration(form.within.as_ref(), 10_000_000_000),
        };
        let ends_with_value =
            block.ends.iter().flat_map(|pattern| &pattern.program.ops).any(|op| matches!(op, Op::Field(_)));
        if block.rows.is_empty() && block.lines.is_empty() && !ends_with_value {
            let span = form.begins.span();
            self.error(
                "profile.block",
                span,
                "a block needs `row` (a table), `lines` (one reading), or a field in `ends`",
                "add one of them",
            );
        }
        block
    }

    fn growths(&mut self, fields: &BTreeMap<Text, FieldForm>) -> Vec<growth::Rule> {
        let mut rules = Vec::new();
        for (name, form) in fields {
            let at = form.restarts_at.as_ref().map(|at| *at.get_ref());
            if let Some(span) = form.restarts_at.as_ref().filter(|at| *at.get_ref() <= 0.0).map(Spanned::span)
            {
                self.error(
                    "profile.restarts",
                    span,
                    "a total starts again at a value above zero",
                    "such as 10.0",
                );
            }
            if form.restarts.is_some() || at.is_some() {
                let at_zero = form.restarts == Some(RestartWord::AtZero);
                rules.push(growth::Rule { channel: name.get_ref().as_str().into(), at_zero, at });
            }
        }
        rules
    }

    fn unused_fields(&mut self, profile: &Profile, fields: &BTreeMap<Text, FieldForm>) {
        let channels: Vec<Arc<str>> = profile.channels();
        for name in fields.keys().filter(|name| !channels.iter().any(|c| **c == **name.get_ref())) {
            let known: Vec<&str> = channels.iter().map(|c| &**c).collect();
            let remedy = match nearest(name.get_ref(), known.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("fields are: {}", known.join(", ")),
            };
            let message = format!("no pattern has a field `{}`", name.get_ref());
            self.error("profile.unused-field", name.span(), message, remedy);
        }
    }

    fn example(&mut self, form: &ExampleForm, profile: &Profile) -> Option<Example> {
        let bytes: Option<Vec<u8>> =
            form.wire.get_ref().chars().map(|c| u8::try_from(u32::from(c)).ok()).collect();
        let Some(wire) = bytes else {
            self.error(
                "profile.example",
                form.wire.span(),
                "an example is bytes: characters U+0000 to U+00FF",
                "write others as the bytes of their encoding, \\u00XX",
            );
            return None;
        };
        let answers = form.answers.as_ref().and_then(|name| {
            let found = profile.asks.iter().position(|ask| *ask.name == **name.get_ref());
            if found.is_none() {
                let known: Vec<&str> = profile.asks.iter().map(|ask| &*ask.name).collect();
                let remedy = format!("requests are: {}", known.join(", "));
                self.error(
                    "profile.unknown-ask",
                    name.span(),
                    format!("no request is named `{}`", name.get_ref()),
                    remedy,
                );
            }
            found
        });
        if form.gives.is_empty() && form.becomes.is_none() {
            self.error(
                "profile.example",
                form.wire.span(),
                "an example says nothing without `gives` or `becomes`",
                "add gives = { ph = 6.87 }",
            );
        }
        let gives = form
            .gives
            .iter()
            .map(|(name, value)| (name.get_ref().clone(), value.clone(), name.span()))
            .collect();
        Some(Example { wire, answers, gives, becomes: form.becomes, span: form.wire.span() })
    }
}

const fn mark(word: MarkWord) -> MarkKind {
    match word {
        MarkWord::RunStart => MarkKind::RunStart,
        MarkWord::RunEnd => MarkKind::RunEnd,
        MarkWord::Step => MarkKind::Step,
        MarkWord::InstrumentEndpoint => MarkKind::InstrumentEndpoint,
        MarkWord::Refill => MarkKind::Refill,
        MarkWord::PageHeading => MarkKind::PageHeading,
        MarkWord::Ignore => MarkKind::Ignore,
    }
}

impl Profile {
    /// Every pattern of lines and blocks.
    pub(crate) fn patterns(&self) -> impl Iterator<Item = &Pattern> {
        let of_lines = self.lines.iter().flat_map(|line| match &line.means {
            Means::Like(patterns) => patterns.as_slice(),
            Means::Registers(_) => &[],
        });
        let of_blocks = self
            .blocks
            .iter()
            .flat_map(|b| [&b.begins, &b.rows, &b.lines, &b.ignore, &b.ends].into_iter().flatten());
        of_lines.chain(of_blocks)
    }

    /// Names of all fields.
    pub(crate) fn channels(&self) -> Vec<Arc<str>> {
        let mut channels: Vec<Arc<str>> = Vec::new();
        let mut add = |channel: &Arc<str>| {
            if !channels.contains(channel) {
                channels.push(channel.clone());
            }
        };
        for op in self.patterns().flat_map(|pattern| &pattern.program.ops) {
            if let Op::Field(field) = op {
                add(&field.channel);
            }
        }
        for line in &self.lines {
            if let Means::Registers(registers) = &line.means {
                registers.fields.iter().for_each(|register| add(&register.channel));
            }
        }
        channels
    }
}
