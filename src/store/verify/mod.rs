//! Is everything in a record as it was written? Names what is not.

mod anchors;
mod chain;
mod rows;
mod schema;

use super::ledger::hex;
use super::open::{SEALED_FROM, open_for_reading};
use super::{Anchor, Error, SCHEMA_VERSION};
use rayon::prelude::*;
use rusqlite::Connection;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

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

/// Gathers faults.
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
    report.faults = faults.take();
    let (walked, ledger_rows) = walk(path, &connection, since, head.as_ref(), &mut report.faults, told)?;
    report.ledger_rows = ledger_rows;
    let faults = Faults::default();
    report.anchors = anchors::compare(&connection, anchors, &faults);
    report.faults.append(&mut faults.take());
    (report.rows, report.seals) = (walked.rows, walked.seals);
    if report.faults.is_empty() {
        report.verified = head.map(|anchor| Verified {
            anchor,
            seal_n: walked.head.n,
            seal_hash: hex(&walked.head.hash),
            rows: walked.by_table(),
        });
    }
    Ok(report)
}

/// A part of the verification that needs no other: each link of a chain is compared with the one before as it is kept.
enum Part {
    Structure,
    /// Rows of the ledger, from the first to the last.
    Ledger(i64, i64),
    /// Seals with the rows under them.
    Seals(i64, i64),
}

/// What came of a part.
#[derive(Default)]
struct Done {
    walked: rows::Walked,
    ledger_rows: u64,
    faults: Vec<WrongRow>,
}

/// Parts into which a chain is cut for each thread: some take longer than others.
const PARTS_EACH: i64 = 4;

/// Fewest links of a chain in a part: at its beginning rows are read that the part before has read too.
const FEWEST: i64 = 64;

/// A chain from `after` to `last` in parts.
fn parts(after: i64, last: i64) -> impl Iterator<Item = (i64, i64)> {
    let threads = i64::try_from(rayon::current_num_threads()).unwrap_or(1);
    let length = ((last - after) / (threads * PARTS_EACH)).max(FEWEST);
    let starts = (0..).map(move |n| after + n * length).take_while(move |before| *before < last);
    starts.map(move |before| (before + 1, (before + length).min(last)))
}

/// Goes through seals, rows, ledger and the structure of the file on every processor.
fn walk(
    path: &Path,
    connection: &Connection,
    since: Option<&Verified>,
    head: Option<&Anchor>,
    faults: &mut Vec<WrongRow>,
    told: &(dyn Fn(u64, u64) + Sync),
) -> Result<(rows::Walked, u64), Error> {
    let own = Faults::default();
    let begun = rows::begin(connection, since, &own)
        .and_then(|last| chain::joins(connection, since, &own).map(|joins| (last, joins)));
    let (last_seal, ledger_joins) = match begun {
        Ok(begun) => begun,
        Err(error) => {
            faults.append(&mut own.take());
            faults.push(unreadable(&error));
            return Ok((rows::Walked::default(), 0));
        }
    };
    faults.append(&mut own.take());
    let (seal, row) = since.map_or((0, 0), |v| (v.seal_n, v.anchor.n));
    let last_row = head.filter(|_| ledger_joins).map_or(0, |anchor| anchor.n);
    // The one that cannot be cut goes first.
    let all: Vec<Part> = std::iter::once(Part::Structure)
        .chain(parts(seal, last_seal).map(|(from, to)| Part::Seals(from, to)))
        .chain(parts(row, last_row).map(|(from, to)| Part::Ledger(from, to)))
        .collect();
    let seals =
        Progress { told, total: u64::try_from(last_seal - seal).unwrap_or(0), done: AtomicU64::new(0) };
    // Each part has a connection of its own; what it could read beyond the first one's moment is not looked at.
    let done: Vec<Done> = all
        .into_par_iter()
        .map(|part| {
            let connection = open_snapshot(path)?;
            let faults = Faults::default();
            let mut done = Done::default();
            match part {
                Part::Structure => structure(&connection, &faults),
                Part::Ledger(from, to) => done.ledger_rows = chain::walk(&connection, (from, to), &faults),
                Part::Seals(from, to) => match rows::walk(&connection, (from, to), &faults, &seals) {
                    Ok(walked) => done.walked = walked,
                    Err(error) => {
                        let WrongRow { row, what } = unreadable(&error);
                        faults.add(row, what);
                    }
                },
            }
            done.faults = faults.take();
            Ok(done)
        })
        .collect::<Result<_, Error>>()?;
    let mut walked = rows::Walked::after(connection, since).map_err(|source| Error::sqlite(path, source))?;
    let mut ledger_rows = 0;
    // The structure is told last: a row that is wrong says more.
    let mut done = done.into_iter();
    let structure = done.next();
    for mut part in done.chain(structure) {
        walked.join(part.walked);
        ledger_rows += part.ledger_rows;
        faults.append(&mut part.faults);
    }
    if faults.len() < MOST_FAULTS {
        let own = Faults::default();
        if let Err(error) = rows::unsealed(connection, &walked, &own) {
            let WrongRow { row, what } = unreadable(&error);
            own.add(row, what);
        }
        faults.append(&mut own.take());
    }
    Ok((walked, ledger_rows))
}

/// How far the seals are, told by several threads.
struct Progress<'a> {
    told: &'a (dyn Fn(u64, u64) + Sync),
    total: u64,
    done: AtomicU64,
}

impl Progress<'_> {
    fn more(&self, seals: u64) {
        let done = self.done.fetch_add(seals, Ordering::Relaxed) + seals;
        (self.told)(done, self.total);
    }
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
