//! Is everything in a record as it was written? Names what is not.

mod anchors;
mod chain;
mod rows;
mod schema;

use super::ledger::hex;
use super::open::{SEALED_FROM, open_for_reading};
use super::{Anchor, Error, SCHEMA_VERSION};
use rusqlite::Connection;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;

/// A record that was altered throughout is not listed to the last row.
const MOST_FAULTS: usize = 50;

/// Something that is not as it was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct WrongRow {
    /// Which row: table and key.
    pub row: String,
    /// What is wrong with it, in words.
    pub what: String,
}

/// How far a record was found to be in order, so that the next verification can go on from there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Verified {
    /// The head of the ledger.
    pub anchor: Anchor,
    /// The last seal.
    pub seal_n: i64,
    /// Its hash, hexadecimal.
    pub seal_hash: String,
    /// Sealed rows of each table.
    pub rows: BTreeMap<String, i64>,
}

/// What a verification found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Report {
    /// Schema of the record.
    pub schema: i64,
    /// Rows that were read and hashed.
    pub rows: u64,
    /// Seals that were recomputed.
    pub seals: u64,
    /// Rows of the ledger that were recomputed.
    pub ledger_rows: u64,
    /// Anchors from outside that were compared.
    pub anchors: u64,
    /// The head of the ledger; `None` while it is empty.
    pub anchor: Option<Anchor>,
    /// What is wrong, the first first; empty: everything is as it was written.
    pub faults: Vec<WrongRow>,
    /// Where the next verification can go on; `None` with faults, or an empty ledger.
    pub verified: Option<Verified>,
}

/// Gathers faults from several threads.
#[derive(Debug, Default)]
struct Faults(Mutex<Vec<WrongRow>>);

impl Faults {
    fn add(&self, row: impl Into<String>, what: impl Into<String>) {
        let mut faults = self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        faults.push(WrongRow { row: row.into(), what: what.into() });
    }

    fn full(&self) -> bool {
        self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner).len() >= MOST_FAULTS
    }

    fn take(self) -> Vec<WrongRow> {
        self.0.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

/// Verifies the record at `path`: its schema, the file's own order, every row under its seal, the chain of the
/// ledger with the contents it tells of, and anchors that were kept outside.
///
/// With `since` only what was added after that; `told` hears from time to time how many of how many seals are done.
///
/// # Errors
/// When the record cannot be opened. What is wrong inside it is in the report.
pub fn verify(
    path: &Path,
    since: Option<&Verified>,
    anchors: &[Anchor],
    told: &(dyn Fn(u64, u64) + Sync),
) -> Result<Report, Error> {
    let connection = open_snapshot(path)?;
    let fail = |source| Error::sqlite(path, source);
    let schema: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0)).map_err(fail)?;
    if schema > SCHEMA_VERSION {
        return Err(Error::Newer { path: path.to_owned(), found: schema, known: SCHEMA_VERSION });
    }
    let faults = Faults::default();
    schema::compare(&connection, schema, &faults).map_err(fail)?;
    let mut report = Report {
        schema,
        rows: 0,
        seals: 0,
        ledger_rows: 0,
        anchors: 0,
        anchor: None,
        faults: Vec::new(),
        verified: None,
    };
    if schema < SEALED_FROM {
        structure(&connection, &faults);
        report.faults = faults.take();
        return Ok(report);
    }
    let head = chain::head(&connection).map_err(fail)?;
    report.anchor.clone_from(&head);
    // Each thread has a connection of its own; what it reads beyond the first one's snapshot is not looked at.
    let other = open_snapshot(path)?;
    let third = open_snapshot(path)?;
    let walked = std::thread::scope(|scope| {
        let last = head.as_ref().map_or(0, |anchor| anchor.n);
        let heard = &faults;
        let structure = scope.spawn(move || structure(&third, heard));
        let ledger = scope.spawn(move || chain::walk(&other, since, last, heard));
        let walked = rows::walk(&connection, since, &faults, told);
        report.ledger_rows = ledger.join().unwrap_or_default();
        drop(structure.join());
        walked
    });
    report.anchors = anchors::compare(&connection, anchors, &faults);
    report.faults = faults.take();
    match walked {
        Ok(walked) => {
            (report.rows, report.seals) = (walked.rows, walked.seals);
            if report.faults.is_empty() {
                report.verified = head.map(|anchor| Verified {
                    anchor,
                    seal_n: walked.head.n,
                    seal_hash: hex(&walked.head.hash),
                    rows: walked.tally,
                });
            }
        }
        Err(error) => report.faults.push(unreadable(&error)),
    }
    Ok(report)
}

/// A reading connection that sees the record as it is now, whatever is written meanwhile.
fn open_snapshot(path: &Path) -> Result<Connection, Error> {
    let connection = open_for_reading(path)?;
    let begun = connection.execute_batch("BEGIN").and_then(|()| {
        connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get::<_, i64>(0))
    });
    begun.map_err(|source| Error::sqlite(path, source))?;
    Ok(connection)
}

fn unreadable(error: &rusqlite::Error) -> WrongRow {
    WrongRow { row: "the file".to_owned(), what: format!("cannot be read: {error}") }
}

/// What SQLite itself says of pages, indexes and constraints. Rows that refer to nothing would stand under no seal.
fn structure(connection: &Connection, faults: &Faults) {
    let checked = (|| -> rusqlite::Result<()> {
        let mut statement = connection.prepare("PRAGMA integrity_check(10)")?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let text: String = row.get(0)?;
            if text != "ok" {
                faults.add("the file", text);
            }
        }
        Ok(())
    })();
    if let Err(error) = checked {
        let WrongRow { row, what } = unreadable(&error);
        faults.add(row, what);
    }
}
