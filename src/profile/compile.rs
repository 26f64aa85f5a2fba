//! From the file to a profile that can read: every part is checked, every mistake is told with its place.

use super::ask::{Ask, Handshake, modbus_request};
use super::block::Block;
use super::diagnostic::{Diagnostic, Mistakes, nearest};
use super::form::{
    AskForm, BecomesWord, BlockForm, CheckPlaceWord, CleanWord, CoversWord, DecimalWord, ExampleForm,
    FieldForm, FlowWord, FrameForm, HandshakeForm, LineForm, MarkWord, ParityWord, ProfileForm, RegisterForm,
    RestartWord, SignWord, Text, TextOrList, TextWord, ThousandsWord, WireForm, profile_form,
};
use super::number::{Decimal, NumberStyle, SignPlace, scan};
use super::pattern::{self, Attribute, FieldPart, Part};
use super::program::{Field, Kind, NumberField, Op, Program, UnitFrom};
use super::register::{Register, Registers};
use super::shape::Shape;
use super::{Flow, Line, MarkKind, Means, Pattern, Profile, WireSettings, control, growth, unit_words};
use crate::frame::{
    ByteClean, Check, CheckKind, CheckPlace, Encoding, Ending, FrameRules, Parity, TextClean,
};
use crate::reading::{Quantity, Unit};
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
        self.style = style(&form.wire);
        let wire = settings(&form.wire);
        let (encoding, clean) = text_rules(&form.wire);
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

    fn handshake(&mut self, form: &HandshakeForm) -> Handshake {
        Handshake {
            call: self.one_byte(form.call.as_ref(), 0x05),
            accept: self.one_byte(form.accept.as_ref(), 0x06),
            refuse: self.one_byte(form.refuse.as_ref(), 0x15),
            over: self.one_byte(form.over.as_ref(), 0x04),
            numbered: form.numbered,
        }
    }

    fn rules(&mut self, form: &WireForm, wire: &WireSettings, handshake: Option<Handshake>) -> FrameRules {
        let frame = &form.frame;
        let start: Box<[u8]> =
            frame.starts_with.as_ref().map(|text| self.bytes(text)).unwrap_or_default().into();
        let end_texts = frame.ends_with.as_ref().map(TextOrList::texts).unwrap_or_default();
        let ends: Vec<Box<[u8]>> = end_texts.iter().map(|text| self.bytes(text).into_boxed_slice()).collect();
        let ways = [frame.gap_ms.is_some(), frame.length.is_some(), !ends.is_empty()];
        if ways.iter().filter(|way| **way).count() > 1 {
            let span = end_texts.first().map_or(0..0, Spanned::span);
            self.error(
                "profile.frame",
                span,
                "a frame can end in one way only",
                "keep one of ends_with, gap_ms, length",
            );
        }
        let check = self.check(frame, &ends, &start);
        let ending = if let Some(ms) = frame.gap_ms {
            Ending::Gap { ns: u64::from(ms) * 1_000_000 }
        } else if let Some(bytes) = frame.length {
            Ending::Length { bytes: bytes.max(start.len() + 1), start }
        } else if !start.is_empty() {
            if ends.is_empty() {
                let span = frame.starts_with.as_ref().map_or(0..0, Spanned::span);
                self.error(
                    "profile.frame",
                    span,
                    "the frame has a start but no end",
                    "add ends_with or length",
                );
            }
            Ending::Between { start, ends }
        } else if ends.is_empty() {
            Ending::AnyLine
        } else {
            Ending::Marks(ends)
        };
        let seven = |word| form.clean.contains(&word);
        let (even, odd) = (seven(CleanWord::ParityEven), seven(CleanWord::ParityOdd));
        let clean = ByteClean {
            seven_bits: even || odd || seven(CleanWord::HighBit),
            parity: if even {
                Parity::Even
            } else if odd {
                Parity::Odd
            } else {
                Parity::None
            },
            flow_control: seven(CleanWord::XonXoff),
            nul: seven(CleanWord::Nul),
        };
        FrameRules {
            ending,
            check,
            clean,
            controls: handshake.map(|h| vec![h.call, h.over, h.accept, h.refuse]).unwrap_or_default(),
            limit: frame.limit.unwrap_or(65_536),
            byte_ns: wire.byte_ns(),
        }
    }

    fn check(&mut self, frame: &FrameForm, ends: &[Box<[u8]>], start: &[u8]) -> Option<Check> {
        let text = frame.check.as_ref()?;
        let name: &str = text.get_ref();
        let (rest, low_first) = name.strip_suffix("-low-first").map_or((name, false), |rest| (rest, true));
        let (kind_name, hex) = if let Some(kind) = rest.strip_suffix("-hex") {
            (kind, true)
        } else if let Some(kind) = rest.strip_suffix("-byte") {
            (kind, false)
        } else {
            (rest, true)
        };
        let Some((_, kind)) = CheckKind::ALL.into_iter().find(|(known, _)| *known == kind_name) else {
            let known = CheckKind::ALL.map(|(name, _)| name);
            let near = nearest(kind_name, known)
                .map(|near| format!("did you mean \"{near}-hex\"? "))
                .unwrap_or_default();
            let remedy = format!("{near}known are: {}; each with -hex or -byte", known.join(", "));
            self.error("profile.unknown-check", text.span(), format!("unknown checksum {name:?}"), remedy);
            return None;
        };
        let single_control =
            ends.iter().all(|end| matches!(**end, [byte] if byte < 0x20 && byte != 0x0D && byte != 0x0A));
        let usual = if single_control && !start.is_empty() {
            CheckPlaceWord::AfterEnd
        } else {
            CheckPlaceWord::BeforeEnd
        };
        let place = frame.check_place.unwrap_or(usual);
        if place == CheckPlaceWord::AfterEnd && start.is_empty() {
            let remedy = "add starts_with, or say check_place = \"before-end\"";
            self.error(
                "profile.check-place",
                text.span(),
                "a checksum after the end needs a frame with a start",
                remedy,
            );
        }
        let sign = frame.check_sign.as_ref().map(|text| self.bytes(text)).unwrap_or_default();
        let covers = frame.check_covers.unwrap_or(if place == CheckPlaceWord::AfterEnd {
            CoversWord::End
        } else {
            CoversWord::Text
        });
        Some(Check {
            kind,
            hex,
            low_first,
            place: match place {
                CheckPlaceWord::AfterEnd => CheckPlace::AfterEnd,
                CheckPlaceWord::BeforeEnd => CheckPlace::BeforeEnd { sign: sign.into() },
            },
            covers_start: matches!(covers, CoversWord::Start | CoversWord::StartAndEnd),
            covers_end: matches!(covers, CoversWord::End | CoversWord::StartAndEnd),
        })
    }

    fn asks(&mut self, forms: &[AskForm]) -> Vec<Ask> {
        let mut asks: Vec<Ask> = Vec::new();
        for form in forms {
            let name: Arc<str> = form.name.get_ref().as_str().into();
            if asks.iter().any(|ask| ask.name == name) {
                let message = format!("two requests are named `{name}`");
                self.error("profile.double-name", form.name.span(), message, "give each its own name");
            }
            let bytes = match (&form.send, &form.modbus) {
                (Some(send), None) => self.send(send),
                (None, Some(modbus)) => {
                    if !matches!(modbus.get_ref().function, 3 | 4) {
                        let message = format!(
                            "Modbus function {} does not only read registers",
                            modbus.get_ref().function
                        );
                        self.error(
                            "profile.writes",
                            modbus.span(),
                            message,
                            "dropwise only reads: use function 3 or 4",
                        );
                    }
                    modbus_request(modbus.get_ref())
                }
                _ => {
                    self.error(
                        "profile.ask",
                        form.name.span(),
                        "a request needs `send` or `modbus`, one of them",
                        "add send = \"READ\\r\"",
                    );
                    Vec::new()
                }
            };
            asks.push(Ask {
                name,
                bytes,
                every_ns: form.every.as_ref().map(|every| self.duration(Some(every), 1_000_000_000)),
                within_ns: self.duration(form.within.as_ref(), 1_000_000_000),
                retries: form.retries,
                answers: Vec::new(),
                modbus: form.modbus.as_ref().map(|modbus| modbus.get_ref().clone()),
            });
        }
        asks
    }

    /// The bytes of a request; what is known to write is refused.
    fn send(&mut self, send: &Text) -> Vec<u8> {
        let bytes: Option<Vec<u8>> =
            send.get_ref().chars().map(|c| u8::try_from(u32::from(c)).ok()).collect();
        let Some(bytes) = bytes.filter(|bytes| !bytes.is_empty()) else {
            self.error(
                "profile.send",
                send.span(),
                "a request is bytes: characters U+0000 to U+00FF",
                "write others as \\u00XX",
            );
            return Vec::new();
        };
        let function = bytes
            .strip_prefix(b":")
            .and_then(|hex| hex.get(2..4))
            .and_then(|hex| std::str::from_utf8(hex).ok());
        if let Some(function) = function.and_then(|hex| u8::from_str_radix(hex, 16).ok())
            && matches!(function, 5 | 6 | 15 | 16 | 21 | 22 | 23)
        {
            let message = format!("this is Modbus function {function}, which writes");
            self.error("profile.writes", send.span(), message, "dropwise only reads: use function 3 or 4");
        }
        bytes
    }

    fn join_answers(
        &mut self,
        forms: &[AskForm],
        line_forms: &[LineForm],
        asks: &mut [Ask],
        lines: &mut [Line],
    ) {
        let names: Vec<&str> = line_forms
            .iter()
            .filter_map(|line| line.name.as_ref())
            .map(|name| name.get_ref().as_str())
            .collect();
        for (index, form) in forms.iter().enumerate() {
            for answer in &form.answers {
                let wanted = answer.get_ref().as_str();
                if !names.contains(&wanted) {
                    let near =
                        nearest(wanted, names.iter().copied()).map(|near| format!("did you mean `{near}`? "));
                    let remedy = format!("{}lines are: {}", near.unwrap_or_default(), names.join(", "));
                    self.error(
                        "profile.unknown-line",
                        answer.span(),
                        format!("no line is named `{wanted}`"),
                        remedy,
                    );
                }
                for (line_index, line) in
                    lines.iter_mut().enumerate().filter(|(_, line)| &*line.name == wanted)
                {
                    line.answers.push(index);
                    asks[index].answers.push(line_index);
                }
            }
        }
        for (line, form) in lines.iter().zip(line_forms) {
            self.registers_are_asked(line, form, asks);
            let asked = line.answers.iter().any(|ask| asks[*ask].modbus.is_some());
            if matches!(line.means, Means::Registers(_)) && !asked {
                let span = form.registers.first().map_or(0..0, |register| register.field.span());
                let remedy = format!("add [[ask]] with modbus = {{ ... }} and answers = [\"{}\"]", line.name);
                self.error("profile.registers", span, "no Modbus request asks for these registers", remedy);
            }
        }
    }

    /// Every register must lie within what its request asks for.
    fn registers_are_asked(&mut self, line: &Line, form: &LineForm, asks: &[Ask]) {
        for request in line.answers.iter().filter_map(|ask| asks[*ask].modbus.as_ref()) {
            for register in &form.registers {
                let at = u32::from(*register.at.get_ref());
                let end = u32::from(request.first) + u32::from(request.count);
                if at < request.first.into() || at + u32::from(register.form.registers()) > end {
                    let message = format!("register {at} is not among those that are asked for");
                    let remedy = format!("the request reads registers {} to {}", request.first, end - 1);
                    self.error("profile.registers", register.at.span(), message, remedy);
                }
            }
        }
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

    fn register(&mut self, form: &RegisterForm) -> Option<Register> {
        let span = form.field.span();
        let text = form.field.get_ref().clone();
        let part = match pattern::parse_field(&text) {
            Ok(part) => part,
            Err(error) => {
                let place = self.mistakes.within(&span, &text, error.at, 1);
                self.error("profile.pattern", place, error.message, "a field is written such as \"emf:mV\"");
                return None;
            }
        };
        let place = (span, text);
        let Field { channel, kind, .. } = self.field(&part, &place, &BTreeMap::new(), false)?;
        let Kind::Number(mut number) = kind else {
            self.error(
                "profile.registers",
                place.0,
                "a register holds a number",
                "name a quantity, such as \"ph\"",
            );
            return None;
        };
        number.scale *= form.scale.unwrap_or(1.0);
        Some(Register {
            channel,
            number: *number,
            at: *form.at.get_ref(),
            form: form.form,
            no_number: form.no_number.clone(),
        })
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
        if block.rows.is_empty() && block.lines.is_empty() {
            let span = form.begins.span();
            self.error(
                "profile.block",
                span,
                "a block needs `row` (a table) or `lines` (one reading)",
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

    fn patterns(&mut self, like: Option<&Spanned<TextOrList>>, flags: &Flags) -> Vec<Pattern> {
        let texts = like.map(TextOrList::texts).unwrap_or_default();
        texts.iter().filter_map(|text| self.pattern(text, flags)).collect()
    }

    fn pattern(&mut self, text: &Text, flags: &Flags) -> Option<Pattern> {
        let source = text.get_ref();
        let parts = match pattern::parse(source) {
            Ok(parts) => parts,
            Err(error) => {
                let place = self.mistakes.within(&text.span(), source, error.at, 1);
                self.error(
                    "profile.pattern",
                    place,
                    error.message,
                    "see the pattern language in protocols/README.md",
                );
                return None;
            }
        };
        let place = (text.span(), source.clone());
        let mut ops = Vec::new();
        let numbers = number_channels(&parts);
        self.emit(&parts, &place, flags, &numbers, true, &mut ops)?;
        while matches!(ops.last(), Some(Op::Blanks | Op::AnyBlanks)) {
            ops.pop();
        }
        ops.push(Op::End);
        let mut missing_flags = Vec::new();
        for op in &ops {
            if let Op::Field(Field { channel, kind: Kind::Flag(words), .. }) = op
                && let Some((_, meaning)) = words.iter().find(|(word, _)| word.is_empty())
            {
                missing_flags.push((channel.clone(), *meaning));
            }
        }
        Some(Pattern { text: source.clone(), program: Program { ops }, missing_flags, span: text.span() })
    }

    fn emit(
        &mut self,
        parts: &[Part],
        place: &(Range<usize>, String),
        flags: &Flags,
        numbers: &[String],
        at_start: bool,
        ops: &mut Vec<Op>,
    ) -> Option<()> {
        let mut sound = Some(());
        for (index, part) in parts.iter().enumerate() {
            let next_has_width = parts.get(index + 1).is_some_and(has_width);
            let first = at_start && index == 0;
            if first
                && !matches!(part, Part::Blanks(_))
                && !has_width(part)
                && !matches!(part, Part::Field(f) if f.columns.is_some())
            {
                ops.push(Op::AnyBlanks);
            }
            match part {
                Part::Blanks(count) if next_has_width => ops.push(Op::ExactBlanks(*count)),
                Part::Blanks(_) if first => ops.push(Op::AnyBlanks),
                Part::Blanks(_) => ops.push(Op::Blanks),
                Part::Literal(literal) => literal_ops(literal, ops),
                Part::OneOf(words) => {
                    let mut words: Vec<Box<str>> = words.iter().map(|word| word.as_str().into()).collect();
                    words.sort_by_key(|word| std::cmp::Reverse(word.len()));
                    ops.push(Op::OneOf(words));
                }
                Part::Optional(inner) => {
                    let at = ops.len();
                    ops.push(Op::Try(0));
                    if self.emit(inner, place, flags, numbers, false, ops).is_none() {
                        sound = None;
                    }
                    ops[at] = Op::Try(ops.len());
                }
                Part::Field(part) => {
                    let alone = !numbers.contains(&part.channel);
                    match self.field(part, place, flags, alone) {
                        Some(field) => {
                            let with_unit = matches!(&field.kind, Kind::Number(n) if n.unit == UnitFrom::Line)
                                && is_unit_word(part);
                            let unit = Field {
                                channel: field.channel.clone(),
                                kind: unit_kind(&field),
                                columns: None,
                            };
                            ops.push(Op::Field(field));
                            if with_unit {
                                ops.push(Op::AnyBlanks);
                                ops.push(Op::Field(unit));
                            }
                        }
                        None => sound = None,
                    }
                }
            }
        }
        sound
    }

    /// A field of a pattern. `alone`: its pattern has no number of this channel beside it.
    fn field(
        &mut self,
        part: &FieldPart,
        place: &(Range<usize>, String),
        flags: &Flags,
        alone: bool,
    ) -> Option<Field> {
        let (span, source) = place;
        let here = self.mistakes.within(span, source, part.at, part.length.max(1));
        let field = |kind| Some(Field { channel: part.channel.as_str().into(), kind, columns: part.columns });
        let mut word: Option<(&str, usize)> = None;
        let mut shape = None;
        for (attribute, at) in &part.attributes {
            match attribute {
                Attribute::Word(text) if word.is_none() => word = Some((text, *at)),
                Attribute::Word(text) => {
                    let place = self.mistakes.within(span, source, *at, text.len());
                    self.error(
                        "profile.field",
                        place,
                        format!("`{text}` is one word too many"),
                        "a field has one unit or one kind",
                    );
                    return None;
                }
                Attribute::Shape(text) => match Shape::parse(text) {
                    Ok(parsed) => shape = Some(parsed),
                    Err((wrong, expected)) => {
                        let place = self.mistakes.within(span, source, at + 1 + wrong, 1);
                        self.error(
                            "profile.shape",
                            place,
                            "this is no shape of a number",
                            format!("expected here: {expected}"),
                        );
                        return None;
                    }
                },
            }
        }
        match (part.channel.as_str(), word.map(|w| w.0)) {
            ("_", None | Some("word")) => {
                return field(shape.map_or(Kind::Word, Kind::SkippedNumber));
            }
            (_, Some("text")) => return field(Kind::Text),
            ("_", Some(_)) => {
                self.error(
                    "profile.field",
                    here,
                    "what is skipped has no unit",
                    "write {_}, {_:text} or {_:/00/}",
                );
                return None;
            }
            (_, Some("flag")) => return field(self.flag(&part.channel, &here, flags)?),
            _ => {}
        }
        let quantity_name = part.quantity.as_deref().unwrap_or(&part.channel);
        let quantity = self.quantity(quantity_name, &here)?;
        let unit = match word {
            None => UnitFrom::Profile(quantity.canonical_unit()),
            Some(("clock", _)) if quantity == Quantity::Time => return field(Kind::Clock),
            Some(("unit", _)) if !alone => return field(Kind::Unit(quantity)),
            Some(("unit-below", _)) => return field(Kind::Unit(quantity)),
            Some(("unit", _)) => UnitFrom::Line,
            Some(("unit-above", _)) => UnitFrom::Above,
            Some((name, at)) => match unit_words::named(name, quantity) {
                Some(unit) => UnitFrom::Profile(unit),
                None => {
                    let units: Vec<_> = Unit::of(quantity).map(Unit::symbol).collect();
                    let place = self.mistakes.within(span, source, at, name.len());
                    let message = format!("`{name}` is no unit of {quantity}");
                    self.error(
                        "profile.unit",
                        place,
                        message,
                        format!("units of {quantity}: {}", units.join(", ")),
                    );
                    return None;
                }
            },
        };
        let unit =
            if word.is_none() && self.unit_in_line(&part.channel, source) { UnitFrom::Line } else { unit };
        let form = self.fields.iter().find(|(name, _)| *name.get_ref() == part.channel).map(|(_, form)| form);
        let mut number = NumberField {
            quantity,
            unit,
            style: self.style,
            shape,
            scale: form.and_then(|f| f.scale.as_ref()).map_or(1.0, |scale| *scale.get_ref()),
            base: form.and_then(|f| f.base).map_or(10, u32::from),
            instead: Vec::new(),
            codes: Vec::new(),
        };
        for (text, meaning) in form.map(|f| &f.instead).into_iter().flatten() {
            match scan(text.as_bytes(), 0, self.style).filter(|s| s.end == text.len()).and_then(|s| s.value) {
                Some(code) => number.codes.push((code, meaning.as_str().into())),
                None => number.instead.push((text.trim().into(), meaning.as_str().into())),
            }
        }
        number.instead.retain(|(text, _)| !text.is_empty());
        number.instead.sort_by_key(|(text, _)| std::cmp::Reverse(text.len()));
        field(Kind::Number(Box::new(number)))
    }

    /// Whether the pattern also holds the unit of this channel.
    fn unit_in_line(&self, channel: &str, source: &str) -> bool {
        let Ok(parts) = pattern::parse(source) else { return false };
        fn any(parts: &[Part], channel: &str) -> bool {
            parts.iter().any(|part| match part {
                Part::Optional(inner) => any(inner, channel),
                Part::Field(field) => field.channel == channel && is_unit_word(field),
                _ => false,
            })
        }
        any(&parts, channel)
    }

    fn flag(&mut self, name: &str, here: &Range<usize>, flags: &Flags) -> Option<Kind> {
        let find = |flags: &Flags| {
            flags.iter().find(|(flag, _)| flag.get_ref() == name).map(|(_, words)| words.clone())
        };
        let Some(words) = find(flags).or_else(|| find(self.flags)).filter(|words| !words.is_empty()) else {
            let remedy = format!(
                "add flags.{name} = {{ \"S\" = true, \"*\" = false }} with the words of the instrument"
            );
            self.error("profile.flag", here.clone(), format!("the flag `{name}` has no meaning"), remedy);
            return None;
        };
        let mut words: Vec<(Box<str>, bool)> =
            words.into_iter().map(|(word, meaning)| (word.as_str().into(), meaning)).collect();
        words.sort_by_key(|(word, _)| std::cmp::Reverse(word.len()));
        Some(Kind::Flag(words))
    }
}

fn is_unit_word(part: &FieldPart) -> bool {
    part.attributes.iter().any(|(attribute, _)| *attribute == Attribute::Word("unit".to_owned()))
}

fn unit_kind(field: &Field) -> Kind {
    match &field.kind {
        Kind::Number(number) => Kind::Unit(number.quantity),
        other => other.clone(),
    }
}

/// Channels that a pattern has a number of, beside their unit.
fn number_channels(parts: &[Part]) -> Vec<String> {
    let mut channels = Vec::new();
    for part in parts {
        match part {
            Part::Optional(inner) => channels.extend(number_channels(inner)),
            Part::Field(field) if !is_unit_word(field) => channels.push(field.channel.clone()),
            _ => {}
        }
    }
    channels
}

/// Whether the part is a number whose shape counts its blanks.
fn has_width(part: &Part) -> bool {
    match part {
        Part::Field(field) => field.attributes.iter().any(|(attribute, _)| {
            matches!(attribute, Attribute::Shape(text) if Shape::parse(text).is_ok_and(|shape| shape.has_width()))
        }),
        _ => false,
    }
}

/// A literal behind a number may be its unit: then any spelling of it will do.
fn literal_ops(literal: &str, ops: &mut Vec<Op>) {
    let number =
        ops.iter().rev().take_while(|op| matches!(op, Op::Blanks | Op::Field(_))).find_map(|op| match op {
            Op::Field(Field { kind: Kind::Number(number), .. }) => Some(number),
            _ => None,
        });
    if let Some(number) = number
        && let UnitFrom::Profile(unit) = number.unit
        && let Some(length) = unit_words::this_unit_at(literal, unit)
    {
        ops.push(Op::Unit(unit, unit_words::spellings(unit).collect()));
        if length < literal.len() {
            ops.push(Op::Literal(literal[length..].into()));
        }
        return;
    }
    ops.push(Op::Literal(literal.into()));
}

fn settings(form: &WireForm) -> WireSettings {
    let usual = WireSettings::default();
    WireSettings {
        baud: form.baud.unwrap_or(usual.baud),
        data_bits: form.data_bits.unwrap_or(usual.data_bits),
        parity: match form.parity.unwrap_or_default() {
            ParityWord::None => Parity::None,
            ParityWord::Even => Parity::Even,
            ParityWord::Odd => Parity::Odd,
        },
        stop_bits: form.stop_bits.unwrap_or(usual.stop_bits),
        flow: match form.flow.unwrap_or_default() {
            FlowWord::None => Flow::None,
            FlowWord::XonXoff => Flow::XonXoff,
            FlowWord::Hardware => Flow::Hardware,
        },
        dtr: form.dtr.unwrap_or(usual.dtr),
        rts: form.rts.unwrap_or(usual.rts),
    }
}

fn text_rules(form: &WireForm) -> (Encoding, TextClean) {
    let encoding = match form.text.unwrap_or_default() {
        TextWord::Ascii => Encoding::Ascii,
        TextWord::Latin1 => Encoding::Latin1,
        TextWord::Cp437 => Encoding::Cp437,
        TextWord::Utf8 => Encoding::Utf8,
    };
    let parameters = form.escape_parameters.iter();
    let clean = TextClean {
        printer_escapes: form.clean.contains(&CleanWord::PrinterEscapes),
        escape_parameters: parameters
            .filter_map(|(c, n)| Some((c.chars().next()?, usize::from(*n))))
            .collect(),
        overprint: form.clean.contains(&CleanWord::Overprint),
    };
    (encoding, clean)
}

fn style(form: &WireForm) -> NumberStyle {
    NumberStyle {
        decimal: match form.decimal.unwrap_or_default() {
            DecimalWord::Point => Decimal::Point,
            DecimalWord::Comma => Decimal::Comma,
            DecimalWord::Either => Decimal::Either,
        },
        thousands: match form.thousands.unwrap_or_default() {
            ThousandsWord::None => None,
            ThousandsWord::Blank => Some(' '),
            ThousandsWord::Point => Some('.'),
            ThousandsWord::Comma => Some(','),
            ThousandsWord::Apostrophe => Some('\''),
        },
        sign: match form.sign.unwrap_or_default() {
            SignWord::Before => SignPlace::Before,
            SignWord::Apart => SignPlace::Apart,
            SignWord::Behind => SignPlace::Behind,
        },
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
