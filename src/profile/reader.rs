//! What becomes of a frame: which line, block or answer takes it.

use super::ask::{Answer, Asking};
use super::block::Open;
use super::decode::{Fate, Mark, MarkKind, Seen};
use super::gather::{LineFlags, Total, scaled};
use super::growth::{Growth, Rule};
use super::matcher::Scratch;
use super::reading_list::ReadingList;
use super::register;
use super::{Means, Pattern, Profile};
use crate::frame::{Cut, decode};
use crate::reading::{Stamp, Unit};
use std::sync::Arc;

/// What took a frame; the names are looked up when it is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Taken {
    Line(usize),
    Block(usize),
    Ignored(usize),
    BlockIgnored(usize),
    Again,
    Echo,
    Refused(&'static str),
    No,
}

/// Reads the frames of one wire.
#[derive(Debug, Clone)]
pub(super) struct Reader {
    pub(super) asking: Asking,
    pub(super) number: u64,
    pub(super) text: String,
    pub(super) scratch: Scratch,
    pub(super) readings: ReadingList,
    pub(super) marks: Vec<Mark>,
    pub(super) texts: Vec<(Arc<str>, String)>,
    pub(super) open: Option<Open>,
    pub(super) totals: Vec<Total>,
    /// Units told by earlier lines.
    pub(super) units: Vec<(Arc<str>, Unit)>,
    pub(super) echo: Vec<u8>,
    /// Number of the last sound frame of a hand-shake.
    pub(super) last_number: Option<u8>,
    pub(super) has_refill: bool,
    pub(super) line_flags: LineFlags,
    /// Lines may be read where they lie, without a copy.
    in_place: bool,
}

impl Reader {
    pub(super) fn new(profile: &Profile) -> Self {
        let has_refill = profile.lines.iter().any(|line| line.mark == Some(MarkKind::Refill));
        let total = |rule: &Rule| Total {
            channel: Arc::clone(&rule.channel),
            rule: Some(rule.clone()),
            growth: Growth::default(),
        };
        let totals: Vec<Total> = profile.growths.iter().map(total).collect();
        let as_they_come =
            profile.asks.is_empty() && profile.handshake.is_none() && !profile.clean.is_needed();
        Self {
            in_place: as_they_come && totals.is_empty() && !has_refill,
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

    pub(super) fn sent(&mut self, profile: &Profile, at: Stamp, bytes: &[u8]) {
        self.asking.sent(&profile.asks, at.elapsed_ns, bytes);
        // An answer of a hand-shake is one control byte; its echo is none that could be taken for a frame.
        if bytes.len() > 1 {
            self.echo.clear();
            self.echo.extend_from_slice(bytes);
        }
    }

    pub(super) fn take(&mut self, profile: &Profile, cut: Cut<'_>, each: &mut impl FnMut(&Seen<'_>)) {
        self.readings.clear();
        self.marks.clear();
        self.line_flags = LineFlags::default();
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
        let ascii = cut.ascii.filter(|_| body.len() == cut.body.len());
        if let Some(text) = ascii
            && self.in_place
            && cut.fault.is_none()
            && self.open.is_none()
            && self.read_in_place(profile, text, body, cut.at, each)
        {
            return;
        }
        self.text.clear();
        match ascii.and_then(|text| text.get(..body.len())) {
            Some(ascii) => self.text.push_str(ascii),
            None => decode(body, profile.encoding, &mut self.text),
        }
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

    /// Reads a line that comes by itself and is the first of its profile where it lies. `text` begins with the
    /// body; false says nothing, then the long way decides.
    #[inline]
    fn read_in_place(
        &mut self,
        profile: &Profile,
        text: &str,
        body: &[u8],
        at: Stamp,
        each: &mut impl FnMut(&Seen<'_>),
    ) -> bool {
        let Some(line) = profile.lines.first() else { return false };
        let (Some(straight), Some(own)) = (line.straight(), text.get(..body.len())) else { return false };
        if !is_trimmed(body) || !self.in_one_go(straight, text, body.len(), at) {
            return false;
        }
        let fate = Fate::Understood(&line.name);
        let number = self.number;
        self.number += 1;
        each(&Seen { number, at, text: own, fate, readings: self.readings.as_slice(), marks: &[] });
        true
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
    pub(super) fn tell(
        &mut self,
        profile: &Profile,
        at: Stamp,
        told: Told,
        each: &mut impl FnMut(&Seen<'_>),
    ) {
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
            if let Some(straight) = line.straight()
                && waiting.is_none()
                && !self.may_grow()
            {
                let text = std::mem::take(&mut self.text);
                let found = self.in_one_go(straight, &text, text.len(), at);
                self.text = text;
                if found {
                    return Some(Taken::Line(index));
                }
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

    pub(super) fn first_match<'p>(&mut self, patterns: &'p [Pattern]) -> Option<&'p Pattern> {
        patterns.iter().find(|pattern| pattern.program.run(&self.text, &mut self.scratch))
    }
}

/// How a line was recognised.
enum Hit<'p> {
    Pattern(&'p Pattern),
    Registers(&'p register::Registers, Vec<u8>, u16),
    Refused(&'static str),
}

/// What becomes of a frame, before its names are looked up.
pub(super) enum Told {
    Damaged(String),
    Taken(Taken),
}

/// Whether [`trim`] has nothing to do.
#[inline]
fn is_trimmed(text: &[u8]) -> bool {
    let is_plain = |byte: &u8| byte.is_ascii_graphic() || *byte == b' ';
    text.first().is_some_and(is_plain) && text.last().is_some_and(u8::is_ascii_graphic)
}

/// Takes control characters off both ends, blanks off the right one.
#[inline(always)]
fn trim(text: &mut String) {
    if is_trimmed(text.as_bytes()) {
        return;
    }
    let end = text.trim_end_matches(|c: char| c.is_ascii_control() || c == ' ').len();
    text.truncate(end);
    let start = text.len() - text.trim_start_matches(|c: char| c.is_ascii_control() && c != '\t').len();
    if start > 0 {
        text.drain(..start);
    }
}
