//! The rows that a row of the ledger tells of, for places outside the record that keep them too.

use super::ledger::{hex, told_rows};
use super::table::RowHasher;
use super::{Error, LedgerRow, Reader};
use rusqlite::OptionalExtension;
use rusqlite::types::ValueRef;
use sha2::{Digest, Sha256};

/// One column of a row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cell<'a> {
    /// Nothing.
    Null,
    /// A whole number.
    Integer(i64),
    /// A number.
    Real(f64),
    /// A text.
    Text(&'a str),
    /// Bytes.
    Bytes(&'a [u8]),
}

impl<'a> Cell<'a> {
    fn of(value: ValueRef<'a>) -> rusqlite::Result<Self> {
        Ok(match value {
            ValueRef::Null => Self::Null,
            ValueRef::Integer(n) => Self::Integer(n),
            ValueRef::Real(x) => Self::Real(x),
            ValueRef::Text(_) => Self::Text(value.as_str()?),
            ValueRef::Blob(bytes) => Self::Bytes(bytes),
        })
    }

    const fn value(self) -> ValueRef<'a> {
        match self {
            Self::Null => ValueRef::Null,
            Self::Integer(n) => ValueRef::Integer(n),
            Self::Real(x) => ValueRef::Real(x),
            Self::Text(text) => ValueRef::Text(text.as_bytes()),
            Self::Bytes(bytes) => ValueRef::Blob(bytes),
        }
    }
}

/// The hash of a content from its rows, wherever they are kept: that of the ledger's `content_hash`.
#[derive(Debug, Default)]
pub struct Content(Sha256);

impl Content {
    /// The next row of the table of that name, in the order of tables and keys.
    pub fn row(&mut self, table: &str, cells: &[Cell<'_>]) {
        let mut hasher = RowHasher::new(table);
        for cell in cells {
            hasher.put(cell.value());
        }
        self.0.update(hasher.finish());
    }

    /// SHA-256, hexadecimal.
    #[must_use]
    pub fn finish(self) -> String {
        hex(&self.0.finalize())
    }
}

impl Reader {
    /// Hands over the rows that a row of the ledger tells of, but for the wire: the name of the table and the columns.
    /// Rows that an earlier row of the ledger told of, or that come with the end of the run (marks), are left out.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn told_by(
        &self,
        row: &LedgerRow,
        take: &mut dyn FnMut(&'static str, &[Cell<'_>]),
    ) -> Result<(), Error> {
        let fail = self.fail();
        let kind = row.subject.split(' ').next().unwrap_or_default();
        if kind == "mark" {
            return Ok(());
        }
        // A run begins, ends and is set aside by rows of their own; all else is told of whole each time.
        let sql = "SELECT 1 FROM ledger WHERE subject = ?1 AND n < ?2 AND (?3 <> 'run' OR verb = ?4) LIMIT 1";
        let mut earlier = self.connection.prepare_cached(sql).map_err(&fail)?;
        let before: Option<i64> = earlier
            .query_row(rusqlite::params![row.subject, row.n, kind, row.verb], |row| row.get(0))
            .optional()
            .map_err(&fail)?;
        if before.is_some() {
            return Ok(());
        }
        told_rows(&self.connection, &row.verb, &row.subject, &mut |table, row| {
            if table.name != "wire" {
                let mut cells = [Cell::Null; MOST_COLUMNS];
                for (column, cell) in cells.iter_mut().enumerate().take(table.columns) {
                    *cell = Cell::of(row.get_ref(column)?)?;
                }
                take(table.name, &cells[..table.columns.min(MOST_COLUMNS)]);
            }
            Ok(())
        })
        .map_err(&fail)
    }

    /// At most `most` rows of the ledger after row `after`, in order.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn ledger_part(&self, after: i64, most: i64) -> Result<Vec<LedgerRow>, Error> {
        let sql = "SELECT * FROM ledger WHERE n > ? ORDER BY n LIMIT ?";
        self.sealed_rows(sql, [after, most], LedgerRow::read)
    }
}

/// Columns of the widest table; a unit test compares it with the tables.
const MOST_COLUMNS: usize = 13;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_table_has_room() {
        let widest = crate::store::table::TABLES.iter().map(|table| table.columns).max().unwrap();
        assert_eq!(widest, MOST_COLUMNS);
    }
}
