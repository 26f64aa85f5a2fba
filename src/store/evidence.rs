//! The part of a record that a report rests on, as a small record of its own, and what a stranger can check of it.
//!
//! It has the same tables, sealed anew, with the numbers that its rows have in the record. The decisions about them
//! stand in a ledger of its own; the rows of the record's ledger go beside it as text, so that each of them can be
//! recomputed and its content hash compared with the rows that are here.

use super::insert::Writing;
use super::ledger::{Chain, Decision, LedgerRow, content_hash};
use super::open::migrate_new;
use super::table::TABLES;
use super::{Anchor, Error, Reader, WrongRow, open_for_reading};
use crate::work::RunId;
use rusqlite::types::Value;
use rusqlite::{Connection, ToSql, TransactionBehavior, params};
use std::collections::BTreeSet;
use std::path::Path;

/// The first row of its ledger.
const EXCERPT: &str = "excerpt";
/// Chunks of the wire before those that count, so that the decoder is in step when they come.
const LEAD: i64 = 2_000;
/// Chunks taken of a run that was cut off.
const CUT_OFF: i64 = 20_000;
/// Rows of the ledger that are given without a gap up to the anchor.
const WITHOUT_GAP: i64 = 5_000;

/// What is taken out of a record.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Excerpt {
    /// The runs with everything kept of them.
    pub runs: BTreeSet<RunId>,
    /// Versions of documents by their numbers.
    pub datums: BTreeSet<i64>,
}

/// The condition by which the rows of a table belong to the runs (`?1`) or documents (`?2`), both JSON lists.
fn belongs(table: &str) -> Option<&'static str> {
    Some(match table {
        "text" => {
            "hash IN (SELECT procedure_hash FROM run WHERE run_id IN (SELECT value FROM json_each(?1)))
            OR hash IN (SELECT profile_hash FROM decoding JOIN reckoning_decoding USING (decoding_id)
                JOIN reckoning USING (reckoning_id) WHERE run_id IN (SELECT value FROM json_each(?1)))
            OR hash IN (SELECT bench_hash FROM line JOIN decoding USING (line_id)
                JOIN reckoning_decoding USING (decoding_id) JOIN reckoning USING (reckoning_id)
                WHERE run_id IN (SELECT value FROM json_each(?1)))
            OR hash IN (SELECT json_extract(body, '$.procedure') FROM datum WHERE kind = 'settings'
                AND datum_id IN (SELECT value FROM json_each(?2)))
            ORDER BY hash"
        }
        "line" | "line_event" => {
            "line_id IN (SELECT line_id FROM decoding JOIN reckoning_decoding USING (decoding_id)
                JOIN reckoning USING (reckoning_id) WHERE run_id IN (SELECT value FROM json_each(?1)))
            ORDER BY 1, 2"
        }
        "decoding" => {
            "decoding_id IN (SELECT decoding_id FROM reckoning_decoding JOIN reckoning USING (reckoning_id)
                WHERE run_id IN (SELECT value FROM json_each(?1))) ORDER BY 1"
        }
        "run" | "run_end" | "run_end_line" | "mark" | "note" | "set_aside" => {
            "run_id IN (SELECT value FROM json_each(?1)) ORDER BY 1, 2"
        }
        "reckoning" => "run_id IN (SELECT value FROM json_each(?1)) ORDER BY 1",
        "reckoning_decoding" | "finding" | "warning" => {
            "reckoning_id IN (SELECT reckoning_id FROM reckoning
                WHERE run_id IN (SELECT value FROM json_each(?1))) ORDER BY 1, 2"
        }
        "point" | "watch_change" => {
            "reckoning_id IN (SELECT reckoning_id FROM reckoning
                WHERE run_id IN (SELECT value FROM json_each(?1))) ORDER BY 1, 2, 3"
        }
        "datum" => "datum_id IN (SELECT value FROM json_each(?2)) ORDER BY 1",
        // Readings follow from the wire; confirmations are no part of a result.
        _ => return None,
    })
}

impl Reader {
    /// Everything that is asked from now on is one moment of the record, whatever is written meanwhile.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn hold(&self) -> Result<(), Error> {
        let begun = self.connection.execute_batch("BEGIN").and_then(|()| {
            self.connection
                .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get::<_, i64>(0))
                .map(drop)
        });
        begun.map_err(self.fail())
    }

    /// Writes an excerpt to the new file `to`; `who` took it at `utc_us`, when the ledger ended with `anchor`.
    ///
    /// # Errors
    /// What SQLite says of either file.
    pub fn write_excerpt(
        &self,
        what: &Excerpt,
        to: &Path,
        anchor: &Anchor,
        (who, utc_us): (&str, i64),
    ) -> Result<(), Error> {
        let decisions = self.decisions_about(what)?;
        let fail = |error| Error::sqlite(to, error);
        let mut connection = Connection::open(to).map_err(fail)?;
        // The file is read once and thrown away; a crash leaves nothing that is missed.
        connection.pragma_update(None, "synchronous", "OFF").map_err(fail)?;
        connection.pragma_update(None, "journal_mode", "MEMORY").map_err(fail)?;
        migrate_new(&mut connection).map_err(fail)?;
        let transaction =
            connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(fail)?;
        let mut writing = Writing::new(&transaction);
        let own = Decision {
            who: who.to_owned(),
            verb: EXCERPT.to_owned(),
            subject: format!("ledger {} {}", anchor.n, anchor.hash),
            why: String::new(),
        };
        writing.decide(own, utc_us);
        self.copy_rows(what, &mut writing).map_err(self.fail())?;
        for row in decisions {
            let LedgerRow { who, verb, subject, why, .. } = row;
            writing.decide(Decision { who, verb, subject, why }, row.utc_us);
        }
        writing.finish(&Chain::default()).map_err(fail)?;
        transaction.commit().map_err(fail)?;
        connection.pragma_update(None, "journal_mode", "DELETE").map_err(fail)?;
        connection.close().map_err(|(_, error)| fail(error))
    }

    fn copy_rows(&self, what: &Excerpt, writing: &mut Writing<'_>) -> rusqlite::Result<()> {
        let list = |numbers: &BTreeSet<i64>| serde_json::json!(numbers).to_string();
        let (runs, datums) = (list(&what.runs), list(&what.datums));
        for table in TABLES {
            if table.name == "wire" {
                self.copy_wire(&runs, writing)?;
                continue;
            }
            let Some(condition) = belongs(table.name) else { continue };
            // A statement takes no more values than it names.
            let both = condition.contains("?2");
            let sql = format!("SELECT * FROM {} WHERE {condition}", table.name);
            let mut statement = self.connection.prepare(&sql)?;
            let values: &[&dyn ToSql] = match (both, condition.contains("?1")) {
                (true, _) => &[&runs, &datums],
                _ => &[&runs],
            };
            let mut rows = statement.query(values)?;
            while let Some(row) = rows.next()? {
                let values = (0..table.columns).map(|at| row.get(at)).collect::<Result<Vec<Value>, _>>()?;
                let values: Vec<&dyn ToSql> = values.iter().map(|value| value as &dyn ToSql).collect();
                writing.row(table, &values)?;
            }
        }
        Ok(())
    }

    /// The wire of each line from a little before the first run to the end of the last.
    fn copy_wire(&self, runs: &str, writing: &mut Writing<'_>) -> rusqlite::Result<()> {
        let spans = "SELECT line_id, min(taken.from_seq), max(coalesce(to_seq, taken.from_seq + ?2))
            FROM reckoning JOIN reckoning_decoding AS taken USING (reckoning_id)
            JOIN decoding USING (decoding_id) LEFT JOIN run_end_line USING (run_id, line_id)
            WHERE run_id IN (SELECT value FROM json_each(?1)) GROUP BY line_id ORDER BY line_id";
        let mut statement = self.connection.prepare(spans)?;
        let spans = statement
            .query_map(params![runs, CUT_OFF], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
            .collect::<rusqlite::Result<Vec<(i64, i64, i64)>>>()?;
        let sql = "SELECT * FROM wire WHERE line_id = ? AND seq BETWEEN ? AND ? ORDER BY seq";
        let mut statement = self.connection.prepare(sql)?;
        for (line, from, to) in spans {
            let mut rows = statement.query(params![line, from - LEAD, to])?;
            while let Some(row) = rows.next()? {
                let values = (0..super::table::WIRE.columns)
                    .map(|at| row.get(at))
                    .collect::<Result<Vec<Value>, _>>()?;
                let values: Vec<&dyn ToSql> = values.iter().map(|value| value as &dyn ToSql).collect();
                writing.row(&super::table::WIRE, &values)?;
            }
        }
        Ok(())
    }

    /// The decisions about runs, their evaluations and documents, in order.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn decisions_about(&self, what: &Excerpt) -> Result<Vec<LedgerRow>, Error> {
        let mut subjects: Vec<String> = Vec::new();
        for run in &what.runs {
            subjects.push(format!("run {run}"));
            subjects.extend(self.reckoning_ids(*run)?.iter().map(|id| format!("reckoning {id}")));
        }
        subjects.extend(what.datums.iter().map(|id| format!("datum {id}")));
        let mut rows = Vec::new();
        for subject in subjects {
            rows.extend(self.ledger_of(&subject)?);
        }
        rows.sort_by_key(|row| row.n);
        Ok(rows)
    }

    /// The rows of the ledger that go with an excerpt: the decisions about what it holds, and every row from the first
    /// one about its runs up to the anchor, unless those are too many.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn ledger_excerpt(&self, what: &Excerpt, anchor: &Anchor) -> Result<Vec<LedgerRow>, Error> {
        let mut rows = self.decisions_about(what)?;
        let first_run = rows.iter().find(|row| row.subject.starts_with("run ")).map_or(anchor.n, |row| row.n);
        let from = if anchor.n - first_run < WITHOUT_GAP { first_run } else { anchor.n };
        rows.retain(|row| row.n < from);
        rows.extend(self.ledger(from - 1)?.into_iter().filter(|row| row.n <= anchor.n));
        Ok(rows)
    }
}

/// What is wrong with an excerpt at `path` by the rows of the record's ledger that came with it: rows whose hash is not
/// that of their contents, rows that do not follow each other, decisions about something that is not what is here, and
/// an anchor that is not the last row.
///
/// # Errors
/// When the excerpt cannot be opened or read.
pub fn check_excerpt(path: &Path, rows: &[LedgerRow], anchor: &Anchor) -> Result<Vec<WrongRow>, Error> {
    let connection = open_for_reading(path)?;
    let fail = |error| Error::sqlite(path, error);
    let mut wrong = Vec::new();
    let mut add = |n: i64, what: String| wrong.push(WrongRow { row: format!("ledger (n {n})"), what });
    let own = "SELECT DISTINCT subject FROM ledger WHERE n > 1";
    let mut statement = connection.prepare(own).map_err(fail)?;
    let here = statement
        .query_map([], |row| row.get(0))
        .and_then(Iterator::collect::<rusqlite::Result<BTreeSet<String>>>)
        .map_err(fail)?;
    let mut told: BTreeSet<&str> = BTreeSet::new();
    let mut before: Option<&LedgerRow> = None;
    for row in rows {
        if row.hash != row.expected_hash() {
            add(row.n, "was changed: its hash is not that of its contents".to_owned());
        }
        if before.is_some_and(|b| b.n + 1 == row.n && b.hash != row.prev_hash || b.n >= row.n) {
            add(row.n, "does not follow from the row before it".to_owned());
        }
        before = Some(row);
        if here.contains(&row.subject) {
            told.insert(&row.subject);
            let found = content_hash(&connection, &row.verb, &row.subject).map_err(fail)?;
            if found != row.content_hash {
                add(row.n, format!("tells of another content: {} here is not what was entered", row.subject));
            }
        }
    }
    for subject in here.iter().filter(|subject| !told.contains(subject.as_str())) {
        add(0, format!("{subject} is in the excerpt, and no row of the ledger tells of it"));
    }
    let last = rows.last();
    if last.is_none_or(|row| row.n != anchor.n || row.hash != anchor.hash) {
        add(anchor.n, "the last row is not the anchor that the report states".to_owned());
    }
    Ok(wrong)
}
