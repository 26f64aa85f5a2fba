//! Runs with everything that belongs to them, as lines of text, and brought in again.
//!
//! A whole record goes out with its seals and its ledger as they are, so that what comes in verifies by the same hashes and
//! under the same anchor. Chosen runs go out with the lines they were read from; their rows of the ledger prove each
//! content, and the record that takes them seals them anew.

use super::copy::beside;
use super::insert::{PROGRAM, Writing};
use super::ledger::{Chain, Decision, LedgerRow, content_hash, hex, utc_offset_s};
use super::open::{SEALED_FROM, now_utc_us};
use super::table::{self, TABLES, table};
use super::{Anchor, Error, Reader, SCHEMA_VERSION, open_for_writing, verify};
use crate::work::{Origin, RunId};
use rusqlite::types::{Value, ValueRef};
use rusqlite::{Connection, ToSql, Transaction, TransactionBehavior, params};
use serde::{Deserialize, Serialize};
use serde_json::{Value as Json, json};
use std::io::{BufRead, Write};
use std::path::Path;

/// The form of the lines; raised when an older program could not read them.
const FORM: i64 = 1;

/// A file that is longer than this in one line is none of ours.
const LONGEST_LINE: u64 = 256 << 20;

/// The first line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Whole {
    /// The form of the lines.
    pub dropwise_runs: i64,
    /// The schema of the record.
    pub schema: i64,
    /// Whether this is a whole record, with its seals; else chosen runs.
    pub whole_record: bool,
    /// Name and version of the program that wrote it.
    pub program: String,
    /// The head of the ledger then.
    pub anchor: Option<Anchor>,
}

/// What a record says of the one that it was taken from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Imported {
    /// The file.
    pub from: String,
    /// The anchor of the record that it came from.
    pub anchor: Option<Anchor>,
    /// Whether all of that record came.
    pub whole_record: bool,
    /// Runs up to this number are imported.
    pub runs_to: RunId,
    /// Documents up to this number are imported.
    pub documents_to: i64,
}

/// Kind and name of the document that holds [`Imported`].
const IMPORTED: (&str, &str) = ("record", "imported");

/// Kinds of documents that belong to one run or evaluation, by its name.
const OF_ONE: &str = "'result', 'settings'";
/// Kinds that hold for a whole record only.
const OF_THE_WHOLE: &str = "'signature', 'record'";

impl Reader {
    pub(super) fn was_imported(&self) -> Result<Option<Imported>, Error> {
        let datum = self.latest_datum(IMPORTED.0, IMPORTED.1)?;
        Ok(datum.and_then(|datum| serde_json::from_str(&datum.body).ok()))
    }

    /// The origin of a run as it has to be shown: what came from another record is imported.
    pub(super) fn origin_of_run(&self, run: RunId, recorded: Origin) -> Origin {
        let imported = self.imported.as_ref().is_some_and(|imported| run <= imported.runs_to);
        if imported { Origin::Imported } else { recorded }
    }

    pub(super) fn origin_of_datum(&self, datum: i64, recorded: Origin) -> Origin {
        let imported = self.imported.as_ref().is_some_and(|imported| datum <= imported.documents_to);
        if imported { Origin::Imported } else { recorded }
    }

    /// Where the runs of this record were taken from, if they were.
    #[must_use]
    pub fn imported(&self) -> Option<&Imported> {
        self.imported.as_ref()
    }
}

/// Writes the record as lines, or the chosen runs of it; gives how many rows.
///
/// # Errors
/// When the record is of an older schema, or cannot be read, or the lines cannot be written.
pub fn whole(record: &Path, runs: Option<&[RunId]>, to: &mut dyn Write) -> Result<u64, Error> {
    let reader = Reader::open(record)?;
    let fail = |error| Error::sqlite(record, error);
    let connection = &reader.connection;
    // One moment of the record, whatever is written meanwhile.
    connection.execute_batch("BEGIN").map_err(fail)?;
    let schema: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0)).map_err(fail)?;
    if schema < SEALED_FROM {
        return Err(Error::Import {
            path: record.to_owned(),
            why: format!("it has schema {schema}, without seals; open it once with `dropwise recorder`"),
        });
    }
    let head = Whole {
        dropwise_runs: FORM,
        schema,
        whole_record: runs.is_none(),
        program: PROGRAM.to_owned(),
        anchor: reader.anchor()?,
    };
    writeln!(to, "{}", serde_json::to_string(&head).unwrap_or_default())?;
    if let Some(runs) = runs {
        choose(connection, runs).map_err(fail)?;
    }
    let mut rows = 0;
    let tables = TABLES.iter().map(|table| (table.name, table.key.join(", ")));
    let chains = [("seal", "n".to_owned()), ("ledger", "n".to_owned())];
    for (name, order) in tables.chain(chains) {
        let which = if runs.is_some() { chosen(name) } else { Some(String::new()) };
        let Some(which) = which else { continue };
        let sql = format!("SELECT * FROM {name} {which} ORDER BY {order}");
        let mut statement = connection.prepare(&sql).map_err(fail)?;
        let columns = statement.column_count();
        let mut found = statement.query([]).map_err(fail)?;
        while let Some(row) = found.next().map_err(fail)? {
            let values = (0..columns).map(|i| row.get_ref(i).map(out)).collect::<rusqlite::Result<Vec<_>>>();
            writeln!(to, "{}", json!({ name: values.map_err(fail)? }))?;
            rows += 1;
        }
    }
    writeln!(to, "{}", json!({ "end": rows }))?;
    Ok(rows)
}

fn choose(connection: &Connection, runs: &[RunId]) -> rusqlite::Result<()> {
    connection.execute_batch("CREATE TEMP TABLE chosen (run_id INTEGER PRIMARY KEY)")?;
    let mut insert = connection.prepare("INSERT OR IGNORE INTO chosen VALUES (?)")?;
    for run in runs {
        insert.execute([run])?;
    }
    Ok(())
}

/// The condition that takes the rows of the chosen runs out of a table; `None`: nothing is taken.
fn chosen(table: &str) -> Option<String> {
    let runs = "(SELECT run_id FROM chosen)";
    let reckonings = format!("(SELECT reckoning_id FROM reckoning WHERE run_id IN {runs})");
    let lines = format!(
        "(SELECT line_id FROM run_end_line WHERE run_id IN {runs} UNION SELECT line_id FROM decoding
          JOIN reckoning_decoding USING (decoding_id) WHERE reckoning_id IN {reckonings})"
    );
    let decodings = format!("(SELECT decoding_id FROM decoding WHERE line_id IN {lines})");
    let profiles = format!("(SELECT profile_hash FROM decoding WHERE line_id IN {lines})");
    let datums = format!(
        "kind NOT IN ({OF_THE_WHOLE}) AND (kind NOT IN ({OF_ONE}) OR name IN
         (SELECT 'run ' || run_id FROM chosen UNION SELECT 'reckoning ' || reckoning_id FROM reckoning
          WHERE run_id IN {runs}))"
    );
    Some(match table {
        "text" => format!(
            "WHERE hash IN {profiles} OR hash IN (SELECT bench_hash FROM line WHERE line_id IN {lines})
             OR hash IN (SELECT procedure_hash FROM run WHERE run_id IN {runs})
             OR hash IN (SELECT json_extract(body, '$.procedure') FROM datum WHERE kind = 'settings' AND {datums})"
        ),
        "line" | "line_event" | "wire" | "decoding" => format!("WHERE line_id IN {lines}"),
        "confirmation" => format!("WHERE profile_hash IN {profiles}"),
        "reading" => format!("WHERE decoding_id IN {decodings}"),
        "run" | "run_end" | "run_end_line" | "mark" | "note" | "set_aside" | "reckoning" => {
            format!("WHERE run_id IN {runs}")
        }
        "datum" => format!("WHERE {datums}"),
        "seal" => return None,
        "ledger" => format!(
            "WHERE subject IN (SELECT 'run ' || run_id FROM chosen
                UNION SELECT 'reckoning ' || reckoning_id FROM reckoning WHERE run_id IN {runs}
                UNION SELECT 'mark ' || run_id || '/' || n FROM mark WHERE run_id IN {runs}
                UNION SELECT 'datum ' || datum_id FROM datum WHERE {datums}
                UNION SELECT 'confirmation ' || profile_hash || ' ' || bench FROM confirmation
                      WHERE profile_hash IN {profiles})"
        ),
        _ => format!("WHERE reckoning_id IN {reckonings}"),
    })
}

/// One column as JSON: bytes as a text of one character (U+0000 to U+00FF) each where people can read them.
fn out(value: ValueRef<'_>) -> Json {
    match value {
        ValueRef::Null => Json::Null,
        ValueRef::Integer(n) => n.into(),
        ValueRef::Real(x) if x.is_finite() => x.into(),
        ValueRef::Real(x) => json!({ "real": x.to_string() }),
        ValueRef::Text(text) => String::from_utf8_lossy(text).into(),
        ValueRef::Blob(bytes) => {
            let readable = |byte: &u8| byte.is_ascii_graphic() || b" \r\n\t".contains(byte);
            if bytes.iter().all(readable) {
                json!({ "bytes": bytes.iter().map(|byte| char::from(*byte)).collect::<String>() })
            } else {
                json!({ "hex": hex(bytes) })
            }
        }
    }
}

fn back(json: &Json, is_real: bool) -> Option<Value> {
    Some(match json {
        Json::Null => Value::Null,
        Json::Number(n) if is_real => Value::Real(n.as_f64()?),
        Json::Number(n) => Value::Integer(n.as_i64()?),
        Json::String(text) => Value::Text(text.clone()),
        Json::Object(object) => match object.iter().next()? {
            (kind, Json::String(text)) if kind == "real" => Value::Real(text.parse().ok()?),
            (kind, Json::String(text)) if kind == "bytes" => {
                Value::Blob(text.chars().map(|c| u8::try_from(u32::from(c))).collect::<Result<_, _>>().ok()?)
            }
            (kind, Json::String(text)) if kind == "hex" => Value::Blob(super::signature::unhex(text)?),
            _ => return None,
        },
        Json::Bool(_) | Json::Array(_) => return None,
    })
}

/// Brings lines that [`whole`] wrote into the record, which must be empty or not there yet; the caller holds its lock.
///
/// Gives what the record then says of where its runs came from, and how many rows came.
///
/// # Errors
/// When the record is not empty, the lines are not as they were written, or the record cannot be written.
pub fn bring_in(record: &Path, from: &str, lines: &mut dyn BufRead, who: &str) -> Result<(Imported, u64), Error> {
    if record.exists() && !is_empty(record)? {
        return Err(Error::Import {
            path: record.to_owned(),
            why: "the record holds something; an import goes into an empty record: name a new one with --record FILE"
                .to_owned(),
        });
    }
    let part = beside(record, ".import");
    remove(&part);
    let brought = fill(&part, from, lines, who);
    let placed = brought.and_then(|brought| {
        std::fs::File::open(&part)
            .and_then(|file| file.sync_all())
            .and_then(|()| std::fs::rename(&part, record))
            .map_err(|source| Error::Folder { folder: record.to_owned(), source })?;
        Ok(brought)
    });
    if placed.is_err() {
        remove(&part);
    }
    placed
}

fn remove(part: &Path) {
    for ending in ["", "-wal", "-shm", "-journal"] {
        // What is left of a try that was cut off is worth nothing.
        let _none = std::fs::remove_file(beside(part, ending));
    }
}

fn is_empty(record: &Path) -> Result<bool, Error> {
    let fail = |error| Error::sqlite(record, error);
    // Opening for writing takes in what a log beside it still holds; the new file takes its place.
    let connection = open_for_writing(record)?;
    for table in TABLES.iter().map(|table| table.name).chain(["ledger"]) {
        let sql = format!("SELECT count(*) FROM {table}");
        if connection.query_row(&sql, [], |row| row.get::<_, i64>(0)).map_err(fail)? > 0 {
            return Ok(false);
        }
    }
    connection.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(())).map_err(fail)?;
    Ok(true)
}

fn fill(part: &Path, from: &str, lines: &mut dyn BufRead, who: &str) -> Result<(Imported, u64), Error> {
    let wrong = |n: u64, why: String| Error::Import { path: from.into(), why: format!("line {n}: {why}") };
    let fail = |error| Error::sqlite(part, error);
    let mut text = String::new();
    read_line(lines, &mut text)?;
    let head: Whole = serde_json::from_str(&text).map_err(|_| {
        wrong(1, "it does not begin as a file of `dropwise export --whole`".to_owned())
    })?;
    if head.dropwise_runs > FORM || head.schema != SCHEMA_VERSION {
        return Err(wrong(1, format!("{} wrote it, {PROGRAM} cannot read it; use that one", head.program)));
    }
    let mut connection = open_for_writing(part)?;
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(fail)?;
    let mut writing = Writing::new(&transaction);
    let mut inserts = Inserts::default();
    let mut told: Vec<LedgerRow> = Vec::new();
    let (mut n, mut rows, mut ended) = (1, 0, None);
    loop {
        text.clear();
        if read_line(lines, &mut text)? == 0 {
            break;
        }
        n += 1;
        let json: Json = serde_json::from_str(&text).map_err(|e| wrong(n, e.to_string()))?;
        let Some((name, value)) = json.as_object().and_then(|object| object.iter().next()) else {
            return Err(wrong(n, "is no row".to_owned()));
        };
        if name == "end" {
            ended = value.as_u64();
            break;
        }
        let columns = value.as_array().ok_or_else(|| wrong(n, "is no row".to_owned()))?;
        let values = inserts.values(&transaction, name, columns).map_err(fail)?;
        let values = values.ok_or_else(|| wrong(n, format!("is no row of a table \"{name}\"")))?;
        let values: Vec<&dyn ToSql> = values.iter().map(|value| value as &dyn ToSql).collect();
        let refused = |error: rusqlite::Error| wrong(n, format!("the row does not fit: {error}"));
        match table(name) {
            Some(table) if !head.whole_record => writing.row(table, &values).map_err(refused)?,
            None if !head.whole_record && name == "ledger" => {
                told.push(ledger_row(&transaction, &values).map_err(refused)?);
            }
            _ => inserts.insert(&transaction, name, &values).map_err(refused)?,
        }
        rows += 1;
    }
    if ended != Some(rows) {
        return Err(wrong(n, format!("the file ends after {rows} rows, before its end; take it anew")));
    }
    let chain = if head.whole_record { Chain::load(&transaction).map_err(fail)? } else { Chain::default() };
    for row in &told {
        let content = content_hash(&transaction, &row.verb, &row.subject).map_err(fail)?;
        if row.hash != row.expected_hash() || content != row.content_hash {
            let why = format!("{} {} is not as it was decided there (row {} of its ledger)", row.verb, row.subject, row.n);
            return Err(Error::Import { path: from.into(), why });
        }
        let LedgerRow { who, verb, subject, why, utc_us, .. } = row.clone();
        writing.decide(Decision { who, verb, subject, why }, utc_us);
    }
    let chain = writing.finish(&chain).map_err(fail)?;
    let imported = tell(&transaction, &chain, &head, from, who).map_err(fail)?;
    transaction.commit().map_err(fail)?;
    connection.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(())).map_err(fail)?;
    connection.close().map_err(|(_, error)| fail(error))?;
    let anchors: Vec<Anchor> = head.anchor.iter().filter(|_| head.whole_record).cloned().collect();
    let report = verify(part, None, &anchors, &|_, _| {})?;
    if let Some(first) = report.faults.into_iter().next() {
        return Err(Error::NotInOrder { path: from.into(), first: Some(first) });
    }
    Ok((imported, rows))
}

fn read_line(lines: &mut dyn BufRead, text: &mut String) -> Result<usize, Error> {
    let read = std::io::Read::take(lines, LONGEST_LINE).read_line(text)?;
    Ok(read)
}

/// The ledger and a document say where the rows came from.
fn tell(
    transaction: &Transaction<'_>,
    chain: &Chain,
    head: &Whole,
    from: &str,
    who: &str,
) -> rusqlite::Result<Imported> {
    let most = |column: &str, table: &str| {
        let sql = format!("SELECT coalesce(max({column}), 0) FROM {table}");
        transaction.query_row(&sql, [], |row| row.get::<_, i64>(0))
    };
    let imported = Imported {
        from: from.to_owned(),
        anchor: head.anchor.clone(),
        whole_record: head.whole_record,
        runs_to: most("run_id", "run")?,
        documents_to: most("datum_id", "datum")?,
    };
    let body = serde_json::to_string(&imported)
        .map_err(|e| rusqlite::Error::ToSqlConversionFailure(e.into()))?;
    let (id, now) = (imported.documents_to + 1, now_utc_us());
    let mut writing = Writing::new(transaction);
    let origin = Origin::Imported.word();
    let row = params![id, IMPORTED.0, IMPORTED.1, body, now, utc_offset_s(now), who, origin];
    writing.row(&table::DATUM, row)?;
    let anchor = head.anchor.as_ref().map_or_else(|| "an empty ledger".to_owned(), ToString::to_string);
    let decision = Decision {
        who: who.to_owned(),
        verb: "import".to_owned(),
        subject: format!("datum {id}"),
        why: format!("imported from {from}, {anchor}"),
    };
    writing.decide(decision, now);
    writing.finish(chain)?;
    Ok(imported)
}

fn ledger_row(transaction: &Transaction<'_>, values: &[&dyn ToSql]) -> rusqlite::Result<LedgerRow> {
    let places = vec!["?"; values.len()].join(", ");
    let mut statement = transaction.prepare_cached(&format!("SELECT {places}"))?;
    statement.query_row(values, LedgerRow::read)
}

/// What the tables are like, asked once each.
#[derive(Default)]
struct Inserts {
    /// Name, which columns hold numbers with fractions, and the statement.
    tables: Vec<(String, Vec<bool>, String)>,
}

impl Inserts {
    /// The values of a row as its table wants them; `None`: there is no such table, or they do not fit.
    fn values(
        &mut self,
        transaction: &Transaction<'_>,
        name: &str,
        columns: &[Json],
    ) -> rusqlite::Result<Option<Vec<Value>>> {
        if table(name).is_none() && !["seal", "ledger"].contains(&name) {
            return Ok(None);
        }
        if !self.tables.iter().any(|(known, ..)| known == name) {
            let mut statement =
                transaction.prepare("SELECT type FROM pragma_table_info(?) ORDER BY cid")?;
            let kinds = statement.query_map([name], |row| row.get::<_, String>(0))?;
            let reals: Vec<bool> =
                kinds.map(|kind| kind.map(|k| k == "REAL")).collect::<rusqlite::Result<_>>()?;
            let sql = format!("INSERT INTO {name} VALUES ({})", vec!["?"; reals.len()].join(", "));
            self.tables.push((name.to_owned(), reals, sql));
        }
        let Some((_, reals, _)) = self.tables.iter().find(|(known, ..)| known == name) else { return Ok(None) };
        if reals.len() != columns.len() {
            return Ok(None);
        }
        Ok(columns.iter().zip(reals).map(|(json, is_real)| back(json, *is_real)).collect())
    }

    fn insert(&self, transaction: &Transaction<'_>, name: &str, values: &[&dyn ToSql]) -> rusqlite::Result<()> {
        let sql = self.tables.iter().find(|(known, ..)| known == name).map_or("", |(.., sql)| sql);
        transaction.prepare_cached(sql)?.execute(values)?;
        Ok(())
    }
}
