//! A profile proposed from one capture alone.
//!
//! The order of inference: parity bit, echo, framing, flow control, checksum, encoding, decimal sign, tokens, builds of
//! line, which word belongs to which number, guards, quantities with their confidence. What stays doubtful becomes a
//! comment or one of at most three questions: a missing column is seen at once, a wrong one is not.

mod check;
mod column;
mod framing;
mod heard;
mod label;
mod pipeline;
mod quantity;
mod template;
mod text;
mod words;

use crate::reading::{Quantity, Unit};

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

#[cfg(test)]
mod debug;
