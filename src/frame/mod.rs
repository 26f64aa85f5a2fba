//! Bytes are cut into frames: by line ends, by start and end marks with a checksum, by length or by a pause.
//!
//! Pure: the same bytes give the same frames whatever the chunks they came in. Memory is bounded by
//! [`FrameRules::limit`]; what does not fit the rules comes out as a damaged frame, never as silence.

mod checksum;
mod cut;
mod framer;
mod mark;
mod rules;
mod text;

pub(crate) use checksum::hex_byte;
pub use checksum::{Check, CheckKind, CheckPlace};
pub use cut::{Cut, Fault};
pub use framer::Framer;
pub use rules::{ByteClean, Ending, FrameRules};
pub use text::{Encoding, TextClean, decode};
