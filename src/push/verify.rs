//! The chain of every bench in the database, recomputed from its rows by the code that verifies a record.

use super::{Error, Server, TABLES, prepare};
use crate::store::{Anchor, Cell, Content, LedgerRow, WrongRow};
use serde::Serialize;
use std::collections::{HashMap, HashSet};
use tokio_postgres::types::Type;
use tokio_postgres::{Client, Row};

/// Rows of the ledger whose contents are asked for at once.
const PART: i64 = 256;

/// A record that was altered throughout is not listed to the last row.
const MOST_FAULTS: usize = 50;

/// What was found of one record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CentralReport {
    /// Its identity: the hash of the first row of its ledger.
    pub identity: String,
    /// Rows of the ledger that were recomputed.
    pub ledger_rows: i64,
    /// Runs that ended.
    pub runs: i64,
    /// Rows that the ledger tells of, hashed again.
    pub rows: u64,
    /// The head of the ledger.
    pub anchor: Option<Anchor>,
    /// What is wrong, the first first.
    pub faults: Vec<WrongRow>,
}

/// The tables whose rows a decision tells of, in their order; `None`: its rows are not all in the database (the wire is
/// not), or it has none.
fn told(row: &LedgerRow) -> Option<(&'static [&'static str], i64)> {
    let (kind, number) = row.subject.split_once(' ')?;
    let number = number.parse().ok()?;
    let tables: &[&str] = match (row.verb.as_str(), kind) {
        ("begin", "run") => &["run"],
        ("set aside", "run") => &["set_aside"],
        (_, "reckoning") => {
            &["reckoning", "reckoning_decoding", "point", "watch_change", "finding", "warning"]
        }
        (_, "datum") => &["datum"],
        _ => return None,
    };
    Some((tables, number))
}

/// Verifies every record in the database.
///
/// # Errors
/// When the server cannot be reached or refuses; what is wrong in its rows is in the reports.
pub async fn verify(server: &Server) -> Result<Vec<CentralReport>, Error> {
    let fail = server.fail();
    let mut client = server.connect().await?;
    prepare::is_prepared(&client, server).await?;
    // One moment of the database, whatever is pushed meanwhile.
    let snapshot = client
        .build_transaction()
        .isolation_level(tokio_postgres::IsolationLevel::RepeatableRead)
        .read_only(true)
        .start()
        .await
        .map_err(&fail)?;
    let records = snapshot
        .query("SELECT record_no, identity FROM dropwise.record ORDER BY record_no", &[])
        .await
        .map_err(&fail)?;
    let mut reports = Vec::new();
    for record in records {
        let one = One { client: snapshot.client(), server, record_no: record.get(0) };
        reports.push(one.verify(record.get(1)).await?);
    }
    Ok(reports)
}

/// What the ledger told of so far: a subject that it tells of twice has its rows once.
#[derive(Default)]
struct Seen {
    subjects: HashSet<(&'static str, i64)>,
    rows: HashMap<&'static str, i64>,
}

/// One record in the database.
struct One<'a> {
    client: &'a Client,
    server: &'a Server,
    record_no: i32,
}

impl One<'_> {
    async fn query(&self, sql: &str, values: &[&(dyn tokio_postgres::types::ToSql + Sync)]) -> Result<Vec<Row>, Error> {
        self.client.query(sql, values).await.map_err(self.server.fail())
    }

    async fn verify(&self, identity: String) -> Result<CentralReport, Error> {
        let mut report = CentralReport {
            identity: identity.clone(),
            ledger_rows: 0,
            runs: 0,
            rows: 0,
            anchor: None,
            faults: Vec::new(),
        };
        let (mut n, mut hash) = (0, String::new());
        let mut seen = Seen::default();
        let mut ends = 0;
        loop {
            let sql = "SELECT * FROM dropwise.ledger WHERE record_no = $1 AND n > $2 ORDER BY n LIMIT $3";
            let rows = self.query(sql, &[&self.record_no, &n, &PART]).await?;
            if rows.is_empty() || report.faults.len() >= MOST_FAULTS {
                break;
            }
            let part: Vec<LedgerRow> = rows.iter().map(ledger_row).collect();
            let contents = self.contents(&part, &mut seen, &mut report.rows).await?;
            for (row, content) in part.into_iter().zip(contents) {
                let name = format!("ledger (n {})", row.n);
                let mut add = |row: String, what: &str| report.faults.push(WrongRow { row, what: what.to_owned() });
                if row.n != n + 1 {
                    add(format!("ledger (n {})", n + 1), "is missing");
                } else if row.hash != row.expected_hash() {
                    add(name, "was changed: its hash is not that of its contents");
                } else if row.prev_hash != hash {
                    add(name, "does not follow from the row before it");
                } else if row.n == 1 && row.hash != identity {
                    add(name, "is not the first row of the record that it stands for");
                } else if content.is_some_and(|content| content != row.content_hash) {
                    add(name, &format!("{} is not what was entered here", row.subject));
                }
                ends += i64::from(row.verb == "end" && row.subject.starts_with("run "));
                report.anchor = Some(Anchor { n: row.n, hash: row.hash.clone(), utc_us: row.utc_us });
                (n, hash) = (row.n, row.hash);
                report.ledger_rows += 1;
            }
        }
        report.runs = self.count("run_end").await?;
        if report.runs != ends {
            let what = format!("has {} rows, the ledger tells of {ends}", report.runs);
            report.faults.push(WrongRow { row: "run_end".to_owned(), what });
        }
        for (table, ..) in TABLES {
            let Some(told) = seen.rows.get(table) else { continue };
            let there = self.count(table).await?;
            if there != *told {
                let what = format!("has {there} rows, the ledger tells of {told}");
                report.faults.push(WrongRow { row: table.to_owned(), what });
            }
        }
        Ok(report)
    }

    async fn count(&self, table: &str) -> Result<i64, Error> {
        let sql = format!("SELECT count(*) FROM dropwise.{table} WHERE record_no = $1");
        let rows = self.query(&sql, &[&self.record_no]).await?;
        Ok(rows.first().map_or(0, |row| row.get(0)))
    }

    /// The hash of what each decision tells of, from the rows in the database.
    async fn contents(
        &self,
        part: &[LedgerRow],
        seen: &mut Seen,
        count: &mut u64,
    ) -> Result<Vec<Option<String>>, Error> {
        // By the first table of a subject and its number: decisions of one subject share its rows.
        let mut contents: HashMap<(&'static str, i64), Content> = HashMap::new();
        let mut wanted: HashMap<&'static str, Vec<i64>> = HashMap::new();
        for (tables, number) in part.iter().filter_map(told) {
            if contents.insert((tables[0], number), Content::default()).is_none() {
                for table in tables {
                    wanted.entry(table).or_default().push(number);
                }
            }
        }
        for (table, columns, key) in TABLES {
            let Some(numbers) = wanted.get(table) else { continue };
            let first = key.split(',').next().unwrap_or_default();
            let sql = format!(
                "SELECT * FROM dropwise.{table} WHERE record_no = $1 AND {first} = ANY($2) ORDER BY {key}"
            );
            let of = match table {
                "run" | "set_aside" | "datum" => table,
                _ => "reckoning",
            };
            let rows = self.query(&sql, &[&self.record_no, numbers]).await?;
            *count += rows.len() as u64;
            for row in &rows {
                let cells: Vec<Cell<'_>> = (1..=columns).map(|column| cell(row, column)).collect();
                let Some(Cell::Integer(number)) = cells.first() else { continue };
                if !seen.subjects.contains(&(of, *number)) {
                    *seen.rows.entry(table).or_default() += 1;
                }
                if let Some(content) = contents.get_mut(&(of, *number)) {
                    content.row(table, &cells);
                }
            }
        }
        seen.subjects.extend(contents.keys());
        let hashes: HashMap<(&str, i64), String> =
            contents.into_iter().map(|(subject, content)| (subject, content.finish())).collect();
        Ok(part
            .iter()
            .map(|row| told(row).and_then(|(tables, number)| hashes.get(&(tables[0], number)).cloned()))
            .collect())
    }
}

fn cell(row: &Row, column: usize) -> Cell<'_> {
    let kind = row.columns()[column].type_();
    let cell = if *kind == Type::INT8 {
        row.get::<_, Option<i64>>(column).map(Cell::Integer)
    } else if *kind == Type::FLOAT8 {
        row.get::<_, Option<f64>>(column).map(Cell::Real)
    } else if *kind == Type::BYTEA {
        row.get::<_, Option<&[u8]>>(column).map(Cell::Bytes)
    } else {
        row.get::<_, Option<&str>>(column).map(Cell::Text)
    };
    cell.unwrap_or(Cell::Null)
}

/// The first column is the number of the record.
fn ledger_row(row: &Row) -> LedgerRow {
    LedgerRow {
        n: row.get(1),
        utc_us: row.get(2),
        utc_offset_s: i32::try_from(row.get::<_, i64>(3)).unwrap_or_default(),
        who: row.get(4),
        identity: row.get(5),
        verb: row.get(6),
        subject: row.get(7),
        content_hash: row.get(8),
        why: row.get(9),
        seal_n: row.get(10),
        seal_hash: row.get(11),
        prev_hash: row.get(12),
        hash: row.get(13),
    }
}
