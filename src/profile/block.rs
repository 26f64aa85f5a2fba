//! Several lines that belong together.

use super::decode::Seen;
use super::gather::MARKED_NOT_VALID;
use super::reader::{Reader, Taken, Told};
use super::{Pattern, Profile};
use crate::reading::{Reading, Stamp, Validity};
use std::sync::Arc;

/// A block: lines that make one reading, or a table.
#[derive(Debug, Clone)]
pub(crate) struct Block {
    pub name: Arc<str>,
    pub begins: Vec<Pattern>,
    pub rows: Vec<Pattern>,
    pub lines: Vec<Pattern>,
    pub ignore: Vec<Pattern>,
    pub ends: Vec<Pattern>,
    pub within_ns: u64,
}

impl Block {
    /// Whether its readings are kept until the end; those of a table are told row by row.
    pub(crate) fn is_kept(&self) -> bool {
        !self.lines.is_empty() || self.rows.is_empty()
    }
}

/// A block that has begun.
#[derive(Debug, Clone)]
pub(crate) struct Open {
    pub block: usize,
    /// When it is closed without an end; never for tables.
    pub deadline: Option<u64>,
    pub held: Vec<Reading>,
    pub steady: Option<bool>,
    pub not_valid: bool,
}

impl Reader {
    /// The open block's turn; `None` when the line is not one of its.
    pub(super) fn in_block(&mut self, profile: &Profile, index: usize, at: Stamp) -> Option<Taken> {
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

    pub(super) fn close_overdue_block(
        &mut self,
        profile: &Profile,
        now: Stamp,
        each: &mut impl FnMut(&Seen<'_>),
    ) {
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
    pub(super) fn close_block(&mut self, profile: &Profile, each: &mut impl FnMut(&Seen<'_>)) {
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
}
