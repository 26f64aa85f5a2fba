//! The chain of the ledger, the contents it tells of, and its hold on the seals.

use super::{Faults, Verified, unreadable};
use crate::store::ledger::{content_hash, hex};
use crate::store::{Anchor, LedgerRow};
use rusqlite::{Connection, OptionalExtension};

/// The head of the ledger.
pub(super) fn head(connection: &Connection) -> rusqlite::Result<Option<Anchor>> {
    let sql = "SELECT n, hash, utc_us FROM ledger ORDER BY n DESC LIMIT 1";
    let read =
        |row: &rusqlite::Row<'_>| Ok(Anchor { n: row.get(0)?, hash: row.get(1)?, utc_us: row.get(2)? });
    connection.query_row(sql, [], read).optional()
}

/// Whether the ledger still has the row at which the verification before ended.
pub(super) fn joins(
    connection: &Connection,
    since: Option<&Verified>,
    faults: &Faults,
) -> rusqlite::Result<bool> {
    let Some(since) = since else { return Ok(true) };
    let joins = hash_of(connection, since.anchor.n)?.as_ref() == Some(&since.anchor.hash);
    if !joins {
        let what = "is not the row that was verified before; verify the whole record";
        faults.add(format!("ledger (n {})", since.anchor.n), what);
    }
    Ok(joins)
}

fn hash_of(connection: &Connection, n: i64) -> rusqlite::Result<Option<String>> {
    connection.query_row("SELECT hash FROM ledger WHERE n = ?", [n], |row| row.get(0)).optional()
}

/// Recomputes the rows of the ledger from the first to the last of these; gives how many.
pub(super) fn walk(connection: &Connection, range: (i64, i64), faults: &Faults) -> u64 {
    let mut count = 0;
    if let Err(error) = walk_rows(connection, range, faults, &mut count) {
        let wrong = unreadable(&error);
        faults.add("ledger", wrong.what);
    }
    count
}

fn walk_rows(
    connection: &Connection,
    (from, last): (i64, i64),
    faults: &Faults,
    count: &mut u64,
) -> rusqlite::Result<()> {
    let (mut n, mut hash) = (from - 1, String::new());
    if n > 0 {
        match hash_of(connection, n)? {
            Some(before) => hash = before,
            None => faults.add(format!("ledger (n {n})"), "is missing"),
        }
    }
    let mut statement = connection.prepare("SELECT * FROM ledger WHERE n > ? AND n <= ? ORDER BY n")?;
    let mut rows = statement.query([from - 1, last])?;
    let mut seal = connection.prepare("SELECT hash FROM seal WHERE n = ?")?;
    let mut sealed = (0, hex(&[0; 32]));
    while let Some(row) = rows.next()? {
        let row = LedgerRow::read(row)?;
        let name = format!("ledger (n {})", row.n);
        *count += 1;
        if row.n != n + 1 {
            faults.add(format!("ledger (n {})", n + 1), "is missing");
        } else if row.hash != row.expected_hash() {
            faults.add(&name, "was changed: its hash is not that of its contents");
        } else if row.prev_hash != hash {
            faults.add(&name, "does not follow from the row before it");
        } else {
            if row.content_hash != content_hash(connection, &row.verb, &row.subject)? {
                faults.add(&name, format!("{} is not what was entered here", row.subject));
            }
            // Decisions of one commit tell of one seal, whose row may be long.
            if row.seal_n != sealed.0 {
                let found: Option<Vec<u8>> = seal.query_row([row.seal_n], |row| row.get(0)).optional()?;
                sealed = (row.seal_n, found.map_or_else(|| hex(&[0; 32]), |hash| hex(&hash)));
            }
            if sealed.1 != row.seal_hash {
                faults
                    .add(format!("seal (n {})", row.seal_n), format!("is not the one that {name} tells of"));
            }
        }
        (n, hash) = (row.n, row.hash);
        if faults.full() {
            break;
        }
    }
    Ok(())
}
