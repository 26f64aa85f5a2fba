//! From the bytes of a wire to frames, readings and marks.

use super::Profile;
use super::ask::Asking;
use super::reader::Reader;
use crate::frame::Framer;
use crate::reading::{FrameFate, FrameLine, Reading, Stamp};
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

impl Mark {
    /// The text or the number of this name in the line, as text.
    #[must_use]
    pub fn text(&self, name: &str) -> Option<String> {
        let text = self.texts.iter().find(|(of, _)| &**of == name).map(|(_, text)| text.clone());
        text.or_else(|| self.readings.iter().find(|r| &*r.channel == name)?.value.map(|v| v.to_string()))
    }
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
