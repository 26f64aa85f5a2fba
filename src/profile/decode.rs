//! From the bytes of a wire to frames, readings and marks.

use super::ask::{Answer, Asking};
use super::block::Open;
use super::growth::{Growth, Rule};
use super::program::{Capture, Field, Held, Kind, NumberField, Op, Scratch, UnitFrom};
use super::reading_list::{Nameless, ReadingList};
use super::register;
use super::{Means, Pattern, Profile};
use crate::frame::{Cut, Framer, decode};
use crate::reading::{FrameFate, FrameLine, Quantity, Reading, Stamp, Unit, Validity};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// What a line says beside readings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MarkKind {
    /// The instrument began a run.
    RunStart,
    /// The instrument ended a run.
    RunEnd,
    /// The instrument added a step.
    Step,
    /// The instrument's own end-point: its readings are no points.
    InstrumentEndpoint,
    /// The burette was refilled: its total starts again.
    Refill,
    /// A heading that comes again.
    PageHeading,
    /// Nothing.
    Ignore,
}

/// Something that a line said beside readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Mark {
    /// What.
    pub kind: MarkKind,
    /// The line that said it.
    pub by: Arc<str>,
    /// Numbers in that line; never points.
    pub readings: Vec<Reading>,
    /// Texts in that line by their names.
    pub texts: Vec<(Arc<str>, String)>,
}

/// One frame with what it gave, owned.
#[derive(Debug, Clone, PartialEq)]
pub struct Decoded {
    /// The frame and what became of it.
    pub frame: FrameLine,
    /// Its readings; those of a block come with its last line and keep their own frame numbers.
    pub readings: Vec<Reading>,
    /// What it said beside readings.
    pub marks: Vec<Mark>,
}

/// What became of a frame, borrowed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate<'a> {
    /// This line or block took it.
    Understood(&'a str),
    /// This line said that it carries nothing.
    Ignored(&'a str),
    /// It is no sound frame, for this reason.
    Damaged(&'a str),
    /// Nothing took it.
    NotUnderstood,
}

/// One frame with what it gave, borrowed: the way without allocations.
#[derive(Debug, Clone, Copy)]
pub struct Seen<'a> {
    /// Counted from 0 on its wire.
    pub number: u64,
    /// When its last byte arrived.
    pub at: Stamp,
    /// Its text as it was read.
    pub text: &'a str,
    /// What became of it.
    pub fate: Fate<'a>,
    /// Its readings.
    pub readings: &'a [Reading],
    /// What it said beside readings.
    pub marks: &'a [Mark],
}

impl Seen<'_> {
    /// An owned copy.
    #[must_use]
    pub fn to_decoded(&self) -> Decoded {
        let fate = match self.fate {
            Fate::Understood(by) => FrameFate::Understood { by: by.to_owned() },
            Fate::Ignored(by) => FrameFate::Ignored { by: by.to_owned() },
            Fate::Damaged(why) => FrameFate::Damaged { why: why.to_owned() },
            Fate::NotUnderstood => FrameFate::NotUnderstood,
        };
        Decoded {
            frame: FrameLine { number: self.number, at: self.at, text: self.text.to_owned(), fate },
            readings: self.readings.to_vec(),
            marks: self.marks.to_vec(),
        }
    }
}

/// Reads the wire of one instrument.
#[derive(Debug, Clone)]
pub struct Decoder {
    profile: Arc<Profile>,
    framer: Framer,
    reader: Reader,
}

impl Decoder {
    /// A decoder at the start of a wire.
    #[must_use]
    pub fn new(profile: Arc<Profile>) -> Self {
        Self { framer: Framer::new(profile.rules.clone()), reader: Reader::new(&profile), profile }
    }

    /// Takes bytes that arrived.
    pub fn feed(&mut self, at: Stamp, bytes: &[u8], out: &mut Vec<Decoded>) {
        self.feed_each(at, bytes, &mut |seen| out.push(seen.to_decoded()));
    }

    /// As [`Self::feed`], without copies: what is seen is handed over borrowed.
    pub fn feed_each(&mut self, at: Stamp, bytes: &[u8], each: &mut impl FnMut(&Seen<'_>)) {
        let Self { profile, framer, reader } = self;
        reader.close_overdue_block(profile, at, each);
        framer.feed(at, bytes, &mut |cut| reader.take(profile, cut, each));
    }

    /// Takes bytes that were sent to the instrument: their echo is known, and answers find their request.
    pub fn sent(&mut self, at: Stamp, bytes: &[u8]) {
        self.reader.sent(&self.profile, at, bytes);
    }

    /// Does what is due at `now`: ends frames and blocks that a pause ends, and tells the bytes that are to be
    /// sent now. The caller sends them, says so by [`Self::sent`], and asks again.
    pub fn tick(&mut self, now: Stamp, out: &mut Vec<Decoded>) -> Option<Vec<u8>> {
        let each = &mut |seen: &Seen<'_>| out.push(seen.to_decoded());
        let Self { profile, framer, reader } = self;
        framer.tick(now, &mut |cut| reader.take(profile, cut, each));
        reader.close_overdue_block(profile, now, each);
        reader.asking.tick(&profile.asks, now.elapsed_ns, framer.arriving())
    }

    /// When [`Self::tick`] has something to do, in nanoseconds of the monotonic clock; it may lie in the past.
    #[must_use]
    pub fn wake_at(&self) -> Option<u64> {
        let block = self.reader.open.as_ref().and_then(|open| open.deadline);
        [self.framer.wake_at(), block, self.reader.asking.wake_at(&self.profile.asks, self.framer.arriving())]
            .into_iter()
            .flatten()
            .min()
    }

    /// The wire is over: hands out what is left.
    pub fn finish(&mut self, out: &mut Vec<Decoded>) {
        let each = &mut |seen: &Seen<'_>| out.push(seen.to_decoded());
        let Self { profile, framer, reader } = self;
        framer.finish(&mut |cut| reader.take(profile, cut, each));
        reader.close_block(profile, each);
    }

    /// The line was lost and opened again: what has begun is forgotten, requests are sent anew; running totals stay.
    pub fn reopened(&mut self) {
        self.framer.reset();
        self.reader.asking = Asking::new(&self.profile.asks);
        self.reader.echo.clear();
    }

    /// Things that a person should know, in words (requests without an answer), since the last call.
    pub fn take_warnings(&mut self) -> Vec<String> {
        self.reader.asking.take_warnings()
    }
}

/// What took a frame; the names are looked up when it is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Taken {
    Line(usize),
    Block(usize),
    Ignored(usize),
    BlockIgnored(usize),
    Again,
    Echo,
    Refused(&'static str),
    No,
}

#[derive(Debug, Clone)]
struct Reader {
    asking: Asking,
    number: u64,
    text: String,
    scratch: Scratch,
    readings: ReadingList,
    marks: Vec<Mark>,
    texts: Vec<(Arc<str>, String)>,
    open: Option<Open>,
    totals: Vec<Total>,
    /// Units told by earlier lines.
    units: Vec<(Arc<str>, Unit)>,
    echo: Vec<u8>,
    /// Number of the last sound frame of a hand-shake.
    last_number: Option<u8>,
    has_refill: bool,
    line_flags: LineFlags,
}

impl Reader {
    fn new(profile: &Profile) -> Self {
        let has_refill = profile.lines.iter().any(|line| line.mark == Some(MarkKind::Refill));
        let total = |rule: &Rule| Total {
            channel: Arc::clone(&rule.channel),
            rule: Some(rule.clone()),
            growth: Growth::default(),
        };
        let totals = profile.growths.iter().map(total).collect();
        Self {
            asking: Asking::new(&profile.asks),
            number: 0,
            text: String::new(),
            scratch: Scratch::default(),
            readings: ReadingList::default(),
            marks: Vec::new(),
            texts: Vec::new(),
            open: None,
            totals,
            units: Vec::new(),
            echo: Vec::new(),
            last_number: None,
            has_refill,
            line_flags: LineFlags::default(),
        }
    }

    fn sent(&mut self, profile: &Profile, at: Stamp, bytes: &[u8]) {
        self.asking.sent(&profile.asks, at.elapsed_ns, bytes);
        // An answer of a hand-shake is one control byte; its echo is none that could be taken for a frame.
        if bytes.len() > 1 {
            self.echo.clear();
            self.echo.extend_from_slice(bytes);
        }
    }

    fn take(&mut self, profile: &Profile, cut: Cut<'_>, each: &mut impl FnMut(&Seen<'_>)) {
        self.readings.clear();
        self.marks.clear();
        if cut.control {
            if let Some(handshake) = profile.handshake
                && cut.body == [handshake.call]
            {
                self.last_number = None;
                self.asking.reply(handshake.accept);
            }
            return;
        }
        let mut body = cut.body;
        if !self.echo.is_empty() && cut.raw.starts_with(&self.echo) {
            let length = self.echo.len();
            self.echo.clear();
            if length == cut.raw.len() {
                return self.tell_echo(profile, cut, each);
            }
            // The request stands before its answer in one frame: the body begins where it ends.
            let before = cut.raw.len() - cut.body.len();
            if before == 0 || cut.fault.is_none() {
                body = cut.body.get(length..).unwrap_or_default();
            }
        }
        self.text.clear();
        decode(body, profile.encoding, &mut self.text);
        if cut.fault.is_some() {
            self.asking.not_understood(&profile.asks, cut.began.elapsed_ns);
        }
        if let Some(fault) = cut.fault {
            if let Some(handshake) = profile.handshake
                && cut.fault != Some(crate::frame::Fault::Outside)
            {
                self.asking.reply(handshake.refuse);
            }
            return self.tell(profile, cut.at, Told::Damaged(fault.to_string()), each);
        }
        if let Err(column) = profile.clean.clean(&mut self.text) {
            self.asking.not_understood(&profile.asks, cut.began.elapsed_ns);
            let why = format!("different characters were printed over each other in column {column}");
            return self.tell(profile, cut.at, Told::Damaged(why), each);
        }
        trim(&mut self.text);
        if self.text.is_empty() {
            return;
        }
        if let Some(handshake) = profile.handshake {
            self.asking.reply(handshake.accept);
            if handshake.numbered && self.is_repeat() {
                return self.tell(profile, cut.at, Told::Taken(Taken::Again), each);
            }
        }
        let taken = self.classify(profile, cut.at, cut.began, each);
        if taken == Taken::No {
            self.asking.not_understood(&profile.asks, cut.began.elapsed_ns);
        }
        self.tell(profile, cut.at, Told::Taken(taken), each);
    }

    fn tell_echo(&mut self, profile: &Profile, cut: Cut<'_>, each: &mut impl FnMut(&Seen<'_>)) {
        self.text.clear();
        decode(cut.body, profile.encoding, &mut self.text);
        trim(&mut self.text);
        self.tell(profile, cut.at, Told::Taken(Taken::Echo), each);
    }

    /// Takes the number off a frame of a hand-shake; whether the frame came before.
    fn is_repeat(&mut self) -> bool {
        let Some(digit) = self.text.bytes().next().filter(u8::is_ascii_digit) else { return false };
        self.text.remove(0);
        self.last_number.replace(digit) == Some(digit)
    }

    #[inline]
    fn tell(&mut self, profile: &Profile, at: Stamp, told: Told, each: &mut impl FnMut(&Seen<'_>)) {
        let fate = match &told {
            Told::Damaged(why) => Fate::Damaged(why),
            Told::Taken(taken) => match taken {
                Taken::Line(line) => Fate::Understood(&profile.lines[*line].name),
                Taken::Block(block) => Fate::Understood(&profile.blocks[*block].name),
                Taken::Ignored(line) => Fate::Ignored(&profile.lines[*line].name),
                Taken::BlockIgnored(block) => Fate::Ignored(&profile.blocks[*block].name),
                Taken::Again => Fate::Ignored("a frame that came again"),
                Taken::Echo => Fate::Ignored("echo of a request"),
                Taken::Refused(why) => Fate::Damaged(why),
                Taken::No => Fate::NotUnderstood,
            },
        };
        let number = self.number;
        self.number += 1;
        each(&Seen {
            number,
            at,
            text: &self.text,
            fate,
            readings: self.readings.as_slice(),
            marks: &self.marks,
        });
    }

    fn classify(
        &mut self,
        profile: &Profile,
        at: Stamp,
        began: Stamp,
        each: &mut impl FnMut(&Seen<'_>),
    ) -> Taken {
        if let Some(block) = self.open.as_ref().map(|open| open.block)
            && let Some(taken) = self.in_block(profile, block, at)
        {
            return taken;
        }
        if let Some(taken) = self.line(profile, at, began) {
            return taken;
        }
        for (index, block) in profile.blocks.iter().enumerate() {
            if let Some(pattern) = self.first_match(&block.begins) {
                self.close_block(profile, each);
                self.gather(pattern, at, None);
                self.texts.clear();
                let deadline = block.is_kept().then(|| at.elapsed_ns.saturating_add(block.within_ns));
                self.open =
                    Some(Open { block: index, deadline, held: Vec::new(), steady: None, not_valid: false });
                return Taken::Block(index);
            }
        }
        Taken::No
    }

    /// The open block's turn; `None` when the line is not one of its.
    fn in_block(&mut self, profile: &Profile, index: usize, at: Stamp) -> Option<Taken> {
        let block = &profile.blocks[index];
        if let Some(pattern) = self.first_match(&block.ends) {
            self.gather(pattern, at, None);
            self.texts.clear();
            if block.is_kept() {
                self.keep();
                self.release();
            } else {
                // What stands behind a table is a total, not a point.
                self.readings.clear();
            }
            self.open = None;
            return Some(Taken::Block(index));
        }
        if let Some(pattern) = self.first_match(&block.rows) {
            self.gather(pattern, at, None);
            self.texts.clear();
            return Some(Taken::Block(index));
        }
        if let Some(pattern) = self.first_match(&block.lines) {
            self.gather(pattern, at, None);
            self.texts.clear();
            self.keep();
            return Some(Taken::Block(index));
        }
        if self.first_match(&block.ignore).is_some() {
            return Some(Taken::BlockIgnored(index));
        }
        // The heading of a table comes again on each page.
        (!block.is_kept() && self.first_match(&block.begins).is_some()).then_some(Taken::BlockIgnored(index))
    }

    /// Puts the readings of this line to those of the open block.
    fn keep(&mut self) {
        if let Some(open) = &mut self.open {
            open.steady = self.line_flags.steady.or(open.steady);
            open.not_valid |= self.line_flags.not_valid;
            open.held.extend(self.readings.drain());
        }
    }

    /// The block is complete: its readings are those of this frame.
    fn release(&mut self) {
        if let Some(open) = self.open.take() {
            self.readings.replace(open.held);
            for reading in self.readings.as_mut_slice() {
                reading.steady = open.steady.or(reading.steady);
                if open.not_valid && reading.validity == Validity::Valid {
                    reading.validity = Validity::NotValid(MARKED_NOT_VALID.to_owned());
                }
            }
        }
    }

    fn close_overdue_block(&mut self, profile: &Profile, now: Stamp, each: &mut impl FnMut(&Seen<'_>)) {
        let overdue = self
            .open
            .as_ref()
            .and_then(|open| open.deadline)
            .is_some_and(|deadline| now.elapsed_ns > deadline);
        if overdue {
            self.close_block(profile, each);
        }
    }

    /// A block whose end does not come any more.
    fn close_block(&mut self, profile: &Profile, each: &mut impl FnMut(&Seen<'_>)) {
        let Some(open) = &self.open else { return };
        let block = open.block;
        let last = open.held.last().map(|reading| reading.at);
        self.readings.clear();
        self.marks.clear();
        self.release();
        if let Some(at) = last {
            self.text.clear();
            self.tell(profile, at, Told::Taken(Taken::Block(block)), each);
        }
    }

    /// The lines that stand for themselves, and the answers to requests.
    fn line(&mut self, profile: &Profile, at: Stamp, began: Stamp) -> Option<Taken> {
        // An answer that began in time is in time, even if the line paused within it.
        let waiting = self.asking.waiting(&profile.asks, began.elapsed_ns);
        // First what may come now, then what comes late: the late answer must not be taken for another one.
        for (index, line) in profile.lines.iter().enumerate() {
            let timely = line.answers.is_empty() || waiting.is_some_and(|ask| line.answers.contains(&ask));
            if !timely {
                continue;
            }
            let Some(hit) = self.hit(profile, index, waiting) else { continue };
            let mut answer = Answer::Timely;
            if let Some(ask) = waiting {
                let doubt = if line.answers.is_empty() { None } else { self.other_owed(profile, ask) };
                match doubt {
                    Some(owed) => {
                        self.asking.paid(owed, false);
                        answer = Answer::Doubtful;
                    }
                    None if !line.answers.is_empty() || profile.asks[ask].answers.is_empty() => {
                        self.asking.answered()
                    }
                    None => {}
                }
            }
            return Some(self.line_taken(profile, index, hit, at, answer));
        }
        for (index, line) in profile.lines.iter().enumerate().filter(|(_, line)| !line.answers.is_empty()) {
            let owed = self.asking.owed().find(|ask| line.answers.contains(ask));
            let ask = owed.or_else(|| line.answers.first().copied());
            let Some(hit) = self.hit(profile, index, ask) else { continue };
            let answer = if let Some(owed) = owed {
                self.asking.paid(owed, true);
                Answer::Late
            } else if self.asking.any_sent() {
                Answer::Late
            } else if profile.asks.len() == 1 {
                // Somebody else asks, and there is only one question.
                Answer::Timely
            } else {
                Answer::Unasked
            };
            return Some(self.line_taken(profile, index, hit, at, answer));
        }
        None
    }

    /// A request that is overdue, is not `waiting`, and whose answer this frame may be as well.
    fn other_owed(&mut self, profile: &Profile, waiting: usize) -> Option<usize> {
        let owed: Option<usize> = self.asking.owed().find(|ask| *ask != waiting);
        let ask = owed?;
        let held = std::mem::take(&mut self.scratch.captures);
        let may = profile.asks[ask].answers.iter().any(|line| self.hit(profile, *line, Some(ask)).is_some());
        self.scratch.captures = held;
        may.then_some(ask)
    }

    fn hit<'p>(&mut self, profile: &'p Profile, line: usize, ask: Option<usize>) -> Option<Hit<'p>> {
        match &profile.lines[line].means {
            Means::Like(patterns) => self.first_match(patterns).map(Hit::Pattern),
            Means::Registers(registers) => {
                let request = profile.asks.get(ask?)?.modbus.as_ref()?;
                match register::answer(&self.text, request) {
                    register::Answer::Registers(data) => Some(Hit::Registers(registers, data, request.first)),
                    register::Answer::Refused(code) => Some(Hit::Refused(register::refusal(code))),
                    register::Answer::Other => None,
                }
            }
        }
    }

    fn line_taken(
        &mut self,
        profile: &Profile,
        index: usize,
        hit: Hit<'_>,
        at: Stamp,
        answer: Answer,
    ) -> Taken {
        let reason = answer.reason();
        let line = &profile.lines[index];
        match hit {
            Hit::Refused(why) => return Taken::Refused(why),
            Hit::Registers(registers, data, first) => {
                for register in &registers.fields {
                    let value = register.value(&data, first).map(|v| scaled(v, register.number.scale));
                    let held = if value.is_some() { None } else { Some("no number") };
                    self.push(
                        &register.channel,
                        &register.number,
                        value,
                        register.unit(),
                        at,
                        reason.or(held),
                    );
                }
            }
            Hit::Pattern(pattern) => self.gather(pattern, at, reason),
        }
        let taken = match line.mark {
            None => {
                self.texts.clear();
                return Taken::Line(index);
            }
            Some(MarkKind::Ignore | MarkKind::PageHeading) => Taken::Ignored(index),
            Some(MarkKind::Refill) => {
                for total in &mut self.totals {
                    total.growth.refilled();
                }
                Taken::Line(index)
            }
            Some(_) => Taken::Line(index),
        };
        let readings = self.readings.drain().collect();
        let texts = std::mem::take(&mut self.texts);
        if let Some(kind) = line.mark.filter(|kind| *kind != MarkKind::Ignore) {
            self.marks.push(Mark { kind, by: Arc::clone(&line.name), readings, texts });
        }
        taken
    }

    fn first_match<'p>(&mut self, patterns: &'p [Pattern]) -> Option<&'p Pattern> {
        patterns.iter().find(|pattern| pattern.program.run(&self.text, &mut self.scratch))
    }

    /// Makes readings of what the last match captured.
    fn gather(&mut self, pattern: &Pattern, at: Stamp, reason: Option<&str>) {
        self.texts.clear();
        let captures = std::mem::take(&mut self.scratch.captures);
        self.line_flags = LineFlags::of(pattern, &captures);
        for capture in &captures {
            let Op::Field(field) = &pattern.program.ops[capture.op] else { continue };
            match (&field.kind, capture.held) {
                (Kind::Number(number), held) => {
                    self.number_read(field, number, held, (pattern, &captures), at, reason)
                }
                (Kind::Clock, Held::Seconds(seconds)) => {
                    let number = NumberField::of_time();
                    self.push(&field.channel, &number, Some(seconds), Unit::Second, at, reason);
                }
                (Kind::Unit(_), Held::Unit(unit)) => {
                    match self.units.iter_mut().find(|(channel, _)| *channel == field.channel) {
                        Some((_, known)) => *known = unit,
                        None => self.units.push((Arc::clone(&field.channel), unit)),
                    }
                }
                (Kind::Text, Held::Text) if &*field.channel != "_" => {
                    self.texts
                        .push((Arc::clone(&field.channel), self.text[capture.start..capture.end].to_owned()));
                }
                _ => {}
            }
        }
        self.scratch.captures = captures;
        for reading in self.readings.as_mut_slice() {
            reading.steady = self.line_flags.steady;
        }
    }

    #[inline]
    fn number_read(
        &mut self,
        field: &Field,
        number: &NumberField,
        held: Held,
        (pattern, captures): (&Pattern, &[Capture]),
        at: Stamp,
        reason: Option<&str>,
    ) {
        let told = |channel: &str| {
            captures.iter().find_map(|capture| match (&pattern.program.ops[capture.op], capture.held) {
                (Op::Field(other), Held::Unit(unit)) if *other.channel == *channel => Some(unit),
                _ => None,
            })
        };
        let unit = match number.unit {
            UnitFrom::Profile(unit) => Some(unit),
            UnitFrom::Line => told(&field.channel),
            UnitFrom::Above => {
                self.units.iter().find(|(channel, _)| *channel == field.channel).map(|(_, unit)| *unit)
            }
        };
        let usual = number.quantity.canonical_unit();
        match held {
            Held::Instead(index) => {
                let meaning = number.instead.get(index).map_or("no number", |(_, meaning)| meaning);
                self.push(&field.channel, number, None, unit.unwrap_or(usual), at, Some(meaning));
            }
            Held::Number { value, ambiguous } => {
                let code =
                    value.and_then(|v| number.codes.iter().find(|(code, _)| super::program::close(*code, v)));
                let why = match (value, code, unit) {
                    (_, Some((_, meaning)), _) => Some(&**meaning),
                    (None, _, _) if ambiguous => {
                        Some("the number can be read with a decimal comma and with thousands")
                    }
                    (None, _, _) => Some("the number is too large to be held"),
                    (_, _, None) => Some("no unit was told"),
                    _ => None,
                };
                let value = if code.is_some() { None } else { value.map(|v| scaled(v, number.scale)) };
                self.push(&field.channel, number, value, unit.unwrap_or(usual), at, reason.or(why));
            }
            _ => {}
        }
    }

    #[inline]
    fn push(
        &mut self,
        channel: &Arc<str>,
        number: &NumberField,
        value: Option<f64>,
        unit: Unit,
        at: Stamp,
        reason: Option<&str>,
    ) {
        let plausible = value.is_none_or(|v| number.quantity.is_plausible(unit.to_canonical(v)));
        let validity = if reason.is_none() && plausible && !self.line_flags.not_valid {
            Validity::Valid
        } else {
            Validity::NotValid(why_not_valid(reason, plausible, number.quantity))
        };
        let may_grow = !self.totals.is_empty() || self.has_refill;
        let value = match value {
            Some(sent) if may_grow && validity == Validity::Valid => {
                Some(self.grown(channel, number.quantity, sent))
            }
            other => other,
        };
        let (quantity, frame) = (number.quantity, self.number);
        self.readings.push(channel, Nameless { quantity, value, unit, validity, frame, at });
    }

    /// A total goes on growing where the instrument's own starts again.
    fn grown(&mut self, channel: &Arc<str>, quantity: Quantity, sent: f64) -> f64 {
        if let Some(total) = self.totals.iter_mut().find(|total| total.channel == *channel) {
            return total.growth.grown(total.rule.as_ref(), sent);
        }
        if !(self.has_refill && quantity == Quantity::Volume) {
            return sent;
        }
        let mut growth = Growth::default();
        let grown = growth.grown(None, sent);
        self.totals.push(Total { channel: Arc::clone(channel), rule: None, growth });
        grown
    }
}

/// A running total.
#[derive(Debug, Clone)]
struct Total {
    channel: Arc<str>,
    /// None where only an announced refill starts it again.
    rule: Option<Rule>,
    growth: Growth,
}

const MARKED_NOT_VALID: &str = "the instrument marks it as not valid";

/// The first reason against a value. Apart from the way of the valid ones, which must be short.
#[cold]
fn why_not_valid(reason: Option<&str>, plausible: bool, quantity: Quantity) -> String {
    match reason {
        Some(why) => why.to_owned(),
        None if !plausible => format!("out of the plausible range of {quantity}"),
        None => MARKED_NOT_VALID.to_owned(),
    }
}

/// Value = number x scale. A scale of one hundredth divides by hundred, so that 687 gives the 6.87 that is
/// written and not its neighbour.
fn scaled(number: f64, scale: f64) -> f64 {
    if scale.to_bits() == 1.0_f64.to_bits() {
        return number;
    }
    let inverse = (1.0 / scale).round();
    let is_inverse = scale.abs() < 1.0 && (scale * inverse - 1.0).abs() < 1e-12;
    if is_inverse { number / inverse } else { number * scale }
}

/// How a line was recognised.
enum Hit<'p> {
    Pattern(&'p Pattern),
    Registers(&'p register::Registers, Vec<u8>, u16),
    Refused(&'static str),
}

/// What becomes of a frame, before its names are looked up.
enum Told {
    Damaged(String),
    Taken(Taken),
}

/// Flags of one line that concern its readings.
#[derive(Debug, Clone, Copy, Default)]
struct LineFlags {
    steady: Option<bool>,
    not_valid: bool,
}

impl LineFlags {
    fn of(pattern: &Pattern, captures: &[Capture]) -> Self {
        let mut flags = Self::default();
        let mut take = |name: &str, meaning: bool| match name {
            "steady" => flags.steady = Some(meaning),
            "valid" => flags.not_valid |= !meaning,
            _ => {}
        };
        for (name, meaning) in &pattern.missing_flags {
            take(name, *meaning);
        }
        for capture in captures {
            if let Held::Flag(meaning) = capture.held
                && let Op::Field(field) = &pattern.program.ops[capture.op]
            {
                take(&field.channel, meaning);
            }
        }
        flags
    }
}

/// Takes control characters off both ends, blanks off the right one.
#[inline]
fn trim(text: &mut String) {
    let is_plain = |byte: Option<&u8>| byte.is_some_and(|byte| byte.is_ascii_graphic() || *byte == b' ');
    let (first, last) = (text.as_bytes().first(), text.as_bytes().last());
    if is_plain(first) && last.is_some_and(u8::is_ascii_graphic) {
        return;
    }
    let end = text.trim_end_matches(|c: char| c.is_ascii_control() || c == ' ').len();
    text.truncate(end);
    let start = text.len() - text.trim_start_matches(|c: char| c.is_ascii_control() && c != '\t').len();
    if start > 0 {
        text.drain(..start);
    }
}
