//! The record: one SQLite file; the wire before anything else.
//!
//! The only folder that knows SQL. One writer thread owns the writing connection ([`Writer`]);
//! readers open their own, read-only ([`Reader`]).

mod entry;
mod error;
mod insert;
mod open;
mod read;
mod writer;

pub use entry::{Direction, Entry, LineRow, TextKind, text_hash};
pub use error::Error;
pub use open::{SCHEMA_VERSION, open_for_reading, open_for_writing};
pub use read::{Reader, RunRow, StoredLine, StoredRun, WireChunk};
pub use writer::{Commit, NextIds, Writer, WriterState, WriterThread};
