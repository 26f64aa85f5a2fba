//! Whatever is changed in a record is found, and the row is named.

use super::{check, full_record, try_to, words};
use rusqlite::Connection;
use rusqlite::types::Value;
use std::path::{Path, PathBuf};

/// Numbers that no author chose: xorshift from a fixed start.
struct Chance(u64);

impl Chance {
    fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 % n as u64).unwrap()
    }
}

/// Does something to a copy of the record that the triggers would refuse; the triggers stand there again afterwards.
fn behind_the_back(record: &Path, copy: &Path, change: impl FnOnce(&Connection)) {
    std::fs::copy(record, copy).unwrap();
    let connection = Connection::open(copy).unwrap();
    connection.pragma_update(None, "foreign_keys", false).unwrap();
    connection.pragma_update(None, "ignore_check_constraints", true).unwrap();
    let triggers: Vec<(String, String)> = connection
        .prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    for (name, _) in &triggers {
        connection.execute_batch(&format!("DROP TRIGGER {name}")).unwrap();
    }
    change(&connection);
    for (_, sql) in &triggers {
        connection.execute_batch(sql).unwrap();
    }
    connection.pragma_update(None, "journal_mode", "DELETE").unwrap();
}

/// Another value that differs in as little as can be.
fn altered(value: Value, chance: &mut Chance) -> Value {
    match value {
        Value::Null => Value::Integer(0),
        Value::Integer(n) => Value::Integer(n ^ (1 << chance.below(40))),
        Value::Real(x) => Value::Real(f64::from_bits(x.to_bits() ^ (1 << chance.below(52)))),
        Value::Text(text) if text.is_empty() => Value::Text("x".to_owned()),
        Value::Text(text) => {
            let mut letters: Vec<char> = text.chars().collect();
            let at = chance.below(letters.len());
            letters[at] = if letters[at] == '1' { '2' } else { '1' };
            Value::Text(letters.into_iter().collect())
        }
        Value::Blob(bytes) if bytes.is_empty() => Value::Blob(vec![1]),
        Value::Blob(mut bytes) => {
            let at = chance.below(bytes.len());
            bytes[at] ^= 1 << chance.below(8);
            Value::Blob(bytes)
        }
    }
}

fn tables(connection: &Connection) -> Vec<String> {
    let mut statement =
        connection.prepare("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name").unwrap();
    statement.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap()
}

/// Columns of a table, and the number of those of its key.
fn columns(connection: &Connection, table: &str) -> (Vec<String>, usize) {
    let mut statement = connection.prepare("SELECT name, pk FROM pragma_table_info(?) ORDER BY cid").unwrap();
    let rows: Vec<(String, i64)> = statement
        .query_map([table], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let key = rows.iter().filter(|(_, pk)| *pk > 0).count();
    (rows.into_iter().map(|(name, _)| name).collect(), key)
}

fn word(value: &Value) -> String {
    match value {
        Value::Integer(n) => n.to_string(),
        Value::Text(text) => text.clone(),
        other => format!("{other:?}"),
    }
}

fn name(table: &str, columns: &[String], key: &[Value]) -> String {
    let parts: Vec<String> =
        columns.iter().zip(key).map(|(column, value)| format!("{column} {}", word(value))).collect();
    format!("{table} ({})", parts.join(", "))
}

struct Place {
    table: String,
    columns: Vec<String>,
    key: usize,
    column: usize,
    row: Vec<Value>,
}

/// A row of chance for each column of each table.
fn places(record: &Path, chance: &mut Chance) -> Vec<Place> {
    let connection = Connection::open(record).unwrap();
    let mut places = Vec::new();
    for table in tables(&connection) {
        let (columns, key) = columns(&connection, &table);
        let rows: i64 =
            connection.query_row(&format!("SELECT count(*) FROM \"{table}\""), [], |row| row.get(0)).unwrap();
        let rows = usize::try_from(rows).unwrap();
        assert!(rows > 0, "{table} is empty");
        for column in 0..columns.len() {
            let sql = format!("SELECT * FROM \"{table}\" LIMIT 1 OFFSET {}", chance.below(rows));
            let row = connection
                .query_row(&sql, [], |row| (0..columns.len()).map(|i| row.get(i)).collect())
                .unwrap();
            places.push(Place { table: table.clone(), columns: columns.clone(), key, column, row });
        }
    }
    places
}

#[test]
fn a_change_of_any_column_of_any_table_is_found_and_names_the_row() {
    let home = tempfile::tempdir().unwrap();
    let record = full_record(home.path());
    assert_eq!(check(&record).faults, []);
    let copy = home.path().join("copy.db");
    let mut chance = Chance(0x2545_f491_4f6c_dd1d);
    let mut tried = 0;
    // DROPWISE_CHANGES=20 tries every column of every table twenty times, each time in another row.
    let rounds = std::env::var("DROPWISE_CHANGES").ok().and_then(|n| n.parse().ok()).unwrap_or(1);
    for _ in 0..rounds {
        for Place { table, columns, key, column, row } in places(&record, &mut chance) {
            let new = altered(row[column].clone(), &mut chance);
            let clause: Vec<String> = columns[..key].iter().map(|column| format!("{column} = ?")).collect();
            let sql =
                format!("UPDATE \"{table}\" SET {} = ? WHERE {}", columns[column], clause.join(" AND "));
            let mut stored = true;
            behind_the_back(&record, &copy, |connection| {
                let values = std::iter::once(&new).chain(&row[..key]);
                // A value of another kind is refused by the table itself, whatever its triggers.
                stored = connection.execute(&sql, rusqlite::params_from_iter(values)).is_ok();
            });
            if !stored {
                continue;
            }
            tried += 1;
            let faults = check(&copy).faults;
            let mut names = vec![name(&table, &columns, &row[..key])];
            if column < key {
                let mut key_now = row[..key].to_vec();
                key_now[column] = new.clone();
                names.push(name(&table, &columns, &key_now));
            }
            assert!(
                faults.iter().any(|fault| names.contains(&fault.row)),
                "{table}.{}: {:?} became {new:?}, and {names:?} is not among {faults:#?}",
                columns[column],
                row[column]
            );
        }
    }
    assert!(tried > 100, "only {tried} changes could be made");
}

#[test]
fn a_row_that_is_taken_out_or_put_in_is_found() {
    let home = tempfile::tempdir().unwrap();
    let record = full_record(home.path());
    let copy = home.path().join("copy.db");
    let mut chance = Chance(0x9e37_79b9_7f4a_7c15);
    for place in places(&record, &mut chance).into_iter().filter(|place| place.column == 0) {
        let Place { table, columns, key, row, .. } = place;
        let clause: Vec<String> = columns[..key].iter().map(|column| format!("{column} = ?")).collect();
        behind_the_back(&record, &copy, |connection| {
            let sql = format!("DELETE FROM \"{table}\" WHERE {}", clause.join(" AND "));
            connection.execute(&sql, rusqlite::params_from_iter(&row[..key])).unwrap();
        });
        // The last row of the ledger is a tail cut off, which only an anchor shows.
        let last_of_ledger = table == "ledger" && {
            let connection = Connection::open(&record).unwrap();
            connection.query_row("SELECT max(n) FROM ledger", [], |r| r.get::<_, Value>(0)).unwrap() == row[0]
        };
        assert!(last_of_ledger || !check(&copy).faults.is_empty(), "a row of {table} was taken out");
        // Triggers let a new row in; it stands under no seal, or breaks the chain.
        std::fs::copy(&record, &copy).unwrap();
        let connection = Connection::open(&copy).unwrap();
        connection.pragma_update(None, "foreign_keys", false).unwrap();
        let mut new = row.clone();
        new[key - 1] = match &row[key - 1] {
            Value::Integer(_) => Value::Integer(1_000_000 + i64::try_from(chance.below(1_000)).unwrap()),
            Value::Text(text) => Value::Text(format!("{text}1")),
            other => panic!("{table}: a key of {other:?}"),
        };
        let places = vec!["?"; new.len()].join(", ");
        connection
            .execute(&format!("INSERT INTO \"{table}\" VALUES ({places})"), rusqlite::params_from_iter(&new))
            .unwrap();
        drop(connection);
        let faults = check(&copy).faults;
        let wanted = name(&table, &columns, &new[..key]);
        let chained = table == "ledger" || table == "seal";
        assert!(
            faults.iter().any(|fault| fault.row == wanted || chained),
            "{wanted} was put in and is not among {faults:#?}"
        );
    }
}

#[test]
fn a_trigger_that_is_dropped_or_changed_is_found() {
    let home = tempfile::tempdir().unwrap();
    let record = full_record(home.path());
    let copy = home.path().join("copy.db");
    let triggers: Vec<String> = {
        let connection = Connection::open(&record).unwrap();
        let mut statement =
            connection.prepare("SELECT name FROM sqlite_schema WHERE type = 'trigger'").unwrap();
        statement.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap()
    };
    assert!(triggers.len() >= 66, "{triggers:?}");
    for trigger in triggers.iter().step_by(5) {
        std::fs::copy(&record, &copy).unwrap();
        let connection = Connection::open(&copy).unwrap();
        connection.execute_batch(&format!("DROP TRIGGER {trigger}")).unwrap();
        drop(connection);
        assert_eq!(check(&copy).faults[0].row, format!("trigger {trigger}"));
    }
    // Without DROP, by writing to the schema itself: the trigger stands there and never fires.
    std::fs::copy(&record, &copy).unwrap();
    let connection = Connection::open(&copy).unwrap();
    connection
        .execute_batch(
            "PRAGMA writable_schema = ON;
            UPDATE sqlite_schema SET sql = replace(sql, 'BEGIN SELECT', 'WHEN 0 BEGIN SELECT') WHERE name = 'wire_no_update';
            PRAGMA writable_schema = OFF;",
        )
        .unwrap();
    drop(connection);
    let faults = check(&copy).faults;
    assert_eq!(faults[0].row, "trigger wire_no_update", "{faults:?}");
}

#[test]
fn a_byte_changed_in_the_file_itself_is_found_wherever_a_row_stands() {
    let home = tempfile::tempdir().unwrap();
    let record = full_record(home.path());
    let copy: PathBuf = home.path().join("copy.db");
    let whole = std::fs::read(&record).unwrap();
    // Words that stand in rows of different tables.
    for word in ["vinegar 7", "the burette leaked", "colour turned", "strong", "window bench", "as vinegar"] {
        let at: Vec<usize> =
            (0..whole.len() - word.len()).filter(|i| whole[*i..].starts_with(word.as_bytes())).collect();
        assert!(!at.is_empty(), "{word} is nowhere");
        for at in at {
            let mut bytes = whole.clone();
            bytes[at] ^= 1;
            std::fs::write(&copy, &bytes).unwrap();
            assert!(!check(&copy).faults.is_empty(), "{word} at byte {at}");
        }
    }
}

#[test]
fn the_command_names_the_row_and_ends_with_the_code_of_the_record() {
    let home = tempfile::tempdir().unwrap();
    let record = full_record(home.path());
    let good = try_to(home.path(), &["record", "verify"]);
    assert_eq!(good.status.code(), Some(0), "{}{}", words::stdout(&good), words::stderr(&good));
    assert!(words::stdout(&good).contains("everything is as it was written"), "{}", words::stdout(&good));
    let copy = home.path().join("copy.db");
    behind_the_back(&record, &copy, |connection| {
        connection.execute("UPDATE wire SET utc_us = utc_us + 1 WHERE line_id = 2 AND seq = 3", []).unwrap();
    });
    std::fs::rename(&copy, &record).unwrap();
    let bad = try_to(home.path(), &["record", "verify"]);
    assert_eq!(bad.status.code(), Some(5));
    let text = words::stdout(&bad);
    assert!(text.contains("WRONG  wire (line_id 2, seq 3)"), "{text}");
    // What was verified before is not looked at again when only the new is asked for.
    let new = try_to(home.path(), &["record", "verify", "--new", "--json"]);
    assert_eq!(new.status.code(), Some(0), "{}", words::stdout(&new));
    assert!(words::stdout(&new).contains(r#""rows":0"#), "{}", words::stdout(&new));
}
