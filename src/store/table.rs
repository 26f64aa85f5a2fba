//! The tables of the record as the seals see them: rows in the order of their keys, each with its hash.

use rusqlite::types::{ToSqlOutput, ValueRef};
use rusqlite::{Row, Statement, ToSql};
use sha2::{Digest, Sha256};
use std::cell::Cell;
use std::fmt;
use std::sync::LazyLock;

/// SHA-256 of one row.
pub(super) type RowHash = [u8; 32];

/// A table whose rows are sealed. Its key is its first columns, in the order of the table.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Table {
    pub(super) name: &'static str,
    /// Names of the columns of the key.
    pub(super) key: &'static [&'static str],
    /// So many columns of the key name a stream, whose rows are written in the order of the rest of the key.
    /// All of them where each row stands for itself.
    pub(super) stream: usize,
    /// Columns in all.
    pub(super) columns: usize,
    /// Its place among [`TABLES`].
    pub(super) at: usize,
}

macro_rules! tables {
    ($($constant:ident $name:literal [$($key:literal),+] $stream:literal $columns:literal)*) => {
        /// The tables in their order, to count them.
        #[expect(
            non_camel_case_types,
            clippy::upper_case_acronyms,
            reason = "they are the names of the constants"
        )]
        enum Place { $($constant,)* COUNT }
        $(pub(super) const $constant: Table = Table {
            name: $name,
            key: &[$($key),+],
            stream: $stream,
            columns: $columns,
            at: Place::$constant as usize,
        };)*
        /// Every table whose rows are sealed.
        pub(super) const TABLES: [&Table; Place::COUNT as usize] = [$(&$constant),*];
    };
}

tables! {
    TEXT "text" ["hash"] 1 3
    LINE "line" ["line_id"] 1 9
    LINE_EVENT "line_event" ["line_id", "n"] 1 6
    WIRE "wire" ["line_id", "seq"] 1 6
    DECODING "decoding" ["decoding_id"] 1 5
    CONFIRMATION "confirmation" ["profile_hash", "bench"] 2 4
    READING "reading" ["decoding_id", "frame", "field"] 1 11
    RUN "run" ["run_id"] 1 12
    RUN_END "run_end" ["run_id"] 1 5
    RUN_END_LINE "run_end_line" ["run_id", "line_id"] 2 3
    MARK "mark" ["run_id", "n"] 1 8
    NOTE "note" ["run_id", "n"] 1 6
    SET_ASIDE "set_aside" ["run_id"] 1 4
    RECKONING "reckoning" ["reckoning_id"] 1 4
    RECKONING_DECODING "reckoning_decoding" ["reckoning_id", "decoding_id"] 2 3
    POINT "point" ["reckoning_id", "generation", "n"] 1 8
    WATCH_CHANGE "watch_change" ["reckoning_id", "generation", "n"] 1 13
    FINDING "finding" ["reckoning_id", "n"] 1 8
    WARNING "warning" ["reckoning_id", "n"] 1 3
    DATUM "datum" ["datum_id"] 1 8
}

impl Table {
    /// The statements that insert a row, and that ask for the rows with the first column of a key.
    pub(super) fn sql(&self) -> (&'static str, &'static str) {
        static SQL: LazyLock<Vec<(String, String)>> = LazyLock::new(|| {
            let both = TABLES.iter().map(|table| {
                let places = vec!["?"; table.columns].join(", ");
                let insert = format!("INSERT INTO {} VALUES ({places})", table.name);
                let (first, order) = (table.key[0], table.key.join(", "));
                let ask = format!("SELECT * FROM {} WHERE {first} = ? ORDER BY {order}", table.name);
                (insert, ask)
            });
            both.collect()
        });
        SQL.get(self.at).map_or(("", ""), |(insert, ask)| (insert, ask))
    }
}

/// The table of this name.
pub(super) fn table(name: &str) -> Option<&'static Table> {
    TABLES.iter().copied().find(|table| table.name == name)
}

/// One column of a key.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
#[serde(untagged)]
pub(super) enum KeyPart {
    Number(i64),
    Text(String),
}

impl KeyPart {
    fn of(value: ValueRef<'_>) -> Self {
        match value {
            ValueRef::Integer(n) => Self::Number(n),
            other => Self::Text(String::from_utf8_lossy(other.as_bytes().unwrap_or_default()).into_owned()),
        }
    }
}

impl ToSql for KeyPart {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        match self {
            Self::Number(n) => n.to_sql(),
            Self::Text(text) => text.to_sql(),
        }
    }
}

impl fmt::Display for KeyPart {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Number(n) => n.fmt(f),
            Self::Text(text) => text.fmt(f),
        }
    }
}

/// A row in words for people: `wire (line_id 3, seq 120)`.
pub(super) fn row_name(table: &Table, key: &[KeyPart]) -> String {
    let parts: Vec<String> = table.key.iter().zip(key).map(|(name, part)| format!("{name} {part}")).collect();
    format!("{} ({})", table.name, parts.join(", "))
}

/// Hashes the columns of one row as they stand in the file.
///
/// Before each value goes a letter for its kind; numbers follow in eight bytes, the most significant first,
/// texts and bytes after their length in eight bytes. The name of the table stands first, as a text.
#[derive(Debug)]
pub(super) struct RowHasher {
    digest: Sha256,
    bytes: Vec<u8>,
}

impl RowHasher {
    /// A row of the table of that name.
    pub(super) fn new(table: &str) -> Self {
        let mut hasher = Self { digest: Sha256::new(), bytes: SCRATCH.take() };
        hasher.bytes.clear();
        hasher.put(ValueRef::Text(table.as_bytes()));
        hasher
    }

    /// The next column.
    pub(super) fn put(&mut self, value: ValueRef<'_>) {
        match value {
            ValueRef::Null => self.bytes.push(b'n'),
            ValueRef::Integer(n) => {
                self.bytes.push(b'i');
                self.bytes.extend(n.to_be_bytes());
            }
            // The file keeps no NaN (it becomes NULL) and no sign of a zero.
            ValueRef::Real(x) if x.is_nan() => self.bytes.push(b'n'),
            ValueRef::Real(x) => {
                self.bytes.push(b'r');
                self.bytes.extend((x + 0.0).to_bits().to_be_bytes());
            }
            ValueRef::Text(text) => self.put_long(b't', text),
            ValueRef::Blob(bytes) => self.put_long(b'b', bytes),
        }
    }

    fn put_long(&mut self, kind: u8, bytes: &[u8]) {
        self.bytes.push(kind);
        self.bytes.extend((bytes.len() as u64).to_be_bytes());
        self.bytes.extend(bytes);
        if self.bytes.len() > 4_096 {
            self.digest.update(&self.bytes);
            self.bytes.clear();
        }
    }

    /// The hash of the row.
    pub(super) fn finish(mut self) -> RowHash {
        self.digest.update(&self.bytes);
        SCRATCH.set(self.bytes);
        self.digest.finalize().into()
    }
}

thread_local! {
    /// The bytes of one row before they are hashed: kept from row to row, of which there are millions.
    static SCRATCH: Cell<Vec<u8>> = const { Cell::new(Vec::new()) };
}

/// The hash of a row that was read with `SELECT *`; its key is appended to `key`.
pub(super) fn read_row(table: &Table, row: &Row<'_>, key: &mut Vec<KeyPart>) -> rusqlite::Result<RowHash> {
    let mut hasher = RowHasher::new(table.name);
    for column in 0..table.columns {
        let value = row.get_ref(column)?;
        if column < table.key.len() {
            key.push(KeyPart::of(value));
        }
        hasher.put(value);
    }
    Ok(hasher.finish())
}

/// Inserts a row of values by the prepared statement of its table and gives its hash; its key is put into `key`.
pub(super) fn insert_row(
    insert: &mut Statement<'_>,
    table: &Table,
    values: &[&dyn ToSql],
    key: &mut Vec<KeyPart>,
) -> rusqlite::Result<RowHash> {
    key.clear();
    let mut hasher = RowHasher::new(table.name);
    for (column, value) in values.iter().enumerate() {
        let output = value.to_sql()?;
        let value = match &output {
            ToSqlOutput::Borrowed(value) => *value,
            ToSqlOutput::Owned(value) => ValueRef::from(value),
            // No other kind of output is made by plain values.
            _ => ValueRef::Null,
        };
        if column < table.key.len() {
            key.push(KeyPart::of(value));
        }
        hasher.put(value);
        insert.raw_bind_parameter(column + 1, &output)?;
    }
    insert.raw_execute()?;
    Ok(hasher.finish())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::open_for_writing;
    use rusqlite::Connection;

    #[test]
    fn every_table_of_the_schema_is_described_as_it_is() {
        let folder = tempfile::tempdir().unwrap();
        let connection = open_for_writing(&folder.path().join("record.db")).unwrap();
        let mut names: Vec<String> = connection
            .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT IN ('ledger', 'seal')")
            .unwrap()
            .query_map([], |row| row.get(0))
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap();
        names.sort();
        let mut known: Vec<&str> = TABLES.iter().map(|t| t.name).collect();
        known.sort_unstable();
        assert_eq!(names, known);
        for table in TABLES {
            let columns: Vec<(String, i64)> = connection
                .prepare("SELECT name, pk FROM pragma_table_info(?) ORDER BY cid")
                .unwrap()
                .query_map([table.name], |row| Ok((row.get(0)?, row.get(1)?)))
                .unwrap()
                .collect::<Result<_, _>>()
                .unwrap();
            assert_eq!(columns.len(), table.columns, "{}", table.name);
            assert_eq!(TABLES[table.at].name, table.name);
            let key: Vec<&str> = columns.iter().filter(|(_, pk)| *pk > 0).map(|(n, _)| n.as_str()).collect();
            assert_eq!(key, table.key, "{}", table.name);
            assert!(columns[..key.len()].iter().all(|(_, pk)| *pk > 0), "{}", table.name);
        }
    }

    #[test]
    fn what_is_hashed_on_the_way_in_is_what_stands_in_the_file() {
        let connection = Connection::open_in_memory().unwrap();
        connection.execute_batch("CREATE TABLE warning (a INTEGER, b REAL, c TEXT) STRICT").unwrap();
        for value in [0.0, -0.0, 1.0, f64::NAN, f64::INFINITY, 1e300, -2.5, f64::MIN_POSITIVE / 4.0, 3e15] {
            let (mut key, mut read) = (Vec::new(), Vec::new());
            let mut insert = connection.prepare_cached(WARNING.sql().0).unwrap();
            let put = insert_row(&mut insert, &WARNING, rusqlite::params![7, value, "µ"], &mut key).unwrap();
            let got = connection
                .query_row("SELECT * FROM warning ORDER BY rowid DESC LIMIT 1", [], |row| {
                    read_row(&WARNING, row, &mut read)
                })
                .unwrap();
            assert_eq!((got, read), (put, key), "{value}");
        }
    }
}
