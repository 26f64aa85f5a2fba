//! What a user writes about an instrument, and what it makes of frames: readings and marks.
//!
//! [`Profile::parse`] reads a profile and tells all its mistakes at once; [`Decoder`] turns the bytes of a
//! wire into frames, readings and marks, and says what is to be sent. The language is described for authors
//! in `protocols/README.md`.

mod ask;
mod block;
mod check;
mod compile;
mod control;
mod decode;
pub mod draft;
mod eight;
mod explain;
mod field;
mod form;
mod gather;
mod growth;
#[cfg(test)]
mod linear;
mod lint;
mod matcher;
mod number;
mod pattern;
mod program;
mod reader;
mod reading_list;
mod register;
mod shape;
mod shipped;
mod straight;
mod unit_words;

pub use crate::form::{Diagnostic, Severity};
pub use decode::{Decoded, Decoder, Fate, Mark, MarkKind, Seen};
pub use explain::{Explainer, Passed};
pub use form::json_schema;
pub use number::{Decimal, NumberStyle, Scanned, SignPlace, scan};
pub use shipped::shipped_names;

use crate::frame::{Encoding, FrameRules, TextClean};
use crate::reading::{LineSettings, Quantity};
use std::sync::Arc;

/// One kind of instrument, ready to read its wire.
#[derive(Debug, Clone)]
pub struct Profile {
    /// What the instrument is, in words.
    pub title: String,
    /// Things to know when it is connected.
    pub about: Option<String>,
    /// What it measures.
    pub measures: Vec<Quantity>,
    /// How the line is set.
    pub wire: LineSettings,
    /// The file as it was written; its content is what a run keeps.
    pub text: String,
    pub(crate) file: String,
    pub(crate) rules: FrameRules,
    pub(crate) encoding: Encoding,
    pub(crate) clean: TextClean,
    pub(crate) handshake: Option<ask::Handshake>,
    pub(crate) asks: Vec<ask::Ask>,
    pub(crate) lines: Vec<Line>,
    pub(crate) blocks: Vec<block::Block>,
    pub(crate) growths: Vec<growth::Rule>,
    pub(crate) examples: Vec<compile::Example>,
}

/// A line that means something by itself.
#[derive(Debug, Clone)]
pub(crate) struct Line {
    pub name: Arc<str>,
    pub means: Means,
    pub mark: Option<MarkKind>,
    /// Requests that it may answer; empty when it comes by itself.
    pub answers: Vec<usize>,
}

impl Line {
    /// The form of its first pattern that is read in one go, where the line says nothing beside its readings.
    fn straight(&self) -> Option<&straight::Straight> {
        match &self.means {
            Means::Like(patterns) if self.mark.is_none() => patterns.first()?.straight.as_ref(),
            Means::Like(_) | Means::Registers(_) => None,
        }
    }
}

/// How a line is recognised.
#[derive(Debug, Clone)]
pub(crate) enum Means {
    Like(Vec<Pattern>),
    Registers(register::Registers),
}

/// A pattern with what is needed to talk about it.
#[derive(Debug, Clone)]
pub(crate) struct Pattern {
    pub text: String,
    pub program: program::Program,
    /// Whether a flag of it, or the missing of one, concerns its readings.
    pub has_flags: bool,
    /// Its form that is read in one go, where it has one.
    pub straight: Option<straight::Straight>,
    /// Flags whose missing has a meaning: name and meaning.
    pub missing_flags: Vec<(Arc<str>, bool)>,
    /// Where it stands in the file.
    pub span: std::ops::Range<usize>,
}

impl Profile {
    /// Reads a profile.
    ///
    /// # Errors
    /// Every mistake of the file at once, in its order.
    pub fn parse(file: &str, text: &str) -> Result<Self, Vec<Diagnostic>> {
        compile::profile(file, text)
    }

    /// A profile that ships with the program, by its file name without ending.
    #[must_use]
    pub fn shipped(name: &str) -> Option<Self> {
        shipped::profile(name)
    }

    /// The text of a profile that ships.
    #[must_use]
    pub fn shipped_text(name: &str) -> Option<&'static str> {
        shipped::text(name)
    }

    /// How many examples the profile has.
    #[must_use]
    pub fn example_count(&self) -> usize {
        self.examples.len()
    }

    /// Everything that the profile would ever send, with the occasion in words: what a person confirms.
    #[must_use]
    pub fn sends(&self) -> Vec<(String, Vec<u8>)> {
        ask::everything_sent(self)
    }
}
