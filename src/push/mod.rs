//! Sealed runs to one PostgreSQL database of many benches.
//!
//! What goes there is the ledger of a record and the rows that it tells of, in the order of the ledger: how far the database
//! is follows from its own last row, a batch is one transaction, and so each run is there once, whatever was cut off.
//! `README.md` beside this file says what roles are needed and what a large site needs.

mod binary;
mod connect;
mod error;
mod prepare;
mod send;
mod verify;

pub use connect::{Security, Server};
pub use error::Error;
pub use prepare::{SCHEMA_VERSION, prepare};
pub use send::{Pushed, push};
pub use verify::{CentralReport, verify};

/// The tables, each with its columns in the record and its key there.
const TABLES: [(&str, usize, &str); 16] = [
    ("text", 3, "hash"),
    ("confirmation", 4, "profile_hash, bench"),
    ("run", 12, "run_id"),
    ("run_end", 5, "run_id"),
    ("run_end_line", 3, "run_id, line_id"),
    ("mark", 8, "run_id, n"),
    ("note", 6, "run_id, n"),
    ("set_aside", 4, "run_id"),
    ("reckoning", 4, "reckoning_id"),
    ("reckoning_decoding", 3, "reckoning_id, decoding_id"),
    ("point", 8, "reckoning_id, generation, n"),
    ("watch_change", 13, "reckoning_id, generation, n"),
    ("finding", 8, "reckoning_id, n"),
    ("warning", 3, "reckoning_id, n"),
    ("datum", 8, "datum_id"),
    ("ledger", 13, "n"),
];
