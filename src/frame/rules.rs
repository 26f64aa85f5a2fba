//! How the bytes of one kind of instrument are cut.

use super::Check;
use crate::reading::Parity;

/// Where a frame ends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ending {
    /// At CR, LF or CR LF, whatever comes.
    AnyLine,
    /// At one of these byte sequences (never empty).
    Marks(Vec<Box<[u8]>>),
    /// Between a start mark and an end mark.
    Between {
        /// The start mark.
        start: Box<[u8]>,
        /// The end marks.
        ends: Vec<Box<[u8]>>,
    },
    /// After so many bytes, counted with the start mark where there is one.
    Length {
        /// Bytes that a frame begins with; may be empty.
        start: Box<[u8]>,
        /// Length in bytes.
        bytes: usize,
    },
    /// When the line has been quiet for so long.
    Gap {
        /// The pause in nanoseconds.
        ns: u64,
    },
}

/// What is done to the single bytes before they are cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ByteClean {
    /// Take the highest bit off.
    pub seven_bits: bool,
    /// Judge the highest bit as parity before it is taken off: a frame with a wrong one is damaged.
    pub parity: Parity,
    /// Drop XON and XOFF.
    pub flow_control: bool,
    /// Drop NUL.
    pub nul: bool,
}

impl ByteClean {
    /// Whether there is anything to do.
    #[must_use]
    pub const fn is_needed(self) -> bool {
        self.seven_bits || self.flow_control || self.nul
    }
}

/// All rules of one wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FrameRules {
    /// Where a frame ends.
    pub ending: Ending,
    /// The checksum, where there is one.
    pub check: Option<Check>,
    /// What is done to single bytes first.
    pub clean: ByteClean,
    /// Single control bytes that stand for themselves outside of frames (ENQ, ACK, NAK, EOT).
    pub controls: Vec<u8>,
    /// Longest frame in bytes; longer ones come out in damaged pieces.
    pub limit: usize,
    /// Time that one byte takes on the line in nanoseconds; 0 when it is not known.
    pub byte_ns: u64,
}

impl Default for FrameRules {
    fn default() -> Self {
        Self {
            ending: Ending::AnyLine,
            check: None,
            clean: ByteClean::default(),
            controls: Vec::new(),
            limit: 65_536,
            byte_ns: 0,
        }
    }
}
