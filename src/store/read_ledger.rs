//! Questions about documents and the ledger.

use super::open::SEALED_FROM;
use super::{Anchor, Error, LedgerRow, Reader};
use crate::work::Origin;
use rusqlite::{Params, Row};
use serde::{Deserialize, Serialize};

/// One version of a document.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Datum {
    /// Its number in the record.
    pub id: i64,
    /// What it is.
    pub kind: String,
    /// Which one of its kind.
    pub name: String,
    /// JSON.
    pub body: String,
    /// When it was made, microseconds since 1970 UTC.
    pub utc_us: i64,
    /// Local time minus UTC in seconds.
    pub utc_offset_s: i32,
    /// Who made it.
    pub who: String,
    /// Where it came from.
    pub origin: Origin,
}

const DATUM: &str = "SELECT datum_id, kind, name, body, utc_us, utc_offset_s, who, origin FROM datum";

fn datum_row(row: &Row<'_>) -> rusqlite::Result<Datum> {
    Ok(Datum {
        id: row.get(0)?,
        kind: row.get(1)?,
        name: row.get(2)?,
        body: row.get(3)?,
        utc_us: row.get(4)?,
        utc_offset_s: row.get(5)?,
        who: row.get(6)?,
        // The table's CHECK lets no other word in.
        origin: Origin::parse(&row.get::<_, String>(7)?).unwrap_or(Origin::Imported),
    })
}

impl Reader {
    /// The version of a document that holds, if there is one.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn latest_datum(&self, kind: &str, name: &str) -> Result<Option<Datum>, Error> {
        let which = "WHERE kind = ? AND name = ? ORDER BY datum_id DESC LIMIT 1";
        Ok(self.sealed_rows(&format!("{DATUM} {which}"), [kind, name], datum_row)?.pop())
    }

    /// The version that holds of every document of a kind, in the order of their names.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn datums(&self, kind: &str) -> Result<Vec<Datum>, Error> {
        let which =
            "WHERE datum_id IN (SELECT max(datum_id) FROM datum WHERE kind = ? GROUP BY name) ORDER BY name";
        self.sealed_rows(&format!("{DATUM} {which}"), [kind], datum_row)
    }

    /// Every version of every document of a kind, the oldest first.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn all_of_kind(&self, kind: &str) -> Result<Vec<Datum>, Error> {
        self.sealed_rows(&format!("{DATUM} WHERE kind = ? ORDER BY datum_id"), [kind], datum_row)
    }

    /// The latest documents of a kind, at most `most`, the oldest first.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn latest_of_kind(&self, kind: &str, most: usize) -> Result<Vec<Datum>, Error> {
        let which = format!("{DATUM} WHERE kind = ? ORDER BY datum_id DESC LIMIT {most}");
        let mut rows = self.sealed_rows(&which, [kind], datum_row)?;
        rows.reverse();
        Ok(rows)
    }

    /// The kinds of documents there are.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn datum_kinds(&self) -> Result<Vec<String>, Error> {
        self.sealed_rows("SELECT DISTINCT kind FROM datum ORDER BY kind", [], |row| row.get(0))
    }

    /// Every version of a document, the oldest first.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn datum_versions(&self, kind: &str, name: &str) -> Result<Vec<Datum>, Error> {
        let which = "WHERE kind = ? AND name = ? ORDER BY datum_id";
        self.sealed_rows(&format!("{DATUM} {which}"), [kind, name], datum_row)
    }

    /// One version of a document by its number.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn datum(&self, id: i64) -> Result<Option<Datum>, Error> {
        Ok(self.sealed_rows(&format!("{DATUM} WHERE datum_id = ?"), [id], datum_row)?.pop())
    }

    /// The rows of the ledger after row `after` (0: all), in order.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn ledger(&self, after: i64) -> Result<Vec<LedgerRow>, Error> {
        self.sealed_rows("SELECT * FROM ledger WHERE n > ? ORDER BY n", [after], LedgerRow::read)
    }

    /// The rows of the ledger that tell of a subject such as `run 12`, in order.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn ledger_of(&self, subject: &str) -> Result<Vec<LedgerRow>, Error> {
        self.sealed_rows("SELECT * FROM ledger WHERE subject = ? ORDER BY n", [subject], LedgerRow::read)
    }

    /// The head of the ledger; `None` while it is empty.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn anchor(&self) -> Result<Option<Anchor>, Error> {
        let sql = "SELECT n, hash, utc_us FROM ledger ORDER BY n DESC LIMIT 1";
        let read = |row: &Row<'_>| Ok(Anchor { n: row.get(0)?, hash: row.get(1)?, utc_us: row.get(2)? });
        Ok(self.sealed_rows(sql, [], read)?.pop())
    }

    /// Whether the schema has ledger, documents and seals.
    pub(super) fn is_sealed(&self) -> Result<bool, Error> {
        let version: i64 = self
            .connection
            .pragma_query_value(None, "user_version", |row| row.get(0))
            .map_err(self.fail())?;
        Ok(version >= SEALED_FROM)
    }

    /// Rows of a table that records have since schema 2; an older one has none.
    pub(super) fn sealed_rows<T>(
        &self,
        sql: &str,
        values: impl Params,
        read: impl Fn(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, Error> {
        let fail = self.fail();
        if !self.is_sealed()? {
            return Ok(Vec::new());
        }
        let mut statement = self.connection.prepare_cached(sql).map_err(&fail)?;
        let rows = statement.query_map(values, |row| read(row)).map_err(&fail)?;
        rows.collect::<rusqlite::Result<Vec<_>>>().map_err(&fail)
    }
}
