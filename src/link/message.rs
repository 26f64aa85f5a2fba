//! What passes through the socket: a greeting from the recorder, then wishes and events.

use crate::work::{Command, Event};
use serde::{Deserialize, Serialize};
use tokio_util::codec::LengthDelimitedCodec;

/// Raised whenever a message changes its meaning.
pub const PROTOCOL: u32 = 3;

/// Longest message in bytes. A snapshot of a run of 100 000 points is about 8 MB.
pub const LONGEST_MESSAGE: usize = 64 << 20;

/// The first message of a recorder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Greeting {
    /// [`PROTOCOL`] of the recorder.
    pub(super) protocol: u32,
    /// Version of the program.
    pub(super) version: String,
    /// Why the peer may not look, in words.
    pub(super) refused: Option<String>,
}

/// The first message of a screen.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Hello {
    /// [`PROTOCOL`] of the screen.
    pub(super) protocol: u32,
    /// Name of the person in front of it, if one was given.
    pub(super) name: Option<String>,
}

/// A wish of a screen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Wished {
    /// Number of the screen's choice; comes back with the answer.
    pub(super) id: u64,
    /// The wish.
    pub(super) command: Command,
}

/// An event as it passes.
pub(super) type Told = Event;

/// Four bytes of length, then JSON.
pub(super) fn codec() -> LengthDelimitedCodec {
    LengthDelimitedCodec::builder().max_frame_length(LONGEST_MESSAGE).new_codec()
}
