//! The one thread that writes the record.
//!
//! A commit begins at once when the thread is idle; under load whatever arrived meanwhile goes
//! into one transaction of at most [`GROUP_TIME`]. Each batch is acknowledged after its commit.
//! When the disk is full, locked or read-only, or the file is not at its path any more, batches are kept in memory in
//! their order, the senders are told in words, and saving goes on by itself.

use super::copy::{CONTINUED, Continued};
use super::insert::Writing;
use super::ledger::Chain;
use super::open::now_utc_us;
use super::place::{Lost, Place};
use super::rescue;
use super::{Entry, Error, open_for_reading, open_for_writing};
use rusqlite::{Connection, OptionalExtension, TransactionBehavior};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot, watch};

/// Batches that may wait in the channel; when it is full the senders wait, and with them the
/// sources, so that the operating system's buffer fills and an overrun becomes a gap event.
const WAITING_BATCHES: usize = 1_024;

/// Longest time that entries are gathered for one commit.
const GROUP_TIME: Duration = Duration::from_millis(50);

/// Most entries in one commit.
const GROUP_ENTRIES: usize = 4_096;

/// Most entries kept in memory while the record cannot be written; beyond it the sources are held up.
const BACKLOG_ENTRIES: usize = 2_000_000;

/// Pause between tries while the record cannot be written.
const RETRY_PAUSE: Duration = Duration::from_millis(500);

/// What became of a batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Commit {
    /// It is on the disk.
    Saved,
    /// It is kept in memory, in order, and will be saved; holds the reason in words.
    Waiting(String),
}

/// How the writer stands.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct WriterState {
    /// Batches that wait in memory because the record cannot be written.
    pub waiting_batches: u64,
    /// Bytes of the wire among them.
    pub waiting_bytes: u64,
    /// When the oldest of them came.
    pub oldest: Option<Instant>,
    /// Why, in words, while that is so.
    pub trouble: Option<String>,
}

/// Numbers that the next line, decoding, run and reckoning will get.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct NextIds {
    /// Of the next line.
    pub line: i64,
    /// Of the next decoding.
    pub decoding: i64,
    /// Of the next run.
    pub run: i64,
    /// Of the next reckoning.
    pub reckoning: i64,
}

struct Batch {
    entries: Vec<Entry>,
    came: Instant,
    came_utc_us: i64,
    reply: Option<oneshot::Sender<Commit>>,
}

/// Hands batches to the writer thread; cheap to clone.
#[derive(Debug, Clone)]
pub struct Writer {
    batches: mpsc::Sender<Batch>,
    state: watch::Receiver<WriterState>,
}

/// The thread behind a [`Writer`]; join it to be sure that all is committed.
#[derive(Debug)]
pub struct WriterThread {
    handle: std::thread::JoinHandle<Option<String>>,
}

impl WriterThread {
    /// Waits until every batch is committed and the file closed; call it off the runtime.
    ///
    /// Gives the reason, in words, if something could not be saved.
    #[must_use]
    pub fn finish(self) -> Option<String> {
        self.handle.join().unwrap_or_else(|_| Some("the writer of the record failed".to_owned()))
    }
}

impl Batch {
    fn new(entries: Vec<Entry>, reply: Option<oneshot::Sender<Commit>>) -> Self {
        Self { entries, came: Instant::now(), came_utc_us: now_utc_us(), reply }
    }
}

impl Writer {
    /// Opens the record for writing and starts the thread.
    ///
    /// # Errors
    /// As [`open_for_writing`].
    pub fn start(path: &Path) -> Result<(Self, WriterThread, NextIds), Error> {
        Self::start_with(path, None)
    }

    /// As [`Self::start`]; what cannot be saved to the end goes to the folder `unsaved_to`, or, where that
    /// cannot be written, beside the record or to the system's temporary folder.
    ///
    /// # Errors
    /// As [`open_for_writing`].
    pub fn start_with(
        path: &Path,
        unsaved_to: Option<&Path>,
    ) -> Result<(Self, WriterThread, NextIds), Error> {
        let connection = open_for_writing(path)?;
        let ids = NextIds::of(&connection).map_err(|source| Error::sqlite(path, source))?;
        let chain = Chain::load(&connection).map_err(|source| Error::sqlite(path, source))?;
        let (batches, inbox) = mpsc::channel(WAITING_BATCHES);
        let (publish, state) = watch::channel(WriterState::default());
        let backlog = VecDeque::new();
        let places = rescue::places(path, unsaved_to);
        let place = Place::of(path);
        let thread =
            Thread { path: path.to_owned(), place, places, connection, chain, inbox, publish, backlog };
        let handle = std::thread::Builder::new()
            .name("record-writer".to_owned())
            .spawn(move || thread.run())
            .map_err(|source| Error::Folder { folder: path.to_owned(), source })?;
        Ok((Self { batches, state }, WriterThread { handle }, ids))
    }

    /// Hands a batch over; the answer comes after its commit. Waits while the channel is full.
    ///
    /// The receiver fails only when the writer thread has gone.
    pub async fn write(&self, entries: Vec<Entry>) -> oneshot::Receiver<Commit> {
        let (reply, answer) = oneshot::channel();
        // A closed channel drops the reply, which the receiver sees as "the writer has gone".
        let _gone = self.batches.send(Batch::new(entries, Some(reply))).await;
        answer
    }

    /// Hands a batch over without asking for an answer.
    pub async fn write_and_go_on(&self, entries: Vec<Entry>) {
        let _gone = self.batches.send(Batch::new(entries, None)).await;
    }

    /// How the writer stands; changes are signalled.
    #[must_use]
    pub fn state(&self) -> watch::Receiver<WriterState> {
        self.state.clone()
    }
}

impl NextIds {
    /// The next numbers of a record: after the greatest in it, and after those of the archive it goes on from.
    pub(super) fn of(connection: &Connection) -> rusqlite::Result<Self> {
        let sql = "SELECT body FROM datum WHERE kind = ? AND name = ? ORDER BY datum_id DESC LIMIT 1";
        let body: Option<String> =
            connection.query_row(sql, [CONTINUED.0, CONTINUED.1], |row| row.get(0)).optional()?;
        let older = body.and_then(|body| serde_json::from_str::<Continued>(&body).ok()).map(|c| c.next);
        let next = |table: &str, older: Option<i64>| {
            let sql = format!("SELECT coalesce(max({table}_id), 0) + 1 FROM {table}");
            let own = connection.query_row(&sql, [], |row| row.get::<_, i64>(0));
            own.map(|own| own.max(older.unwrap_or(1)))
        };
        Ok(Self {
            line: next("line", older.map(|o| o.line))?,
            decoding: next("decoding", older.map(|o| o.decoding))?,
            run: next("run", older.map(|o| o.run))?,
            reckoning: next("reckoning", older.map(|o| o.reckoning))?,
        })
    }
}

/// Why a commit did not happen, or cannot be relied on.
enum Trouble {
    /// What SQLite said.
    Sqlite(rusqlite::Error),
    /// The record is not in its place, in words; nothing was written.
    Away(String),
    /// It was written to a file that is not in its place any more, in words.
    WrittenAway(String),
}

fn is_refused(error: &rusqlite::Error) -> bool {
    error.sqlite_error_code() == Some(rusqlite::ErrorCode::ConstraintViolation)
}

impl From<rusqlite::Error> for Trouble {
    fn from(error: rusqlite::Error) -> Self {
        Self::Sqlite(error)
    }
}

struct Thread {
    path: PathBuf,
    place: Place,
    /// Where the unsaved part may go at the end.
    places: Vec<PathBuf>,
    connection: Connection,
    /// The last row of the ledger and the last seal that are committed.
    chain: Chain,
    inbox: mpsc::Receiver<Batch>,
    publish: watch::Sender<WriterState>,
    backlog: VecDeque<Batch>,
}

impl Thread {
    fn run(mut self) -> Option<String> {
        loop {
            if self.backlog.is_empty() {
                match self.inbox.blocking_recv() {
                    Some(batch) => self.backlog.push_back(batch),
                    None => return self.close(),
                }
            }
            self.gather();
            match self.commit() {
                Ok(()) => self.acknowledge(),
                Err(Trouble::Sqlite(source)) if is_refused(&source) => self.commit_one_by_one(),
                Err(trouble) => {
                    let words = self.words(trouble);
                    if self.inbox.is_closed() && self.inbox.is_empty() {
                        return Some(self.save_elsewhere(&words));
                    }
                    std::thread::sleep(RETRY_PAUSE);
                }
            }
        }
    }

    /// Tells the trouble to whoever waits, and gives it in words.
    fn words(&mut self, trouble: Trouble) -> String {
        match trouble {
            Trouble::Sqlite(source) => {
                let words = Error::sqlite(&self.path, source).to_string();
                self.tell_waiting(&words);
                words
            }
            Trouble::Away(words) => {
                self.tell_waiting(&words);
                words
            }
            Trouble::WrittenAway(words) => {
                self.tell_waiting(&words);
                // They are in the file that is still open, and must not be written to it again.
                self.backlog.clear();
                words
            }
        }
    }

    /// Takes what has arrived meanwhile: one group, or all there is while the record cannot be written.
    fn gather(&mut self) {
        let began = Instant::now();
        let mut entries: usize = self.backlog.iter().map(|b| b.entries.len()).sum();
        let most = if self.publish.borrow().trouble.is_some() { BACKLOG_ENTRIES } else { GROUP_ENTRIES };
        while entries < most && began.elapsed() < GROUP_TIME {
            match self.inbox.try_recv() {
                Ok(batch) => {
                    entries += batch.entries.len();
                    self.backlog.push_back(batch);
                }
                Err(_) => break,
            }
        }
    }

    fn commit(&mut self) -> Result<(), Trouble> {
        match self.place.lost() {
            None => {}
            Some(Lost::Log) => self.renew_log()?,
            Some(Lost::Record) => self.find_again()?,
        }
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut writing = Writing::new(&transaction);
        for batch in &self.backlog {
            for entry in &batch.entries {
                writing.entry(entry, batch.came_utc_us)?;
            }
        }
        let chain = writing.finish(&self.chain)?;
        transaction.commit()?;
        self.chain = chain;
        match self.place.lost() {
            None => Ok(()),
            Some(Lost::Log) => self.renew_log(),
            Some(Lost::Record) => Err(Trouble::WrittenAway(self.place.words())),
        }
    }

    /// Somebody removed the write-ahead log: what is in it, and nowhere else, goes into the file, and a new log is begun.
    fn renew_log(&mut self) -> Result<(), Trouble> {
        let busy =
            self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get::<_, bool>(0))?;
        if busy {
            let why =
                format!("the write-ahead log of {} was removed while others read it", self.path.display());
            return Err(Trouble::Away(format!("{why}: end those programs; saving then goes on")));
        }
        // The old one has to be closed before another is opened: the two would not see each other's log.
        let old = std::mem::replace(&mut self.connection, Connection::open_in_memory()?);
        if let Err((old, error)) = old.close() {
            self.connection = old;
            return Err(error.into());
        }
        self.open_again()
    }

    /// The record may be in its place again, on a disk that was put back: it is written on when it is as it was left.
    fn find_again(&mut self) -> Result<(), Trouble> {
        let away = |thread: &Self| Trouble::Away(thread.place.words());
        let there = self.path.is_file().then(|| open_for_reading(&self.path).ok()).flatten();
        let chain = there.and_then(|connection| Chain::load(&connection).ok());
        if chain.as_ref() != Some(&self.chain) {
            return Err(away(self));
        }
        self.open_again()
    }

    fn open_again(&mut self) -> Result<(), Trouble> {
        self.connection = open_for_writing(&self.path).map_err(|error| Trouble::Away(error.to_string()))?;
        self.place = Place::of(&self.path);
        Ok(())
    }

    /// A row that the schema refuses is a fault of this program. It must not hold up the rows behind it:
    /// each batch gets a transaction of its own, and the refused one is logged with its text.
    fn commit_one_by_one(&mut self) {
        for batch in std::mem::take(&mut self.backlog) {
            self.backlog.push_back(batch);
            match self.commit() {
                Ok(()) => self.acknowledge(),
                Err(Trouble::Sqlite(source)) if is_refused(&source) => {
                    let Some(batch) = self.backlog.pop_back() else { continue };
                    let words = format!("the record refused rows ({source}); they are in the log");
                    tracing::error!(entries = ?batch.entries, "{words}");
                    if let Some(reply) = batch.reply {
                        let _asker_gone = reply.send(Commit::Waiting(words));
                    }
                }
                // The disk is full or locked: the rest waits as usual.
                Err(Trouble::Sqlite(_) | Trouble::Away(_)) => {}
                Err(trouble @ Trouble::WrittenAway(_)) => drop(self.words(trouble)),
            }
        }
    }

    /// The state is told before the answers, so that whoever has an answer sees a state that fits it.
    fn acknowledge(&mut self) {
        self.publish.send_if_modified(|state| {
            let changed = *state != WriterState::default();
            *state = WriterState::default();
            changed
        });
        for batch in self.backlog.drain(..) {
            if let Some(reply) = batch.reply {
                // The asker may have gone; the batch is saved all the same.
                let _asker_gone = reply.send(Commit::Saved);
            }
        }
    }

    fn tell_waiting(&mut self, words: &str) {
        tracing::warn!(trouble = words, batches = self.backlog.len(), "the record cannot be written");
        let bytes: usize = self.backlog.iter().flat_map(|batch| &batch.entries).map(Entry::wire_bytes).sum();
        self.publish.send_replace(WriterState {
            waiting_batches: self.backlog.len() as u64,
            waiting_bytes: bytes as u64,
            oldest: self.backlog.front().map(|b| b.came),
            trouble: Some(words.to_owned()),
        });
        for reply in self.backlog.iter_mut().filter_map(|batch| batch.reply.take()) {
            let _asker_gone = reply.send(Commit::Waiting(words.to_owned()));
        }
    }

    /// The recorder has to leave and the record still takes nothing: the rest goes to a file of its own. A record that is
    /// nowhere any more goes along whole.
    fn save_elsewhere(&mut self, words: &str) -> String {
        let away = self.place.lost() == Some(Lost::Record);
        let rest: Vec<(&Entry, i64)> =
            self.backlog.iter().flat_map(|b| b.entries.iter().map(|e| (e, b.came_utc_us))).collect();
        if away {
            match rescue::rescue_whole(&self.path, &self.connection, &self.chain, &rest, &self.places) {
                Ok(file) => {
                    let file = file.display();
                    tracing::warn!(%file, "the record is kept elsewhere");
                    return format!(
                        "{words}. All of it, to the last line, is in {file}: put that in its place"
                    );
                }
                Err(error) => tracing::error!(%error, "the record could not be kept elsewhere as a whole"),
            }
        }
        match rescue::rescue(&self.path, &self.chain, &rest, &self.places) {
            Ok(file) => {
                let file = file.display();
                tracing::warn!(%file, "the unsaved part is kept elsewhere");
                format!(
                    "{words}. The unsaved part is in {file}: bring it in with `dropwise record recover {file}`"
                )
            }
            Err(error) => {
                tracing::error!(%error, "the unsaved part could not be kept elsewhere");
                format!("{words}. It could not be written elsewhere either: {error}")
            }
        }
    }

    /// Leaves one tidy file behind.
    fn close(mut self) -> Option<String> {
        self.backlog.push_back(Batch::new(vec![Entry::Closed], None));
        match self.commit() {
            Ok(()) => {}
            Err(Trouble::Sqlite(error)) => {
                // Nothing is lost: the seals stand, and the next row of the ledger takes them in.
                tracing::warn!(%error, "the ledger could not take in the last seals");
            }
            Err(trouble) => {
                let words = self.words(trouble);
                return Some(self.save_elsewhere(&words));
            }
        }
        if let Err(error) = self.connection.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)") {
            // Readers may hold the log; it is taken in at the next opening.
            tracing::debug!(%error, "the write-ahead log stays");
        }
        None
    }
}
