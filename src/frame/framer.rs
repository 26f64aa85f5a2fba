//! The machine that cuts bytes into frames.

use super::cut::{Cut, Fault};
use super::mark::{MarkAt, find_first_byte, mark_at};
use super::{Check, CheckPlace, Ending, FrameRules};
use crate::reading::Stamp;
use memchr::{memchr, memchr2, memmem};
use std::ops::Range;

const CR: u8 = 0x0D;
const LF: u8 = 0x0A;
const XON: u8 = 0x11;
const XOFF: u8 = 0x13;
/// ASCII "substitute": stands for a character whose parity was wrong.
const SUB: u8 = 0x1A;

enum Step {
    /// More bytes are needed.
    More,
    /// These bytes mean nothing (line ends between frames).
    Skip(usize),
    /// A piece of so many bytes.
    Piece(Piece, usize),
}

/// What a piece is.
struct Piece {
    body: Range<usize>,
    fault: Option<Fault>,
    control: bool,
}

impl Step {
    fn sound(body: Range<usize>, used: usize) -> Self {
        Self::Piece(Piece { body, fault: None, control: false }, used)
    }

    fn damaged(used: usize, fault: Fault) -> Self {
        Self::Piece(Piece { body: 0..used, fault: Some(fault), control: false }, used)
    }
}

/// Cuts the bytes of one wire.
#[derive(Debug, Clone)]
pub struct Framer {
    rules: FrameRules,
    held: Vec<u8>,
    cleaned: Vec<u8>,
    /// Bytes of `held` that were searched for an end already.
    scanned: usize,
    too_long: bool,
    swallow_lf: bool,
    last: Stamp,
    /// When the first byte of `held` arrived.
    held_since: Stamp,
    /// When the first byte of the piece that is handed out next arrived.
    began: Stamp,
}

impl Framer {
    /// A framer at the start of a wire.
    #[must_use]
    pub fn new(rules: FrameRules) -> Self {
        Self {
            rules,
            held: Vec::new(),
            cleaned: Vec::new(),
            scanned: 0,
            too_long: false,
            swallow_lf: false,
            last: Stamp::default(),
            held_since: Stamp::default(),
            began: Stamp::default(),
        }
    }

    /// Takes a chunk that arrived at `at` and hands out every piece that is complete.
    pub fn feed(&mut self, at: Stamp, bytes: &[u8], each: &mut impl FnMut(Cut<'_>)) {
        self.tick_until(at, bytes.len(), each);
        let cleaned = std::mem::take(&mut self.cleaned);
        if self.rules.clean.is_needed() {
            let mut cleaned = cleaned;
            cleaned.clear();
            self.clean_into(bytes, &mut cleaned);
            self.take(at, &cleaned, each);
            self.cleaned = cleaned;
        } else {
            self.take(at, bytes, each);
            self.cleaned = cleaned;
        }
        self.last = at;
    }

    /// Ends a frame that a pause ends, if `now` is late enough.
    pub fn tick(&mut self, now: Stamp, each: &mut impl FnMut(Cut<'_>)) {
        self.tick_until(now, 0, each);
    }

    /// When [`Self::tick`] has something to do, in nanoseconds of the monotonic clock.
    #[must_use]
    pub fn wake_at(&self) -> Option<u64> {
        match self.rules.ending {
            Ending::Gap { ns } if !self.held.is_empty() => Some(self.last.elapsed_ns.saturating_add(ns)),
            _ => None,
        }
    }

    /// When the first byte of a frame came that has not ended yet, in nanoseconds of the monotonic clock.
    #[must_use]
    pub fn arriving(&self) -> Option<u64> {
        (!self.held.is_empty()).then_some(self.held_since.elapsed_ns)
    }

    /// The wire is over: hands out what is left.
    pub fn finish(&mut self, each: &mut impl FnMut(Cut<'_>)) {
        let held = std::mem::take(&mut self.held);
        if held.is_empty() {
            return;
        }
        self.began = self.held_since;
        let fault = match self.rules.ending {
            Ending::Gap { .. } => None,
            _ if self.too_long => Some(Fault::TooLong(self.rules.limit)),
            _ => Some(Fault::Unfinished),
        };
        self.hand_out(&held, None, Piece { body: 0..held.len(), fault, control: false }, self.last, each);
        self.scanned = 0;
        self.too_long = false;
    }

    /// Forgets a frame that has begun (the line was closed and opened again).
    pub fn reset(&mut self) {
        self.held.clear();
        self.scanned = 0;
        self.too_long = false;
        self.swallow_lf = false;
    }

    fn clean_into(&self, bytes: &[u8], cleaned: &mut Vec<u8>) {
        let clean = self.rules.clean;
        for &byte in bytes {
            let mut byte = byte;
            if clean.seven_bits {
                byte = if clean.parity.holds(byte) { byte & 0x7F } else { SUB };
            }
            let dropped = (clean.flow_control && (byte == XON || byte == XOFF)) || (clean.nul && byte == 0);
            if !dropped {
                cleaned.push(byte);
            }
        }
    }

    fn tick_until(&mut self, now: Stamp, coming: usize, each: &mut impl FnMut(Cut<'_>)) {
        let Ending::Gap { ns } = self.rules.ending else { return };
        let coming_ns = self.rules.byte_ns.saturating_mul(coming as u64);
        let quiet_ns = now.elapsed_ns.saturating_sub(self.last.elapsed_ns).saturating_sub(coming_ns);
        if !self.held.is_empty() && quiet_ns >= ns {
            let held = std::mem::take(&mut self.held);
            self.began = self.held_since;
            let fault = self.too_long.then_some(Fault::TooLong(self.rules.limit));
            self.too_long = false;
            self.hand_out(&held, None, Piece { body: 0..held.len(), fault, control: false }, self.last, each);
        }
    }

    fn take(&mut self, at: Stamp, bytes: &[u8], each: &mut impl FnMut(Cut<'_>)) {
        if self.held.is_empty() {
            self.began = at;
            let used = self.run(at, bytes, each);
            self.held.extend_from_slice(&bytes[used..]);
            self.held_since = at;
        } else {
            let mut held = std::mem::take(&mut self.held);
            held.extend_from_slice(bytes);
            self.began = self.held_since;
            let used = self.run(at, &held, each);
            if used > 0 {
                held.drain(..used);
                self.held_since = at;
            }
            self.held = held;
        }
    }

    /// Hands out every complete piece of `data`; returns how many bytes are done with.
    fn run(&mut self, at: Stamp, data: &[u8], each: &mut impl FnMut(Cut<'_>)) -> usize {
        let (mut done, mut ascii) = (0, None);
        while done < data.len() {
            let rest = &data[done..];
            match self.step(rest) {
                Step::More => break,
                Step::Skip(used) => {
                    done += used;
                    self.scanned = 0;
                }
                Step::Piece(piece, used) => {
                    // Only where a piece ends, so that a long one that comes in many chunks is looked at once.
                    let ascii = *ascii.get_or_insert_with(|| ascii_text(data));
                    self.hand_out(&rest[..used], ascii.map(|text| (text, done)), piece, at, each);
                    done += used;
                    self.scanned = 0;
                    self.began = at;
                }
            }
        }
        done
    }

    /// `ascii`: a text that has the bytes of `raw` from the place told.
    #[inline]
    fn hand_out(
        &self,
        raw: &[u8],
        ascii: Option<(&str, usize)>,
        piece: Piece,
        at: Stamp,
        each: &mut impl FnMut(Cut<'_>),
    ) {
        let Piece { mut body, mut fault, control } = piece;
        if fault.is_none() && !control && !matches!(self.rules.ending, Ending::Between { .. }) {
            // Frames between marks were judged when their end was found.
            if let Some(check) = &self.rules.check {
                match check_before_end(check, raw, 0, &body) {
                    Ok(shorter) => body = shorter,
                    Err(why) => fault = Some(why),
                }
            }
        }
        if fault.is_none() && self.rules.clean.seven_bits && memchr(SUB, &raw[body.clone()]).is_some() {
            fault = Some(Fault::Parity);
        }
        let ascii = ascii.and_then(|(text, from)| text.get(from + body.start..));
        each(Cut { body: &raw[body], raw, at, began: self.began, fault, control, ascii });
    }

    #[inline]
    fn step(&mut self, data: &[u8]) -> Step {
        match &self.rules.ending {
            Ending::AnyLine => self.any_line(data),
            Ending::Marks(_) => self.marks(data),
            Ending::Between { .. } => self.between(data),
            Ending::Length { .. } => self.length(data),
            Ending::Gap { .. } => self.piece_of_long(data, 0).unwrap_or(Step::More),
        }
    }

    /// A piece of a frame that is longer than the limit, once it is sure that no end begins within the limit.
    fn piece_of_long(&mut self, data: &[u8], longest_end: usize) -> Option<Step> {
        let limit = self.rules.limit;
        (data.len() > limit && data.len() >= limit + longest_end).then(|| {
            self.too_long = true;
            self.scanned = 0;
            Step::damaged(limit, Fault::TooLong(limit))
        })
    }

    #[inline]
    fn line(&mut self, end: usize, used: usize) -> Step {
        let fault = std::mem::take(&mut self.too_long).then_some(Fault::TooLong(self.rules.limit));
        if end == 0 {
            Step::Skip(used)
        } else {
            Step::Piece(Piece { body: 0..end, fault, control: false }, used)
        }
    }

    fn any_line(&mut self, data: &[u8]) -> Step {
        if std::mem::take(&mut self.swallow_lf) && data[0] == LF {
            return Step::Skip(1);
        }
        let window = data.len().min(self.rules.limit + 1);
        match memchr2(CR, LF, &data[self.scanned.min(window)..window]) {
            Some(found) => {
                let end = self.scanned + found;
                if data[end] == LF {
                    return self.line(end, end + 1);
                }
                let with_lf = data.get(end + 1) == Some(&LF);
                self.swallow_lf = !with_lf;
                self.line(end, end + if with_lf { 2 } else { 1 })
            }
            None => {
                self.scanned = window;
                self.piece_of_long(data, 1).unwrap_or(Step::More)
            }
        }
    }

    #[inline]
    fn marks(&mut self, data: &[u8]) -> Step {
        let Ending::Marks(marks) = &self.rules.ending else { return Step::More };
        let window = data.len().min(self.rules.limit + 1);
        let mut from = self.scanned.min(window);
        let found = loop {
            let Some(at) = find_first_byte(marks, &data[from..window]) else { break None };
            let at = from + at;
            match mark_at(marks, data, at) {
                MarkAt::Whole(length) => break Some((at, length)),
                MarkAt::Open => {
                    self.scanned = at;
                    return Step::More;
                }
                MarkAt::No => from = at + 1,
            }
        };
        match found {
            Some((at, length)) => self.line(at, at + length),
            None => {
                let longest = marks.iter().map(|mark| mark.len()).max().unwrap_or(1);
                self.scanned = window;
                self.piece_of_long(data, longest).unwrap_or(Step::More)
            }
        }
    }

    /// Bytes before a start mark; `None` when `data` begins with it.
    fn outside(&self, data: &[u8], start: &[u8]) -> Option<Step> {
        if data.starts_with(start) {
            return None;
        }
        if self.rules.controls.contains(&data[0]) {
            return Some(Step::Piece(Piece { body: 0..1, fault: None, control: true }, 1));
        }
        let idle =
            data.iter().take_while(|byte| matches!(**byte, CR | LF | 0 | b' ') && **byte != start[0]).count();
        if idle > 0 {
            return Some(Step::Skip(idle));
        }
        let window = data.len().min(self.rules.limit + 1);
        let begins = memmem::find(&data[..window], start).unwrap_or(window);
        let control =
            data[..begins].iter().position(|byte| self.rules.controls.contains(byte)).unwrap_or(begins);
        let end = begins.min(control);
        if end < window {
            return Some(Step::damaged(end, Fault::Outside));
        }
        if data.len() > self.rules.limit {
            return Some(Step::damaged(self.rules.limit, Fault::Outside));
        }
        Some(Step::More)
    }

    fn between(&mut self, data: &[u8]) -> Step {
        let Ending::Between { start, ends } = &self.rules.ending else { return Step::More };
        if let Some(step) = self.outside(data, start) {
            return step;
        }
        let first = start.len();
        let window = data.len().min(self.rules.limit + 1);
        let mut from = self.scanned.max(first).min(window);
        let again = memmem::find(&data[from..window], start).map(|at| from + at);
        let before = again.unwrap_or(window);
        let end = loop {
            let Some(at) = find_first_byte(ends, &data[from.min(before)..before]) else { break None };
            let at = from + at;
            match mark_at(ends, data, at) {
                MarkAt::Whole(length) => break Some((at, length)),
                MarkAt::Open => return Step::More,
                MarkAt::No => from = at + 1,
            }
        };
        match (end, again) {
            (Some((at, length)), _) => self.ended(data, first, at, length, start),
            (None, Some(again)) => Step::damaged(again, Fault::CutShort),
            (None, None) if data.len() > self.rules.limit => {
                Step::damaged(self.rules.limit, Fault::TooLong(self.rules.limit))
            }
            // The mark that begins again or ends may lie across the chunk's end: search its last bytes again.
            (None, None) => {
                let longest = ends.iter().map(|end| end.len()).max().unwrap_or(1).max(first);
                self.scanned = data.len().saturating_sub(longest - 1).max(first);
                Step::More
            }
        }
    }

    /// A frame whose end mark stands at `end`.
    fn ended(&self, data: &[u8], first: usize, end: usize, length: usize, start: &[u8]) -> Step {
        let behind = end + length;
        let Some(check) = &self.rules.check else { return Step::sound(first..end, behind) };
        match &check.place {
            CheckPlace::BeforeEnd { .. } => match check_before_end(check, data, first, &(first..end)) {
                Ok(body) => Step::sound(body, behind),
                Err(why) => Step::damaged(behind, why),
            },
            CheckPlace::AfterEnd => {
                let used = behind + check.length();
                let Some(found) = data.get(behind..used) else { return Step::More };
                let from = if check.covers_start { 0 } else { first };
                let to = if check.covers_end { behind } else { end };
                if check.holds(&data[from..to], found) {
                    return Step::sound(first..end, used);
                }
                // A lost check byte must not cost the next frame.
                let used = memmem::find(found, start).map_or(used, |at| behind + at);
                Step::damaged(used, Fault::Check)
            }
        }
    }

    fn length(&self, data: &[u8]) -> Step {
        let Ending::Length { start, bytes } = &self.rules.ending else { return Step::More };
        if !start.is_empty()
            && let Some(step) = self.outside(data, start)
        {
            return step;
        }
        if data.len() < *bytes { Step::More } else { Step::sound(start.len()..*bytes, *bytes) }
    }
}

/// The body without its check value, if that holds.
fn check_before_end(
    check: &Check,
    raw: &[u8],
    start: usize,
    body: &Range<usize>,
) -> Result<Range<usize>, Fault> {
    let CheckPlace::BeforeEnd { sign } = &check.place else { return Ok(body.clone()) };
    let value_at = body.end.checked_sub(check.length()).ok_or(Fault::CheckMissing)?;
    let end = value_at.checked_sub(sign.len()).filter(|end| *end >= body.start).ok_or(Fault::CheckMissing)?;
    if raw[end..value_at] != **sign {
        return Err(Fault::CheckMissing);
    }
    let from = if check.covers_start { 0 } else { start };
    let to = if check.covers_end { value_at } else { end };
    if check.holds(&raw[from..to], &raw[value_at..body.end]) {
        Ok(body.start..end)
    } else {
        Err(Fault::Check)
    }
}

/// The bytes as text, if all of them are ASCII.
fn ascii_text(bytes: &[u8]) -> Option<&str> {
    if bytes.is_ascii() { std::str::from_utf8(bytes).ok() } else { None }
}
