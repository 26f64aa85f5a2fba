//! The ledger: a hash chain over what people and the program decided.

use super::seal::SealHead;
use super::table::{
    CONFIRMATION, DATUM, FINDING, MARK, NOTE, POINT, RECKONING, RECKONING_DECODING, RUN, RUN_END,
    RUN_END_LINE, RowHasher, SET_ASIDE, Table, WARNING, WATCH_CHANGE, WIRE, read_row,
};
use crate::work::how_known;
use rusqlite::{Connection, OptionalExtension, Row, ToSql, params};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// One row of the ledger.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LedgerRow {
    /// Counted from 1.
    pub n: i64,
    /// When it was decided, microseconds since 1970 UTC.
    pub utc_us: i64,
    /// Local time minus UTC in seconds.
    pub utc_offset_s: i32,
    /// Who decided.
    pub who: String,
    /// How that is known: `account`, `named`, `key`, or `program`.
    pub identity: String,
    /// What was done.
    pub verb: String,
    /// To what: `run 12`, `reckoning 30`, `datum 7`.
    pub subject: String,
    /// SHA-256 over the rows of the subject, hexadecimal; of nothing, for a subject without rows.
    pub content_hash: String,
    /// Why.
    pub why: String,
    /// The last seal at that time.
    pub seal_n: i64,
    /// Its hash, hexadecimal.
    pub seal_hash: String,
    /// Hash of the row before; empty for the first.
    pub prev_hash: String,
    /// SHA-256 of everything above, hexadecimal.
    pub hash: String,
}

impl LedgerRow {
    /// What [`Self::hash`] has to be.
    #[must_use]
    pub fn expected_hash(&self) -> String {
        use rusqlite::types::ValueRef::{Integer, Text};
        let mut hasher = RowHasher::new("ledger");
        hasher.put(Integer(self.n));
        hasher.put(Integer(self.utc_us));
        hasher.put(Integer(self.utc_offset_s.into()));
        for text in [&self.who, &self.identity, &self.verb, &self.subject, &self.content_hash, &self.why] {
            hasher.put(Text(text.as_bytes()));
        }
        hasher.put(Integer(self.seal_n));
        hasher.put(Text(self.seal_hash.as_bytes()));
        hasher.put(Text(self.prev_hash.as_bytes()));
        hex(&hasher.finish())
    }

    pub(super) fn read(row: &rusqlite::Row<'_>) -> rusqlite::Result<Self> {
        Ok(Self {
            n: row.get(0)?,
            utc_us: row.get(1)?,
            utc_offset_s: row.get(2)?,
            who: row.get(3)?,
            identity: row.get(4)?,
            verb: row.get(5)?,
            subject: row.get(6)?,
            content_hash: row.get(7)?,
            why: row.get(8)?,
            seal_n: row.get(9)?,
            seal_hash: row.get(10)?,
            prev_hash: row.get(11)?,
            hash: row.get(12)?,
        })
    }
}

/// The head of the ledger: it stands for everything that was decided and committed before it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Anchor {
    /// Number of the last row.
    pub n: i64,
    /// Its hash, hexadecimal.
    pub hash: String,
    /// When it was written, microseconds since 1970 UTC.
    pub utc_us: i64,
}

/// Something decided, before it has its place in the chain.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Decision {
    pub(super) who: String,
    pub(super) verb: String,
    pub(super) subject: String,
    pub(super) why: String,
}

/// The last row of the ledger and the last seal.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Chain {
    pub(super) seal: SealHead,
    pub(super) n: i64,
    pub(super) hash: String,
}

impl Chain {
    /// As the file has it.
    pub(super) fn load(connection: &Connection) -> rusqlite::Result<Self> {
        let last = connection
            .query_row("SELECT n, hash FROM ledger ORDER BY n DESC LIMIT 1", [], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })
            .optional()?;
        let (n, hash) = last.unwrap_or_default();
        Ok(Self { seal: SealHead::load(connection)?, n, hash })
    }

    /// Appends a decision; the rows that it tells of are in the file, under the seal.
    pub(super) fn append(
        &mut self,
        connection: &Connection,
        decision: &Decision,
        utc_us: i64,
    ) -> rusqlite::Result<()> {
        let mut row = LedgerRow {
            n: self.n + 1,
            utc_us,
            utc_offset_s: utc_offset_s(utc_us),
            who: decision.who.clone(),
            identity: how_known(&decision.who).to_owned(),
            verb: decision.verb.clone(),
            subject: decision.subject.clone(),
            content_hash: content_hash(connection, &decision.verb, &decision.subject)?,
            why: decision.why.clone(),
            seal_n: self.seal.n,
            seal_hash: hex(&self.seal.hash),
            prev_hash: self.hash.clone(),
            hash: String::new(),
        };
        row.hash = row.expected_hash();
        connection
            .prepare_cached("INSERT INTO ledger VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)")?
            .execute(params![
                row.n,
                row.utc_us,
                row.utc_offset_s,
                row.who,
                row.identity,
                row.verb,
                row.subject,
                row.content_hash,
                row.why,
                row.seal_n,
                row.seal_hash,
                row.prev_hash,
                row.hash
            ])?;
        self.n = row.n;
        self.hash = row.hash;
        Ok(())
    }
}

/// Hexadecimal digits of bytes.
pub(super) fn hex(bytes: &[u8]) -> String {
    let digit = |n: u8| char::from_digit(u32::from(n), 16).unwrap_or('0');
    bytes.iter().flat_map(|byte| [digit(byte >> 4), digit(byte & 15)]).collect()
}

/// Local time minus UTC at that moment, in seconds.
pub(super) fn utc_offset_s(utc_us: i64) -> i32 {
    jiff::Timestamp::from_microsecond(utc_us)
        .map_or(0, |t| t.to_zoned_datetime(jiff::tz::TimeZone::system()).offset().seconds())
}

/// The wire that counted for a run: from where its first evaluation reads, to where it ended.
const WIRE_OF_RUN: &str = "SELECT wire.* FROM run_end_line AS ended
    JOIN wire ON wire.line_id = ended.line_id AND wire.seq <= ended.to_seq AND wire.seq >= coalesce(
        (SELECT min(taken.from_seq) FROM reckoning_decoding AS taken JOIN decoding USING (decoding_id)
         WHERE decoding.line_id = ended.line_id AND taken.reckoning_id =
             (SELECT min(reckoning_id) FROM reckoning WHERE run_id = ended.run_id)), 0)
    WHERE ended.run_id = ? ORDER BY wire.line_id, wire.seq";

/// SHA-256 over the hashes of the rows that a ledger row tells of, in the order of their tables and keys.
pub(super) fn content_hash(connection: &Connection, verb: &str, subject: &str) -> rusqlite::Result<String> {
    let (mut digest, mut key) = (Sha256::new(), Vec::new());
    told_rows(connection, verb, subject, &mut |table, row| {
        key.clear();
        digest.update(read_row(table, row, &mut key)?);
        Ok(())
    })?;
    Ok(hex(&digest.finalize()))
}

/// Hands over the rows that a ledger row tells of, in the order of their tables and keys.
pub(super) fn told_rows(
    connection: &Connection,
    verb: &str,
    subject: &str,
    hand: &mut dyn FnMut(&'static Table, &Row<'_>) -> rusqlite::Result<()>,
) -> rusqlite::Result<()> {
    let mut take = |table: &'static Table, sql: &str, values: &[&dyn ToSql]| -> rusqlite::Result<()> {
        let mut statement = connection.prepare_cached(sql)?;
        let mut rows = statement.query(values)?;
        while let Some(row) = rows.next()? {
            hand(table, row)?;
        }
        Ok(())
    };
    let of = |table: &Table| table.sql().1;
    let (kind, name) = subject.split_once(' ').unwrap_or((subject, ""));
    let number = name.parse::<i64>().unwrap_or(-1);
    match (verb, kind) {
        ("begin", "run") => take(&RUN, of(&RUN), &[&number])?,
        ("set aside", "run") => take(&SET_ASIDE, of(&SET_ASIDE), &[&number])?,
        ("end", "run") => {
            for table in [&RUN_END, &RUN_END_LINE, &MARK, &NOTE] {
                take(table, of(table), &[&number])?;
            }
            take(&WIRE, WIRE_OF_RUN, &[&number])?;
        }
        (_, "mark") => {
            let (run, n) = name.split_once('/').unwrap_or_default();
            let sql = "SELECT * FROM mark WHERE run_id = ? AND n = ?";
            take(&MARK, sql, &[&run.parse::<i64>().unwrap_or(-1), &n.parse::<i64>().unwrap_or(-1)])?;
        }
        (_, "reckoning") => {
            for table in [&RECKONING, &RECKONING_DECODING, &POINT, &WATCH_CHANGE, &FINDING, &WARNING] {
                take(table, of(table), &[&number])?;
            }
        }
        (_, "confirmation") => {
            let (hash, bench) = name.split_once(' ').unwrap_or_default();
            let sql = "SELECT * FROM confirmation WHERE profile_hash = ? AND bench = ?";
            take(&CONFIRMATION, sql, &[&hash, &bench])?;
        }
        (_, "datum") => take(&DATUM, of(&DATUM), &[&number])?,
        _ => {}
    }
    Ok(())
}
