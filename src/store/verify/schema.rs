//! The schema against the one that its version says.

use super::Faults;
use crate::store::open::MIGRATIONS;
use rusqlite::Connection;
use std::collections::BTreeMap;

type Things = BTreeMap<(String, String), String>;

fn things(connection: &Connection) -> rusqlite::Result<Things> {
    let sql =
        "SELECT type, name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'sqlite~_%' ESCAPE '~'";
    let mut statement = connection.prepare(sql)?;
    let rows = statement.query_map([], |row| Ok(((row.get(0)?, row.get(1)?), row.get(2)?)))?;
    rows.collect()
}

/// Names every table, index and trigger that is missing, changed, or does not belong there.
pub(super) fn compare(connection: &Connection, version: i64, faults: &Faults) -> rusqlite::Result<()> {
    let model = Connection::open_in_memory()?;
    for sql in MIGRATIONS.iter().take(usize::try_from(version).unwrap_or(0)) {
        model.execute_batch(sql)?;
    }
    let (wanted, found) = (things(&model)?, things(connection)?);
    for ((kind, name), sql) in &wanted {
        match found.get(&(kind.clone(), name.clone())) {
            None => faults.add(format!("{kind} {name}"), "is missing from the schema"),
            Some(other) if other != sql => {
                faults.add(format!("{kind} {name}"), "is not as the schema of its version says");
            }
            Some(_) => {}
        }
    }
    for (kind, name) in found.keys().filter(|key| !wanted.contains_key(*key)) {
        faults.add(format!("{kind} {name}"), "does not belong to the schema");
    }
    Ok(())
}
