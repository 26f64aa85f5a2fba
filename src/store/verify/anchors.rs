//! Anchors that were kept outside the record.

use super::{Faults, unreadable};
use crate::store::Anchor;
use rusqlite::{Connection, OptionalExtension};

/// Compares each anchor with the ledger; gives how many.
pub(super) fn compare(connection: &Connection, anchors: &[Anchor], faults: &Faults) -> u64 {
    let mut count = 0;
    for anchor in anchors {
        count += 1;
        let found = connection
            .query_row("SELECT hash FROM ledger WHERE n = ?", [anchor.n], |row| row.get::<_, String>(0))
            .optional();
        match found {
            Ok(Some(hash)) if hash == anchor.hash => {}
            Ok(Some(_)) => faults.add(
                format!("ledger (n {})", anchor.n),
                "is not the row that the anchor tells of: the ledger was written anew at or before it, or this is another record",
            ),
            Ok(None) => faults.add(
                format!("ledger (n {})", anchor.n),
                "is missing, the anchor tells of it: the end of the record was cut off, or an older copy was put in its place",
            ),
            Err(error) => {
                let wrong = unreadable(&error);
                faults.add(wrong.row, wrong.what);
            }
        }
    }
    count
}
