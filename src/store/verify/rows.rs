//! Every row against its seal, in the order in which they were written.

use super::{Faults, Progress, Verified};
use crate::store::ledger::hex;
use crate::store::seal::{MARK_BYTES, SealHead, Span, marks, seal_hash};
use crate::store::table::{KeyPart, RowHash, TABLES, Table, read_row, row_name, table};
use crate::store::text_hash;
use rusqlite::{Connection, OptionalExtension, params_from_iter};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Rows of a stream that are read at once.
const READ_AT_ONCE: usize = 1_024;

/// Seals between two words on how far it is.
const TELL_EVERY: u64 = 256;

/// What was walked.
#[derive(Default)]
pub(super) struct Walked {
    pub(super) rows: u64,
    pub(super) seals: u64,
    pub(super) head: SealHead,
    /// Sealed rows of each table, in the order of the tables.
    pub(super) tally: [i64; TABLES.len()],
    /// Tables of which rows are missing.
    missing: BTreeSet<&'static str>,
}

impl Walked {
    /// Nothing yet, after what was verified before.
    pub(super) fn after(connection: &Connection, since: Option<&Verified>) -> rusqlite::Result<Self> {
        let Some(since) = since else { return Ok(Self::default()) };
        let head = before(connection, since.seal_n + 1)?.unwrap_or_default();
        let tally = TABLES.map(|table| since.rows.get(table.name).copied().unwrap_or(0));
        Ok(Self { head, tally, ..Self::default() })
    }

    /// Sealed rows of each table that has some.
    pub(super) fn by_table(&self) -> BTreeMap<String, i64> {
        let counted = TABLES.iter().zip(self.tally).filter(|(_, rows)| *rows > 0);
        counted.map(|(table, rows)| (table.name.to_owned(), rows)).collect()
    }

    /// Takes in what followed.
    pub(super) fn join(&mut self, other: Self) {
        self.rows += other.rows;
        self.seals += other.seals;
        if other.head.n > self.head.n {
            self.head = other.head;
        }
        for (own, more) in self.tally.iter_mut().zip(other.tally) {
            *own += more;
        }
        self.missing.extend(other.missing);
    }
}

/// The seal before seal `n`; `None`: it is missing.
fn before(connection: &Connection, n: i64) -> rusqlite::Result<Option<SealHead>> {
    if n <= 1 {
        return Ok(Some(SealHead::default()));
    }
    let sql = "SELECT n, hash FROM seal WHERE n = ?";
    connection.query_row(sql, [n - 1], |row| Ok(SealHead { n: row.get(0)?, hash: row.get(1)? })).optional()
}

/// Rows that were read: their keys, one behind the other, and their hashes.
#[derive(Default)]
struct Rows {
    /// Columns of a key.
    width: usize,
    keys: Vec<KeyPart>,
    hashes: Vec<RowHash>,
    /// So many of them have been taken.
    taken: usize,
}

impl Rows {
    fn len(&self) -> usize {
        self.hashes.len() - self.taken
    }

    fn hashes(&self) -> &[RowHash] {
        &self.hashes[self.taken..]
    }

    fn key(&self, row: usize) -> Option<&[KeyPart]> {
        let from = (self.taken + row) * self.width;
        self.keys.get(from..from + self.width)
    }

    fn last_key(&self) -> Option<&[KeyPart]> {
        self.len().checked_sub(1).and_then(|last| self.key(last))
    }

    /// Moves the next rows of another, at most so many, behind these.
    fn take_from(&mut self, other: &mut Self, most: usize) {
        let (from, count) = (other.taken, most.min(other.len()));
        self.width = other.width;
        self.keys.extend_from_slice(&other.keys[from * other.width..(from + count) * other.width]);
        self.hashes.extend_from_slice(&other.hashes[from..from + count]);
        other.taken += count;
    }
}

/// Rows of streams, read ahead in the order of their keys.
struct Streams<'a> {
    connection: &'a Connection,
    ahead: HashMap<(usize, Vec<KeyPart>), Rows>,
    /// The questions, by table and whether the row with the key itself is left out.
    sql: HashMap<(usize, bool), String>,
}

impl Streams<'_> {
    /// The next `count` rows of a stream from the one with that key on, or as many as there are.
    fn take(&mut self, table: &'static Table, first: &[KeyPart], count: usize) -> rusqlite::Result<Rows> {
        let stream = (table.at, first[..table.stream].to_vec());
        let mut ahead = self.ahead.remove(&stream).unwrap_or_default();
        if ahead.key(0).is_some_and(|key| key != first) {
            ahead = Rows::default();
        }
        let mut rows = Rows { width: table.key.len(), ..Rows::default() };
        while rows.len() < count {
            if ahead.len() == 0 {
                let (from, after) = rows.last_key().map_or((first, false), |key| (key, true));
                ahead = self.read(table, from, after, (count - rows.len()).max(READ_AT_ONCE))?;
                if ahead.len() == 0 {
                    break;
                }
            }
            rows.take_from(&mut ahead, count - rows.len());
        }
        if ahead.len() > 0 {
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
    ) -> rusqlite::Result<Rows> {
        let (stream, rest) = table.key.split_at(table.stream);
        let mut read = Rows { width: table.key.len(), ..Rows::default() };
        if rest.is_empty() && after {
            // Each row is a stream of its own.
            return Ok(read);
        }
        let sql = self.sql.entry((table.at, after)).or_insert_with(|| {
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
        while let Some(row) = rows.next()? {
            let hash = read_row(table, row, &mut read.keys)?;
            read.hashes.push(hash);
        }
        Ok(read)
    }
}

/// Looks at the texts, and gives the number of the last seal.
pub(super) fn begin(
    connection: &Connection,
    since: Option<&Verified>,
    faults: &Faults,
) -> rusqlite::Result<i64> {
    texts(connection, faults)?;
    if let Some(since) = since {
        let kept = before(connection, since.seal_n + 1)?.map(|head| hex(&head.hash));
        if since.seal_n > 0 && kept.as_ref() != Some(&since.seal_hash) {
            let what = "is not the seal that was verified before; verify the whole record";
            faults.add(format!("seal (n {})", since.seal_n), what);
        }
    }
    connection.query_row("SELECT coalesce(max(n), 0) FROM seal", [], |row| row.get(0))
}

/// Walks the seals from the first to the last of these, and the rows under them.
pub(super) fn walk(
    connection: &Connection,
    (from, last): (i64, i64),
    faults: &Faults,
    progress: &Progress<'_>,
) -> rusqlite::Result<Walked> {
    let mut walked = Walked::default();
    match before(connection, from)? {
        Some(head) => walked.head = head,
        None => {
            faults.add(format!("seal (n {})", from - 1), "is missing");
            walked.head.n = from - 1;
        }
    }
    let mut streams = Streams { connection, ahead: HashMap::new(), sql: HashMap::new() };
    let mut statement =
        connection.prepare("SELECT n, spans, marks, hash FROM seal WHERE n BETWEEN ? AND ? ORDER BY n")?;
    let mut seals = statement.query([from, last])?;
    while let Some(row) = seals.next()? {
        let seal = Seal { n: row.get(0)?, spans: row.get(1)?, marks: row.get(2)?, hash: row.get(3)? };
        if seal.n != walked.head.n + 1 {
            faults.add(format!("seal (n {})", walked.head.n + 1), "is missing");
        }
        seal.check(&mut streams, &mut walked, faults)?;
        walked.seals += 1;
        walked.head = SealHead { n: seal.n, hash: seal.hash };
        if walked.seals.is_multiple_of(TELL_EVERY) {
            progress.more(TELL_EVERY);
        }
        if faults.full() {
            return Ok(walked);
        }
    }
    progress.more(walked.seals % TELL_EVERY);
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
        let mut found: Vec<(&'static Table, Rows, &Span)> = Vec::with_capacity(spans.len());
        for span in &spans {
            let Some(table) = table(&span.0).filter(|table| table.key.len() == span.1.len()) else {
                faults.add(own, format!("tells of a table {} that the schema does not have", span.0));
                return Ok(());
            };
            walked.tally[table.at] += i64::try_from(span.2).unwrap_or(0);
            let rows = streams.take(table, &span.1, span.2)?;
            walked.rows += rows.len() as u64;
            found.push((table, rows, span));
        }
        let rows = || found.iter().flat_map(|(_, rows, _)| rows.hashes());
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
        found: &[(&'static Table, Rows, &Span)],
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
                rows.hashes()
                    .get(row)
                    .zip(marks.get(mark))
                    .is_some_and(|(hash, mark)| hash[..MARK_BYTES] == **mark)
            };
            let Some(i) = (0..span.2).find(|i| !fits(*i, *i)) else { continue };
            named = true;
            // What follows in this stream is looked up anew.
            streams.ahead.remove(&(table.at, span.1[..table.stream].to_vec()));
            let before = i.checked_sub(1).and_then(|before| rows.key(before));
            let wanted = before.map_or_else(|| span.1.clone(), next_key);
            match rows.key(i) {
                // The row stands where it should, or one that was put in stands in its place.
                Some(key) if *key == *wanted || fits(i + 1, i) => {
                    faults.add(row_name(table, key), "is not as it was written");
                }
                Some(key) if before.is_some() && !fits(i, i + 1) => {
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
pub(super) fn unsealed(connection: &Connection, walked: &Walked, faults: &Faults) -> rusqlite::Result<()> {
    for table in TABLES {
        let sealed = walked.tally[table.at];
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
    let (mut strays, mut key) = (Vec::new(), Vec::new());
    while let Some(row) = rows.next()? {
        key.clear();
        let hash = read_row(table, row, &mut key)?;
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
