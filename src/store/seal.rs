//! Seals: which rows each commit wrote, with a mark of each and a hash chained to the seal before.

use super::table::{KeyPart, RowHash, TABLES, Table, read_row};
use rusqlite::Connection;
use sha2::{Digest, Sha256};
use std::collections::HashMap;

/// Bytes of a row's hash that a seal keeps, to name the row that is wrong.
pub(super) const MARK_BYTES: usize = 4;

/// Spans looked at before the map is asked.
const NEAR: usize = 8;

/// Most rows under one seal when rows that were there before are sealed.
const SEALED_AT_ONCE: usize = 4_096;

/// The last seal of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct SealHead {
    /// Its number, 0 for none.
    pub(super) n: i64,
    /// Its hash.
    pub(super) hash: RowHash,
}

impl SealHead {
    /// The last seal in the file.
    pub(super) fn load(connection: &Connection) -> rusqlite::Result<Self> {
        let mut statement = connection.prepare("SELECT n, hash FROM seal ORDER BY n DESC LIMIT 1")?;
        let mut rows = statement.query([])?;
        Ok(match rows.next()? {
            Some(row) => Self { n: row.get(0)?, hash: row.get(1)? },
            None => Self::default(),
        })
    }
}

/// Rows of one stream that follow each other: table, key of the first, count.
pub(super) type Span = (String, Vec<KeyPart>, usize);

/// The hash of a seal: that of the seal before, the number, the spans as written, the hash of each row.
pub(super) fn seal_hash<'a>(
    before: &RowHash,
    n: i64,
    spans: &str,
    rows: impl IntoIterator<Item = &'a RowHash>,
) -> RowHash {
    let mut digest = Sha256::new();
    digest.update(before);
    digest.update(n.to_be_bytes());
    digest.update((spans.len() as u64).to_be_bytes());
    digest.update(spans);
    for row in rows {
        digest.update(row);
    }
    digest.finalize().into()
}

/// The marks of a seal: that of its spans, then those of the rows.
pub(super) fn marks<'a>(spans: &str, rows: impl IntoIterator<Item = &'a RowHash>) -> Vec<u8> {
    let mut marks = Sha256::digest(spans)[..MARK_BYTES].to_vec();
    marks.extend(rows.into_iter().flat_map(|row| &row[..MARK_BYTES]));
    marks
}

/// A span that still grows.
struct Open {
    table: &'static Table,
    first: Vec<KeyPart>,
    last: Vec<KeyPart>,
    rows: Vec<RowHash>,
}

/// Gathers the rows of one commit.
#[derive(Default)]
pub(super) struct Sealing {
    spans: Vec<Open>,
    /// The span that a stream of a table grows.
    growing: HashMap<(&'static str, Vec<KeyPart>), usize>,
    rows: usize,
}

impl Sealing {
    /// Puts a row that is in the file under the seal.
    pub(super) fn add(&mut self, table: &'static Table, key: &[KeyPart], hash: RowHash) {
        self.rows += 1;
        let of_stream =
            |open: &Open| open.table.at == table.at && open.first[..table.stream] == key[..table.stream];
        // Most rows follow one that was written a moment before.
        let far = self.spans.len().saturating_sub(NEAR);
        let near = self.spans[far..].iter().rposition(of_stream).map(|at| far + at);
        let stream = || (table.name, key[..table.stream].to_vec());
        let at = near.or_else(|| self.growing.get(&stream()).copied());
        if let Some(open) = at.and_then(|at| self.spans.get_mut(at)).filter(|open| *key > *open.last) {
            open.last.clone_from_slice(key);
            open.rows.push(hash);
            return;
        }
        self.growing.insert(stream(), self.spans.len());
        self.spans.push(Open { table, first: key.to_vec(), last: key.to_vec(), rows: vec![hash] });
    }

    /// Writes the seal, if there is anything to seal, and gives the new last one.
    pub(super) fn finish(self, connection: &Connection, head: SealHead) -> rusqlite::Result<SealHead> {
        if self.rows == 0 {
            return Ok(head);
        }
        let spans: Vec<_> = self.spans.iter().map(|s| (s.table.name, &s.first, s.rows.len())).collect();
        let spans =
            serde_json::to_string(&spans).map_err(|e| rusqlite::Error::ToSqlConversionFailure(e.into()))?;
        let rows = || self.spans.iter().flat_map(|span| &span.rows);
        let n = head.n + 1;
        let hash = seal_hash(&head.hash, n, &spans, rows());
        let marks = marks(&spans, rows());
        connection
            .prepare_cached("INSERT INTO seal VALUES (?, ?, ?, ?)")?
            .execute(rusqlite::params![n, spans, marks, hash])?;
        Ok(SealHead { n, hash })
    }
}

/// Seals what was written before there were seals, as it is found.
pub(super) fn seal_what_is_there(connection: &Connection) -> rusqlite::Result<SealHead> {
    let mut head = SealHead::load(connection)?;
    for table in TABLES {
        let sql = format!("SELECT * FROM {} ORDER BY {}", table.name, table.key.join(", "));
        let mut statement = connection.prepare(&sql)?;
        let mut rows = statement.query([])?;
        let mut sealing = Sealing::default();
        let mut key = Vec::new();
        while let Some(row) = rows.next()? {
            key.clear();
            let hash = read_row(table, row, &mut key)?;
            sealing.add(table, &key, hash);
            if sealing.rows >= SEALED_AT_ONCE {
                head = std::mem::take(&mut sealing).finish(connection, head)?;
            }
        }
        head = sealing.finish(connection, head)?;
    }
    Ok(head)
}
