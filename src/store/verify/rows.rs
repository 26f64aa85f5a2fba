//! Every row against its seal, in the order in which they were written.

use super::{Faults, Verified};
use crate::store::seal::{MARK_BYTES, SealHead, Span, marks, seal_hash};
use crate::store::table::{KeyPart, RowHash, TABLES, Table, read_row, row_name, table};
use crate::store::text_hash;
use rusqlite::{Connection, params_from_iter};
use std::collections::{BTreeMap, BTreeSet, HashMap, VecDeque};

/// Rows of a stream that are read at once.
const READ_AT_ONCE: usize = 1_024;

/// Seals between two words on how far it is.
const TELL_EVERY: u64 = 256;

/// What was walked.
pub(super) struct Walked {
    pub(super) rows: u64,
    pub(super) seals: u64,
    pub(super) head: SealHead,
    pub(super) tally: BTreeMap<String, i64>,
    /// Tables of which rows are missing.
    missing: BTreeSet<&'static str>,
}

type ReadRow = (Vec<KeyPart>, RowHash);

/// Rows of streams, read ahead in the order of their keys.
struct Streams<'a> {
    connection: &'a Connection,
    ahead: HashMap<(&'static str, Vec<KeyPart>), VecDeque<ReadRow>>,
    /// The questions, by table and whether the row with the key itself is left out.
    sql: HashMap<(&'static str, bool), String>,
}

impl Streams<'_> {
    /// The next `count` rows of a stream from the one with that key on, or as many as there are.
    fn take(
        &mut self,
        table: &'static Table,
        first: &[KeyPart],
        count: usize,
    ) -> rusqlite::Result<Vec<ReadRow>> {
        let stream = (table.name, first[..table.stream].to_vec());
        let mut ahead = self.ahead.remove(&stream).unwrap_or_default();
        if ahead.front().is_some_and(|(key, _)| key != first) {
            ahead.clear();
        }
        let mut rows = Vec::with_capacity(count);
        let mut from = first.to_vec();
        while rows.len() < count {
            match ahead.pop_front() {
                Some(row) => rows.push(row),
                None => {
                    if let Some((key, _)) = rows.last() {
                        from.clone_from(key);
                    }
                    let most = (count - rows.len()).max(READ_AT_ONCE);
                    ahead = self.read(table, &from, !rows.is_empty(), most)?;
                    if ahead.is_empty() {
                        break;
                    }
                }
            }
        }
        if !ahead.is_empty() {
            self.ahead.insert(stream, ahead);
        }
        Ok(rows)
    }

    fn read(
        &mut self,
        table: &'static Table,
        from: &[KeyPart],
        after: bool,
        most: usize,
    ) -> rusqlite::Result<VecDeque<ReadRow>> {
        let (stream, rest) = table.key.split_at(table.stream);
        if rest.is_empty() && after {
            // Each row is a stream of its own.
            return Ok(VecDeque::new());
        }
        let sql = self.sql.entry((table.name, after)).or_insert_with(|| {
            let mut sql = format!("SELECT * FROM {} WHERE ", table.name);
            sql += &stream.iter().map(|column| format!("{column} = ?")).collect::<Vec<_>>().join(" AND ");
            if !rest.is_empty() {
                let (columns, places) = (rest.join(", "), vec!["?"; rest.len()].join(", "));
                let sign = if after { ">" } else { ">=" };
                sql += &format!(" AND ({columns}) {sign} ({places}) ORDER BY {columns}");
            }
            sql + " LIMIT ?"
        });
        let mut statement = self.connection.prepare_cached(sql)?;
        let most = KeyPart::Number(i64::try_from(most).unwrap_or(i64::MAX));
        let mut rows = statement.query(params_from_iter(from.iter().chain(std::iter::once(&most))))?;
        let mut read = VecDeque::new();
        while let Some(row) = rows.next()? {
            read.push_back(read_row(table, row)?);
        }
        Ok(read)
    }
}

/// Walks the seals after `since` (all of them without) and the rows under them.
pub(super) fn walk(
    connection: &Connection,
    since: Option<&Verified>,
    faults: &Faults,
    told: &(dyn Fn(u64, u64) + Sync),
) -> rusqlite::Result<Walked> {
    texts(connection, faults)?;
    let mut walked = Walked {
        rows: 0,
        seals: 0,
        head: SealHead::default(),
        tally: since.map(|v| v.rows.clone()).unwrap_or_default(),
        missing: BTreeSet::new(),
    };
    let after = since.map_or(0, |v| v.seal_n);
    if after > 0 {
        let hash = connection.query_row("SELECT hash FROM seal WHERE n = ?", [after], |row| row.get(0))?;
        walked.head = SealHead { n: after, hash };
    }
    let last: i64 = connection.query_row("SELECT coalesce(max(n), 0) FROM seal", [], |row| row.get(0))?;
    let total = u64::try_from(last - after).unwrap_or(0);
    let mut streams = Streams { connection, ahead: HashMap::new(), sql: HashMap::new() };
    let mut statement =
        connection.prepare("SELECT n, spans, marks, hash FROM seal WHERE n > ? ORDER BY n")?;
    let mut seals = statement.query([after])?;
    while let Some(row) = seals.next()? {
        let seal = Seal { n: row.get(0)?, spans: row.get(1)?, marks: row.get(2)?, hash: row.get(3)? };
        if seal.n != walked.head.n + 1 {
            faults.add(format!("seal (n {})", walked.head.n + 1), "is missing");
        }
        seal.check(&mut streams, &mut walked, faults)?;
        walked.seals += 1;
        walked.head = SealHead { n: seal.n, hash: seal.hash };
        if walked.seals.is_multiple_of(TELL_EVERY) || walked.seals == total {
            told(walked.seals, total);
        }
        if faults.full() {
            return Ok(walked);
        }
    }
    unsealed(connection, &walked, faults)?;
    Ok(walked)
}

struct Seal {
    n: i64,
    spans: String,
    marks: Vec<u8>,
    hash: RowHash,
}

impl Seal {
    fn check(&self, streams: &mut Streams<'_>, walked: &mut Walked, faults: &Faults) -> rusqlite::Result<()> {
        let own = format!("seal (n {})", self.n);
        let spans: Vec<Span> = match serde_json::from_str(&self.spans) {
            Ok(spans) if self.marks.starts_with(&marks(&self.spans, [])) => spans,
            _ => {
                faults.add(own, "was changed: what it says of its rows is not what was written");
                return Ok(());
            }
        };
        let mut found: Vec<(&'static Table, Vec<ReadRow>, &Span)> = Vec::with_capacity(spans.len());
        for span in &spans {
            let Some(table) = table(&span.0).filter(|table| table.key.len() == span.1.len()) else {
                faults.add(own, format!("tells of a table {} that the schema does not have", span.0));
                return Ok(());
            };
            *walked.tally.entry(table.name.to_owned()).or_default() += i64::try_from(span.2).unwrap_or(0);
            let rows = streams.take(table, &span.1, span.2)?;
            walked.rows += rows.len() as u64;
            found.push((table, rows, span));
        }
        let rows = || found.iter().flat_map(|(_, rows, _)| rows.iter().map(|(_, hash)| hash));
        let complete = found.iter().all(|(_, rows, span)| rows.len() == span.2);
        if complete && seal_hash(&walked.head.hash, self.n, &self.spans, rows()) == self.hash {
            if marks(&self.spans, rows()) != self.marks {
                faults.add(own, "was changed: its marks are not those of its rows");
            }
            return Ok(());
        }
        if !self.name_the_row(&found, streams, &mut walked.missing, faults) {
            faults.add(own, "was changed, or does not follow from the seal before it");
        }
        Ok(())
    }

    /// Finds the row whose mark does not fit; `false`: all of them do.
    fn name_the_row(
        &self,
        found: &[(&'static Table, Vec<ReadRow>, &Span)],
        streams: &mut Streams<'_>,
        missing: &mut BTreeSet<&'static str>,
        faults: &Faults,
    ) -> bool {
        let marks: Vec<&[u8]> = self.marks.chunks_exact(MARK_BYTES).skip(1).collect();
        let mut from = 0;
        let mut named = false;
        for (table, rows, span) in found {
            let marks = marks.get(from..).unwrap_or_default();
            from += span.2;
            let fits = |row: usize, mark: usize| {
                rows.get(row)
                    .zip(marks.get(mark))
                    .is_some_and(|((_, hash), mark)| hash[..MARK_BYTES] == **mark)
            };
            let Some(i) = (0..span.2).find(|i| !fits(*i, *i)) else { continue };
            named = true;
            // What follows in this stream is looked up anew.
            streams.ahead.remove(&(table.name, span.1[..table.stream].to_vec()));
            let before = i.checked_sub(1).and_then(|before| rows.get(before)).map(|(key, _)| key);
            let wanted = before.map_or_else(|| span.1.clone(), |key| next_key(key));
            match rows.get(i) {
                // The row stands where it should, or one that was put in stands in its place.
                Some((key, _)) if *key == wanted || fits(i + 1, i) => {
                    faults.add(row_name(table, key), "is not as it was written");
                }
                Some((key, _)) if before.is_some() && !fits(i, i + 1) => {
                    faults.add(row_name(table, key), "is not as it was written");
                }
                _ => {
                    missing.insert(table.name);
                    faults.add(row_name(table, &wanted), "is missing");
                }
            }
        }
        named
    }
}

/// The key that follows in a stream: its last number counts.
fn next_key(key: &[KeyPart]) -> Vec<KeyPart> {
    let mut next = key.to_vec();
    if let Some(KeyPart::Number(n)) = next.last_mut() {
        *n = n.saturating_add(1);
    }
    next
}

/// Texts are named by their hash.
fn texts(connection: &Connection, faults: &Faults) -> rusqlite::Result<()> {
    let mut statement = connection.prepare("SELECT hash, body FROM text")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (hash, body): (String, String) = (row.get(0)?, row.get(1)?);
        if text_hash(&body) != hash {
            faults.add(format!("text (hash {hash})"), "does not have the hash that names it");
        }
    }
    Ok(())
}

/// Rows that no seal tells of: put in by something that is not this program, or moved to another key.
fn unsealed(connection: &Connection, walked: &Walked, faults: &Faults) -> rusqlite::Result<()> {
    for table in TABLES {
        let sealed = walked.tally.get(table.name).copied().unwrap_or(0);
        let sql = format!("SELECT count(*) FROM {}", table.name);
        let there: i64 = connection.query_row(&sql, [], |row| row.get(0))?;
        if there > sealed || walked.missing.contains(table.name) {
            for name in strays(connection, table)? {
                faults.add(
                    name,
                    "stands under no seal: it was not written by this program, or not with this key",
                );
            }
        }
    }
    Ok(())
}

/// Most rows without a seal that are named for one table.
const MOST_STRAYS: usize = 10;

/// The rows of a table whose marks stand in no seal of their stream.
fn strays(connection: &Connection, table: &'static Table) -> rusqlite::Result<Vec<String>> {
    let mut sealed: HashMap<(Vec<KeyPart>, Vec<u8>), usize> = HashMap::new();
    let mut statement = connection.prepare("SELECT spans, marks FROM seal")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let spans: Vec<Span> = serde_json::from_str(&row.get::<_, String>(0)?).unwrap_or_default();
        let marks: Vec<u8> = row.get(1)?;
        let mut marks = marks.chunks_exact(MARK_BYTES).skip(1);
        for (name, first, count) in spans {
            for mark in marks.by_ref().take(count).filter(|_| name == table.name) {
                let stream = first.get(..table.stream).unwrap_or_default().to_vec();
                *sealed.entry((stream, mark.to_vec())).or_default() += 1;
            }
        }
    }
    let sql = format!("SELECT * FROM {} ORDER BY {}", table.name, table.key.join(", "));
    let mut statement = connection.prepare(&sql)?;
    let mut rows = statement.query([])?;
    let mut strays = Vec::new();
    while let Some(row) = rows.next()? {
        let (key, hash) = read_row(table, row)?;
        match sealed.get_mut(&(key[..table.stream].to_vec(), hash[..MARK_BYTES].to_vec())) {
            Some(left) if *left > 0 => *left -= 1,
            _ => strays.push(row_name(table, &key)),
        }
        if strays.len() >= MOST_STRAYS {
            break;
        }
    }
    Ok(strays)
}
