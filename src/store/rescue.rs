//! What could not be saved, written elsewhere, and brought in again.
//!
//! A rescue file is a small record of its own: the same tables, sealed, without the rows that it refers to.

use super::copy::copy_open;
use super::insert::Writing;
use super::ledger::{Chain, Decision, LedgerRow};
use super::open::{migrate_new, now_utc_us};
use super::seal::Span;
use super::table::table;
use super::{Entry, Error, open_for_reading, open_for_writing, verify};
use crate::work::RECORDER;
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, ToSql, TransactionBehavior, params_from_iter};
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// The first row of a rescue file's ledger.
const RESCUE: &str = "rescue";
/// The row in the record that took one in.
const RECOVER: &str = "recover";

/// Places where the unsaved part of a record may go, the first that can be written.
pub(super) fn places(record: &Path, chosen: Option<&Path>) -> Vec<PathBuf> {
    let own = record.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    chosen.map(Path::to_owned).into_iter().chain([own.to_owned(), std::env::temp_dir()]).collect()
}

/// Writes entries that the record could not take to a new file in the first of the places that takes them.
///
/// # Errors
/// What the last place said.
pub(super) fn rescue(
    record: &Path,
    chain: &Chain,
    entries: &[(&Entry, i64)],
    places: &[PathBuf],
) -> Result<PathBuf, Error> {
    let mut last = Error::Missing { path: record.to_owned() };
    for place in places {
        let stem = record.file_stem().unwrap_or_default().to_string_lossy();
        let path = place.join(format!("{stem}-unsaved-{}.db", now_utc_us()));
        match write(&path, record, chain, entries) {
            Ok(()) => return Ok(path),
            Err(source) => {
                // What is left of it is worth nothing.
                let _none = std::fs::remove_file(&path);
                last = Error::sqlite(&path, source);
            }
        }
    }
    Err(last)
}

/// Writes a whole record that is not in its place any more, and what it could not take, to a new file in the first of the
/// places that takes it.
///
/// # Errors
/// What the last place said.
pub(super) fn rescue_whole(
    record: &Path,
    open: &Connection,
    chain: &Chain,
    entries: &[(&Entry, i64)],
    places: &[PathBuf],
) -> Result<PathBuf, Error> {
    let mut last = Error::Missing { path: record.to_owned() };
    for place in places.iter().filter(|place| place.is_dir()) {
        let stem = record.file_stem().unwrap_or_default().to_string_lossy();
        let path = place.join(format!("{stem}-whole-{}.db", now_utc_us()));
        let written = copy_open(open, &path).and_then(|()| {
            let mut target = open_for_writing(&path)?;
            let fail = |error| Error::sqlite(&path, error);
            let transaction =
                target.transaction_with_behavior(TransactionBehavior::Immediate).map_err(fail)?;
            let mut writing = Writing::new(&transaction);
            for (entry, came_utc_us) in entries {
                writing.entry(entry, *came_utc_us).map_err(fail)?;
            }
            writing.finish(chain).map_err(fail)?;
            transaction.commit().map_err(fail)?;
            target.close().map_err(|(_, error)| fail(error))
        });
        match written {
            Ok(()) => return Ok(path),
            Err(error) => {
                // What is left of it is worth nothing.
                let _none = std::fs::remove_file(&path);
                last = error;
            }
        }
    }
    Err(last)
}

fn write(path: &Path, record: &Path, chain: &Chain, entries: &[(&Entry, i64)]) -> rusqlite::Result<()> {
    let mut connection = Connection::open(path)?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    // The rows that these refer to are in the record.
    connection.pragma_update(None, "foreign_keys", false)?;
    migrate_new(&mut connection)?;
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let mut writing = Writing::new(&transaction);
    let told = Decision {
        who: RECORDER.to_owned(),
        verb: RESCUE.to_owned(),
        subject: format!("ledger {} {}", chain.n, chain.hash),
        why: format!("{} could not be written", record.display()),
    };
    writing.decide(told, now_utc_us());
    for (entry, came_utc_us) in entries {
        writing.entry(entry, *came_utc_us)?;
    }
    writing.finish(&Chain::default())?;
    transaction.commit()?;
    connection.close().map_err(|(_, error)| error)
}

/// What was brought in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Recovered {
    /// Rows.
    pub rows: u64,
    /// Rows of the ledger.
    pub decisions: u64,
}

/// Brings the rescue file `from` into the record; the caller holds the record's lock.
///
/// Lines, runs and evaluations keep their numbers unless others have them by now.
///
/// # Errors
/// When the file is no rescue file of this record, was brought in before, or is not as it was written.
pub fn recover(record: &Path, from: &Path, who: &str) -> Result<Recovered, Error> {
    let foreign = |why: &str| Error::Foreign { path: from.to_owned(), why: why.to_owned() };
    let fail_from = |error| Error::sqlite(from, error);
    let report = verify(from, None, &[], &|_, _| {})?;
    if let Some(wrong) = report.faults.into_iter().next() {
        return Err(Error::NotInOrder { path: from.to_owned(), first: Some(wrong) });
    }
    let source = open_for_reading(from)?;
    let mut statement = source.prepare("SELECT * FROM ledger ORDER BY n").map_err(fail_from)?;
    let rows = statement.query_map([], LedgerRow::read).map_err(fail_from)?;
    let told = rows.collect::<rusqlite::Result<Vec<_>>>().map_err(fail_from)?;
    let (first, decisions) = told.split_first().ok_or_else(|| foreign("its ledger is empty"))?;
    if first.verb != RESCUE {
        return Err(foreign("it is a record, not the unsaved part of one"));
    }
    let mut target = open_for_writing(record)?;
    let fail = |error| Error::sqlite(record, error);
    belongs(&target, &first.subject).map_err(fail)?.then_some(()).ok_or_else(|| {
        foreign("it is the unsaved part of another record, or of a later state of this one")
    })?;
    let sign = format!("sealed as {}", first.hash);
    let before: Option<i64> = target
        .query_row("SELECT n FROM ledger WHERE verb = ? AND instr(why, ?)", [RECOVER, &sign], |row| {
            row.get(0)
        })
        .optional()
        .map_err(fail)?;
    if let Some(n) = before {
        return Err(foreign(&format!("it was brought in before (row {n} of the ledger)")));
    }
    let chain = Chain::load(&target).map_err(fail)?;
    let transaction = target.transaction_with_behavior(TransactionBehavior::Immediate).map_err(fail)?;
    let mut writing = Writing::new(&transaction);
    let numbers = Numbers::new(&source, &transaction).map_err(fail)?;
    let mut recovered = Recovered { rows: 0, decisions: decisions.len() as u64 };
    bring_rows(&source, &transaction, &mut writing, &numbers, &mut recovered).map_err(fail)?;
    for row in decisions {
        let decision = Decision {
            who: row.who.clone(),
            verb: row.verb.clone(),
            subject: numbers.subject(&row.subject),
            why: row.why.clone(),
        };
        writing.decide(decision, row.utc_us);
    }
    let why = format!("{} rows from {}, {sign}", recovered.rows, from.display());
    let subject = "record".to_owned();
    writing.decide(Decision { who: who.to_owned(), verb: RECOVER.to_owned(), subject, why }, now_utc_us());
    writing.finish(&chain).map_err(fail)?;
    transaction.commit().map_err(fail)?;
    Ok(recovered)
}

/// Whether the record had that row as the last of its ledger once.
fn belongs(record: &Connection, subject: &str) -> rusqlite::Result<bool> {
    let mut words = subject.split(' ').skip(1);
    let n = words.next().and_then(|n| n.parse::<i64>().ok()).unwrap_or(-1);
    if n == 0 {
        return Ok(true);
    }
    let sql = "SELECT hash FROM ledger WHERE n = ?";
    let hash: Option<String> = record.query_row(sql, [n], |row| row.get(0)).optional()?;
    Ok(hash.as_deref() == words.next())
}

/// New numbers for what began in the rescue file and whose number is taken by now.
struct Numbers(HashMap<(&'static str, i64), i64>);

/// Kinds of numbers: the column, and the table that gives them out.
const GIVEN: [(&str, &str); 5] = [
    ("line_id", "line"),
    ("decoding_id", "decoding"),
    ("run_id", "run"),
    ("reckoning_id", "reckoning"),
    ("datum_id", "datum"),
];

impl Numbers {
    fn new(source: &Connection, target: &Connection) -> rusqlite::Result<Self> {
        let mut numbers = HashMap::new();
        for (column, table) in GIVEN {
            let most = |connection: &Connection| {
                let sql = format!("SELECT coalesce(max({column}), 0) FROM {table}");
                connection.query_row(&sql, [], |row| row.get::<_, i64>(0))
            };
            let mut next = most(target)?.max(most(source)?) + 1;
            let mut statement = source.prepare(&format!("SELECT {column} FROM {table} ORDER BY 1"))?;
            let begun = statement.query_map([], |row| row.get::<_, i64>(0))?;
            for number in begun {
                let number = number?;
                let sql = format!("SELECT count(*) FROM {table} WHERE {column} = ?");
                if target.query_row(&sql, [number], |row| row.get::<_, i64>(0))? > 0 {
                    numbers.insert((column, number), next);
                    next += 1;
                }
            }
        }
        Ok(Self(numbers))
    }

    fn of(&self, column: &str, number: i64) -> i64 {
        let column = GIVEN.iter().find(|(name, _)| *name == column).map_or("", |(name, _)| name);
        self.0.get(&(column, number)).copied().unwrap_or(number)
    }

    /// A subject of the ledger with the new number.
    fn subject(&self, subject: &str) -> String {
        let (kind, name) = subject.split_once(' ').unwrap_or((subject, ""));
        let column = match kind {
            "run" | "mark" => "run_id",
            "reckoning" => "reckoning_id",
            "datum" => "datum_id",
            _ => return subject.to_owned(),
        };
        let (number, rest) = name.split_once('/').map_or((name, None), |(number, rest)| (number, Some(rest)));
        let Ok(number) = number.parse::<i64>() else { return subject.to_owned() };
        let rest = rest.map_or_else(String::new, |rest| format!("/{rest}"));
        format!("{kind} {}{rest}", self.of(column, number))
    }
}

fn bring_rows(
    source: &Connection,
    target: &Connection,
    writing: &mut Writing<'_>,
    numbers: &Numbers,
    recovered: &mut Recovered,
) -> rusqlite::Result<()> {
    let mut seals = source.prepare("SELECT spans FROM seal ORDER BY n")?;
    let mut rows = seals.query([])?;
    while let Some(row) = rows.next()? {
        let spans: Vec<Span> = serde_json::from_str(&row.get::<_, String>(0)?).unwrap_or_default();
        for (name, first, count) in spans {
            // The verification has seen that the schema has it.
            let Some(table) = table(&name) else { continue };
            let (stream, rest) = table.key.split_at(table.stream);
            let mut sql = format!("SELECT * FROM {} WHERE ", table.name);
            sql += &stream.iter().map(|column| format!("{column} = ?")).collect::<Vec<_>>().join(" AND ");
            if !rest.is_empty() {
                let (columns, places) = (rest.join(", "), vec!["?"; rest.len()].join(", "));
                sql += &format!(" AND ({columns}) >= ({places}) ORDER BY {columns} LIMIT {count}");
            }
            let mut statement = source.prepare(&sql)?;
            let columns: Vec<String> = statement.column_names().map(str::to_owned).collect();
            let mut found = statement.query(params_from_iter(&first))?;
            while let Some(row) = found.next()? {
                let mut values: Vec<Value> = Vec::with_capacity(columns.len());
                for (at, column) in columns.iter().enumerate() {
                    values.push(match row.get::<_, Value>(at)? {
                        Value::Integer(number) => Value::Integer(numbers.of(column, number)),
                        Value::Text(head) if column == "head" => Value::Text(renumbered(&head, numbers)),
                        Value::Text(name) if column == "name" && table.name == "datum" => {
                            Value::Text(numbers.subject(&name))
                        }
                        other => other,
                    });
                }
                if table.name == "text" && is_there(target, &values)? {
                    continue;
                }
                let values: Vec<&dyn ToSql> = values.iter().map(|value| value as &dyn ToSql).collect();
                writing.row(table, &values)?;
                recovered.rows += 1;
            }
        }
    }
    Ok(())
}

fn is_there(target: &Connection, text: &[Value]) -> rusqlite::Result<bool> {
    let sql = "SELECT count(*) FROM text WHERE hash = ?";
    target.query_row(sql, params_from_iter(text.first()), |row| row.get::<_, i64>(0)).map(|n| n > 0)
}

/// The head of a run with its new number.
fn renumbered(head: &str, numbers: &Numbers) -> String {
    let Ok(mut json) = serde_json::from_str::<serde_json::Value>(head) else { return head.to_owned() };
    if let Some(number) = json.get("run").and_then(serde_json::Value::as_i64) {
        json["run"] = numbers.of("run_id", number).into();
    }
    json.to_string()
}
