//! A record's ledger, and what it tells of, batch by batch.

use super::binary::Rows;
use super::{Error, Server, TABLES, prepare};
use crate::store::{Cell, LedgerRow, Reader};
use bytes::Bytes;
use futures_util::SinkExt;
use serde::Serialize;
use std::collections::{BTreeMap, HashSet};
use std::path::Path;
use tokio_postgres::Client;

/// Rows of the ledger that are read at once.
const LEDGER_ROWS: i64 = 512;

/// Bytes of a batch: it is sent when it holds more, so that memory is bounded (but for one run longer than that).
const BATCH_BYTES: usize = 8 << 20;

/// What a push moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Pushed {
    /// Runs that ended.
    pub runs: u64,
    /// Rows, those of the ledger among them.
    pub rows: u64,
    /// The last row of the ledger that the database has.
    pub ledger_to: i64,
}

/// Rows that go in one transaction.
#[derive(Default)]
struct Batch {
    tables: BTreeMap<&'static str, Rows>,
    runs: u64,
    /// The last row of the ledger in it.
    to: i64,
}

impl Batch {
    fn len(&self) -> usize {
        self.tables.values().map(Rows::len).sum()
    }
}

/// Reads what follows a row of the ledger.
struct Source {
    reader: Reader,
    record_no: i32,
    /// Texts that the database has.
    texts: HashSet<String>,
    /// Rows of the ledger that were read and not sent.
    ahead: std::collections::VecDeque<LedgerRow>,
    read_to: i64,
}

impl Source {
    /// The next batch; `None`: there is nothing more.
    fn next(&mut self) -> Result<Option<Batch>, Error> {
        let mut batch = Batch::default();
        loop {
            if self.ahead.is_empty() {
                self.ahead = self.reader.ledger_part(self.read_to, LEDGER_ROWS)?.into();
                self.read_to = self.ahead.back().map_or(self.read_to, |row| row.n);
            }
            let Some(row) = self.ahead.pop_front() else { break };
            self.take(&row, &mut batch)?;
            if batch.len() >= BATCH_BYTES {
                break;
            }
        }
        Ok((batch.to > 0).then_some(batch))
    }

    fn take(&mut self, row: &LedgerRow, batch: &mut Batch) -> Result<(), Error> {
        let record_no = self.record_no;
        let mut texts = Vec::new();
        self.reader.told_by(row, &mut |table, cells| {
            // The procedure of a run stands in its third column.
            if let ("run", Some(Cell::Text(hash))) = (table, cells.get(2)) {
                texts.push(((*hash).to_owned(), "procedure"));
            }
            batch.tables.entry(table).or_default().push(record_no, cells);
        })?;
        for (hash, kind) in texts {
            if !self.texts.contains(&hash) {
                let body = self.reader.text(&hash)?;
                let cells = [Cell::Text(&hash), Cell::Text(kind), Cell::Text(&body)];
                batch.tables.entry("text").or_default().push(record_no, &cells);
                self.texts.insert(hash);
            }
        }
        batch.tables.entry("ledger").or_default().push(record_no, &ledger_cells(row));
        batch.runs += u64::from(row.verb == "end" && row.subject.starts_with("run "));
        batch.to = row.n;
        Ok(())
    }
}

fn ledger_cells(row: &LedgerRow) -> [Cell<'_>; 13] {
    [
        Cell::Integer(row.n),
        Cell::Integer(row.utc_us),
        Cell::Integer(row.utc_offset_s.into()),
        Cell::Text(&row.who),
        Cell::Text(&row.identity),
        Cell::Text(&row.verb),
        Cell::Text(&row.subject),
        Cell::Text(&row.content_hash),
        Cell::Text(&row.why),
        Cell::Integer(row.seal_n),
        Cell::Text(&row.seal_hash),
        Cell::Text(&row.prev_hash),
        Cell::Text(&row.hash),
    ]
}

/// Pushes what the database does not have yet; `told` hears how far the ledger is there.
///
/// # Errors
/// When the server cannot be reached, refuses or is not prepared, or holds another continuation of this record.
pub async fn push(record: &Path, server: &Server, told: &mut dyn FnMut(i64)) -> Result<Pushed, Error> {
    let reader = Reader::open(record)?;
    let Some(identity) = reader.identity()? else { return Ok(Pushed::default()) };
    let mut client = server.connect().await?;
    prepare::is_prepared(&client, server).await?;
    let record_no = record_no(&client, server, &identity).await?;
    // Two that push the same record at once go one after the other, and the second sees where the first came to. The
    // lock goes with the connection, also that of a program that was killed.
    let lock = i64::from(record_no) | (0x6472_i64 << 32);
    client.execute("SELECT pg_advisory_lock($1)", &[&lock]).await.map_err(server.fail())?;
    let position = position(&client, server, record_no).await?;
    if let Some((n, hash)) = &position {
        let own = reader.ledger_part(n - 1, 1)?.pop();
        if own.is_none_or(|own| own.n != *n || own.hash != *hash) {
            return Err(Error::Diverged { n: *n });
        }
    }
    let after = position.map_or(0, |(n, _)| n);
    let texts = known_texts(&client, server, record_no).await?;
    let mut source = Source { reader, record_no, texts, ahead: Default::default(), read_to: after };
    let mut pushed = Pushed { ledger_to: after, ..Pushed::default() };
    let mut batch;
    (source, batch) = read(source).await?;
    while let Some(now) = batch {
        // The next batch is read while this one is sent.
        let next = tokio::spawn(read(source));
        let (runs, to) = (now.runs, now.to);
        pushed.rows += send(&mut client, server, now).await?;
        pushed.runs += runs;
        pushed.ledger_to = to;
        told(to);
        (source, batch) = next.await.map_err(|e| Error::Own(e.to_string()))??;
    }
    Ok(pushed)
}

async fn read(mut source: Source) -> Result<(Source, Option<Batch>), Error> {
    let read = tokio::task::spawn_blocking(move || {
        let batch = source.next()?;
        Ok((source, batch))
    });
    read.await.map_err(|e| Error::Own(e.to_string()))?
}

/// The number of a record in the database; a new record gets one.
async fn record_no(client: &Client, server: &Server, identity: &str) -> Result<i32, Error> {
    let fail = server.fail();
    client
        .execute("INSERT INTO dropwise.record (identity) VALUES ($1) ON CONFLICT DO NOTHING", &[&identity])
        .await
        .map_err(&fail)?;
    let row = client.query_one("SELECT record_no FROM dropwise.record WHERE identity = $1", &[&identity]).await;
    Ok(row.map_err(&fail)?.get(0))
}

/// The last row of the record's ledger that the database has.
async fn position(client: &Client, server: &Server, record_no: i32) -> Result<Option<(i64, String)>, Error> {
    let sql = "SELECT n, hash FROM dropwise.ledger WHERE record_no = $1 ORDER BY n DESC LIMIT 1";
    let row = client.query_opt(sql, &[&record_no]).await.map_err(server.fail())?;
    Ok(row.map(|row| (row.get(0), row.get(1))))
}

async fn known_texts(client: &Client, server: &Server, record_no: i32) -> Result<HashSet<String>, Error> {
    let rows = client.query("SELECT hash FROM dropwise.text WHERE record_no = $1", &[&record_no]).await;
    Ok(rows.map_err(server.fail())?.iter().map(|row| row.get(0)).collect())
}

/// Sends a batch in one transaction; gives how many rows it has.
async fn send(client: &mut Client, server: &Server, batch: Batch) -> Result<u64, Error> {
    let fail = server.fail();
    let transaction = client.transaction().await.map_err(&fail)?;
    let mut rows = 0;
    let mut tables = batch.tables;
    // Always in the same order, so that two records never wait for each other.
    for (table, ..) in TABLES {
        let Some(of_table) = tables.remove(table) else { continue };
        rows += of_table.count;
        let sql = format!("COPY dropwise.{table} FROM STDIN (FORMAT binary)");
        let sink = transaction.copy_in::<_, Bytes>(&sql).await.map_err(&fail)?;
        let mut sink = std::pin::pin!(sink);
        let mut bytes = of_table.finish();
        while !bytes.is_empty() {
            let part = bytes.split_to(bytes.len().min(1 << 20));
            sink.send(part).await.map_err(&fail)?;
        }
        sink.finish().await.map_err(&fail)?;
    }
    transaction.commit().await.map_err(&fail)?;
    Ok(rows)
}
