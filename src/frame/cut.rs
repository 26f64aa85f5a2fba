//! What comes out of the cutting of a wire: pieces, and why one is no sound frame.

use crate::reading::Stamp;

/// Why a piece of the wire is no sound frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// No end came within the limit.
    #[error("longer than {0} bytes without an end")]
    TooLong(usize),
    /// A new frame began before this one had ended.
    #[error("cut short: a new frame began before its end")]
    CutShort,
    /// Bytes between frames.
    #[error("bytes outside of a frame")]
    Outside,
    /// The check value is wrong.
    #[error("the checksum does not fit")]
    Check,
    /// There is no place for a check value.
    #[error("the checksum is missing")]
    CheckMissing,
    /// A character had the wrong parity.
    #[error("a character had the wrong parity")]
    Parity,
    /// The wire ended within it.
    #[error("the wire ended before the frame did")]
    Unfinished,
}

/// One piece of the wire.
#[derive(Debug, Clone, Copy)]
pub struct Cut<'a> {
    /// What stands between the marks; the whole piece where it is damaged.
    pub body: &'a [u8],
    /// Everything of the piece, marks and check value included.
    pub raw: &'a [u8],
    /// When the chunk with its last byte arrived.
    pub at: Stamp,
    /// When the chunk with its first byte arrived.
    pub began: Stamp,
    /// Why it is no sound frame.
    pub fault: Option<Fault>,
    /// A control byte that stands for itself (ENQ, EOT).
    pub control: bool,
    /// The body as text with all that stands behind it in its chunk, where that is known to be ASCII: whole chunks are
    /// looked at once, not each piece of them.
    pub ascii: Option<&'a str>,
}
