//! Copies of a record, and the next record when the old one is laid away.

use super::insert::Writing;
use super::ledger::{Chain, Decision};
use super::open::now_utc_us;
use super::read_ledger::Datum;
use super::table;
use super::{Anchor, Error, NextIds, Reader, Report, open_for_reading, open_for_writing, verify};
use crate::work::Origin;
use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, TransactionBehavior, params};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Pages copied at once; between two steps others may read the disk.
const PAGES: i32 = 1_000;

/// Pause after a step that found the file locked.
const PAUSE: Duration = Duration::from_millis(20);

/// Copies the record at `from` to the new file `to`, also while it is written, and verifies the copy.
///
/// The copy is one moment of the record: what is committed meanwhile is not in it.
///
/// # Errors
/// When `to` exists or cannot be written, or the record cannot be read. What is wrong in the copy is in the report.
pub fn backup(from: &Path, to: &Path, told: &(dyn Fn(u64, u64) + Sync)) -> Result<Report, Error> {
    if to.exists() {
        return Err(Error::There { path: to.to_owned() });
    }
    let part = beside(to, ".part");
    match std::fs::remove_file(&part) {
        Err(source) if source.kind() != std::io::ErrorKind::NotFound => {
            return Err(Error::Folder { folder: part, source });
        }
        _ => {}
    }
    let copied = copy(from, &part, told).and_then(|()| verify(&part, None, &[], &|_, _| {}));
    let placed = copied.and_then(|report| {
        std::fs::File::open(&part)
            .and_then(|file| file.sync_all())
            .and_then(|()| std::fs::rename(&part, to))
            .and_then(|()| sync_folder(to))
            .map_err(|source| Error::Folder { folder: to.to_owned(), source })?;
        Ok(report)
    });
    if placed.is_err() {
        // What is left of it is no copy.
        let _left = std::fs::remove_file(&part);
    }
    placed
}

fn copy(from: &Path, to: &Path, told: &(dyn Fn(u64, u64) + Sync)) -> Result<(), Error> {
    let source = open_for_reading(from)?;
    let fail = |error| Error::sqlite(from, error);
    // Within one reading transaction every step sees the same moment, whatever is written meanwhile.
    source.execute_batch("BEGIN").map_err(fail)?;
    let tables: i64 =
        source.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).map_err(fail)?;
    tracing::debug!(tables, "the copy begins");
    copy_pages(&source, to, told)
}

/// Copies a record that is open to the new file `to`, whatever has become of its own file.
pub(super) fn copy_open(source: &Connection, to: &Path) -> Result<(), Error> {
    copy_pages(source, to, &|_, _| {})
}

fn copy_pages(source: &Connection, to: &Path, told: &(dyn Fn(u64, u64) + Sync)) -> Result<(), Error> {
    let fail_to = |error| Error::sqlite(to, error);
    let mut target = Connection::open(to).map_err(fail_to)?;
    {
        let copying = Backup::new(source, &mut target).map_err(fail_to)?;
        loop {
            let step = copying.step(PAGES).map_err(fail_to)?;
            let progress = copying.progress();
            let total = u64::try_from(progress.pagecount).unwrap_or(0);
            told(total.saturating_sub(u64::try_from(progress.remaining).unwrap_or(0)), total);
            match step {
                StepResult::Done => break,
                StepResult::More => {}
                _ => std::thread::sleep(PAUSE),
            }
        }
    }
    // One file, without a log beside it.
    target.pragma_update(None, "journal_mode", "DELETE").map_err(fail_to)?;
    target.close().map_err(|(_, error)| fail_to(error))
}

/// The new name is on the disk too.
fn sync_folder(of: &Path) -> std::io::Result<()> {
    let folder = of.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    if cfg!(unix) { std::fs::File::open(folder)?.sync_all() } else { Ok(()) }
}

pub(super) fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(ending);
    path.with_file_name(name)
}

/// What a record says of the one that it goes on from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Continued {
    /// Where the older record was laid.
    pub archive: PathBuf,
    /// Its anchor then.
    pub anchor: Anchor,
    /// The numbers from which this record goes on; smaller ones are in the archive.
    pub next: NextIds,
}

/// Kind and name of the document that holds [`Continued`].
pub(super) const CONTINUED: (&str, &str) = ("record", "continued");

impl Reader {
    /// The archive that this record goes on from, if there is one.
    ///
    /// # Errors
    /// What SQLite says.
    pub fn continued(&self) -> Result<Option<Continued>, Error> {
        let datum = self.latest_datum(CONTINUED.0, CONTINUED.1)?;
        Ok(datum.and_then(|datum| serde_json::from_str(&datum.body).ok()))
    }
}

/// Lays the whole record away as `to` and begins a new one in its place, which goes on with its numbers and
/// its documents and says where the runs went. Nothing is deleted: the file `to` is the old record.
///
/// The caller holds the lock of the record.
///
/// # Errors
/// When somebody reads the record, something in it is not as it was written, or `to` cannot be written; the record
/// is then as before, but for a row in its ledger.
pub fn lay_away(
    record: &Path,
    to: &Path,
    who: &str,
    why: &str,
    told: &(dyn Fn(u64, u64) + Sync),
) -> Result<(Report, Continued), Error> {
    let fail = |error| Error::sqlite(record, error);
    let to = std::path::absolute(to).map_err(|source| Error::Folder { folder: to.to_owned(), source })?;
    if to.exists() {
        return Err(Error::There { path: to });
    }
    let mut old = open_for_writing(record)?;
    let decide = |verb: &str, why: String| Decision {
        who: who.to_owned(),
        verb: verb.to_owned(),
        subject: "record".to_owned(),
        why,
    };
    let chain = Chain::load(&old).map_err(fail)?;
    let transaction = old.transaction_with_behavior(TransactionBehavior::Immediate).map_err(fail)?;
    let mut writing = Writing::new(&transaction);
    writing.decide(decide("lay away", format!("to {}: {why}", to.display())), now_utc_us());
    writing.finish(&chain).map_err(fail)?;
    transaction.commit().map_err(fail)?;
    // Fails while anybody reads: a log left behind would be taken for one of the new record.
    old.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(())).map_err(fail)?;
    let report = backup(record, &to, told)?;
    let Some(anchor) = report.anchor.clone().filter(|_| report.faults.is_empty()) else {
        // The copy holds what is wrong; the record stays where it is.
        return Err(Error::NotInOrder { path: record.to_owned(), first: report.faults.into_iter().next() });
    };
    let continued = Continued { archive: to, anchor, next: NextIds::of(&old).map_err(fail)? };
    let documents = documents_that_hold(record)?;
    let fresh = beside(record, ".new");
    // A try that was cut off left it; nothing has been written to it since.
    let _none = std::fs::remove_file(&fresh);
    begin_anew(&fresh, &continued, &documents, decide("continue", why.to_owned()))?;
    old.close().map_err(|(_, error)| fail(error))?;
    std::fs::rename(&fresh, record).map_err(|source| Error::Folder { folder: record.to_owned(), source })?;
    Ok((report, continued))
}

fn documents_that_hold(record: &Path) -> Result<Vec<Datum>, Error> {
    let reader = Reader::open(record)?;
    let mut documents = Vec::new();
    for kind in reader.datum_kinds()? {
        // What tells of single evaluations stays with them.
        if !["settings", "signature", "review", CONTINUED.0].contains(&kind.as_str()) {
            documents.extend(reader.datums(&kind)?);
        }
    }
    Ok(documents)
}

fn begin_anew(
    path: &Path,
    continued: &Continued,
    documents: &[Datum],
    decision: Decision,
) -> Result<(), Error> {
    let fail = |error| Error::sqlite(path, error);
    let mut connection = open_for_writing(path)?;
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(fail)?;
    let mut writing = Writing::new(&transaction);
    let now = now_utc_us();
    let body = serde_json::to_string(continued)
        .map_err(|e| fail(rusqlite::Error::ToSqlConversionFailure(e.into())))?;
    let own = Datum {
        id: 1,
        kind: CONTINUED.0.to_owned(),
        name: CONTINUED.1.to_owned(),
        body,
        utc_us: now,
        utc_offset_s: super::ledger::utc_offset_s(now),
        who: decision.who.clone(),
        origin: Origin::Keyed,
    };
    for (id, datum) in (1_i64..).zip(std::iter::once(&own).chain(documents)) {
        let origin = if id == 1 { datum.origin } else { Origin::Imported };
        let row = params![
            id,
            datum.kind,
            datum.name,
            datum.body,
            datum.utc_us,
            datum.utc_offset_s,
            datum.who,
            origin.word()
        ];
        writing.row(&table::DATUM, row).map_err(fail)?;
        writing.decide(Decision { subject: format!("datum {id}"), ..decision.clone() }, now);
    }
    writing.finish(&Chain::default()).map_err(fail)?;
    transaction.commit().map_err(fail)?;
    connection.pragma_update(None, "journal_mode", "DELETE").map_err(fail)?;
    connection.close().map_err(|(_, error)| fail(error))
}
