//! The record: one SQLite file; the wire before anything else.
//!
//! The only folder that knows SQL. One writer thread owns the writing connection ([`Writer`]);
//! readers open their own, read-only ([`Reader`]).

mod anchor;
mod copy;
mod entry;
mod error;
mod evidence;
mod export;
mod insert;
mod ledger;
mod open;
mod place;
mod read;
mod read_ledger;
mod read_reckoning;
mod rescue;
mod rows;
mod seal;
mod signature;
mod stock;
mod table;
mod told;
mod verify;
mod whole;
mod writer;

pub use anchor::{append_anchor, parse_anchors};
pub use copy::{Continued, backup, lay_away};
pub use entry::{Direction, Entry, LineRow, NewDatum, TextKind, text_hash};
pub use error::Error;
pub use evidence::{Excerpt, check_excerpt};
pub use export::{ExportedRun, Fate, Selection};
pub use ledger::{Anchor, LedgerRow};
pub use open::{SCHEMA_VERSION, open_for_reading, open_for_writing};
pub use read::{Reader, RunRow, StoredLine, StoredRun, WireChunk};
pub use read_ledger::Datum;
pub use read_reckoning::{Choice, ReckoningSettings, StoredReckoning, TakenDecoding};
pub use rescue::{Recovered, recover};
pub use rows::ReckoningRows;
pub use signature::{
    Meaning, Portion, PublicKey, SIGNATURE, Signature, Signed, Unsigned, prove, proves, public_of, short,
};
pub use stock::{SeriesRow, StoredPortion};
pub use told::{Cell, Content};
pub use verify::{Report, Verified, WrongRow, verify};
pub use whole::{Imported, Whole, bring_in, whole};
pub use writer::{Commit, NextIds, Writer, WriterState, WriterThread};
