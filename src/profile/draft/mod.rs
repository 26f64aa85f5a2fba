//! A profile proposed from one capture alone.
//!
//! The order of inference: parity bit, echo, framing, flow control, checksum, encoding, decimal sign, tokens, builds of
//! line, which word belongs to which number, guards, quantities with their confidence. What stays doubtful becomes a
//! comment or one of at most three questions: a missing column is seen at once, a wrong one is not.

mod above;
mod check;
mod column;
mod example;
mod flag;
mod framing;
mod heading;
mod heard;
mod label;
mod leftover;
mod modbus;
mod over_range;
mod pattern;
mod pipeline;
mod pulse;
mod quantity;
mod question;
mod style;
mod template;
mod text;
mod words;
mod write;

use super::Profile;
use crate::reading::{Quantity, Unit};
use std::sync::Arc;

/// One chunk of a capture.
#[derive(Debug, Clone, PartialEq)]
pub struct HeardChunk {
    /// Arrival of its last byte, seconds from the start of the capture.
    pub at_s: f64,
    /// Whether we sent it.
    pub sent: bool,
    /// The bytes as they were on the line.
    pub bytes: Vec<u8>,
}

/// How the port was set while the capture was taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HeardLine {
    /// Bits per second.
    pub baud: u32,
    /// 5 to 8.
    pub data_bits: u8,
    /// `none`, `even` or `odd`.
    pub parity: String,
    /// 1 or 2.
    pub stop_bits: u8,
    /// `none`, `xon-xoff` or `rts-cts`.
    pub flow: String,
}

impl Default for HeardLine {
    fn default() -> Self {
        Self { baud: 9_600, data_bits: 8, parity: "none".to_owned(), stop_bits: 1, flow: "none".to_owned() }
    }
}

/// What a draft is made from: a capture, without its title.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Heard {
    /// The chunks in the order of the wire.
    pub chunks: Vec<HeardChunk>,
    /// Whether arrival times are known.
    pub timed: bool,
    /// How the port was set.
    pub line: HeardLine,
}

/// A column of the draft.
#[derive(Debug, Clone, PartialEq)]
pub struct DraftColumn {
    /// Name of the channel in the profile.
    pub channel: String,
    /// What it was taken for; `None` where nothing speaks for anything.
    pub quantity: Option<Quantity>,
    /// The unit that was read or assumed.
    pub unit: Option<Unit>,
    /// How sure, 0 to 1.
    pub confidence: f64,
    /// Whether it stands live in the profile or as a comment.
    pub live: bool,
    /// What it was guessed from, in words.
    pub because: Vec<String>,
    /// First and last value, as written on the wire.
    pub from_to: (f64, f64),
}

/// One thing that only a person can settle.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Question {
    /// 1, 2 or 3: the N of an answer.
    pub number: usize,
    /// The question.
    pub text: String,
    /// Two lines of the capture, each with the place marked in a second line.
    pub examples: Vec<String>,
    /// What may be answered; the guess is the first. Other quantities and units, and plain numbers, are understood too.
    pub choices: Vec<String>,
    /// What the answer changes.
    pub changes: String,
}

/// An answer to a question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DraftAnswer {
    /// Number of the question.
    pub number: usize,
    /// One of the choices, its place in the list, or a quantity and unit such as `mass g`.
    pub text: String,
}

/// A proposed profile with what is known about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// The profile as TOML.
    pub profile_text: String,
    /// Every column of numbers, live or not.
    pub columns: Vec<DraftColumn>,
    /// What could not be settled: at most three questions.
    pub questions: Vec<Question>,
    /// Answers that were not understood, in words.
    pub not_understood: Vec<String>,
    /// Lines of text that were looked at.
    pub lines: usize,
    /// Bytes at the end of a long capture that were not looked at.
    pub unread_bytes: usize,
}

/// Proposes a profile from a capture; answers refer to the questions that the same capture gives without answers.
///
/// Linear in the length of the capture, of which the first MiB is looked at.
#[must_use]
pub fn draft(heard: &Heard, answers: &[DraftAnswer]) -> Draft {
    let mut found = pipeline::run(heard);
    let topics = question::topics(&found);
    let questions: Vec<Question> =
        topics.iter().enumerate().map(|(i, t)| question::put(&found, i, t)).collect();
    let (mut settled, mut answered, mut not_understood) = (Vec::new(), Vec::new(), Vec::new());
    for answer in answers {
        let Some((topic, question)) =
            answer.number.checked_sub(1).and_then(|i| topics.get(i).zip(questions.get(i)))
        else {
            not_understood.push(format!("there is no question {}", answer.number));
            continue;
        };
        match question::settle(&mut found, topic, question, answer) {
            Ok(note) => {
                settled.push(note);
                answered.push(answer.number);
            }
            Err(why) => not_understood.push(why),
        }
    }
    settled.extend(question::open_notes(&found, &topics, &answered));
    let mut written = write::write(&found, &heard.line, true, &settled);
    // What is proposed must be sound: shapes of numbers are given up before a profile that cannot be read.
    let mut profile = Profile::parse("draft", &written.text);
    if profile.is_err() {
        written = write::write(&found, &heard.line, false, &settled);
        profile = Profile::parse("draft", &written.text);
    }
    if let Ok(profile) = profile {
        let profile = Arc::new(profile);
        written.text.push_str(&leftover::note(heard, &profile, found.stream.bytes.len()));
        written.text.push_str(&example::examples(&found, &profile, &written.asks));
    }
    Draft {
        profile_text: written.text,
        columns: written.columns,
        questions,
        not_understood,
        lines: found.lines.len(),
        unread_bytes: found.stream.unread,
    }
}
